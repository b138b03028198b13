"""The paths of one instruction or entry through the netlist, clock by clock.

The opcode is a number, so control folds away and what is left is the datapath. Where a sequence can
go on in several ways, as a flag, a carry or a pin says, each is followed by itself.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import z3

from ..family.members import EVENTS
from ..family.modes import Clock
from .machine import PINS, Machine
from .specification import LONGEST, Specification
from .terms import BitTable, Query, Wire, constant, read_terms, term_of

Condition = tuple[Any, ...]
Bus = tuple[dict[str, list[Wire]], ...]


@dataclass(frozen=True, slots=True)
class Path:
    """One of the ways in which a sequence can go; `state` is None if it does not end.

    `clocks` are those that there should be, and `bus` has the outputs in those that there are.
    """

    condition: Condition
    clocks: tuple[Clock, ...]
    bus: Bus
    state: list[Wire] | None


@dataclass(frozen=True)
class Paths:
    """Walks the netlist, memory answering what the specification has it read."""

    machine: Machine
    specification: Specification
    table: BitTable
    query: Query

    def __iter__(self) -> Iterator[Path]:
        """Every path that is possible: between them they are all there is, and no two meet."""
        name = self.specification.instruction.mnemonic
        start = self.machine.starts[name if name in EVENTS else "instruction"]
        state = self.machine.symbols(self.table, start)
        for texts, clocks in self.specification.ways():
            way = tuple(read_terms({text: text for text in texts}).values()) if texts else ()
            if self.query.possible(*way):
                yield from self._walk(state, Path(way, clocks, (), None))

    def _walk(self, state: list[Wire], path: Path) -> Iterator[Path]:
        """The ways from here on."""
        k = len(path.bus)
        if k == LONGEST:
            yield path
            return
        _, sync = self.machine.begin(state, self._pins(k))
        for ended, condition in self._either(sync if k else 0, path.condition):
            known = replace(path, condition=condition)
            if ended:
                yield replace(known, state=state)
            else:
                yield from self._steer(state, known)

    def _steer(self, state: list[Wire], path: Path) -> Iterator[Path]:
        """The ways from here on, with control a number in each."""
        k = len(path.bus)
        unknown = [i for i in self.machine.steering if k and not isinstance(state[i], int)]
        if not unknown:
            clock, _ = self.machine.begin(state, self._pins(k))
            after, outputs = self.machine.finish(clock, self._data(path.clocks, k))
            yield from self._walk(after, replace(path, bus=(*path.bus, outputs)))
            return
        for value, condition in self._either(state[unknown[0]], path.condition):
            settled = state.copy()
            settled[unknown[0]] = value
            yield from self._steer(settled, replace(path, condition=condition))

    def _pins(self, k: int) -> dict[str, Wire]:
        """The interrupt pins may do anything, in any clock."""
        return PINS | {pin: self.table.symbol(f"{pin}.{k}", 0)[0] for pin in ("irq_n", "nmi_n")}

    def _either(self, wire: Wire, condition: Condition) -> list[tuple[int, Condition]]:
        """The values that a wire can have, each with the condition for it."""
        if isinstance(wire, int):
            return [(wire, condition)]
        term = term_of(wire)
        ways = [
            (value, (*condition, meant))
            for value, meant in ((1, term), (0, z3.Not(term)))
            if self.query.possible(*condition, meant)
        ]
        return ways if len(ways) > 1 else [(value, condition) for value, _ in ways]

    def _data(self, clocks: Sequence[Clock], k: int) -> Sequence[Wire]:
        """What memory answers in a clock: what the specification has there, or anything."""
        read = clocks[k].reads if k < len(clocks) else ""
        if read == "opcode":
            return constant(self.specification.instruction.opcode or 0, 8)
        return self.table.symbol(read or f"discarded.{k}", 8)
