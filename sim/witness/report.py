"""The report of a comparison: the table, and the first wrong case bit by bit."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from ..cases.kinds import instruction_of
from ..cases.layout import WRITES
from ..cases.words import code_of, facts_of
from ..family.members import EVENTS
from ..family.status_byte import FLAG_BITS
from .comparison import FIELDS, FLAG_FIELDS, Comparison, Disagreement, Tally, differences, spelled

if TYPE_CHECKING:
    from rich.console import Console

# The report. Bits are written in fours, most significant first.


def _several(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def _bits(value: int, width: int) -> str:
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
    lines.append(_Line("p", 8, status.before, status.expected, status.actual, marks, flags))
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
    from rich.table import Table
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

    table = Table(box=None, padding=(0, 3, 0, 0), header_style="bold")
    table.add_column("instruction", no_wrap=True)
    for heading in ("cases", "wrong"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("fields, each with its count")
    right = Tally(0)
    agreeing = 0
    for name, share in comparison.instructions.items():
        if share.mismatches:
            fields = "  ".join(f"{field}:{count:,}" for field, count in share.fields.items())
            table.add_row(name, f"{share.cases:,}", f"{share.mismatches:,}", Text(fields))
        else:
            right = right.merge(share)
            agreeing += 1
    say("")
    console.print(table)
    if agreeing:
        verb = "agrees" if agreeing == 1 else "agree"
        say(f"{_several(agreeing, 'other')} {verb}, in {_several(right.cases, 'case')}.")
    if comparison.first is not None:
        say("")
        _report_first(comparison.first, comparison.skipped, console)


def _report_first(first: Disagreement, skipped: Collection[str], console: Console) -> None:
    from rich.table import Table
    from rich.text import Text

    name = instruction_of(first.case)
    at = f"at {first.case['pc']:04X}"
    head = f"entered {at}" if name in EVENTS else f"instruction {code_of(first.case)} {at}"
    facts = [head, *facts_of(first.case)]
    title = f"First wrong case: {name}, number {first.index:,} counted from 0"
    console.print(Text(title, style="bold"), highlight=False)
    for said in ("; ".join(facts), *first.outside.values()):
        console.print(Text(f"  {said}"), highlight=False)

    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("")
    table.add_column("", min_width=len("write_address"))  # many flags may wrap, the bits may not
    for heading in ("before", "expected", "actual"):
        table.add_column(heading, no_wrap=True)
    for line in _lines(first, skipped):
        digits = line.width // 4

        def number(value: int | None, line: _Line = line, digits: int = digits) -> str:
            if value is None or (line.label == "cycles" and value == 0):
                return "-"
            return str(value) if line.label in _DECIMAL else f"{value:0{digits}X}"

        texts = [Text(number(value)) for value in (line.expected, line.actual)]
        below = [Text(", ".join(line.wrong)), Text(""), Text(""), Text("")]
        if line.marks and line.label not in _DECIMAL:
            carets = _bits(line.marks, line.width).replace("0", " ").replace("1", "^")
            for i, value in enumerate((line.expected, line.actual)):
                bits = Text(_bits(value or 0, line.width))
                for place, mark in enumerate(carets):
                    if mark == "^":
                        bits.stylize("bold red", place, place + 1)
                texts[i] = Text.assemble(texts[i], "  ", bits)
                below[2 + i] = Text(" " * (digits + 2) + carets.rstrip(), style="red")
        elif line.wrong:
            below[3] = Text("^" * len(texts[1].plain), style="red")
        before = "" if line.before is None else number(line.before)
        table.add_row("!" if line.wrong else "", line.label, before, *texts)
        if line.wrong:
            table.add_row("", *below)
    console.print(table)


_DECIMAL: Final = ("writes", "cycles")
