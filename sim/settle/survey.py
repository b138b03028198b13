"""Every input of an operation settled at once: when each output is final, how far carries go."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import reduce
from itertools import pairwise
from operator import or_
from typing import Any

import numpy as np

from ..netlist.alu_gates import AluGates, Inputs, Use
from ..op.operation import CHAIN
from ..system.pictures import picture_of
from .settling import (
    NAMES,
    START,
    WIDTHS,
    alu_of,
    depth_of,
    differing,
    generations,
    name_of,
    ports_of,
    settled,
    use_of,
)  # fmt: skip


@dataclass(frozen=True)
class Output:
    """After how many steps an output is final, over every input.

    `counts[k]` is how many inputs leave it final in step k; those that never change it are in
    `counts[0]`. `worst_input` is the first that takes longest: A, M and the carry. `glitches` is
    how many inputs change a wire of it more than once.
    """

    name: str
    counts: tuple[int, ...]
    worst_input: tuple[int, int, int]
    glitches: int

    @property
    def worst(self) -> int:
        """The step after which it is final whatever the input."""
        return len(self.counts) - 1

    @property
    def mean(self) -> Fraction:
        """The mean step, exactly."""
        return Fraction(sum(k * count for k, count in enumerate(self.counts)), sum(self.counts))

    def within(self, share: Fraction) -> int:
        """The first step by which this share of the inputs, or more, leave it final."""
        done, wanted = 0, share * sum(self.counts)
        for step, count in enumerate(self.counts):
            done += count
            if done >= wanted:
                return step
        return self.worst

    def to_json(self) -> dict[str, Any]:
        """Plain values; inputs by the names of the ALU's ports."""
        return {
            "name": self.name, "mean": float(self.mean), "worst": self.worst,
            "worst_input": dict(zip(NAMES, self.worst_input, strict=False)),
            "inputs_by_step": list(self.counts), "glitches": self.glitches,
        }  # fmt: skip


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
            "carry_in": self.carry_in, "counts": list(self.counts),
            "expected": list(self.expected), "mean": str(self.mean),
        }  # fmt: skip


@dataclass(frozen=True)
class AdderSurvey:
    """What one adder's gates do over every input."""

    adder: str
    gates: int
    depth: int
    outputs: tuple[Output, ...]  # each wire, then each port of several, then `all`
    carries: tuple[Carries, ...]  # for two operands; else none
    wrong: int  # inputs whose last values are not those of the gates without delay

    @property
    def agree(self) -> bool:
        """The last values and the longest carries are what they must be."""
        return not self.wrong and all(c.counts == c.expected for c in self.carries)

    def __getitem__(self, name: str) -> Output:
        """An output by name."""
        return next(output for output in self.outputs if output.name == name)

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "adder": self.adder, "gates": self.gates, "depth": self.depth,
            "outputs": [output.to_json() for output in self.outputs],
            "longest_carries": [carries.to_json() for carries in self.carries],
            "wrong": self.wrong, "agree": self.agree,
        }  # fmt: skip


@dataclass(frozen=True)
class Survey:
    """Every input of an operation, decimal off, from A, M and C at 0; one adder or several."""

    mnemonic: str
    variant: str
    inputs: int
    adders: tuple[AdderSurvey, ...]

    @property
    def agree(self) -> bool:
        """Whether everything that was checked is as it must be."""
        return all(adder.agree for adder in self.adders)

    def _repr_svg_(self) -> str | None:
        """In a notebook: the plot."""
        return picture_of("survey", self)

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "mnemonic": self.mnemonic, "variant": self.variant,
            "from": dict(zip(NAMES, (*START, 0), strict=True)), "inputs": self.inputs,
            "adders": [adder.to_json() for adder in self.adders], "agree": self.agree,
        }  # fmt: skip


def survey(
    mnemonic: str = "ADC", variant: str = "nmos", adders: Sequence[str] = ("ripple",)
) -> Survey:
    """Settles every input of an operation at once. Raises SettleError and NetlistError."""
    use = use_of(mnemonic)
    every = Inputs.every(use, "binary")  # in which decimal is off
    found = tuple(survey_of(alu_of(variant, adder), use, every, adder) for adder in adders)
    return Survey(mnemonic, variant, len(every), found)


def survey_of(alu: AluGates, use: Use, every: Inputs, adder: str) -> AdderSurvey:
    """Settles these inputs on one adder's gates."""
    ones = (1 << len(every)) - 1
    zero = Inputs(*(np.zeros(len(every), np.uint8) for _ in range(4)))
    before, after = alu.planes(use.operation, zero), alu.planes(use.operation, every)
    ports = ports_of(use)
    wires = {name_of(p, i): [w] for p in ports for i, w in enumerate(alu.outputs[p])}
    groups = wires | {p: list(alu.outputs[p]) for p in ports if p in WIDTHS}
    groups |= {
        "flags": [alu.outputs[port][0] for port in ports if port not in WIDTHS],
        "all": [wire for port in ports for wire in alu.outputs[port]],
    }
    values = settled(alu.gates, dict(zip(alu.source_wires, before, strict=True)), ones)
    moves: list[dict[int, int]] = []  # for each step and wire, the rows in which it changes
    for changed in generations(alu, values, after, ones):
        moves.append({w: values[w] ^ changed[w] for w in groups["all"] if w in changed})
        values |= changed
    again = repeated(moves)
    outputs = tuple(
        output_of(
            name,
            [reduce(or_, (step.get(wire, 0) for wire in group), 0) for step in moves],
            reduce(or_, (again.get(wire, 0) for wire in group), 0),
            every,
        )
        for name, group in groups.items()
        if not name.startswith("operand")
    )
    carries: tuple[Carries, ...] = ()
    if use.operand and use.operation.name in CHAIN:
        chain, left, operand = (
            [values[wire] for wire in port]
            for port in (alu.outputs["carry"], alu.sources["a"], alu.outputs["operand"])
        )
        at_least = going_on(chain, [a & m for a, m in zip(left, operand, strict=True)], ones)
        carries = tuple(
            Carries(carry_in, lengths(at_least, rows), expected_carries(carry_in))
            for carry_in, rows in enumerate((ones ^ chain[0], chain[0]))
            if rows
        )
    wrong = differing(alu, use, every, values, ports)
    return AdderSurvey(adder, len(alu.gates), depth_of(alu), outputs, carries, wrong)


def repeated(moves: Iterable[dict[int, int]]) -> dict[int, int]:
    """For each wire, the rows in which it changes more than once."""
    once: dict[int, int] = {}
    again: dict[int, int] = {}
    for step in moves:
        for wire, rows in step.items():
            again[wire] = again.get(wire, 0) | once.get(wire, 0) & rows
            once[wire] = once.get(wire, 0) | rows
    return again


def output_of(name: str, moves: Sequence[int], again: int, every: Inputs) -> Output:
    """When an output is final, out of the rows in which it changes in each step."""
    counts, later, last = [0] * len(moves), 0, 0
    for step in range(len(moves) - 1, 0, -1):
        fresh = moves[step] & ~later
        counts[step] = fresh.bit_count()
        later |= fresh
        last = last or fresh
    counts[0] = len(every) - later.bit_count()
    while len(counts) > 1 and not counts[-1]:
        counts.pop()
    row = (last & -last).bit_length() - 1 if last else 0
    worst = (int(every.left[row]), int(every.m[row]), int(every.carry_in[row]))
    return Output(name, tuple(counts), worst, again.bit_count())


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
