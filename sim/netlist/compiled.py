"""A netlist as straight-line Python: every case at once.

A wire is any value that has ``& | ^``: an integer whose bit i is case i, a NumPy array of words, a
term of a solver. `ones` is the value with every case's bit set.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

from .synthesis import ONE, ZERO, Gate, Netlist, NetlistError

#: One clock as a generator: started with (flip-flops, inputs but the data bus, ones), it yields the
#: wires that are settled before memory answers, is sent the eight data wires, and returns
#: (flip-flops' next values, wires that are settled at the end of the clock).
ClockFunction = Callable[[Sequence[Any], Sequence[Any], Any], Any]

EXPRESSIONS: Final = {
    "AND": "{0} & {1}",
    "OR": "{0} | {1}",
    "XOR": "{0} ^ {1}",
    "NOT": "{0} ^ ones",
    "MUX": "{0} ^ ({2} & ({0} ^ {1}))",
}
#: The same gate by gate, for those who do not evaluate every gate.
FUNCTIONS: Final[dict[str, Callable[..., Any]]] = {
    "AND": lambda ones, a, b: a & b,
    "OR": lambda ones, a, b: a | b,
    "XOR": lambda ones, a, b: a ^ b,
    "NOT": lambda ones, a: a ^ ones,
    "MUX": lambda ones, a, b, select: a ^ (select & (a ^ b)),
}


def cone(netlist: Netlist, wires: Iterable[int], sources: Iterable[int] = ()) -> list[Gate]:
    """The gates that the given wires depend on, in order, and no further than `sources`."""
    wanted, given = set(wires), set(sources)
    chosen = []
    for gate in reversed(netlist.gates):
        if gate.output in wanted and gate.output not in given:
            wanted.update(gate.inputs)
            chosen.append(gate)
    return chosen[::-1]


def depths(gates: Iterable[Gate]) -> dict[int, int]:
    """How many gates the longest path has to each output; what no gate here drives is 0 deep."""
    found: dict[int, int] = {}
    for gate in gates:
        found[gate.output] = 1 + max(found.get(wire, 0) for wire in gate.inputs)
    return found


class _Writer:
    """Writes statements; a variable is used again once the wire it held is read no more."""

    def __init__(self, gates: Sequence[Gate], kept: Iterable[int]) -> None:
        self.lines: list[str] = []
        self.variables = {ZERO: "zero", ONE: "ones"}
        self.free: list[str] = []
        self.count = 0
        self.kept = set(kept)
        self.last = {wire: i for i, gate in enumerate(gates) for wire in gate.inputs}
        self.owned: set[int] = set()

    def name(self, wire: int, variable: str) -> None:
        self.variables[wire] = variable

    def write(self, i: int, gate: Gate) -> None:
        expression = EXPRESSIONS[gate.kind].format(*(self.variables[wire] for wire in gate.inputs))
        for wire in set(gate.inputs):
            if self.last[wire] == i and wire in self.owned and wire not in self.kept:
                self.owned.discard(wire)
                self.free.append(self.variables[wire])
        if self.free:
            variable = self.free.pop()
        else:
            variable, self.count = f"w{self.count}", self.count + 1
        self.variables[gate.output] = variable
        self.owned.add(gate.output)
        self.lines.append(f"    {variable} = {expression}")

    def tuple_of(self, wires: Iterable[int]) -> str:
        return "(" + "".join(f"{self.variables[wire]}, " for wire in wires) + ")"


def compile_clock(netlist: Netlist, early: Sequence[int], late: Sequence[int]) -> ClockFunction:
    """One clock of the netlist. NetlistError if an `early` wire depends on the data bus."""
    data = netlist.inputs["data_in"]
    first = cone(netlist, early)
    if any(wire in data for gate in first for wire in gate.inputs):
        raise NetlistError("an output that must be settled before memory answers waits for memory")
    ahead = {gate.output for gate in first}
    wanted = [*(d for _, d in netlist.flops), *late]
    rest = [gate for gate in cone(netlist, wanted) if gate.output not in ahead]
    ordered = [*first, *rest]
    writer = _Writer(ordered, [*early, *wanted])
    lines = ["def clock(q, i, ones):", "    zero = ones ^ ones"]
    others = [wire for name in netlist.inputs if name != "data_in" for wire in netlist.inputs[name]]
    for wires, source, stem in (([q for q, _ in netlist.flops], "q", "q"), (others, "i", "i")):
        for n, wire in enumerate(wires):
            writer.name(wire, f"{stem}{n}")
        lines.append(f"    {writer.tuple_of(wires)} = {source}")
    for i, gate in enumerate(first):
        writer.write(i, gate)
    for n, wire in enumerate(data):
        writer.name(wire, f"d{n}")
    writer.lines.append(f"    {writer.tuple_of(data)} = yield {writer.tuple_of(early)}")
    for i, gate in enumerate(rest, len(first)):
        writer.write(i, gate)
    returned = writer.tuple_of(d for _, d in netlist.flops), writer.tuple_of(late)
    lines += [*writer.lines, f"    return {returned[0]}, {returned[1]}"]
    clock: ClockFunction = _function(lines, "clock")
    return clock


def compile_wires(
    netlist: Netlist, wires: Sequence[int], sources: Sequence[int]
) -> Callable[..., Any]:
    """``function(values of sources, ones)``: the values of `wires`, which depend on these alone."""
    gates = cone(netlist, wires, sources)
    writer = _Writer(gates, wires)
    for n, wire in enumerate(sources):
        writer.name(wire, f"s{n}")
    lines = ["def wires(s, ones):", "    zero = ones ^ ones"]
    if sources:
        lines.append(f"    {writer.tuple_of(sources)} = s")
    for i, gate in enumerate(gates):
        writer.write(i, gate)
    lines += [*writer.lines, f"    return {writer.tuple_of(wires)}"]
    function: Callable[..., Any] = _function(lines, "wires")
    return function


def _function(lines: Iterable[str], name: str) -> Any:
    space: dict[str, Any] = {}
    # The text holds nothing but the names and operators written above.
    exec(compile("\n".join(lines), f"<netlist {name}>", "exec"), space)
    return space[name]
