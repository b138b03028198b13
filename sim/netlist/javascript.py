"""A netlist as straight-line JavaScript: 32 cases at once, or one clock of the whole unit.

The same gates by the same table as in Python; a wire is a 32-bit integer, `n` the one with every
bit set. Functions get the arrays that they read and fill, so that nothing is allocated in a clock.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import chain
from typing import Final

from .compiled import GateWriter, cone
from .synthesis import ONE, ZERO, Gate, Netlist, NetlistError

LETTERS: Final = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
SECOND: Final = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"  # no word of the language ends in these
#: The kinds of gates in a table, by their place.
KINDS: Final = ("AND", "OR", "XOR", "NOT", "MUX")


def short_name(number: int) -> str:
    """A variable's name, other than any word of the language and than the functions' own."""
    place, first = divmod(number, len(LETTERS))
    return LETTERS[first] + SECOND[place]


class _ScriptWriter(GateWriter):
    """Writes a function in JavaScript; an output is stored as soon as it is known."""

    statement = "{}={};"

    def __init__(self, gates: Sequence[Gate], stored: Iterable[tuple[str, Sequence[int]]]) -> None:
        super().__init__(gates, ())
        self.variables = {ZERO: "$z", ONE: "n"}
        self.places: dict[int, list[str]] = defaultdict(list)
        for array, wires in stored:
            for i, wire in enumerate(wires):
                self.places[wire].append(f"${array}[{i}]")
        self.store(ZERO)
        self.store(ONE)

    def store(self, wire: int) -> None:
        places = self.places.pop(wire, None)
        if places:
            self.lines.append("=".join([*places, self.variables[wire]]) + ";")

    def load(self, wires: Sequence[int], array: str) -> None:
        for i, wire in enumerate(wires):
            self.variables[wire], self.count = self.name(self.count), self.count + 1
            self.owned.add(wire)
            self.lines.append(f"{self.variables[wire]}=${array}[{i}];")
            self.store(wire)

    def evaluate(self, gate: Gate) -> None:
        super().evaluate(gate)
        self.store(gate.output)

    def name(self, number: int) -> str:
        return short_name(number)

    def function(self, arguments: str) -> str:
        names = ",".join(short_name(number) for number in range(self.count))
        body = "".join(self.lines).replace(" ", "").replace("ones", "n")
        return f"function({arguments}){{let n=-1,$z=0,{names};{body}}}"


def script_of_wires(netlist: Netlist, wires: Sequence[int], sources: Sequence[int]) -> str:
    """``function($s, $o)``: `wires`, which depend on `sources` alone, from one array to another."""
    gates = cone(netlist, wires, sources)
    writer = _ScriptWriter(gates, [("o", wires)])
    writer.load(sources, "s")
    for gate in gates:
        writer.evaluate(gate)
    return writer.function("$s,$o")


def script_of_clock(netlist: Netlist, early: Sequence[int], late: Sequence[int]) -> str:
    """``function($q, $i, $e, $d, $r, $l, $memory)``: one clock of the netlist.

    From flip-flops `$q` and inputs `$i` come the `early` wires `$e`; then `$memory()` puts the data
    bus into `$d`, and the flip-flops' next values go to `$r`, the `late` wires to `$l`. Raises
    NetlistError if an early wire depends on the data bus.
    """
    data = netlist.inputs["data_in"]
    first = cone(netlist, early)
    if any(wire in data for gate in first for wire in gate.inputs):
        raise NetlistError("an output that must be settled before memory answers waits for memory")
    ahead = {gate.output for gate in first}
    following = [d for _, d in netlist.flops]
    rest = [gate for gate in cone(netlist, [*following, *late]) if gate.output not in ahead]
    others = [*chain(*(wires for name, wires in netlist.inputs.items() if name != "data_in"))]
    writer = _ScriptWriter([*first, *rest], [("e", early), ("r", following), ("l", late)])
    writer.load([q for q, _ in netlist.flops], "q")
    writer.load(others, "i")
    for gate in first:
        writer.evaluate(gate)
    writer.lines.append("$memory();")
    writer.load(data, "d")
    for gate in rest:
        writer.evaluate(gate)
    return writer.function("$q,$i,$e,$d,$r,$l,$memory")


def table_of(gates: Iterable[Gate], sources: Sequence[int]) -> tuple[list[int], dict[int, int]]:
    """Gates as one list of numbers, for those who go from gate to gate; and each wire's number.

    A gate is its place in `KINDS`, then its inputs. Wire 0 is always 0 and wire 1 always 1; then
    come the sources, then the gates, in order.
    """
    number = {ZERO: 0, ONE: 1} | {wire: i for i, wire in enumerate(sources, 2)}
    table: list[int] = []
    for gate in gates:
        table += KINDS.index(gate.kind), *(number[wire] for wire in gate.inputs)
        number[gate.output] = len(number)
    return table, number
