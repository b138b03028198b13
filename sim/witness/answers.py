"""What memory answers the gates in each clock: the bytes that cases list, where they are published.

In a batch the cases of one opcode or entry lie together, as a share of it. A share's clocks are
columns; those of all shares in one clock are planes, as the gates want them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..cases.kinds import Symbols
from ..cases.layout import Cases
from ..family.address import Term
from ..family.bus_clocks import Clock
from ..family.instructions import Instruction
from ..netlist.compiled import pack

DISCARDED: Final = 0x5A  # no byte of any case
Column = npt.NDArray[Any]
Planes = list[int]
#: Cases of one opcode or entry, and where they lie in the batch.
Place = tuple[Instruction, slice]


@dataclass(slots=True)
class Answer:
    """What memory holds for one clock: a byte at one address, its complement everywhere else."""

    byte: Planes
    address: Planes | None  # None: the byte is discarded, and lies everywhere
    claimed: Planes | None  # the address that the published activity shows
    write: int = 0
    # The cases in which an address is meant, where not in all.
    lies: int = -1
    shows: int = -1

    def where(self, other: Answer, chosen: int) -> Answer:
        """This one in the chosen cases, the other one in the rest."""
        address, lies = _where(self.address, self.lies, other.address, other.lies, chosen)
        claimed, shows = _where(self.claimed, self.shows, other.claimed, other.shows, chosen)
        (write,) = merge([other.write], [self.write], chosen)
        byte = merge(other.byte, self.byte, chosen)
        return Answer(byte, address, claimed, write, lies, shows)


def _where(
    mine: Planes | None, my_cases: int, others: Planes | None, other_cases: int, chosen: int
) -> tuple[Planes | None, int]:
    """Planes merged, and the cases in which they mean something."""
    if mine is None:
        return others, other_cases & ~chosen
    if others is None:
        return mine, my_cases & chosen
    return merge(others, mine, chosen), merge([other_cases], [my_cases], chosen)[0]


def merge(old: Planes, new: Planes, chosen: int) -> Planes:
    """`new` in the chosen cases, `old` in the others."""
    return [a ^ ((a ^ b) & chosen) for a, b in zip(old, new, strict=True)]


def answers(places: Sequence[Place], variant: str, cases: Cases) -> Iterator[Answer]:
    """One for each clock of a batch, and on without end, for clocks that there should not be."""
    shares = [_Share.of(instruction, variant, cases[rows]) for instruction, rows in places]
    join = _Joiner([rows for _, rows in places], len(cases)).answer
    crossed = None
    if any(share.crossed is not None for share in shares):
        column = np.zeros(len(cases), np.uint8)
        for (_, rows), share in zip(places, shares, strict=True):
            column[rows] = True if share.crossed is None else share.crossed
        (crossed,) = pack(column, 1)
    for k in count():
        longer = join([share.longer[k] if k < len(share.longer) else _After for share in shares])
        if crossed is None:
            yield longer
            continue
        shorter = [share.shorter[k] if k < len(share.shorter) else _After for share in shares]
        yield longer.where(join(shorter), crossed)


class _Cycle(NamedTuple):
    """A clock of a share: columns, or None as in `Answer`, where a byte of None is `DISCARDED`."""

    byte: Column | None
    address: Column | None
    claimed: Column | None
    write: bool = False


_After: Final = _Cycle(None, None, None)


class _Share(NamedTuple):
    """The clocks where a page is crossed, and where not; which these are, unless they are alike."""

    longer: list[_Cycle]
    shorter: list[_Cycle]
    crossed: npt.NDArray[np.bool_] | None

    @classmethod
    def of(cls, instruction: Instruction, variant: str, cases: Cases) -> _Share:
        symbols, clocks = Symbols(cases, instruction), instruction.sequence(variant)
        columns: dict[Term, Column] = {}

        def claimed(address: Term) -> Column:
            if address not in columns:
                column = np.asarray(address.over(symbols), np.uint16)
                columns[address] = np.broadcast_to(column, cases.shape)
            return columns[address]

        def cycles(clocks: Iterable[Clock]) -> Iterator[_Cycle]:
            read = 0
            for clock in clocks:
                published = None if clock.address is None else claimed(clock.address)
                if clock.reads and published is not None:
                    where = cases["read_address"][:, read]
                    here = published if np.array_equal(where, published) else where
                    yield _Cycle(bytes_read[read], here, published)
                    read += 1
                else:
                    yield _Cycle(None, None, published, bool(clock.writes))

        bytes_read = [cases["read_value"][:, i] for i in range(len(instruction.reads))]
        longer, crossing = [*cycles(clocks)], instruction.mode.crossing
        # At the end of a branch such a clock may as well be looked for always.
        if instruction.branches or crossing is None or all(c.when != "crossed" for c in clocks):
            return cls(longer, longer, None)
        low, high = (np.asarray(page.over(symbols)) for page in crossing)
        shorter = [*cycles(clock for clock in clocks if clock.when != "crossed")]
        return cls(longer, shorter, np.broadcast_to(low != high, cases.shape))


class _Joiner:
    """Makes planes out of the shares' columns; once, of the one column of a share that is alone."""

    def __init__(self, places: Sequence[slice], cases: int) -> None:
        self.places, self.cases = places, cases
        self.sizes = [rows.stop - rows.start for rows in places]
        self.packed: dict[int, Planes] = {}
        ones = (1 << cases) - 1
        self.nothing = [ones * (DISCARDED >> bit & 1) for bit in range(8)]

    def answer(self, cycles: Sequence[_Cycle]) -> Answer:
        """What is answered in one clock of each share."""
        byte, _ = self.planes([one.byte for one in cycles], 8, DISCARDED)
        address, lies = self.planes([one.address for one in cycles], 16)
        claimed, shows = self.planes([one.claimed for one in cycles], 16)
        write = self.mask([one.write for one in cycles])
        return Answer(byte or self.nothing, address, claimed, write, lies, shows)

    def planes(
        self, columns: Sequence[Column | None], width: int, other: int = 0
    ) -> tuple[Planes | None, int]:
        """The planes, with `other` where a share has none; the cases of the shares that do."""
        if all(column is None for column in columns):
            return None, 0
        if len(columns) > 1:
            whole = np.full(self.cases, other, np.uint8 if width == 8 else np.uint16)
            for rows, column in zip(self.places, columns, strict=True):
                if column is not None:
                    whole[rows] = column
            return pack(whole, width), self.mask([column is not None for column in columns])
        (column,) = columns
        assert column is not None
        if id(column) not in self.packed:
            self.packed[id(column)] = pack(column, width)
        return self.packed[id(column)], -1

    def mask(self, chosen: Sequence[bool]) -> int:
        """The cases of the chosen shares."""
        if len(set(chosen)) == 1:
            return -chosen[0] & ((1 << self.cases) - 1)
        return pack(np.repeat(np.array(chosen, np.uint8), self.sizes), 1)[0]
