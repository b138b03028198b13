"""How far carries go, over all pairs of operands, and what is known of that."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Any


@dataclass(frozen=True)
class Carries:
    """How many inputs have each longest carry, 0 to 8 places, for one carry-in."""

    carry_in: int
    counts: tuple[int, ...]
    expected: tuple[int, ...]

    @property
    def mean(self) -> Fraction:
        """The mean length, exactly."""
        return Fraction(sum(k * count for k, count in enumerate(self.counts)), sum(self.counts))

    def to_json(self) -> dict[str, Any]:
        """Plain values; the mean as a fraction."""
        return {
            "carry_in": self.carry_in,
            "counts": list(self.counts),
            "expected": list(self.expected),
            "mean": str(self.mean),
        }


def going_on(carry: Sequence[int], generate: Sequence[int], ones: int) -> list[int]:
    """For each length from 0 on, the rows in which a carry goes on for at least so many places.

    They are the place that makes it and those above it that hand it on; the lowest place makes one
    of a carry-in too.
    """
    at_least = [ones] + [0] * len(generate)
    below: list[int] = []
    for out, made in zip(carry[1:], generate, strict=True):
        below = [out, *(out & ~made & longer for longer in below)]
        for length, rows in enumerate(below, 1):
            at_least[length] |= rows
    return at_least


def lengths(at_least: Sequence[int], rows: int) -> tuple[int, ...]:
    """How many of these rows have each longest carry."""
    counts = [(plane & rows).bit_count() for plane in at_least] + [0]
    return tuple(count - more for count, more in pairwise(counts))


def expected_carries(carry_in: int, width: int = 8) -> tuple[int, ...]:
    """How many of all pairs of operands have each longest carry, 0 to `width` places.

    Burks, Goldstine and von Neumann's recurrence (1946, from memory): a carry of v places first
    ends at place n if there is none below its first, which makes a carry in one pair of four, and
    the others hand it on, each in two of four. With a carry-in the lowest place makes
    one in three pairs of four.
    """
    at_least = [4**width]
    for length in range(1, width + 1):
        share = [Fraction(0)] * (width + 1)
        for n in range(length, width + 1):
            made = Fraction(3 if carry_in and n == length else 1, 4)
            first = (1 - share[n - length]) * made / 2 ** (length - 1)
            share[n] = share[n - 1] + first
        at_least.append(int(share[width] * 4**width))
    at_least.append(0)
    return tuple(more - fewer for more, fewer in pairwise(at_least))
