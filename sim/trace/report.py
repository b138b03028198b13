"""The report of a trace."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..emulator.report import draw_why
from ..witness.report import report
from .partial import TRIPLES, TraceReport, reason_text

if TYPE_CHECKING:
    from rich.console import Console


__all__ = ["draw_trace"]


def draw_trace(result: TraceReport, console: Console) -> None:
    """Prints what was not recorded or not checked, the comparison, and what explains it."""
    from rich.text import Text

    lines = [f"{result.variant}, a trace of {result.rows:,} rows."]
    missing = ", ".join(result.missing)
    for name, three in TRIPLES.items():
        missing = missing.replace(", ".join(three), name)
    if missing:
        lines.append(f"Not recorded: {missing}.")
    for why, shares in result.unchecked.items():
        listed = ", ".join(f"{name} {count:,}" for name, count in shares.items())
        lines.append(f"Not checked, {reason_text(why)}: {listed}.")
    if result.first_undocumented:
        lines.append(f"The first undocumented opcode: {result.first_undocumented}.")
    lines.append(f"Not checked, without a next row: {result.unpaired:,}.")
    if result.first_wrong:
        lines.append(f"The first wrong row: {result.first_wrong}.")
    for line in lines:
        console.print(Text(line), highlight=False, soft_wrap=True)  # places are copied
    report(result.comparison, console)
    first = result.comparison.first
    if first is not None:
        commands = {"To draw it": result.command}
        draw_why(first.case, result.variant, commands, result.likely, console)
