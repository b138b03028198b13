"""How the wires of a netlist are called in a report."""

from typing import Final

from ..netlist.synthesis import Netlist
from .faults import GATE, PORT, Fault, readers_of

#: The flip-flops, by the names that they are drawn with.
REGISTERS: Final = (
    "pc", "register_a", "register_x", "register_y", "low", "high", "latch", "stack.pointer",
    "status.flags", "control.position", "control.opcode", "control.clock_number",
    "interrupts.cause", "interrupts.nmi_before", "interrupts.nmi_pending",
    "interrupts.nmi_decided", "interrupts.irq_decided",
)  # fmt: skip


class Wires:
    """How wires are called: those without a name by the named one that they lead to."""

    def __init__(self, netlist: Netlist) -> None:
        self.netlist = netlist
        self.readers = readers_of(netlist)
        self.kind = {gate.output: gate.kind for gate in netlist.gates}
        self.names: dict[int, str] = {}
        ports = netlist.inputs | netlist.outputs
        # A port by its own name, a register by the one it is drawn with, others by the innermost.
        known = sorted(netlist.names, key=lambda name: (name.count("."), name))
        for name in (*(name for name in known if "$" not in name), *REGISTERS, *ports):
            wires = ports.get(name) or netlist.names[name]
            for place, wire in enumerate(wires):
                self.names[wire] = name if len(wires) == 1 else f"{name}[{place}]"

    def leads_to(self, wire: int) -> str:
        """The name of the nearest named wire on the way from this one; "" if there is none."""
        waiting, known = [wire], {wire}
        for w in waiting:
            if w in self.names:
                return self.names[w]
            for pin in self.readers.get(w, ()):
                if pin.kind == GATE:
                    output = self.netlist.gates[pin.number].output
                    if output not in known:
                        known.add(output)
                        waiting.append(output)
                else:
                    return self.names.get(self.end(pin.kind, pin.number), "")
        return ""

    def end(self, kind: str, number: int) -> int:
        """The wire of an output port or of a flip-flop."""
        if kind == PORT:
            return [w for wires in self.netlist.outputs.values() for w in wires][number]
        return self.netlist.flops[number][0]

    def call(self, wire: int) -> str:
        """A wire in words."""
        if wire in self.names:
            return self.names[wire]
        return f"{self.kind[wire]} {wire}, before {self.leads_to(wire) or 'nothing'}"

    def reader(self, fault: Fault) -> str:
        """The pin that a fault is of, in words; "" if it is of the wire."""
        pin = fault.pin
        if pin is None:
            return ""
        if pin.kind == GATE:
            gate = self.netlist.gates[pin.number]
            named = gate.output in self.names
            called = f"{gate.kind} of {self.call(gate.output)}" if named else self.call(gate.output)
            return f"input {pin.position} of {called}"
        name = self.names.get(self.end(pin.kind, pin.number), "")
        return f"the {'port' if pin.kind == PORT else 'flip-flop'} {name}"

    def region(self, fault: Fault) -> str:
        """The part of the unit that a fault lies in."""
        wire = fault.wire
        if fault.pin is not None and fault.pin.kind == GATE:
            wire = self.netlist.gates[fault.pin.number].output
        return self.leads_to(wire).rpartition(".")[0] or "unit"
