"""The RTL as Verilog that a person reads: ports, registers, flags and carries by their names."""

from __future__ import annotations

import re
from os import PathLike
from typing import Final

from ..system.files import written_beside
from .synthesis import FLOPS, module_of, run_yosys

#: Processes become multiplexers, constants as wide as they were drawn, and all parts one module, in
#: which a signal has its scope before its name: between modules its bits would be ports apart. What
#: has more attributes lends its name to what is the same wire.
SCRIPT: Final = (
    "hierarchy -top TOP", "proc_clean", "proc_rmdead", "proc_prune", "proc_init", "proc_rom",
    "proc_mux", "proc_dff", "proc_clean", "pmuxtree", "flatten -separator _",
    f"setattr -set drawn 1 {' '.join('w:' + name.replace('.', '_') for name in FLOPS)}",
    "delete t:$scopeinfo", "opt_clean -purge", "write_verilog -noattr FILE",
)  # fmt: skip
#: Words of Verilog and SystemVerilog that the hardware has as names.
RESERVED: Final = ("generate", "edge", "new")
HEAD: Final = """\
// An 8-bit unit of the 65xx family. A clock in which `ready` is high is a bus cycle; in others
// nothing changes. A byte that is read must be on `data_in` before the end of such a clock; what
// acts on a write acts on `write & ready`. `registers__p` is the status as PHP pushes it.
// Not all bits of a word are used everywhere:
/* verilator lint_off UNUSEDSIGNAL */
/* verilator lint_off DECLFILENAME */
"""


def export_verilog(path: str | PathLike[str], variant: str = "nmos", adder: str = "ripple") -> None:
    """Writes the unit as Verilog 2005, with its clock enable and its registers as ports.

    The module is that of `module_of`. Raises NetlistError if it cannot be made, and OSError where
    the file cannot be written.
    """
    top = module_of(variant, adder)
    script = [command.replace("TOP", top) for command in SCRIPT]
    text = run_yosys(plain_names(rtlil_with_all_ports(variant, adder)), script, ".v")
    with written_beside(path) as file:
        file.write(f"{HEAD}\n{tidied(text[text.index('module ') :])}")


def rtlil_with_all_ports(variant: str, adder: str) -> str:
    """The unit by itself as RTLIL, with a clock and no reset beside its own pin."""
    from amaranth.back import rtlil
    from amaranth.hdl import ClockDomain, Fragment, Value

    from carrywave.rtl.datapath import Unit

    unit, domain = Unit(variant, adder), ClockDomain("sync", reset_less=True)
    fragment = Fragment.get(unit, None)
    fragment.add_domains(domain)
    ports = [domain.clk, *(Value.cast(port) for _, _, port in unit.signature.flatten(unit))]
    text: str = rtlil.convert(fragment, name=module_of(variant, adder), ports=ports, emit_src=False)
    return text


def plain_names(rtlil: str) -> str:
    """The same with names that Verilog need not escape."""

    def plain(name: re.Match[str]) -> str:
        text = re.sub(r"[.$]", "_", name[1]).lstrip("_")
        return f"\\{text}{'_' if text in RESERVED else ''}"

    return re.sub(r"(?<!\$)\\([$\w][\w.$]*)", plain, rtlil)


def tidied(module: str) -> str:
    """A module with constants as wide as what they are compared with, and carries bit by bit."""
    wide = {
        name: int(top or 0) + 1
        for top, name in re.findall(r"^  (?:wire|reg)(?: \[(\d+):0\])? (\w+)", module, re.MULTILINE)
    }
    module = re.sub(
        r"(\w+) ([!=]=) (\d+)'h",
        lambda m: f"{m[1]} {m[2]} {wide.get(m[1], m[3])}'h",
        module,
    )
    # A word of which one bit waits for another: to Verilator a loop, unless it is told.
    return re.sub(
        r"^(  wire \[\d+:0\] \w*(?:carry|sum|generate|propagate)\w*);",
        r"\1 /*verilator split_var*/;",
        module,
        flags=re.MULTILINE,
    )
