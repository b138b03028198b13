"""The model, run ahead on plain numbers: a guess of each sequence's state, clock and writes.

Whoever holds the guess to the gates finds out whether it is right: here only speed counts. While no
pin moves, many instructions are one function of Python (`blocks`); else each runs by itself, and
the model's rule says what follows it.
"""

from __future__ import annotations

from array import array
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..family.instructions import BY_OPCODE
from ..family.status_byte import LOWEST_FIRST, flags_of
from ..witness.model import decide_event
from .assembler import PinEvent
from .blocks import Blocks
from .lanes import CAUSE_OF, CAUSES, STATE
from .memory_log import Writes
from .part import ENTER, FETCH, registers_of
from .pin_levels import PinLevels

_I: Final = 4  # in the status byte
_RTI: Final = next(code for code, one in BY_OPCODE.items() if one.mnemonic == "RTI")
_CAUSES: Final = {**CAUSE_OF, "instruction": CAUSE_OF["INSTRUCTION"]}
_FARTHEST: Final = 1 << 23  # clocks: they are noted in 24 bits


class Guess(NamedTuple):
    """What is thought to happen: sequences, one state more than these, and what they write."""

    states: npt.NDArray[Any]  # STATE
    clocks: npt.NDArray[np.int64]
    writes: Writes


class Ahead:
    """Runs a program ahead of the gates, on a memory of its own."""

    anew = False

    def __init__(
        self, variant: str, pins: PinLevels, events: dict[int, tuple[PinEvent, ...]]
    ) -> None:
        self.variant, self.pins, self.events = variant, pins, events
        self.blocks = Blocks(variant, events)
        self.rows, self.rests, self.stores = array("Q"), array("Q"), array("Q")
        self.begin(bytes(1 << 16), np.zeros(1, STATE)[0], 0)

    def begin(self, memory: bytes, state: Any, clock: int) -> None:
        """Takes up a run where the gates have brought it."""
        self.blocks.refill(memory)
        at = registers_of(state)
        self._at = (
            at.a, at.x, at.y, at.sp, at.p,
            int(state["low"]) | int(state["high"]) << 8 | int(state["latch"]) << 16
            | int(state["opcode"]) << 24,
            clock, at.pc,
        )  # fmt: skip
        entering = state["position"] == ENTER
        self._event = CAUSES[int(state["cause"])] if entering else "instruction"
        self._waiting = int(state["nmi_pending"])
        self._decided = int(state["nmi_decided"])

    # Running

    def run(self, most: int, until: int) -> Guess:
        """Runs for about so many sequences, and no sequence begins after the clock `until`."""
        a, x, y, sp, p, left, t, pc = self._at
        self.rows, self.rests, self.stores = array("Q"), array("Q"), array("Q")
        self.blocks.note(self.rows, self.rests, self.stores)
        first, rows, touched, block_at = t, self.rows, self.blocks.touched, self.blocks.block
        pins, events = self.pins, self.events
        t, horizon, low = 0, -1, False
        stop = min(until - first, _FARTHEST)
        while len(rows) < most and t <= stop:
            if touched:
                self.blocks.change()
            now = first + t
            if pc in events and self._event == "instruction":
                pins.fetch(events[pc], now)
                horizon = -1
            if self._event == "instruction" and not self._waiting:
                block = block_at(pc)
                if t + block.most > horizon:
                    horizon = self._horizon(now) - first
                    low = not pins.level("irq_n", now)
                masked = not low or (p & _I and not block.clears_i)
                if masked and block.most and t + block.most <= horizon:
                    a, x, y, sp, p, left, t, pc = block.run(a, x, y, sp, p, left, t)
                    continue
            done = self._step(a, x, y, sp, p, left, t, pc, first)
            if done is None:
                break
            a, x, y, sp, p, left, t, pc = done
        cause = _CAUSES[self._event]
        rows.append(a | x << 8 | y << 16 | sp << 24 | p << 32 | t << 40)
        self.rests.append(left | pc << 32 | cause << 48 | self._waiting << 50 | self._decided << 51)
        self._at = a, x, y, sp, p, left, first + t, pc
        return self._guess(first)

    def _horizon(self, clock: int) -> int:
        """The last clock before a pin is set; one that is past while NMI or reset is low."""
        if not self.pins.level("nmi_n", clock) or not self.pins.level("reset_n", clock):
            return clock - 1
        return self.pins.next_change(clock + 1) - 1

    def _step(
        self, a: int, x: int, y: int, sp: int, p: int, left: int, t: int, pc: int, first: int
    ) -> tuple[int, ...] | None:
        """One sequence while pins move; then what follows it. None if the unit would stop."""
        pins, name, now = self.pins, self._event, first + t
        row = len(self.rests)
        if not pins.level("reset_n", now):
            self.rows.append(a | x << 8 | y << 16 | sp << 24 | p << 32 | t << 40)
            self.rests.append(left | pc << 32 | _CAUSES[name] << 48)
            self._event = "RESET"
            return a, x, y, sp, p, left, t + 1, pc
        masked = p & _I
        if name == "instruction":
            block = self.blocks.single(pc)
            if block is None:
                self.rows.append(a | x << 8 | y << 16 | sp << 24 | p << 32 | t << 40)
                self.rests.append(left | pc << 32)
                return None
            mnemonic = BY_OPCODE[self.blocks.memory[pc]].mnemonic
            done = block.run(a, x, y, sp, p, left, t)
        else:
            mnemonic = name
            done = self.blocks.entry(name).run(a, x, y, sp, p, left, t, pc)
        pending = self._waiting or pins.falls("nmi_n", now, now + 3)
        hijacked = mnemonic in ("BRK", "IRQ") and self.variant != "cmos" and pending
        self.rests[row] |= self._waiting << 50 | self._decided << 51
        a, x, y, sp, p, left, t, pc = done
        last = first + t - 1
        if mnemonic == "RTI":
            masked = p & _I
        begun = now
        if hijacked:  # an NMI that comes in time takes the vector
            low_byte, high_byte = self.blocks.memory[0xFFFA], self.blocks.memory[0xFFFB]
            left, pc = left & ~0xFF0000 | low_byte << 16, high_byte << 8 | low_byte
            self._waiting, begun = 0, now + 4
        waiting = bool(self._waiting) or pins.falls("nmi_n", begun, last - 1)
        falls = pins.falls("nmi_n", last, last)
        low = not pins.level("irq_n", last - 1)
        self._event = decide_event(mnemonic, bool(masked), low, waiting)
        self._decided = int(waiting or falls)
        self._waiting = int(falls or (waiting and self._event != "NMI"))
        return a, x, y, sp, p, left, t, pc

    def _guess(self, first: int) -> Guess:
        """What was noted, as columns."""
        row, rest, stored = (
            np.frombuffer(noted, np.uint64) if len(noted) else np.zeros(0, np.uint64)
            for noted in (self.rows, self.rests, self.stores)
        )
        states = np.zeros(len(row), STATE)

        def part(column: npt.NDArray[np.uint64], shift: int, bits: int) -> npt.NDArray[Any]:
            return column >> np.uint64(shift) & np.uint64((1 << bits) - 1)

        for i, name in enumerate(("a", "x", "y", "sp")):
            states[name] = part(row, 8 * i, 8)
        states["flags"] = _FLAGS_OF[part(row, 32, 8)]
        for i, name in enumerate(("low", "high", "latch", "opcode")):
            states[name] = part(rest, 8 * i, 8)
        states["pc"] = part(rest, 32, 16)
        states["cause"] = part(rest, 48, 2)
        states["position"] = np.where(states["cause"] > 0, ENTER, FETCH)
        states["nmi_pending"], states["nmi_decided"] = part(rest, 50, 1), part(rest, 51, 1)
        clocks = first + (row >> np.uint64(40)).astype(np.int64)
        states["nmi_before"] = self.pins.column("nmi_n", clocks - 1)
        if len(states) > 1:
            # I in the last clock of the sequence before: RTI alone has changed it by then.
            masked = states["flags"] >> LOWEST_FIRST.index("i") & 1
            resumed = states["opcode"][1:] == _RTI  # which no entry leaves there
            masked = np.where(resumed, masked[1:], masked[:-1])
            low = self.pins.column("irq_n", clocks[1:] - 1) == 0
            states["irq_decided"][1:] = low & (masked == 0)
        writes = Writes(
            first + (stored >> np.uint64(24)).astype(np.int64),
            part(stored, 0, 16).astype(np.uint16), part(stored, 16, 8).astype(np.uint8),
        )  # fmt: skip
        return Guess(states, clocks, writes)


_FLAGS_OF: Final = np.array([
    sum(flags_of(byte)[flag] << i for i, flag in enumerate(LOWEST_FIRST)) for byte in range(256)
], np.uint8)  # fmt: skip
