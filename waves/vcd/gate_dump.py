"""The waveform of a run on the gates: the same signals, out of the netlist's wires."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from carrywave.sim.family.status_byte import FLAGS, LOWEST_FIRST

from .dump import OPERATION_TEXTS, Dump
from .signals import SIGNALS, text_value

if TYPE_CHECKING:
    from carrywave.sim.netlist.synthesis import Netlist
    from carrywave.sim.program.part import RunPart

#: Signals that the netlist has under another name.
_CALLED: Final = {
    "a": "register_a", "x": "register_x", "y": "register_y", "stack.sp": "stack.pointer",
    "status.update": "status.update__flags",
}  # fmt: skip
#: Those that are not wires: the clock, texts, and what stands for itself in the netlist.
_OTHERS: Final = ("variant", "clk", "mnemonic", "alu.propagate", "alu.generate")


def wires_of(netlist: Netlist) -> list[tuple[int, ...]]:
    """The wires of each of `SIGNALS`; none for `_OTHERS`."""
    ports = netlist.inputs | netlist.outputs
    carries, flags = netlist.names["alu.carry"], netlist.names["status.flags"]
    found: list[tuple[int, ...]] = []
    for spec in SIGNALS:
        name = spec.path.removeprefix("unit.")
        scope, _, last = name.rpartition(".")
        if name in _OTHERS:
            found.append(())
        elif scope == "alu" and last[1:].isdecimal():
            found.append((carries[int(last[1:])],))
        elif scope == "status" and last in FLAGS:
            found.append((flags[LOWEST_FIRST.index(last)],))
        else:
            name = _CALLED.get(name, name)
            found.append(ports.get(name) or netlist.names[name])
    return found


class GateDump:
    """Writes the clocks `first` to `last` of a run, as its parts come: see `run_predicted`.

    A propagate and a generate are worked out of the adder's two inputs: the netlist has no wires
    of these names.
    """

    def __init__(self, dump: Dump, variant: str, first: int, last: int) -> None:
        self.dump, self.first, self.last = dump, first, last
        self.variant = text_value(variant)

    def part(self, part: RunPart, end: int, count: int) -> None:
        """Writes what lies in the window of the first so many sequences, up to the clock `end`."""
        last = min(self.last, end)
        begin = max(0, int(np.searchsorted(part.clocks[:count], self.first, side="right")) - 1)
        count = int(np.searchsorted(part.clocks[:count], last, side="right"))
        # In blocks: what is told of a clock takes a hundred times the room of its sequence.
        for at in range(begin, count, _BLOCK):
            for values in self._rows(part, at, min(at + _BLOCK, count), last):
                self.dump.put(values)

    def _rows(self, part: RunPart, begin: int, end: int, last: int) -> Iterator[tuple[int, ...]]:
        clocks, columns = part.watched(begin, end, wires_of(part.gates.unit.netlist))
        names = {at: text_value(part.name(at)) for at in range(begin, end)}
        lanes = np.searchsorted(part.clocks, clocks, side="right") - 1
        wanted = (clocks >= self.first) & (clocks <= last)
        table: list[Any] = [column[wanted].tolist() for column in columns]
        by_name = {spec.path.removeprefix("unit."): i for i, spec in enumerate(SIGNALS)}
        left, right = columns[by_name["alu.a"]], columns[by_name["alu.operand"]]
        table[by_name["variant"]] = [self.variant] * int(wanted.sum())
        table[by_name["clk"]] = [1] * int(wanted.sum())
        table[by_name["mnemonic"]] = [names[lane] for lane in lanes[wanted].tolist()]
        table[by_name["alu.propagate"]] = (left ^ right)[wanted].tolist()
        table[by_name["alu.generate"]] = (left & right)[wanted].tolist()
        operations = table[by_name["alu.operation"]]
        table[by_name["alu.operation"]] = [OPERATION_TEXTS[one] for one in operations]
        yield from zip(*table, strict=True)


_BLOCK: Final = 4096  # sequences
