"""What each row of a trace does to memory: the bytes that it reads and writes, in order of time.

The order within a row is that of the published clocks. A time is `SLOTS` times the row, and the
place in it: what is read, what is written, what is read after that, and what the entry of an
interrupt pushes that has no row of its own.
"""

from __future__ import annotations

from itertools import takewhile
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..cases.kinds import BY_KEY, KEYS
from ..cases.layout import READS, WRITES, Cases, Outcomes
from ..family.address import Term
from ..family.instructions import Instruction
from .between import PUSHED, Between, pushed_by
from .columns import Column
from .rows import LATE, NEEDED, UNBUILT

SLOTS: Final = READS + WRITES + PUSHED
# How a byte is accessed: read; written; written, but with what is not known; read, but what is not
# known; written, as a known function of what was there.
READ, WRITTEN, UNKNOWN, ASKED, CHANGED = range(1, 6)


def _places(term: Term | None, instruction: Instruction) -> int:
    """Which of the bytes that an instruction reads an address is put together from, in bits."""
    names = term.names() if term is not None else ()
    return sum(1 << i for i, name in enumerate(instruction.reads) if name in names)


# By key: how many bytes are read before the first is written; which of those read each one's
# address is put together from, and that of what is stored, and any of them; whether what is written
# is made of what was there.
EARLY: Final = np.full(KEYS, READS, np.uint8)
_FORMED: Final = np.zeros((KEYS, READS), np.uint8)
FORMED_STORE: Final = np.zeros(KEYS, np.uint8)
FORMING: Final = np.zeros(KEYS, np.uint8)
_MODIFIES: Final = np.zeros(KEYS, np.bool_)
for _key, _one in BY_KEY.items():
    _clocks = _one.sequence("nmos")
    if any(clock.writes for clock in _clocks):
        EARLY[_key] = sum(bool(c.reads) for c in takewhile(lambda c: not c.writes, _clocks))
    for _i, _clock in enumerate(clock for clock in _clocks if clock.reads):
        _FORMED[_key, _i] = _places(_clock.address, _one)
    if _one.access in ("write", "modify"):
        FORMED_STORE[_key] = _places(_one.mode.address, _one)
    FORMING[_key] = np.bitwise_or.reduce([*_FORMED[_key], FORMED_STORE[_key]])
    _MODIFIES[_key] = _one.access == "modify"


class Accesses(NamedTuple):
    """Accesses by time, and the times from which nothing is known of what was before."""

    time: Column
    address: Column
    value: Column
    kind: Column
    resets: Column

    def among(self, followed: npt.NDArray[np.bool_]) -> Accesses:
        """Those to the addresses that are `followed`, of all 65,536."""
        if followed.all():
            return self
        some = followed[self.address]
        time, address, value, kind = (one[some] for one in self[:4])
        return Accesses(time, address, value, kind, self.resets)


class Happened(NamedTuple):
    """What rows write, and what comes between each of them and the next one.

    `recorded` says whether the `writes` are the trace's own, which are all there; else they are
    what the gates answered when the rows `lacked` what they did. `expected` is what they leave.
    """

    writes: Outcomes
    recorded: bool
    lacked: npt.NDArray[np.uint8]
    between: Between
    expected: Outcomes


def accesses_of(
    cases: Cases, key: npt.NDArray[np.uint16], shown: npt.NDArray[np.uint8],
    lacks: npt.NDArray[np.uint8], happened: Happened, *, optimistic: bool = False,
) -> Accesses:  # fmt: skip
    """What the rows do to memory.

    `shown` has the bits of what the trace does not show itself of a row, `lacks` of what is not
    known at all. A store to an address that is not known might hit any byte, unless one is
    `optimistic`.
    """
    shape = (len(cases), SLOTS)
    address, value = np.zeros(shape, np.uint16), np.zeros(shape, np.uint8)
    kind = np.zeros(shape, np.uint8)
    early, reads = EARLY[key], np.where(lacks & UNBUILT, np.uint8(1), NEEDED[key])
    reads[lacks & LATE != 0] = 0
    for i in range(READS):
        rows = np.flatnonzero(reads > i)
        slots = np.where(early[rows] > i, i, i + WRITES)
        asked = shown[rows] >> i & 1 != 0
        there = lacks[rows] & _FORMED[key[rows], i] == 0
        kind[rows, slots] = np.where(there, np.where(asked, ASKED, READ), 0)
        address[rows, slots] = cases["read_address"][rows, i]
        value[rows, slots] = cases["read_value"][rows, i]

    writes, count = happened.writes, happened.writes["writes"]
    unsure = np.zeros(0, np.int64)
    changes = np.zeros(len(cases), np.bool_)
    if not happened.recorded:
        strange = lacks & (UNBUILT | LATE) != 0
        lost = lacks & FORMED_STORE[key] != 0
        unsure = np.flatnonzero(strange | lost)
        count = np.where(strange | lost, np.uint8(0), count)
        if optimistic:
            unsure = np.flatnonzero(strange)
        changes = _MODIFIES[key] & (happened.lacked >> (NEEDED[key] - 1) & 1 != 0)
    for i in range(WRITES):
        rows = np.flatnonzero(count > i)
        # The unmodified byte, which comes first, changes nothing.
        becomes = np.where(count[rows] == i + 1, CHANGED, 0)
        slots = np.minimum(early[rows], READS) + i
        kind[rows, slots] = np.where(changes[rows], becomes, WRITTEN)
        address[rows, slots] = writes["write_address"][rows, i]
        value[rows, slots] = writes["write_value"][rows, i]
    entries, maybe, jumps = happened.between
    rows = np.flatnonzero(entries | maybe)
    if len(rows):
        behind = slice(READS + WRITES, SLOTS)
        kind[rows, behind] = np.where(entries[rows], WRITTEN, UNKNOWN)[:, None]
        stack = happened.expected["sp"][rows, None] - np.arange(PUSHED, dtype=np.uint8)
        address[rows, behind] = stack | np.uint16(0x0100)
        value[rows, behind] = pushed_by(happened.expected[rows])

    flat = np.flatnonzero(kind)
    resets = np.concatenate([(np.flatnonzero(jumps) + 1) * SLOTS, unsure * SLOTS + READS])
    return Accesses(
        flat, address.reshape(-1)[flat], value.reshape(-1)[flat], kind.reshape(-1)[flat],
        np.sort(resets),
    )  # fmt: skip
