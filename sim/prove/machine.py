"""A netlist over symbols: one clock of it as a function, and an instruction's paths through it.

The opcode is a number, so control folds away and what is left is the datapath. Where a sequence can
go on in several ways, as a flag, a carry or a pin says, each is followed by itself.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any, Final

import z3

from ..family.bus_clocks import Clock
from ..family.members import EVENTS
from ..family.status_byte import FLAG_BITS, FLAGS
from ..netlist.compiled import compile_clock
from ..netlist.synthesis import Netlist
from .specification import LONGEST, Specification
from .terms import BitTable, Query, Wire, constant, read_terms, term_of, vector_of

CONTROL: Final = ("control.position", "control.clock_number", "interrupts.cause")
OUTPUTS: Final = ("address", "data_out", "write", "sync", "stopped", "clock_number")
# The flip-flops, and the symbols for what is in them before.
STATE: Final = {
    "pc": "pc", "register_a": "a", "register_x": "x", "register_y": "y", "stack.pointer": "sp",
    **{f"status.flags.{flag}": flag for flag in FLAGS},
    "interrupts.nmi_before": "nmi_before", "interrupts.nmi_pending": "nmi_pending",
    "interrupts.nmi_decided": "nmi_decided", "interrupts.irq_decided": "irq_decided",
    # what an earlier sequence left there, which must not matter
    **{name: f"earlier.{name}" for name in ("low", "high", "latch", "control.opcode")},
    **{name: name for name in CONTROL},
}  # fmt: skip
PINS: Final = {"irq_n": 1, "nmi_n": 1, "reset_n": 1}
NOP: Final = 0xEA


def label(name: str) -> str:
    """What a property of a register is called, by the netlist's name for it."""
    symbol = STATE[name].removeprefix("earlier.")
    return f"p.{symbol}" if symbol in FLAG_BITS else symbol


Condition = tuple[Any, ...]
Bus = tuple[dict[str, list[Wire]], ...]


class Machine:
    """A netlist: one clock of it as a function, and the control states that sequences start in."""

    def __init__(self, netlist: Netlist) -> None:
        self.netlist = netlist
        late = [wire for name in OUTPUTS for wire in netlist.outputs[name]]
        self.clock = compile_clock(netlist, netlist.outputs["sync"], late)
        self.flops = netlist.registers(STATE)
        self.control = [i for name in CONTROL for i in self.flops[name]]
        self.steering = [*self.control, *self.flops["control.opcode"]]
        self.starts = {event: self._start(event) for event in EVENTS}

    def _start(self, event: str) -> list[Wire]:
        """Control in the first clock: all 0 for an instruction, else as a NOP leaves it.

        That sequences do end in these states is proved, reset first.
        """
        state: list[Wire] = [0] * len(self.netlist.flops)
        state[self.flops["interrupts.nmi_before"][0]] = 1
        for clock in range(2 if event != "instruction" else 0):
            low = {f"{event.lower()}_n": 0} if clock or event != "RESET" else {}
            state, _ = self.finish(self.begin(state, PINS | low)[0], constant(NOP, 8))
        return [state[i] for i in self.control]

    def begin(self, state: Sequence[Wire], pins: dict[str, Wire]) -> tuple[Any, Wire]:
        """A clock that memory has not answered yet, and its `sync`."""
        inputs = [pins[name] for name in self.netlist.inputs if name != "data_in"]
        clock = self.clock(state, inputs, 1)
        return clock, next(clock)[0]

    def finish(self, clock: Any, data: Sequence[Wire]) -> tuple[list[Wire], dict[str, list[Wire]]]:
        """The next state, and the outputs."""
        try:
            clock.send(data)
        except StopIteration as stop:
            state, late = stop.value
        bits, ports = iter(late), self.netlist.outputs
        return list(state), {name: [*islice(bits, len(ports[name]))] for name in OUTPUTS}

    def held(self, state: Sequence[Wire], table: BitTable, *names: str) -> Any:
        """What registers hold in a state, as one term."""
        return vector_of([state[i] for name in names for i in self.flops[name]], table)

    def symbols(self, table: BitTable, control: Sequence[Wire] | None) -> list[Wire]:
        """A state of symbols, all but control if that is given."""
        state: list[Wire] = [0] * len(self.netlist.flops)
        for name, symbol in STATE.items():
            places = self.flops[name]
            bits = table.symbol(symbol, len(places) if len(places) > 1 else 0)
            for i, bit in zip(places, bits, strict=True):
                state[i] = bit
        for i, wire in zip(self.control, control or [], strict=control is not None):
            state[i] = wire
        return state


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
