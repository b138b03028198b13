"""The sequences of a run that are shown: the first and the last, each with the stack it left."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from ..family.instructions import BY_OPCODE
from .lanes import CAUSE_OF
from .part import RunPart
from .ran import Sequence

#: A sequence, and the stack that it left, newest byte last.
Shown = tuple[Sequence, tuple[int, ...]]

_TXS: Final = next(code for code, one in BY_OPCODE.items() if one.mnemonic == "TXS")
_RESET: Final = CAUSE_OF["RESET"]


@dataclass
class Kept:
    """At most `rows` sequences: the first half and the last; the others are counted."""

    rows: int
    first: list[Shown] = field(default_factory=list)
    last: deque[Shown] = field(default_factory=deque)
    omitted: int = 0  # between the two
    stack: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        """The last ones push each other out."""
        self.last = deque(maxlen=self.rows // 2)

    def add(self, sequence: Sequence) -> None:
        """The next sequence."""
        move_stack(self.stack, sequence)
        if len(self.first) < self.rows - self.rows // 2:
            self.first.append((sequence, tuple(self.stack)))
        else:
            self.omitted += len(self.last) == self.last.maxlen
            self.last.append((sequence, tuple(self.stack)))

    def take(self, part: RunPart, count: int) -> None:
        """The first so many sequences of a part of a run on the gates.

        Of those between, only what they do to the stack is looked at.
        """
        head = min(count, self.rows - self.rows // 2 - len(self.first))
        tail = max(head, count - self.rows // 2)
        for at in range(head):
            self.add(part.sequence(at))
        if self.rows:
            self._pass_over(part, head, tail)
        self.omitted += tail - head
        for at in range(tail, count):
            self.add(part.sequence(at))

    def _pass_over(self, part: RunPart, head: int, tail: int) -> None:
        states = part.states
        sp, causes = states["sp"][head : tail + 1].astype(np.int64), states["cause"][head:tail]
        moved = (sp[:-1] - sp[1:] + 128) % 256 - 128
        sets = (states["opcode"][head + 1 : tail + 1] == _TXS) & (causes == 0) | (causes == _RESET)
        rows = np.flatnonzero((moved != 0) | sets)
        writes, address, value = part.writes.clock, part.writes.address, part.writes.value
        first, end = (
            np.searchsorted(writes, part.clocks[head + rows + by]).tolist() for by in (0, 1)
        )
        pushed, places = value.tolist(), (address >> 8 == 1).tolist()
        each = zip(sets[rows].tolist(), moved[rows].tolist(), first, end, strict=True)
        for clears, by, start, stop in each:
            _move(self.stack, clears, by, [pushed[i] for i in range(start, stop) if places[i]])


def move_stack(stack: list[int], sequence: Sequence) -> None:
    """Pushes and pulls as a sequence did; a pointer that was set begins a new stack."""
    moved = (sequence.before.sp - sequence.after.sp + 128) % 256 - 128
    pushed = [byte for _, address, byte in sequence.writes if address >> 8 == 1]
    _move(stack, sequence.name in ("TXS", "RESET"), moved, pushed)


def _move(stack: list[int], clears: bool, moved: int, pushed: list[int]) -> None:
    if clears:
        stack.clear()
    elif moved > 0:
        stack.extend(pushed)
        del stack[:-256]
    elif moved < 0:
        del stack[moved:]
