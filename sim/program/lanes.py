"""Sequences of a run on the gates, all at once: each from its own state, at its own clock.

A lane is one instruction or entry. Its state is that of every flip-flop in its first clock.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from carrywave.rtl.interrupts import EntryCause

from ..cases.layout import unnamed
from ..netlist.compiled import pack, unpack
from ..witness.gates import LONGEST, GateUnit
from .memory_log import MemoryLog, Writes
from .pin_levels import PINS, PinLevels

#: Field, the netlist's name of the register (of `FLOPS`), bits.
_REGISTERS: Final = (
    ("pc", "pc", 16), ("a", "register_a", 8), ("x", "register_x", 8), ("y", "register_y", 8),
    ("sp", "stack.pointer", 8), ("flags", "status.flags", 6),
    ("position", "control.position", 6), ("cause", "interrupts.cause", 2),
    # What a sequence leaves and the next one does not read.
    ("low", "low", 8), ("high", "high", 8), ("latch", "latch", 8),
    ("opcode", "control.opcode", 8), ("clock_number", "control.clock_number", 3),
    ("nmi_before", "interrupts.nmi_before", 1), ("nmi_pending", "interrupts.nmi_pending", 1),
    ("nmi_decided", "interrupts.nmi_decided", 1), ("irq_decided", "interrupts.irq_decided", 1),
)  # fmt: skip
#: Every flip-flop of the unit.
STATE: Final = np.dtype([(name, "<u2" if bits > 8 else "u1") for name, _, bits in _REGISTERS])
_WIDE: Final = STATE.itemsize
assert STATE.fields is not None
_READ: Final = STATE.fields["cause"][1] + 1  # bytes of it, the first, that the next sequence reads

#: Why a sequence runs, by number: an instruction, or an event's entry.
CAUSES: Final[dict[int, str]] = {
    member.value: name for name, member in EntryCause.__members__.items()
}
CAUSE_OF: Final = {name: value for value, name in CAUSES.items()}

#: A sequence that has not ended within so many clocks never will.
NEVER: Final = 255


@dataclass
class Ended:
    """What lanes came to: the state each left, its clocks (or `NEVER`), and what it wrote."""

    left: npt.NDArray[Any]  # STATE
    clocks: npt.NDArray[np.uint8]
    stopped: npt.NDArray[np.bool_]
    lane: npt.NDArray[np.int64]  # of each write
    writes: Writes


#: Told the netlist's sources in a clock, the clock of each lane, and the lanes that still run.
Watch = Callable[[Sequence[int], npt.NDArray[np.int64], int], None]


class Lanes:
    """A netlist ready to run lanes."""

    def __init__(self, unit: GateUnit) -> None:
        self.unit = unit
        self.places = [(name, unit.flops[drawn], bits) for name, drawn, bits in _REGISTERS]

    def load(self, start: npt.NDArray[Any]) -> list[int]:
        """The planes of the flip-flops."""
        state = [0] * len(self.unit.netlist.flops)
        for name, places, bits in self.places:
            column = np.ascontiguousarray(start[name])
            for place, plane in zip(places, pack(column, bits), strict=True):
                state[place] = plane
        return state

    def save(self, state: list[int], rows: int) -> npt.NDArray[Any]:
        """The flip-flops out of their planes."""
        found = np.zeros(rows, STATE)
        for name, places, _ in self.places:
            found[name] = unpack([state[place] for place in places], rows, STATE[name])
        return found

    def run(
        self, start: npt.NDArray[Any], clock: npt.NDArray[np.int64], length: npt.NDArray[Any],
        memory: MemoryLog, pins: PinLevels, watch: Watch | None = None,
    ) -> Ended:  # fmt: skip
        """Runs each lane from its state and clock to the next sequence's first clock.

        `length` is how long each is thought to be: lanes that end together lie together, so that
        the gates are asked about nothing that is over. `watch` is told each clock.
        """
        order = np.argsort((length.max(initial=0) - length).astype(np.uint8), kind="stable")
        ended = self._run_sorted(taken(start, order), clock[order], memory, pins, watch)
        back = np.empty_like(order)
        back[order] = np.arange(len(order))
        by_clock = np.argsort(ended.writes.clock, kind="stable")
        return Ended(
            taken(ended.left, back), ended.clocks[back], ended.stopped[back],
            order[ended.lane[by_clock]], ended.writes.only(by_clock),
        )  # fmt: skip

    def _run_sorted(
        self, start: npt.NDArray[Any], clock: npt.NDArray[np.int64], memory: MemoryLog,
        pins: PinLevels, watch: Watch | None,
    ) -> Ended:  # fmt: skip
        unit, rows = self.unit, len(start)
        span = int(clock.min()), int(clock.max()) + LONGEST
        moving = {
            pin: pins.span(pin, span[0], span[1] + 1)
            for pin in unit.inputs
            if not pins.high(pin, *span)
        }
        state, alive = self.load(start), (1 << rows) - 1
        left, stopped = [0] * len(state), 0
        clocks = np.full(rows, NEVER, np.uint8)
        writes: list[tuple[npt.NDArray[Any], ...]] = []
        count = rows
        for k in range(LONGEST + 1):
            ones = (1 << count) - 1
            if k:
                done = unit.sync(state, ones)[0] & alive
                if done:
                    left = [was | now & done for was, now in zip(left, state, strict=True)]
                    clocks[:count][_lanes(done, count)] = k
                    alive ^= done
            if not alive or k == LONGEST:
                break
            if alive.bit_length() < count:
                count = alive.bit_length()
                ones = (1 << count) - 1
                state = [plane & ones for plane in state]
            now = clock[:count] + k
            inputs = [
                pack(moving[pin][now - span[0]], 1)[0] if pin in moving else ones
                for pin in unit.inputs
            ]
            running = unit.clock(state, inputs, ones)
            early = next(running)
            if k == 0 and early[:16] == tuple(state[i] for i in self.unit.flops["pc"]):
                where = np.ascontiguousarray(start["pc"])  # as a rule
            else:
                where = unpack(early[:16], count, np.uint16)
            stopped |= early[18] & alive
            byte = pack(memory.at(where, now), 8)
            if watch is not None:
                driven = dict(zip(unit.inputs, ([plane] for plane in inputs), strict=True))
                driven["data_in"] = byte
                watch([*state, *chain(*(driven[name] for name in unit.netlist.inputs))], now, alive)
            try:
                running.send(byte)
            except StopIteration as stop:
                state, data = stop.value
            write = early[16] & alive
            if write:
                lanes = np.flatnonzero(_lanes(write, count))
                value = unpack(data, count, np.uint8)[lanes]
                writes.append((lanes, now[lanes], where[lanes], value))
        kinds = (np.int64, np.int64, np.uint16, np.uint8)
        lane, *told = (
            np.concatenate([np.zeros(0, kind), *(some[i] for some in writes)])
            for i, kind in enumerate(kinds)
        )
        return Ended(self.save(left, rows), clocks, _lanes(stopped, rows), lane, Writes(*told))


def taken(states: npt.NDArray[Any], rows: npt.NDArray[np.int64]) -> npt.NDArray[Any]:
    """Some of the states, in an order: moved as bytes, for NumPy goes through records by field."""
    some: npt.NDArray[Any] = unnamed(states).take(rows).view(STATE)
    return some


def _lanes(plane: int, rows: int) -> npt.NDArray[np.bool_]:
    """The lanes of a plane."""
    return unpack([plane], rows, np.uint8).view(np.bool_)


assert set(PINS) == {"irq_n", "nmi_n", "reset_n"}


class Difference(NamedTuple):
    """Where lanes leave something else than was thought: what the next one reads, and at all."""

    matters: npt.NDArray[np.bool_]
    any: npt.NDArray[np.bool_]


def different(one: npt.NDArray[Any], other: npt.NDArray[Any]) -> Difference:
    """Compares arrays of states."""
    left, right = (states.view(np.uint8).reshape(-1, _WIDE) for states in (one, other))
    if np.array_equal(left, right):  # as a rule
        nowhere = np.zeros(len(one), np.bool_)
        return Difference(nowhere, nowhere)
    differs = left != right
    return Difference(differs[:, :_READ].any(axis=1), differs.any(axis=1))
