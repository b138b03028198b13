"""The report of a trace."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..cases.kinds import instruction_of
from ..cases.layout import Cases, Outcomes
from ..emulator.coverage import Coverage
from ..emulator.report import draw_why, remarks
from ..op.operation import operation_command
from ..witness.comparison import Comparison
from ..witness.report import report
from .columns import COLUMNS, LISTS
from .rows import reason_text

if TYPE_CHECKING:
    from rich.console import Console

    from ..diagnose.question import Cause


def missing_of(columns: Collection[str]) -> tuple[str, ...]:
    """The columns that a trace does not have; all that is read has the own bytes in it."""
    there = {*columns, *(LISTS["bytes"] if LISTS["read_value"][0] in columns else ())}
    return tuple(name for name in COLUMNS if name not in there)


@dataclass(frozen=True)
class TraceReport:
    """What a trace has shown. Each row is compared, or cannot be checked, or has no next row."""

    variant: str
    comparison: Comparison  # its cases are the rows compared; the `index` of the first is its row
    rows: int
    unpaired: int  # the last rows of runs
    unchecked: dict[str, dict[str, int]]  # by what they lack, by instruction
    missing: tuple[str, ...]  # columns that the trace does not have
    coverage: Coverage
    one_write: int  # rows in which the first of two writes to one address was left out
    first_wrong: str | None  # its file and line, or row
    first_unbuilt: str | None
    examples: npt.NDArray[np.void] = field(repr=False, compare=False)  # of the wrong instructions

    @property
    def agree(self) -> bool:
        """Whether rows were compared and none differs; those unchecked may be wrong."""
        return self.comparison.agree

    def evidence(self) -> tuple[Cases, Outcomes, Outcomes]:
        """Cases, expected and actual outcomes of the wrong instructions, as `diagnose` takes them.

        Of each instruction the first ones: `EXAMPLES` wrong and as many right ones at most.
        """
        cases, expected, actual = (
            np.ascontiguousarray(self.examples[name]) for name in ("case", "expected", "actual")
        )
        return cases, expected, actual

    @cached_property
    def likely(self) -> list[Cause]:
        """What is likely to be wrong, by the evidence."""
        if self.agree:
            return []
        from ..diagnose.diagnosis import diagnose

        return diagnose(*self.evidence(), self.variant, self.comparison.skipped)

    @property
    def unknown(self) -> dict[str, list[str]]:
        """Fields that were not compared for an instruction: the makers leave them open."""
        compared = self.comparison
        asked = "RESET" in compared.instructions and "p.d" not in compared.skipped
        return {"RESET": ["p.d"]} if asked and self.variant != "cmos" else {}

    @property
    def command(self) -> str | None:
        """What draws the first wrong case; None for an event."""
        first = self.comparison.first
        return None if first is None else operation_command(first.case, self.variant)

    def to_json(self) -> dict[str, Any]:
        """The same as plain dictionaries, lists and numbers."""
        told = ("agree", "variant", "rows", "unpaired", "unchecked")
        then = ("one_write", "unknown", "first_wrong", "first_unbuilt")
        found = self.comparison.to_json()
        if self.comparison.first is not None:
            name = instruction_of(self.comparison.first.case)
            found["first"] |= {"instruction": name, "command": self.command}
        return {
            **{name: getattr(self, name) for name in told},
            "missing": list(self.missing),
            "coverage": self.coverage.to_json(),
            **{name: getattr(self, name) for name in then},
            **found,
            "likely": [cause.to_json() for cause in self.likely],
        }


def draw_trace(result: TraceReport, console: Console) -> None:
    """Prints what was not recorded or not checked, the comparison, and what explains it."""
    from rich.text import Text

    lines = [f"{result.variant}, a trace of {result.rows:,} rows."]
    missing = ", ".join(result.missing)
    for name, several in LISTS.items():
        missing = missing.replace(", ".join(several), name)
    if missing:
        lines.append(f"Not recorded: {missing}.")
    for reason, shares in result.unchecked.items():
        listed = ", ".join(f"{name} {count:,}" for name, count in shares.items())
        lines.append(f"Not checked, {reason_text(reason)}: {listed}.")
    if result.first_unbuilt:
        lines.append(f"The first opcode that is not built: {result.first_unbuilt}.")
    lines.append(f"Not checked, without a next row: {result.unpaired:,}.")
    if result.first_wrong:
        lines.append(f"The first wrong row: {result.first_wrong}.")
    for line in lines:
        console.print(Text(line), highlight=False, soft_wrap=True)  # places are copied
    report(result.comparison, console)
    for line in remarks(result.coverage, bool(result.unknown), result.one_write):
        console.print(Text(line), highlight=False)
    first = result.comparison.first
    if first is not None:
        commands = {"To draw it": result.command}
        draw_why(first.case, result.variant, commands, result.likely, console)
