"""A netlist as straight-line Python: every case at once.

A wire is any value that has ``& | ^``: an integer whose bit i is case i, a NumPy array of words, a
term of a solver. `ones` is the value with every case's bit set. Columns of numbers are packed as
planes of bits, an integer each, and unpacked again: bit i of a plane is row i.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

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


class GateWriter:
    """Writes gates as statements; a variable is free again once its wire is read no more."""

    statement = "    {} = {}"

    def __init__(self, gates: Sequence[Gate], kept: Iterable[int]) -> None:
        self.lines: list[str] = []
        self.variables: dict[int, str] = {}
        self.free: list[str] = []
        self.count = 0
        self.kept = set(kept)
        self.last = {wire: gate for gate in gates for wire in gate.inputs}
        self.owned: set[int] = set()

    def evaluate(self, gate: Gate) -> None:
        """One gate."""
        expression = EXPRESSIONS[gate.kind].format(*(self.variables[wire] for wire in gate.inputs))
        for wire in set(gate.inputs):
            if self.last[wire] is gate and wire in self.owned and wire not in self.kept:
                self.owned.discard(wire)
                self.free.append(self.variables[wire])
        if self.free:
            variable = self.free.pop()
        else:
            variable, self.count = self.name(self.count), self.count + 1
        self.variables[gate.output] = variable
        self.owned.add(gate.output)
        self.lines.append(self.statement.format(variable, expression))

    def name(self, number: int) -> str:
        """What a variable is called."""
        return f"w{number}"


class _PythonWriter(GateWriter):
    """Writes a function in Python."""

    def __init__(self, head: str, gates: Sequence[Gate], kept: Iterable[int]) -> None:
        super().__init__(gates, kept)
        self.called = head.partition("(")[0]
        self.lines = [f"def {head}:", "    zero = ones ^ ones"]
        self.variables = {ZERO: "zero", ONE: "ones"}

    def unpack(self, wires: Sequence[int], stem: str, source: str) -> None:
        self.variables |= {wire: f"{stem}{n}" for n, wire in enumerate(wires)}
        self.lines.append(f"    {self.tuple_of(wires)} = {source}")

    def tuple_of(self, wires: Iterable[int]) -> str:
        return "(" + "".join(f"{self.variables[wire]}, " for wire in wires) + ")"

    def function(self, *returned: Iterable[int]) -> Callable[..., Any]:
        self.lines.append(f"    return {', '.join(map(self.tuple_of, returned))}")
        space: dict[str, Any] = {}
        # The text holds nothing but the names and operators written above.
        exec(compile("\n".join(self.lines), f"<netlist {self.called}>", "exec"), space)
        function: Callable[..., Any] = space[self.called]
        return function


def compile_clock(netlist: Netlist, early: Sequence[int], late: Sequence[int]) -> ClockFunction:
    """One clock of the netlist. NetlistError if an `early` wire depends on the data bus."""
    data = netlist.inputs["data_in"]
    first = cone(netlist, early)
    if any(wire in data for gate in first for wire in gate.inputs):
        waits = next(
            wire for wire in early
            if any(i in data for gate in cone(netlist, [wire]) for i in gate.inputs)
        )  # fmt: skip
        name = netlist.called(waits)
        raise NetlistError(f"{name} must be settled before memory answers, and waits for data_in")
    ahead = {gate.output for gate in first}
    wanted = [*(d for _, d in netlist.flops), *late]
    rest = [gate for gate in cone(netlist, wanted) if gate.output not in ahead]
    others = [wire for name in netlist.inputs if name != "data_in" for wire in netlist.inputs[name]]
    writer = _PythonWriter("clock(q, i, ones)", [*first, *rest], [*early, *wanted])
    writer.unpack([q for q, _ in netlist.flops], "q", "q")
    writer.unpack(others, "i", "i")
    for gate in first:
        writer.evaluate(gate)
    writer.unpack(data, "d", f"yield {writer.tuple_of(early)}")
    for gate in rest:
        writer.evaluate(gate)
    return writer.function([d for _, d in netlist.flops], late)


def compile_wires(
    netlist: Netlist, wires: Sequence[int], sources: Sequence[int]
) -> Callable[..., Any]:
    """``function(values of sources, ones)``: the values of `wires`, which depend on these alone."""
    gates = cone(netlist, wires, sources)
    writer = _PythonWriter("wires(s, ones)", gates, wires)
    writer.unpack(sources, "s", "s")
    for gate in gates:
        writer.evaluate(gate)
    return writer.function(wires)


def pack(column: npt.NDArray[Any], width: int) -> list[int]:
    """The planes of a column of unsigned numbers, lowest bit first."""
    ones = (1 << len(column)) - 1
    planes = []
    for place in range(0, width, 8):
        # Bytes that lie together: a plane of 16-bit numbers takes twenty times as long.
        octets = np.ascontiguousarray(column >> place if place else column, np.uint8)
        ever, always = np.bitwise_or.reduce(octets), np.bitwise_and.reduce(octets)
        for bit in range(min(8, width - place)):
            if ever >> bit & 1 == always >> bit & 1:
                planes.append(ones * int(always >> bit & 1))
                continue
            # 700 million rows a second and plane; unpacked bits and a transpose would make it 80.
            packed = np.packbits(octets & np.uint8(1 << bit), bitorder="little")
            planes.append(int.from_bytes(packed.tobytes(), "little"))
    return planes


def unpack(planes: Sequence[int], rows: int, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """The column of which these are the planes, lowest bit first."""
    size, ones = (rows + 7) // 8, (1 << rows) - 1
    octets = np.zeros(((len(planes) + 7) // 8 or 1, rows), np.uint8)
    for bit, plane in enumerate(planes):
        octet, place = octets[bit >> 3], np.uint8(bit & 7)
        if plane == ones:
            octet |= np.uint8(1) << place
        elif plane:
            packed = np.frombuffer(plane.to_bytes(size, "little"), np.uint8)
            bits = np.unpackbits(packed, count=rows, bitorder="little")
            octet |= np.left_shift(bits, place, out=bits)
    column: npt.NDArray[Any] = octets[0].astype(dtype, copy=False)
    for i, octet in enumerate(octets[1:], 1):  # bytes until here: half the memory to go through
        column |= octet.astype(dtype) << column.dtype.type(8 * i)
    return column
