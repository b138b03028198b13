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
from .memory import Memory
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
    memory: Memory
    first_contradiction: str | None  # the place of the row that read something else
    recalled: dict[str, int]  # of how many rows memory told what was not recorded
    examples: npt.NDArray[np.void] = field(repr=False, compare=False)  # of the wrong instructions

    @property
    def agree(self) -> bool:
        """Whether rows were compared, none differs, and memory does not contradict itself.

        Rows that are unchecked may be wrong.
        """
        return self.comparison.agree and not self.memory.wrong

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
        if self.comparison.agree:
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
        del found["agree"]
        return {
            **{name: getattr(self, name) for name in told},
            "memory": self.memory.to_json(),
            "first_contradiction": self.first_contradiction,
            "recalled": self.recalled,
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
    if result.recalled:
        listed = ", ".join(f"{what} of {rows:,} rows" for what, rows in result.recalled.items())
        lines.append(f"Not recorded, but shown by memory before: {listed}.")
    lines += _memory_lines(result)
    for line in lines:
        console.print(Text(line), highlight=False, soft_wrap=True)  # places are copied
    report(result.comparison, console)
    for line in remarks(result.coverage, bool(result.unknown), result.one_write):
        console.print(Text(line), highlight=False)
    first = result.comparison.first
    if first is not None:
        commands = {"To draw it": result.command}
        draw_why(first.case, result.variant, commands, result.likely, console)


def _memory_lines(result: TraceReport) -> list[str]:
    """How many bytes were read where it was known what was there, and which were not that."""
    memory = result.memory
    if not memory.wrong:
        if not memory.compared:
            return ["Memory: no byte was read where it was known what was there."]
        return [f"Memory: {memory.compared:,} bytes read, each what was there before."]
    lines = [
        f"Memory disagrees: {memory.wrong:,} of {memory.compared:,} bytes read"
        " are not what was there before. Rows counted from 0:"
    ]
    lines += [f"  {one}" for one in memory.contradictions]
    if memory.wrong > len(memory.contradictions):
        lines.append(f"  and {memory.wrong - len(memory.contradictions):,} more")
    lines.append(f"The first row that read another byte: {result.first_contradiction}.")
    lines.append("Where there is no memory, but a device, or ROM that is written to: --devices.")
    return lines
