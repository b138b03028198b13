"""When every input of an operation has settled: as tables for the terminal."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from .draw import ONE, QUIET, WRONG
from .settling import inputs_text

if TYPE_CHECKING:
    from carrywave.sim.survey import AdderSurvey, Output, Survey

__all__ = ["draw_survey"]


def draw_survey(survey: Survey) -> RenderableType:
    """When each output is final, and the longest carries; at most 80 columns wide."""
    head = Text.assemble(
        (survey.mnemonic, "bold"),
        f"  {survey.inputs:,} inputs, decimal off, each after inputs of 0",
        (f"   {survey.variant}", QUIET),
    )
    table = _side_by_side(survey) if survey.adders[1:] else _one(survey)
    parts: list[RenderableType] = [head, Text(), table]
    for adder in survey.adders:
        if adder.wrong:
            said = f"{adder.adder}: {adder.wrong:,} inputs do not end as without delay"
            parts.append(_note(said, WRONG))
    if not any(adder.wrong for adder in survey.adders):
        parts.append(_note("Every input ends as the same gates do without delay."))
    if any(adder.carries for adder in survey.adders):
        parts += [Text(), *_carries(survey)]
    return Group(*parts)


def _note(text: str, style: str = "") -> RenderableType:
    return Padding(Text(text, style), (0, 0, 0, 1), expand=False)


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
        "inputs are. Glitches: the inputs for which it changes more than once."
    )
    return Group(table, Text(), _note(about))


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
        _note("Mean and worst: gate delays until an output is final. First worst input of all:"),
        *(_note(f"{a.adder.ljust(9)}  {_input(survey, a['all'])}") for a in survey.adders),
        _note("The longest path is through the gates alone, whether an input takes it or not."),
    ]
    return Group(table, Text(), *lines)


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
        _note(
            "Pairs by the places that their longest carry takes, where it is made included. "
            "Expected: the recurrence of Burks, Goldstine and von Neumann (1946), from memory, who "
            "bound the mean without carry-in by log2 of the width, 3; the row with carry-in "
            "extends it."
        ),
    ]
    lines += [_note(f"{name}: its carries are not those expected", WRONG) for name in wrong]
    return lines
