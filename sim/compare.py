"""Comparison: what two witnesses say of the same cases, field by field, and its report."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np
import numpy.typing as npt

from .cases import CASE, FLAG_BITS, OUTCOME, Cases, Outcomes
from .isa import BY_MNEMONIC, BY_OPCODE, EVENTS

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "FIELDS",
    "Comparison",
    "Disagreement",
    "Tally",
    "Witness",
    "compare",
    "differences",
    "instruction_of",
    "plain",
    "report",
]

_FLAGS: Final = tuple(f"p.{name}" for name in FLAG_BITS)

#: What is compared of an outcome, each flag by itself. Bits 4 and 5 of `p` are no flags.
FIELDS: Final = (
    "pc", "a", "x", "y", "sp", *_FLAGS,
    "pushes", "pushed", "stores", "stored", "cycles", "push_address",
)  # fmt: skip

_CHUNK: Final = 1 << 14  # rows at a time: both sides and their difference stay in the cache
_WORDS: Final = OUTCOME.itemsize // 4  # an outcome is compared as whole words
_KEYS: Final = 256 * len(EVENTS)
_EVENT_NAMES: Final = EVENTS[1:]
_ORDER: Final = {name: i for i, name in enumerate((*BY_MNEMONIC, *_EVENT_NAMES))}


class Witness(Protocol):
    """Anything that answers cases."""

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case: an `OUTCOME` array of the same shape."""
        ...


@dataclass(frozen=True)
class Tally:
    """One instruction's share; `fields` has those that differ, in the order of `FIELDS`."""

    cases: int
    mismatches: int = 0
    fields: dict[str, int] = field(default_factory=dict)

    def merge(self, other: Tally) -> Tally:
        """The sum of the two."""
        return Tally(
            self.cases + other.cases,
            self.mismatches + other.mismatches,
            {
                name: self.fields.get(name, 0) + other.fields.get(name, 0)
                for name in FIELDS
                if name in self.fields or name in other.fields
            },
        )


@dataclass(frozen=True, eq=False)
class Disagreement:
    """One wrong case in full: its index among the cases compared, and 0-d structured arrays."""

    index: int
    case: Cases
    expected: Outcomes
    actual: Outcomes

    def _key(self) -> tuple[int, bytes, bytes, bytes]:
        return (
            self.index,
            self.case.tobytes(),
            self.expected.tobytes(),
            self.actual.tobytes(),
        )

    def __eq__(self, other: object) -> bool:
        """Whether all bytes are the same: NumPy's own comparison answers an array."""
        return isinstance(other, Disagreement) and self._key() == other._key()

    def __hash__(self) -> int:
        """Follows equality."""
        return hash(self._key())

    def after(self, cases: int) -> Disagreement:
        """The same one behind so many cases more."""
        return Disagreement(self.index + cases, self.case, self.expected, self.actual)


@dataclass(frozen=True)
class Comparison:
    """How many of how many cases differ, in which instructions and fields, and the first of them.

    `skipped` names the fields that were not compared at all; `uncounted` is the number of cases
    in which `cycles` was not, because one side did not count them. `Comparison()` has compared
    nothing.
    """

    cases: int = 0
    mismatches: int = 0
    instructions: dict[str, Tally] = field(default_factory=dict)
    first: Disagreement | None = None
    skipped: tuple[str, ...] = ()
    uncounted: int = 0

    @property
    def agree(self) -> bool:
        """Whether something was compared and nothing differs: comparing nothing never agrees."""
        return self.cases > 0 and self.mismatches == 0 and len(self.skipped) < len(FIELDS)

    def _repr_html_(self) -> str:
        """What a notebook shows: the verdict, and what differs in which instruction."""
        verdict = "agree" if self.agree else "disagree" if self.mismatches else "nothing compared"
        rows = ""
        for name, share in self.instructions.items():
            if share.mismatches:
                fields = " ".join(f"{field}:{count:,}" for field, count in share.fields.items())
                cells = (name, f"{share.cases:,}", f"{share.mismatches:,}", fields)
                rows += f"<tr>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>"
        head = "<tr><th>instruction</th><th>cases</th><th>wrong</th><th>fields</th></tr>"
        table = f"<table>{head}{rows}</table>" if rows else ""
        return f"<p>{verdict}: {self.mismatches:,} of {self.cases:,} cases differ</p>{table}"

    @classmethod
    def of(
        cls, cases: Cases, expected: Outcomes, actual: Outcomes, skip: Collection[str] = ()
    ) -> Comparison:
        """Compares outcomes already at hand; `skip` names fields, or "p" for all six flags.

        `pushed` and `push_address` count only in the first `pushes` entries expected, `stored`
        only where a store is expected, and `cycles` only where both sides counted them. Raises
        ValueError for an unknown field or event and for arrays of other lengths or layouts.
        """
        skipped = _skipped(skip)
        cases = _flat("cases", cases, CASE)
        expected = _flat("expected outcomes", expected, OUTCOME)
        actual = _flat("actual outcomes", actual, OUTCOME)
        count = len(cases)
        if not len(expected) == len(actual) == count:
            raise ValueError(
                f"{count} cases, but {len(expected)} expected and {len(actual)} actual outcomes"
            )
        keys = _keys(cases)
        wrong_by_key = np.zeros(_KEYS, np.int64)
        fields_by_key = {name: np.zeros(_KEYS, np.int64) for name in FIELDS if name not in skipped}
        first: int | None = None
        uncounted = 0
        masks = [_word_mask(skipped, min(count, _CHUNK))]
        masks.append(_word_mask({*skipped, "cycles"}, min(count, _CHUNK)))
        for start in range(0, count, _CHUNK):
            here = slice(start, start + _CHUNK)
            e, a = expected[here], actual[here]
            counted = int(np.count_nonzero((e["cycles"] != 0) & (a["cycles"] != 0)))
            uncounted += len(a) - counted
            differs = e.view("<u4") ^ a.view("<u4")
            # One that never counts clocks would otherwise have every row looked at closely.
            differs &= masks[counted == 0][: len(differs)]
            if not differs.any():
                continue
            rows = np.flatnonzero(differs) // _WORDS
            rows = rows[np.diff(rows, prepend=-1) > 0]
            found = differences(e[rows], a[rows], skipped)
            wrong = np.zeros(len(rows), np.bool_)
            near = keys[here][rows]
            for name, mask in found.items():
                if mask.any():
                    wrong |= mask
                    fields_by_key[name] += np.bincount(near[mask], minlength=_KEYS)
            if first is None and wrong.any():
                first = start + int(rows[wrong.argmax()])
            wrong_by_key += np.bincount(near[wrong], minlength=_KEYS)

        instructions: dict[str, Tally] = {}
        cases_by_key = np.bincount(keys, minlength=_KEYS)
        for key in np.flatnonzero(cases_by_key):
            share = Tally(
                int(cases_by_key[key]),
                int(wrong_by_key[key]),
                {name: int(by_key[key]) for name, by_key in fields_by_key.items() if by_key[key]},
            )
            name = _name(int(key))
            instructions[name] = instructions[name].merge(share) if name in instructions else share
        return cls(
            cases=count,
            mismatches=int(wrong_by_key.sum()),
            instructions=_in_order(instructions),
            first=None
            if first is None
            else Disagreement(
                first, *(_single(whole, first) for whole in (cases, expected, actual))
            ),
            skipped=skipped,
            uncounted=0 if "cycles" in skipped else uncounted,
        )

    def merge(self, other: Comparison) -> Comparison:
        """The comparison of this one's cases followed by the other's.

        Associative, with `Comparison()` as the neutral element, so parts may be merged in any
        grouping as long as they stay in order: a(bc) = (ab)c. Indices count on from this one's
        cases, and `first` is the one of the lower index. A field skipped by either is skipped.
        """
        first = self.first
        if first is None and other.first is not None:
            first = other.first.after(self.cases)
        instructions = dict(self.instructions)
        for name, share in other.instructions.items():
            instructions[name] = instructions[name].merge(share) if name in instructions else share
        return Comparison(
            self.cases + other.cases,
            self.mismatches + other.mismatches,
            _in_order(instructions),
            first,
            _skipped({*self.skipped, *other.skipped}),
            self.uncounted + other.uncounted,
        )

    def to_json(self) -> dict[str, Any]:
        """The same as plain dictionaries, lists and numbers."""
        return {
            "agree": self.agree,
            "cases": self.cases,
            "mismatches": self.mismatches,
            "skipped": list(self.skipped),
            "uncounted": self.uncounted,
            "instructions": {
                name: {
                    "cases": share.cases,
                    "mismatches": share.mismatches,
                    "fields": dict(share.fields),
                }
                for name, share in self.instructions.items()
            },
            "first": None
            if self.first is None
            else {
                "index": self.first.index,
                "case": plain(self.first.case),
                "expected": plain(self.first.expected),
                "actual": plain(self.first.actual),
            },
        }


def compare(
    reference: Witness,
    subject: Witness,
    cases: Cases,
    *,
    skip: Collection[str] = (),
    batch: int = 1 << 20,
    progress: Callable[[int], object] | None = None,
) -> Comparison:
    """Puts the same cases to both, `batch` at a time, and compares what they say.

    `progress` is told after each batch how many cases are done. See `Comparison.of` for `skip`
    and for what is raised.
    """
    cases = _flat("cases", cases, CASE)
    total = Comparison(skipped=_skipped(skip))
    for start in range(0, len(cases), batch):
        part = cases[start : start + batch]
        answers = reference.execute(part), subject.execute(part)
        total = total.merge(Comparison.of(part, *answers, skip))
        if progress is not None:
            progress(total.cases)
    return total


def differences(
    expected: Outcomes, actual: Outcomes, skip: Collection[str] = ()
) -> dict[str, npt.NDArray[np.bool_]]:
    """For each field compared, in which rows of two one-dimensional arrays it differs."""
    skipped = _skipped(skip)
    flipped = expected["p"] ^ actual["p"]
    found: dict[str, npt.NDArray[np.bool_]] = {}
    for name in FIELDS:
        if name in skipped:
            continue
        if name in _FLAGS:
            found[name] = flipped & (1 << FLAG_BITS[name[-1]]) != 0
            continue
        e, a = expected[name], actual[name]
        if name in ("pushed", "push_address"):
            mask = np.zeros(len(expected), np.bool_)
            for i in range(e.shape[1]):
                mask |= (e[:, i] != a[:, i]) & (expected["pushes"] > i)
        elif name == "stored":
            mask = (e != a) & (expected["stores"] != 0)
        elif name == "cycles":
            mask = (e != a) & (e != 0) & (a != 0)
        else:
            mask = e != a
        found[name] = mask
    return found


def instruction_of(case: Cases) -> str:
    """What one case counts as: a mnemonic, "IRQ", "NMI" or "RESET"; a masked IRQ is no IRQ."""
    return _name(int(_keys(np.asarray(case).reshape(1))[0]))


def plain(record: Cases | Outcomes) -> dict[str, int | list[int]]:
    """One case or outcome as numbers and lists by field name: the keys of the JSON Lines."""
    return {name: record[name].tolist() for name in record.dtype.names or ()}


def _skipped(skip: Collection[str]) -> tuple[str, ...]:
    """The names in order, "p" spelled out."""
    for name in skip:
        if name not in FIELDS and name != "p":
            raise ValueError(f"field {name!r}: expected one of p, {', '.join(FIELDS)}")
    return tuple(name for name in FIELDS if name in skip or (name in _FLAGS and "p" in skip))


def _flat(what: str, records: npt.NDArray[np.void], layout: np.dtype[np.void]) -> Any:
    records = np.asarray(records)
    if records.dtype != layout:
        kind = "CASE" if layout == CASE else "OUTCOME"
        raise ValueError(f"{what}: expected the {kind} layout, not {records.dtype}")
    return np.ascontiguousarray(records.reshape(-1))


def _single(records: npt.NDArray[np.void], index: int) -> npt.NDArray[np.void]:
    """A copy, lest one record keep millions alive."""
    return records[index : index + 1].reshape(()).copy()


def _keys(cases: Cases) -> npt.NDArray[np.uint16]:
    """The opcode of an instruction, 256 times the event of an entry."""
    event = cases["event"]
    if len(event) and event.max() >= len(EVENTS):
        raise ValueError(f"event {event.max()}: expected 0 to {len(EVENTS) - 1}")
    happens = (event > 1) | ((event == 1) & (cases["p"] & 4 == 0))
    keys: npt.NDArray[np.uint16] = np.where(
        happens, event.astype(np.uint16) << 8, cases["bytes"][:, 0]
    )
    return keys


def _name(key: int) -> str:
    if key > 255:
        return EVENTS[key >> 8]
    return BY_OPCODE[key].mnemonic if key in BY_OPCODE else f"{key:02X}"


def _in_order(instructions: dict[str, Tally]) -> dict[str, Tally]:
    """Mnemonics by the alphabet, then the events: the same however the parts were merged."""
    names = sorted(instructions, key=lambda name: (_ORDER.get(name, len(_ORDER)), name))
    return {name: instructions[name] for name in names}


def _word_mask(skipped: Collection[str], rows: int) -> npt.NDArray[np.uint32]:
    """Ones where a bit of an outcome is compared, for so many rows."""
    record = np.full(OUTCOME.itemsize, 0xFF, np.uint8).view(OUTCOME)
    record["p"] = sum(1 << bit for name, bit in FLAG_BITS.items() if f"p.{name}" not in skipped)
    for name in skipped:
        if name not in _FLAGS:
            record[name] = 0
    return np.tile(record.view("<u4"), rows)


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
    wrong = {name for name, mask in found.items() if mask[0]}
    case, expected, actual = (
        plain(record) for record in (first.case, first.expected, first.actual)
    )

    def line(label: str, name: str, width: int, place: int | None = None) -> _Line:
        values = [record[name] for record in (expected, actual)]
        chosen = [value[place or 0] if isinstance(value, list) else value for value in values]
        marks = chosen[0] ^ chosen[1] if name in wrong else 0
        before = case.get(name)
        return _Line(
            label, width, before if isinstance(before, int) else None, chosen[0], chosen[1], marks,
            (name,) if marks else (),
        )  # fmt: skip

    lines = [line("pc", "pc", 16), *(line(name, name, 8) for name in ("a", "x", "y", "sp"))]
    flags = tuple(name for name in _FLAGS if name in wrong)
    status = line("p", "p", 8)
    marks = sum(1 << FLAG_BITS[name[-1]] for name in flags)
    lines.append(_Line("p", 8, status.before, status.expected, status.actual, marks, flags))
    counts = [int(record["pushes"]) for record in (first.expected, first.actual)]
    if any(counts):
        lines.append(line("pushes", "pushes", 8))
    for i in range(min(max(counts), 3)):
        for label, name, width in (("byte", "pushed", 8), ("at", "push_address", 16)):
            entry = line(f"push {i + 1} {label}", name, width, i)
            if i >= counts[0]:  # nothing to compare with: `pushes` tells it
                entry = _Line(entry.label, width, None, None, entry.actual)
            elif i >= counts[1]:
                entry = _Line(entry.label, width, None, entry.expected, None, 0, entry.wrong)
            lines.append(entry)
    if expected["stores"] or actual["stores"]:
        lines += [line("stores", "stores", 8), line("stored", "stored", 8)]
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
    case = plain(first.case)
    code = " ".join(f"{byte:02X}" for byte in first.case["bytes"][: first.case["length"]])
    facts = [f"instruction {code} at {case['pc']:04X}"]
    entry = None if name in EVENTS else BY_OPCODE.get(int(first.case["bytes"][0]))
    if name in EVENTS:
        facts = [f"entered at {case['pc']:04X}"]
    elif entry is not None and entry.access:
        facts.append(f"operand {case['operand']:02X} at {case['address']:04X}")
    if name in ("PLA", "PLP", "RTS", "RTI"):
        facts.append(f"above SP {' '.join(f'{byte:02X}' for byte in first.case['pulled'])}")
    if name in EVENTS or name == "BRK":
        facts.append(f"vector {case['vector']:04X}")
    title = f"First wrong case: {name}, number {first.index:,} counted from 0"
    console.print(Text(title, style="bold"), highlight=False)
    console.print(Text("  " + "; ".join(facts)), highlight=False)

    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("")
    table.add_column("", min_width=len("push_address"))  # many flags may wrap, the bits may not
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
                for at, mark in enumerate(carets):
                    if mark == "^":
                        bits.stylize("bold red", at, at + 1)
                texts[i] = Text.assemble(texts[i], "  ", bits)
                below[2 + i] = Text(" " * (digits + 2) + carets.rstrip(), style="red")
        elif line.wrong:
            below[3] = Text("^" * len(texts[1].plain), style="red")
        before = "" if line.before is None else number(line.before)
        table.add_row("!" if line.wrong else "", line.label, before, *texts)
        if line.wrong:
            table.add_row("", *below)
    console.print(table)


_DECIMAL: Final = ("pushes", "stores", "cycles")
