"""When every input of an operation has settled: as tables for the terminal."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from ..system.colours import ONE, QUIET, WRONG
from .report import inputs_text, note
from .settling import START

if TYPE_CHECKING:
    from .survey import AdderSurvey, Output, Survey

__all__ = ["draw_survey"]


def draw_survey(survey: Survey) -> RenderableType:
    """When each output is final, and the longest carries; at most 80 columns wide."""
    start = inputs_text(survey.mnemonic, *START)
    head = Text.assemble(
        (survey.mnemonic, "bold"),
        f"  {survey.inputs:,} inputs, decimal off, each from {start}",
        (f"   {survey.variant}", QUIET),
    )
    table = _side_by_side(survey) if survey.adders[1:] else _one(survey)
    parts: list[RenderableType] = [head, Text(), table]
    for adder in survey.adders:
        if adder.wrong:
            said = f"{adder.adder}: {adder.wrong:,} inputs do not end as without delay"
            parts.append(note(said, WRONG))
    if not any(adder.wrong for adder in survey.adders):
        parts.append(note("Every input ends as the same gates do without delay."))
    if any(adder.carries for adder in survey.adders):
        parts += [Text(), *_carries(survey)]
    return Group(*parts)


def label(output: Output) -> str:
    """An output's name as it is shown: flags are capitals."""
    return output.name.upper() if output.name in "nvzc" else output.name


def _shown(adder: AdderSurvey) -> list[Output]:
    """The result is the sum one or two gates later: its bits are left to JSON."""
    return [output for output in adder.outputs if not output.name.startswith("result[")]


def _input(survey: Survey, output: Output) -> str:
    return inputs_text(survey.mnemonic, *output.worst_input) if output.worst else ""


def _table() -> Table:
    return Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style=QUIET)


def _one(survey: Survey) -> RenderableType:
    adder, table = survey.adders[0], _table()
    table.add_column(" output")
    for heading in ("mean", "half", "9 in 10", "worst"):
        table.add_column(heading, justify="right")
    table.add_column("first worst input", no_wrap=True)
    table.add_column("glitches", justify="right")
    for output in _shown(adder):
        table.add_row(
            f" {label(output)}", f"{float(output.mean):.2f}",
            f"{output.within(Fraction(1, 2))}", f"{output.within(Fraction(9, 10))}",
            Text(f"{output.worst}", ONE), _input(survey, output), f"{output.glitches:,}",
        )  # fmt: skip
    about = (
        f"{adder.adder}: {adder.gates} gates, the longest path {adder.depth}. Gate delays until "
        "an output is final: the mean, and within how many half, nine in ten and all of the "
        "inputs are. Glitches: the inputs for which it changes more than once. "
        f"{_longest_path(survey)}"
    )
    return Group(table, Text(), note(about))


def _side_by_side(survey: Survey) -> RenderableType:
    table = _table()
    table.add_column(" output")
    for adder in survey.adders:
        table.add_column(f"{adder.adder}\nmean", justify="right")
        table.add_column("\nworst", justify="right")
    for row in zip(*map(_shown, survey.adders), strict=True):
        cells = ((f"{float(o.mean):.2f}", Text(f"{o.worst}", ONE)) for o in row)
        table.add_row(f" {label(row[0])}", *(cell for pair in cells for cell in pair))
    rows = [
        ("gates", [adder.gates for adder in survey.adders]),
        ("longest path", [adder.depth for adder in survey.adders]),
    ]
    for name, figures in rows:
        table.add_row(f" {name}", *(cell for n in figures for cell in ("", f"{n}")))
    lines = [
        note("Mean and worst: gate delays until an output is final. First worst input of all:"),
        *(note(f"{a.adder.ljust(9)}  {_input(survey, a['all'])}") for a in survey.adders),
        note(_longest_path(survey)),
    ]
    return Group(table, Text(), *lines)


def _longest_path(survey: Survey) -> str:
    """Why the longest path is longer than the worst input takes."""
    if survey.variant == "binary":
        return "No input takes the longest path: it begins at the operation, which stands."
    return (
        "No input takes the longest path: it begins at the operation, which stands, and goes "
        "through the decimal correction, which is off."
    )


def _carries(survey: Survey) -> list[RenderableType]:
    table = _table()
    table.add_column(" longest carry")
    for length in range(9):
        table.add_column(f"{length}", justify="right")
    table.add_column("mean", justify="right")
    wrong = [adder.adder for adder in survey.adders if adder.carries != survey.adders[0].carries]
    for carries in survey.adders[0].carries:
        table.add_row(
            f" carry-in {carries.carry_in}", *map(str, carries.counts), f"{float(carries.mean):.4f}"
        )
        table.add_row(Text("  expected", QUIET), *(Text(f"{n}", QUIET) for n in carries.expected))
        if carries.counts != carries.expected:
            wrong.append(survey.adders[0].adder)
    lines: list[RenderableType] = [
        table,
        note(
            "Pairs by the places that their longest carry takes, where it is made included. "
            "Expected: the recurrence of Burks, Goldstine and von Neumann (1946, from memory), "
            "who bound the mean without carry-in by log2 of the width, 3. The row of carry-in 1 "
            "extends it."
        ),
    ]
    lines += [note(f"{name}: its carries are not those expected", WRONG) for name in wrong]
    return lines
