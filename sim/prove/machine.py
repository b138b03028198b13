"""A netlist, one clock of it as a function over symbols."""

from collections.abc import Sequence
from typing import Any, Final

from ..family.members import EVENTS
from ..family.status_byte import FLAGS
from ..netlist.compiled import compile_clock
from ..netlist.synthesis import Netlist, NetlistError
from .terms import BitTable, Wire, constant

CONTROL: Final = ("control.position", "control.clock_number", "interrupts.cause")
OUTPUTS: Final = ("address", "data_out", "write", "sync", "stopped", "clock_number")
# The flip-flops, and the symbols for what is in them before.
STATE: Final = {
    "pc": "pc", "register_a": "a", "register_x": "x", "register_y": "y", "stack.pointer": "sp",
    **{f"status.flags.{flag}": flag for flag in FLAGS},
    **{
        f"interrupts.{name}": name
        for name in ("nmi_before", "nmi_pending", "nmi_decided", "irq_decided")
    },
    # what an earlier sequence left there, which must not matter
    **{name: f"earlier.{name}" for name in ("low", "high", "latch", "control.opcode")},
    **{name: name for name in CONTROL},
}  # fmt: skip
PINS: Final = {"irq_n": 1, "nmi_n": 1, "reset_n": 1}
NOP: Final = 0xEA


class Machine:
    """A netlist: one clock of it as a function, and the control states that sequences start in."""

    def __init__(self, netlist: Netlist) -> None:
        self.netlist = netlist
        late = [wire for name in OUTPUTS for wire in netlist.outputs[name]]
        self.clock = compile_clock(netlist, netlist.outputs["sync"], late)
        place = {q: i for i, (q, _) in enumerate(netlist.flops)}
        self.flops = {name: [place[wire] for wire in netlist.names[name]] for name in STATE}
        if len({i for places in self.flops.values() for i in places}) != len(place):
            raise NetlistError("the netlist has a flip-flop that no proof knows")
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
            pins = PINS | ({} if event == "RESET" else {f"{event.lower()}_n": 0})
            if event == "RESET" and clock:
                pins = PINS | {"reset_n": 0}
            state, _ = self.finish(self.begin(state, pins)[0], constant(NOP, 8))
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
        outputs, at = {}, 0
        for name in OUTPUTS:
            end = at + len(self.netlist.outputs[name])
            outputs[name], at = list(late[at:end]), end
        return list(state), outputs

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
