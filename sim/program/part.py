"""Part of a run on the gates: sequences that are the gates' own, and what is told of them."""

from __future__ import annotations

from collections.abc import Sequence as Several
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from carrywave.rtl.steps import Step

from ..family.instructions import BY_OPCODE
from ..family.status_byte import ALWAYS, FLAG_BITS, LOWEST_FIRST
from ..netlist.compiled import compile_wires, unpack
from ..witness.registers import Registers
from .lanes import CAUSES, Lanes
from .memory_log import MemoryLog, Writes
from .pin_levels import PinLevels
from .ran import Sequence

FETCH, ENTER = (Step.__members__[name].value for name in ("FETCH", "ENTER"))


@dataclass
class RunPart:
    """Sequences that are the gates' own, one state more than these, and memory meanwhile."""

    states: npt.NDArray[Any]  # STATE
    clocks: npt.NDArray[np.int64]
    memory: MemoryLog
    writes: Writes
    rounds: int
    held: bool  # nothing that the guess said had to be corrected
    stopped: bool  # the last of them never ends
    gates: Lanes
    pins: PinLevels

    def __len__(self) -> int:
        return len(self.states) - 1

    def memory_in(self, clock: int) -> npt.NDArray[np.uint8]:
        """All of memory in a clock."""
        memory = self.memory.begin.copy()
        written = self.writes.before(clock)
        memory[written.address] = written.value
        return memory

    def watched(
        self, begin: int, end: int, signals: Several[Several[int]]
    ) -> tuple[npt.NDArray[np.int64], list[npt.NDArray[Any]]]:
        """The clocks of sequences `begin` to `end`, in order, and a column for each signal.

        A signal is its wires, the lowest bit first. To be asked while the part is the last one.
        """
        netlist = self.gates.unit.netlist
        wires = [wire for signal in signals for wire in signal]
        settle = compile_wires(netlist, wires, netlist.sources)
        clocks: list[npt.NDArray[np.int64]] = []
        columns: list[list[npt.NDArray[Any]]] = [[] for _ in signals]

        def watch(sources: Several[int], now: npt.NDArray[np.int64], alive: int) -> None:
            planes = iter(settle(sources, (1 << len(now)) - 1))
            rows = unpack([alive], len(now), np.uint8).view(np.bool_)
            clocks.append(now[rows])
            for signal, column in zip(signals, columns, strict=True):
                kind = np.uint16 if len(signal) > 8 else np.uint8
                values = unpack([next(planes) for _ in signal], len(now), kind)
                column.append(values[rows])

        some = slice(begin, end)
        length = np.diff(self.clocks)[some]
        self.gates.run(self.states[some], self.clocks[some], length, self.memory, self.pins, watch)
        clock = np.concatenate(clocks)
        order = np.argsort(clock, kind="stable")
        return clock[order], [np.concatenate(column)[order] for column in columns]

    def name(self, at: int) -> str:
        """The mnemonic of a sequence, "?" for what is not built, or the event whose entry it is."""
        state = self.states[at]
        if state["position"] == ENTER:
            return CAUSES[int(state["cause"])]
        form = BY_OPCODE.get(self._code(at)[0])
        return form.mnemonic if form else "?"

    def sequence(self, at: int) -> Sequence:
        """One sequence in words and numbers."""
        clock, end = (int(clock) for clock in self.clocks[at : at + 2])
        low, high = np.searchsorted(self.writes.clock, [clock, end])
        writes = zip(*(column[low:high].tolist() for column in self.writes), strict=True)
        return Sequence(
            self.name(at), clock, end - clock, int(self.states["pc"][at]),
            registers_of(self.states[at]), registers_of(self.states[at + 1]), tuple(writes),
            self._code(at),
        )  # fmt: skip

    def _code(self, at: int) -> bytes:
        """Three bytes from its address on, as it begins."""
        address = (int(self.states["pc"][at]) + np.arange(3)) % 65536
        clocks = np.full(3, self.clocks[at])
        return self.memory.at(address.astype(np.uint16), clocks).tobytes()


def registers_of(state: Any) -> Registers:
    """The registers out of a sequence's first state."""
    flags = int(state["flags"])
    p = ALWAYS + sum((flags >> i & 1) << FLAG_BITS[flag] for i, flag in enumerate(LOWEST_FIRST))
    pc, a, x, y, sp = (int(state[name]) for name in ("pc", "a", "x", "y", "sp"))
    return Registers(pc, a, x, y, sp, p)
