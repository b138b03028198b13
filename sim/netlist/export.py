"""The gates as Verilog, RTLIL or JSON, for other tools."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ..system.files import written_beside
from .synthesis import SCRIPT, NetlistError, rtlil_of, run_yosys, unit_name

if TYPE_CHECKING:
    from os import PathLike

#: By the end of a file's name: what it is called, and the command that writes it.
FORMATS: Final = {
    ".v": ("Verilog", "write_verilog FILE"),
    ".il": ("RTLIL", "write_rtlil FILE"),
    ".json": ("Yosys JSON", "write_json FILE"),
}


def format_of(path: str | PathLike[str]) -> str:
    """The format that a file's name asks for. Raises NetlistError if it asks for none."""
    suffix = Path(path).suffix.lower()
    if suffix not in FORMATS:
        *others, last = (f"{name} ({described})" for name, (described, _) in FORMATS.items())
        raise NetlistError(f"{path}: the name must end in {', '.join(others)} or {last}")
    return FORMATS[suffix][0]


def module_of(variant: str, adder: str = "ripple") -> str:
    """The module's name in an exported file: ``unit_nmos``, ``unit_cmos_prefix``."""
    return f"unit_{unit_name(variant, adder, '_')}"


def export(path: str | PathLike[str], variant: str = "nmos", adder: str = "ripple") -> str:
    """Writes the gates as drawn, in the format that the file's name asks for, and returns that.

    The module is that of `module_of`. Raises NetlistError for a name that asks for no format, and
    OSError where the file cannot be written.
    """
    described = format_of(path)
    suffix = Path(path).suffix.lower()
    script = (
        *SCRIPT,
        "delete t:$scopeinfo",
        f"rename top {module_of(variant, adder)}",
        FORMATS[suffix][1],
    )
    text = run_yosys(rtlil_of(variant, adder), script, suffix)
    # Yosys signs with the compiler it was built by, which makes the same netlist differ.
    text = re.sub(r'(Yosys [\w.+]+) \([^"\n]*\)', r"\1", text, count=1)
    with written_beside(path) as file:
        file.write(text)
    return described
