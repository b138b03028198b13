"""Memory in every clock of a part of a run: as it began, and what was written since."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt


class Writes(NamedTuple):
    """Writes in the order of their clocks: columns of 64, 16 and 8 bits."""

    clock: npt.NDArray[Any]
    address: npt.NDArray[Any]
    value: npt.NDArray[Any]

    def only(self, rows: Any) -> Writes:
        """Those of the rows."""
        return Writes(self.clock[rows], self.address[rows], self.value[rows])

    def before(self, clock: int) -> Writes:
        """Those of earlier clocks."""
        return self.only(slice(int(np.searchsorted(self.clock, clock))))

    def then(self, other: Writes) -> Writes:
        """These, and others that come later."""
        clock, address, value = map(np.concatenate, zip(self, other, strict=True))
        return Writes(clock, address, value)

    def same(self, other: Writes) -> bool:
        """Whether all are alike."""
        return all(map(np.array_equal, tuple(self), tuple(other)))


class MemoryLog:
    """What lies at an address in a clock; a write is seen from the next clock on."""

    def __init__(self, begin: npt.NDArray[np.uint8], writes: Writes) -> None:
        self.begin = begin
        self._written = np.zeros(1 << 16, np.bool_)
        self._written[writes.address] = True
        self._first = int(writes.clock[0]) if len(writes.clock) else 0
        order = np.argsort(writes.address, kind="stable")  # the clocks stay in order
        self._keys = self._key(writes.address[order], writes.clock[order])
        self._values = writes.value[order]

    def _key(self, address: npt.NDArray[Any], clock: npt.NDArray[np.int64]) -> Any:
        return address.astype(np.int64) << 40 | np.maximum(clock - self._first, 0)

    def at(
        self, address: npt.NDArray[np.uint16], clock: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.uint8]:
        """The bytes at so many addresses, each in its clock."""
        found = self.begin[address]
        rows = np.flatnonzero(self._written[address])
        if len(rows):
            near = address[rows]
            last = np.searchsorted(self._keys, self._key(near, clock[rows])) - 1
            there = (last >= 0) & (self._keys[last] >> 40 == near)
            found[rows[there]] = self._values[last[there]]
        return found
