"""Memory as rows of a trace show it, and where a byte read is not the one that was there.

Each byte read is held to the access to the same address before it. Pieces of a trace are followed
apart and merged in order, so each keeps what it reads first, and what it leaves behind.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from .accesses import ASKED, CHANGED, READ, SLOTS, UNKNOWN, WRITTEN, Accesses

#: So many contradictions are kept, the first ones.
KEPT: Final = 5

# Of an address: the time of the first access, if it is a read of what an earlier piece has left,
# and its value; whether there is an access that an earlier piece must not look behind; the kind of
# what is known at the end, or 0, its value, and the time of the write, or of the first such read.
_CELL: Final = np.dtype(
    [("address", "u2"), ("first", "i8"), ("asked", "u1"), ("opens", "?"), ("closed", "?"),
     ("kind", "u1"), ("value", "u1"), ("origin", "i8")]
)  # fmt: skip


class Contradiction(NamedTuple):
    """A byte read, the value that was there before, and the access that says so; all by time."""

    time: int
    address: int
    value: int
    before: int
    origin: int
    written: bool

    @property
    def row(self) -> int:
        """The row that read it, counted from 0."""
        return self.time // SLOTS

    def __str__(self) -> str:
        """In words."""
        there = f"{'wrote' if self.written else 'read'} {self.before:02X} there"
        read = f"read {self.value:02X} at {self.address:04X}"
        return f"row {self.row:,} {read}, row {self.origin // SLOTS:,} {there}"

    def to_json(self) -> dict[str, Any]:
        """The same as plain numbers, and in words."""
        return {
            "row": self.row, "address": self.address, "value": self.value, "before": self.before,
            "origin": self.origin // SLOTS, "written": self.written, "text": str(self),
        }  # fmt: skip

    def after(self, time: int) -> Contradiction:
        """The same, so much later."""
        return self._replace(time=self.time + time, origin=self.origin + time)


@dataclass(frozen=True, eq=False)
class Memory:
    """What a piece of a trace shows of memory.

    `compared` bytes were read where it was known what was there; of those that it was not the first
    contradictions are kept. `forgets` is whether something in it makes all unknown that was known
    before. `cells` are those of the addresses that are accessed, in order.
    """

    cells: npt.NDArray[np.void] = field(default_factory=lambda: np.zeros(0, _CELL))
    forgets: bool = False
    compared: int = 0
    wrong: int = 0
    contradictions: tuple[Contradiction, ...] = ()

    @classmethod
    def of(cls, accesses: Accesses) -> Memory:
        """What accesses show; bytes that are only asked for show nothing."""
        resets = accesses.resets
        order = np.argsort(accesses.address, kind="stable")
        if ASKED in accesses.kind:
            order = order[accesses.kind[order] != ASKED]
        time, address, value, kind = (one[order] for one in accesses[:4])
        kind = np.where(kind == CHANGED, np.uint8(UNKNOWN), kind)
        if not len(time):
            return cls(forgets=bool(len(resets)))
        epoch = np.searchsorted(resets, time, side="right") if len(resets) else np.zeros(1, int)
        epoch = np.broadcast_to(epoch, time.shape)
        heads = np.r_[True, address[1:] != address[:-1]]
        follows = np.zeros(len(time), np.bool_)
        follows[1:] = ~heads[1:] & (epoch[1:] == epoch[:-1]) & (kind[:-1] != UNKNOWN)
        follows &= kind == READ
        odd = np.zeros(len(time), np.bool_)
        odd[1:] = follows[1:] & (value[1:] != value[:-1])
        begins = np.where(follows & ~odd, 0, np.arange(len(time)))
        origin = np.maximum.accumulate(begins)

        wrong = np.flatnonzero(odd)
        kept = wrong[np.argsort(time[wrong], kind="stable")[:KEPT]]
        since = origin[kept - 1]
        told = zip(
            time[kept].tolist(), address[kept].tolist(), value[kept].tolist(),
            value[kept - 1].tolist(), time[since].tolist(), (kind[since] == WRITTEN).tolist(),
            strict=True,
        )  # fmt: skip
        first, last = np.flatnonzero(heads), np.flatnonzero(np.r_[heads[1:], True])
        cells, since = np.zeros(len(first), _CELL), origin[last]
        cells["address"], cells["first"], cells["asked"] = address[first], time[first], value[first]
        cells["closed"] = epoch[first] == 0
        cells["opens"] = cells["closed"] & (kind[first] == READ)
        cells["kind"] = np.where(epoch[last] == len(resets), kind[since], 0)
        cells["value"], cells["origin"] = value[last], time[since]
        return cls(
            cells, bool(len(resets)), int(np.count_nonzero(follows)), len(wrong),
            tuple(Contradiction(*one) for one in told),
        )  # fmt: skip

    def to_json(self) -> dict[str, Any]:
        """What was found, as plain numbers."""
        return {
            "compared": self.compared, "wrong": self.wrong,
            "contradictions": [one.to_json() for one in self.contradictions],
        }  # fmt: skip

    def known(self) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint8]]:
        """The addresses of which it is known at the end what is there, and the bytes."""
        known = self.cells[np.isin(self.cells["kind"], (READ, WRITTEN))]
        return known["address"], known["value"]

    def merge(self, other: Memory, rows: int) -> Memory:
        """This piece, of so many rows, followed by the other; associative."""
        shift, forgets = rows * SLOTS, self.forgets or other.forgets
        compared, wrong = self.compared + other.compared, self.wrong + other.wrong
        told = [one.after(shift) for one in other.contradictions]
        address = np.union1d(self.cells["address"], other.cells["address"])
        mine, cells = _spread(self.cells, address), _spread(other.cells, address)
        cells["first"] += shift
        cells["origin"] += shift
        meets = np.isin(mine["kind"], (READ, WRITTEN)) & cells["opens"]
        odd = meets & (mine["value"] != cells["asked"])
        same = meets & ~odd
        # What it reads first is what was there: for that, look behind it.
        goes_on = same & (cells["kind"] == READ) & (cells["origin"] == cells["first"])
        places = np.searchsorted(address, [one.address for one in told]).tolist()
        told = [
            _traced(one, mine[at], cells[at]) if same[at] else one
            for one, at in zip(told, places, strict=True)
        ]
        told += [_met(mine[at], cells[at]) for at in np.flatnonzero(odd).tolist()]
        compared += int(np.count_nonzero(meets))
        wrong += int(np.count_nonzero(odd))
        goes_on |= (cells["kind"] == 0) & (not other.forgets)
        for name in ("kind", "value", "origin"):
            cells[name] = np.where(goes_on, mine[name], cells[name])
        closed = mine["closed"] | self.forgets
        for name in ("first", "asked", "opens"):
            cells[name] = np.where(closed, mine[name], cells[name])
        cells["closed"] |= closed
        kept = tuple(sorted([*self.contradictions, *told])[:KEPT])
        return Memory(cells, forgets, compared, wrong, kept)


def _spread(cells: npt.NDArray[np.void], address: npt.NDArray[np.uint16]) -> npt.NDArray[np.void]:
    """The cells of these addresses, among which are all that there are."""
    found = np.zeros(len(address), _CELL)
    found[np.searchsorted(address, cells["address"])] = cells
    found["address"] = address
    return found


def _met(before: np.void, cell: np.void) -> Contradiction:
    """What a piece reads first, and the one before it has left otherwise."""
    return Contradiction(
        int(cell["first"]), int(cell["address"]), int(cell["asked"]),
        int(before["value"]), int(before["origin"]), bool(before["kind"] == WRITTEN),
    )  # fmt: skip


def _traced(one: Contradiction, before: np.void, cell: np.void) -> Contradiction:
    """A contradiction to what a piece reads first is one to what the piece before it has left."""
    if one.written or one.origin != cell["first"]:
        return one
    return one._replace(origin=int(before["origin"]), written=bool(before["kind"] == WRITTEN))
