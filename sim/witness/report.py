"""The report of a comparison: the table, and the first wrong case bit by bit."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from ..cases.kinds import code_of, facts_of, instruction_of
from ..cases.layout import WRITES
from ..family.members import EVENTS
from ..family.status_byte import ALWAYS, FLAG_BITS
from ..system.tables import plain_table
from .comparison import FIELDS, FLAG_FIELDS, Comparison, Disagreement, differences, spelled

if TYPE_CHECKING:
    from rich.console import Console

_DECIMAL: Final = ("writes", "cycles")


def _several(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def _bits(value: int, width: int) -> str:
    """In fours, the most significant first."""
    digits = f"{value:0{width}b}"
    return " ".join(digits[i : i + 4] for i in range(0, width, 4))


@dataclass(frozen=True)
class _Line:
    """One value of the first wrong case; `marks` has a 1 for every bit that counts as wrong."""

    label: str
    width: int
    before: int | None
    expected: int | None
    actual: int | None
    marks: int = 0
    wrong: tuple[str, ...] = ()

    def shown(self, value: int | None) -> str:
        """One of the values as a number."""
        if value is None or (self.label == "cycles" and value == 0):
            return "-"
        return str(value) if self.label in _DECIMAL else f"{value:0{self.width // 4}X}"


def _lines(first: Disagreement, skipped: Collection[str]) -> list[_Line]:
    found = differences(first.expected.reshape(1), first.actual.reshape(1), skipped)
    outside = {name for given in first.outside for name in spelled(given)} - set(skipped)
    wrong = {name for name, mask in found.items() if mask[0] or name in outside}
    case, expected, actual = (
        {name: record[name].tolist() for name in record.dtype.names or ()}
        for record in (first.case, first.expected, first.actual)
    )

    def line(label: str, name: str, width: int, place: int | None = None) -> _Line:
        values = [record[name] for record in (expected, actual)]
        chosen = [value[place or 0] if isinstance(value, list) else value for value in values]
        marks = chosen[0] ^ chosen[1] if name in wrong else 0
        before = case.get(name)
        return _Line(
            label, width, before if isinstance(before, int) else None, chosen[0], chosen[1], marks,
            (name,) if marks or name in outside else (),
        )  # fmt: skip

    lines = [line("pc", "pc", 16), *(line(name, name, 8) for name in ("a", "x", "y", "sp"))]
    flags = tuple(name for name in FLAG_FIELDS if name in wrong)
    status = line("p", "p", 8)
    marks = sum(1 << FLAG_BITS[name[-1]] for name in flags)
    # Bits 4 and 5 are not compared: P has none.
    before, expected_p, actual_p = (
        value if value is None else value | ALWAYS
        for value in (status.before, status.expected, status.actual)
    )
    lines.append(_Line("p", 8, before, expected_p, actual_p, marks, flags))
    counts = [int(record["writes"]) for record in (first.expected, first.actual)]
    if any(counts):
        lines.append(line("writes", "writes", 8))
    for i in range(min(max(counts), WRITES)):
        for label, name, width in (("byte", "write_value", 8), ("at", "write_address", 16)):
            each = line(f"write {i + 1} {label}", name, width, i)
            if i >= counts[0]:  # nothing to compare with: `writes` tells it
                each = _Line(each.label, width, None, None, each.actual)
            elif i >= counts[1]:
                each = _Line(each.label, width, None, each.expected, None, 0, each.wrong)
            lines.append(each)
    lines.append(line("cycles", "cycles", 8))
    return lines


def report(comparison: Comparison, console: Console) -> None:
    """Prints what differs, and the first wrong case in full, with its wrong bits marked.

    Wrong lines begin with "!" and wrong bits have carets below: colour only repeats it.
    """
    from rich.text import Text

    def say(text: str) -> None:
        console.print(Text(text), highlight=False)

    total = _several(comparison.cases, "case")
    if comparison.cases == 0 or len(comparison.skipped) == len(FIELDS):
        say("Nothing was compared.")
    elif comparison.agree:
        say(f"Agree: {total} of {_several(len(comparison.instructions), 'instruction')}.")
    else:
        say(f"Disagree: {comparison.mismatches:,} of {total}.")
    if comparison.skipped:
        say(f"Not compared: {', '.join(comparison.skipped)}.")
    if comparison.uncounted:
        say(f"Cycles not counted in {_several(comparison.uncounted, 'case')}.")
    if not comparison.mismatches:
        return

    last = "fields, each with its count"
    table = plain_table("instruction", ">cases", ">wrong", last, gap=3, folds=[last])
    agreeing = []
    for name, share in comparison.instructions.items():
        if share.mismatches:
            fields = "  ".join(f"{field}:{count:,}" for field, count in share.fields.items())
            table.add_row(name, f"{share.cases:,}", f"{share.mismatches:,}", Text(fields))
        else:
            agreeing.append(share.cases)
    say("")
    console.print(table)
    if agreeing:
        verb = "agrees" if len(agreeing) == 1 else "agree"
        say(f"{_several(len(agreeing), 'other')} {verb}, in {_several(sum(agreeing), 'case')}.")
    if comparison.first is not None:
        say("")
        _report_first(comparison.first, comparison.skipped, console)


def _report_first(first: Disagreement, skipped: Collection[str], console: Console) -> None:
    from rich.text import Text

    name = instruction_of(first.case)
    at = f"at {first.case['pc']:04X}"
    head = f"entered {at}" if name in EVENTS else f"instruction {code_of(first.case)} {at}"
    facts = [head, *facts_of(first.case)]
    title = f"First wrong case: {name}, number {first.index:,} counted from 0"
    console.print(Text(title, style="bold"), highlight=False)
    for said in ("; ".join(facts), *first.outside.values()):
        console.print(Text(f"  {said}"), highlight=False)

    table = plain_table("", "", "before", "expected", "actual", folds=[""])
    table.columns[1].min_width = len("write_address")  # many flags may wrap, the bits may not
    for line in _lines(first, skipped):
        texts = [Text(line.shown(value)) for value in (line.expected, line.actual)]
        below = [Text(", ".join(line.wrong)), Text(""), Text(""), Text("")]
        if line.marks and line.label not in _DECIMAL:
            carets = _bits(line.marks, line.width).replace("0", " ").replace("1", "^")
            for i, value in enumerate((line.expected, line.actual)):
                bits = Text(_bits(value or 0, line.width))
                for place, mark in enumerate(carets):
                    if mark == "^":
                        bits.stylize("bold red", place, place + 1)
                texts[i] = Text.assemble(texts[i], "  ", bits)
                below[2 + i] = Text(" " * (line.width // 4 + 2) + carets.rstrip(), style="red")
        elif line.wrong:
            below[3] = Text("^" * len(texts[1].plain), style="red")
        before = "" if line.before is None else line.shown(line.before)
        table.add_row("!" if line.wrong else "", line.label, before, *texts)
        if line.wrong:
            table.add_row("", *below)
    console.print(table)
