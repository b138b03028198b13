"""How a case and a verdict are shown: in words, as commands, as a picture, as a waveform."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from ..cases.layout import Cases
from ..op.operation import operation_command
from ..witness.report import report

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from ..diagnose.question import Cause
    from .coverage import Coverage
    from .verdict import Verdict


def draw_verdict(verdict: Verdict, console: Console) -> None:
    """Prints the comparison; of the first wrong case the carry chain too, and what explains it."""
    from rich.text import Text

    report(verdict.comparison, console)
    lines = remarks(verdict.coverage, bool(verdict.unknown), verdict.one_write)
    if verdict.left_out:
        lines.append(
            f"Left out: {verdict.left_out:,} cases whose bytes lie at one address, or are "
            "overwritten before they are read."
        )
    for line in lines:
        console.print(Text(line), highlight=False)
    if verdict.first is None:
        return
    commands = {"To draw it": verdict.command, "Its waveform": verdict.waveform_command}
    if verdict.command == verdict.waveform_command:
        del commands["To draw it"]
    draw_why(verdict.first.case, verdict.variant, commands, verdict.likely, console)


def remarks(coverage: Coverage, unknown: bool, one_write: int) -> list[str]:
    """What was covered, and what could be either way."""
    lines = coverage.lines()
    if unknown:
        lines.append("D after RESET is unknown on NMOS: not compared.")
    if one_write:
        what = "NMOS's write of the unmodified byte"
        cases = "case" if one_write == 1 else "cases"
        lines.append(f"Not counted: {what}, left out in {one_write:,} {cases}.")
    return lines


def draw_why(
    case: Cases, variant: str, commands: Mapping[str, str | None], likely: Sequence[Cause],
    console: Console,
) -> None:  # fmt: skip
    """Prints a wrong case's carry chain, the commands that show more, and what explains it."""
    drawn = _draw_chain(case, variant)
    if drawn is not None:
        console.print()
        console.print(drawn)
    if any(commands.values()):
        console.print()
    for label, command in commands.items():
        if command:
            line = f"{label + ':':<16} {command}"
            console.print(line, markup=False, soft_wrap=True)
    if likely:
        from ..diagnose.report import describe

        console.print()
        console.print("Likely", style="bold")
        for line in describe(likely, width=78):
            console.print(f"  {line}", markup=False, soft_wrap=True)


def _draw_chain(case: Cases, variant: str) -> RenderableType | None:
    """The carry chain of a case, if the adder has a part in it."""
    from ..op.operation import operation_of
    from ..op.report import draw_operation

    if operation_command(case) is None:
        return None
    drawn = operation_of(case, variant)
    return draw_operation(drawn) if drawn.uses_chain or drawn.sums else None
