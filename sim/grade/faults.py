"""Stuck-at faults: one wire or one pin of the netlist held at 0 or at 1, and where that is seen.

A trace holds the fault-free netlist on many lanes at once, every wire in every clock. A fault is
followed from where it sits through what it changes, clock by clock; nothing else is evaluated. What
memory answers need not be asked anew: an address or a write that is wrong is seen on the bus before
memory can answer it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import product
from typing import Any, Final, NamedTuple

from ..netlist.compiled import FUNCTIONS, compile_wires
from ..netlist.synthesis import FLOPS, ONE, ZERO, Netlist

GATE: Final = "gate"
FLOP: Final = "flip-flop"
PORT: Final = "port"
ADDRESSED: Final = ("address", "write")  # settled before memory answers

ALL: Final = -1
#: What a wire carries: anything that has ``& | ^``; see `evaluate`.
Plane = Any


class Pin(NamedTuple):
    """Where a wire is read: input `position` of a gate, a flip-flop's input, a bit of a port.

    `number` counts the gates, the flip-flops, or the bits of all output ports one after another.
    """

    kind: str
    number: int
    position: int = 0


class Fault(NamedTuple):
    """A wire stuck at a value; with a pin, only what that pin reads of it."""

    wire: int
    value: int
    pin: Pin | None = None


@dataclass(frozen=True)
class Sites:
    """Every stuck-at fault of a netlist.

    `equivalent` counts the faults of pins that are the only readers of their wires: no one can tell
    them from the wire's own, so they are not listed twice. A pin that is tied to a constant is
    listed at the other value only.
    """

    faults: tuple[Fault, ...]
    equivalent: int


def readers_of(netlist: Netlist) -> dict[int, list[Pin]]:
    """The pins that read each wire, for those that are read."""
    readers: dict[int, list[Pin]] = {}
    for number, gate in enumerate(netlist.gates):
        for position, wire in enumerate(gate.inputs):
            readers.setdefault(wire, []).append(Pin(GATE, number, position))
    for number, (_, wire) in enumerate(netlist.flops):
        readers.setdefault(wire, []).append(Pin(FLOP, number))
    for number, wire in enumerate(netlist.output_wires):
        readers.setdefault(wire, []).append(Pin(PORT, number))
    return readers


def fault_sites(netlist: Netlist) -> Sites:
    """Each wire, and each pin of a wire that several read, at 0 and at 1."""
    driven = [*netlist.sources, *(gate.output for gate in netlist.gates)]
    faults = [Fault(wire, value) for wire in driven for value in (0, 1)]
    equivalent = 0
    for wire, pins in readers_of(netlist).items():
        if wire in (ZERO, ONE):
            faults += [Fault(wire, int(wire == ZERO), pin) for pin in pins]
        elif len(pins) > 1:
            faults += [Fault(wire, value, pin) for pin in pins for value in (0, 1)]
        else:
            equivalent += 2
    return Sites(tuple(faults), equivalent)


#: By a gate's kind, an input and what that is stuck at: what it gives then, whatever the rest is.
DECIDED: Final = {
    (kind, position, value): given.pop()
    for kind, function in FUNCTIONS.items()
    for position in range(function.__code__.co_argcount - 1)
    for value in (0, 1)
    for given in [{
        function(1, *inputs)
        for inputs in product((0, 1), repeat=function.__code__.co_argcount - 1)
        if inputs[position] == value
    }]
    if len(given) == 1
}  # fmt: skip


def equivalents(netlist: Netlist, faults: Iterable[Fault]) -> dict[Fault, list[Fault]]:
    """The faults, by one for those that nobody can tell from each other.

    An input that is stuck at what alone decides its gate is as good as the gate's output stuck.
    """
    readers = readers_of(netlist)
    found: dict[Fault, list[Fault]] = {}
    for fault in faults:
        same = fault
        while pin := same.pin or _only(readers.get(same.wire, ())):
            gate = netlist.gates[pin.number] if pin.kind == GATE else None
            key = gate and (gate.kind, pin.position, same.value)
            if gate is None or key not in DECIDED:
                break
            same = Fault(gate.output, DECIDED[key])
        found.setdefault(same, []).append(fault)
    return found


def _only(pins: Sequence[Pin]) -> Pin | None:
    return pins[0] if len(pins) == 1 else None


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
        for name in (*(name for name in known if "$" not in name), *FLOPS, *ports):
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
                    return self.end(pin)
        return ""

    def end(self, pin: Pin) -> str:
        """The name of the output port or the flip-flop that a pin is of."""
        bits, flops = self.netlist.output_wires, self.netlist.flops
        return self.names.get(bits[pin.number] if pin.kind == PORT else flops[pin.number][0], "")

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
        return f"the {'port' if pin.kind == PORT else 'flip-flop'} {self.end(pin)}"

    def behind(self, fault: Fault) -> int:
        """The wire that a fault is of, or the output of the gate whose input it is of."""
        if fault.pin is not None and fault.pin.kind == GATE:
            return self.netlist.gates[fault.pin.number].output
        return fault.wire

    def region(self, fault: Fault) -> str:
        """The part of the unit that a fault lies in."""
        return self.leads_to(self.behind(fault)).rpartition(".")[0] or "unit"


class Watch(NamedTuple):
    """Where a clock is looked at: lanes for each bit of the output ports, and for the outcome."""

    ports: tuple[int, ...]
    outcome: int = 0  # lanes whose sequence has just ended: the registers are read


@dataclass
class Trace:
    """The fault-free netlist: `values[k][wire]` is the plane of a wire in clock k."""

    ones: int
    registers: frozenset[int] = frozenset()  # flip-flops that an outcome tells
    values: list[list[int]] = field(default_factory=list)
    watches: list[Watch] = field(default_factory=list)


class Injector:
    """A netlist ready to be traced and to have faults put into it."""

    def __init__(self, netlist: Netlist) -> None:
        self.netlist = netlist
        self._wires = [*netlist.sources, *(gate.output for gate in netlist.gates)]
        self._size = max(ONE, *self._wires) + 1
        self._settle = compile_wires(netlist, self._wires, netlist.sources)
        addressed = [wire for name in ADDRESSED for wire in netlist.outputs[name]]
        self._address = compile_wires(netlist, addressed, netlist.sources)
        self._gates = [(FUNCTIONS[gate.kind], gate.output, gate.inputs) for gate in netlist.gates]
        self._driver = {gate.output: number for number, gate in enumerate(netlist.gates)}
        #: The gates, flip-flops and ports that read each wire.
        self.readers: dict[str, list[list[int]]] = {
            kind: [[] for _ in range(self._size)] for kind in (GATE, FLOP, PORT)
        }
        for wire, pins in readers_of(netlist).items():
            for pin in pins:
                self.readers[pin.kind][wire].append(pin.number)

    def bus(self, state: Sequence[Plane], pins: dict[str, Plane], ones: Plane) -> list[Plane]:
        """The planes of `ADDRESSED`, which do not wait for memory."""
        return list(self._address([*state, *self._inputs(pins, [0] * 8)], ones))

    def settle(
        self, state: Sequence[Plane], pins: dict[str, Plane], data: Sequence[Plane], ones: Plane
    ) -> list[Plane]:
        """Every wire, by its number, in one clock."""
        values: list[Plane] = [0] * self._size
        values[ONE] = ones
        planes = self._settle([*state, *self._inputs(pins, data)], ones)
        for wire, plane in zip(self._wires, planes, strict=True):
            values[wire] = plane
        return values

    def next_state(self, values: Sequence[Plane]) -> list[Plane]:
        """The flip-flops in the clock that follows."""
        return [values[d] for _, d in self.netlist.flops]

    def _inputs(self, pins: dict[str, Plane], data: Sequence[Plane]) -> list[Plane]:
        names = self.netlist.inputs
        return [p for name in names for p in (data if name == "data_in" else [pins[name]])]

    def seen(self, trace: Trace, fault: Fault, every: bool = False) -> int:
        """The lanes in which a fault is seen first; with `every`, all in which it ever is."""
        wire, value, pin = fault
        stuck = trace.ones if value else 0
        found = 0
        left: dict[int, int] = {}  # flip-flops that took another value than they should
        for right, watch in zip(trace.values, trace.watches, strict=True):
            if watch.outcome:
                for q, plane in left.items():
                    if q in trace.registers:
                        found |= (plane ^ right[q]) & watch.outcome
            now = right.copy()
            for q, plane in left.items():
                now[q] = plane
            if pin is None:
                now[wire] = stuck
            changed = [w for w in {wire, *left} if now[w] != right[w]]
            self.follow(fault, stuck, trace.ones, right, now, changed)
            left = {}
            for w in changed:
                for number in self.readers[PORT][w]:
                    found |= (now[w] ^ right[w]) & watch.ports[number]
                for number in self.readers[FLOP][w]:
                    left[self.netlist.flops[number][0]] = now[w]
            if pin is not None and pin.kind == PORT:
                found |= (stuck ^ right[wire]) & watch.ports[pin.number]
            elif pin is not None and pin.kind == FLOP:
                left[self.netlist.flops[pin.number][0]] = stuck
            if found and not every:
                break
        return found

    def follow(
        self, fault: Fault, stuck: Plane, ones: Plane, right: Sequence[Plane], now: list[Plane],
        changed: list[int], limit: int = ALL,
    ) -> list[int]:  # fmt: skip
        """Evaluates what the changed wires change, into `now`, and lengthens `changed` by that.

        Stops after `limit` gates; those that still wait are returned.
        """
        wire, _, pin = fault
        gates, readers = self._gates, self.readers[GATE]
        held = self._driver.get(wire, -1) if pin is None else -1  # its output stays as it is
        at = pin.number if pin is not None and pin.kind == GATE else -1
        waiting: list[int] = []
        known = {held}

        def wake(numbers: Sequence[int]) -> None:
            for number in numbers:
                if number not in known:
                    known.add(number)
                    heappush(waiting, number)

        for w in changed:
            wake(readers[w])
        if at >= 0 and (right[wire] != stuck or now[wire] != stuck):
            wake([at])
        while waiting and limit:
            limit -= 1
            number = heappop(waiting)
            function, output, inputs = gates[number]
            planes = [now[w] for w in inputs]
            if number == at and pin is not None:
                planes[pin.position] = stuck
            plane = function(ones, *planes)
            if plane != now[output]:
                now[output] = plane
                changed.append(output)
                wake(readers[output])
        return waiting
