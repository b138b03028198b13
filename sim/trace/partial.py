"""A recorded trace as a witness: one row per executed instruction, with the state before it.

The next row's state is what the instruction left. What is not recorded is not compared, and never
guessed. Pieces of a trace are checked apart and merged, in this process or anywhere.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.kinds import instruction_of
from ..cases.layout import CASE, OUTCOME, Cases, Outcomes, unnamed
from ..family.instructions import BY_OPCODE, bus_activity
from ..family.members import EVENTS, VARIANTS
from ..op.commands import operation_command
from ..system.workers import WorkerError, processors, workers
from ..witness.comparison import FIELDS, Comparison, differences
from ..witness.gates import Gates
from .formats import Block, Columns, Part, TraceError, parts_of, place, read_part

if TYPE_CHECKING:
    from ..diagnose.diagnosis import Cause

__all__ = ["COLUMNS", "EXAMPLES", "Partial", "TraceReport", "check_part", "compare_trace"]

_STATE: Final = ("pc", "a", "x", "y", "sp", "p")
TRIPLES: Final = {
    name: (f"{name}_0", f"{name}_1", f"{name}_2")
    for name in ("bytes", "pulled", "pushed", "push_address")
}
_READ: Final = ("bytes_1", "bytes_2", "operand", "vector", *TRIPLES["pulled"])
_WRITTEN: Final = ("pushes", "pushed", "stores", "stored", "cycles", "push_address")
_WIDE: Final = ("pc", "vector", *TRIPLES["push_address"])
_REQUIRED: Final = (*_STATE, "bytes_0")

#: The columns of a trace and the largest value of each: the fields of `CASE` and `OUTCOME`, a list
#: of three as three columns. `pc` to `bytes_0` must be there. Rows of another `run` do not follow.
COLUMNS: Final = {
    **dict.fromkeys((*_REQUIRED, *_READ), 255),
    **{"event": len(EVENTS) - 1, "run": 2**32 - 1},
    **{one: 255 for name in _WRITTEN for one in TRIPLES.get(name, (name,))},
    **dict.fromkeys(_WIDE, 65535),
}

#: Wrong rows of an instruction, and right ones, that are kept for a diagnosis: so many at most.
EXAMPLES: Final = 1000
_EXAMPLE: Final = np.dtype(
    [("case", CASE), ("expected", OUTCOME), ("actual", OUTCOME), ("wrong", "?")]
)
Examples = dict[str, npt.NDArray[np.void]]

# Why a row cannot be checked, a bit each: an opcode without a table, or a column that its clocks
# read and that is not there. A key is an opcode, or 256 times an event.
_UNDOCUMENTED: Final = "undocumented opcode"
_LACKS: Final = (_UNDOCUMENTED, *_READ)
_BIT: Final = {name: np.uint8(1 << i) for i, name in enumerate(_LACKS)}
_KEYS: Final = 256 * len(EVENTS)


def _needs(key: int) -> int:
    """What the published clocks of an opcode or event read, as bits of `_LACKS`."""
    entry = BY_OPCODE.get(key)
    if key < 256 and entry is None:
        return 1
    needed, code = set(), 0
    name, mode = (entry.mnemonic, entry.mode) if entry else (EVENTS[key >> 8], "")
    for kind, where, byte in bus_activity(name, mode):
        if where == "n" and byte != "d":
            code += 1
            needed.add(f"bytes_{code}")
        elif kind == "R" and where == "ea":
            needed.add("operand")
        elif kind == "R" and where.startswith("s+"):
            needed.add(f"pulled_{int(where[2:]) - 1}")
        elif where.startswith("F"):
            needed.add("vector")
    return sum(int(_BIT[name]) for name in needed)


_NEEDS: Final = np.array([_needs(key) for key in range(_KEYS)], np.uint8)
_ENTRIES: Final = [BY_OPCODE.get(key) for key in range(_KEYS)]
_LENGTH: Final = np.array([entry.length if entry else 0 for entry in _ENTRIES], np.uint8)
_ADDRESSED: Final = np.array([bool(entry and entry.access) for entry in _ENTRIES])
_NAME: Final = [
    EVENTS[key >> 8] if key > 255 else entry.mnemonic if entry else f"{key:02X}"
    for key, entry in enumerate(_ENTRIES)
]


@dataclass(frozen=True)
class _Row:
    """The first or last row of a piece, in bytes: cheap to send and to compare."""

    case: bytes
    run: int
    key: int
    lacks: int
    written: bytes  # the outcome as far as the row itself tells it
    expected: bytes


@dataclass(frozen=True, eq=False)
class Partial:
    """What a piece of a trace has shown; pieces in order merge into the whole.

    Its last row, `tail`, waits for the first row of the next piece, `head` there. `Partial()` has
    seen nothing. Rows are counted from 0 through all `files`, of which each has its number of rows.
    """

    comparison: Comparison = field(default_factory=Comparison)
    files: tuple[tuple[str, int], ...] = ()
    columns: frozenset[str] = frozenset()
    unchecked: Counter[tuple[str, str]] = field(default_factory=Counter)  # why, which instruction
    unpaired: int = 0
    first_wrong: int | None = None
    first_undocumented: int | None = None
    examples: Examples = field(default_factory=dict)
    head: _Row | None = None
    tail: _Row | None = None

    @property
    def rows(self) -> int:
        """How many rows it has seen."""
        return sum(rows for _, rows in self.files)

    def merge(self, other: Partial) -> Partial:
        """This piece followed by the other, and the pair of rows where they meet.

        Associative, with `Partial()` as the neutral element: pieces may be merged in any grouping
        as long as they stay in order. Raises TraceError if they have not the same columns.
        """
        if self.columns and other.columns and self.columns != other.columns:
            odd = ", ".join(sorted(self.columns ^ other.columns))
            here, there = self.files[-1][0], other.files[0][0]
            raise TraceError(f"{there}: not the columns that {here} has: only one has {odd}")
        if self.tail is None or other.head is None:
            return self._followed_by(other)
        return self._followed_by(self._seam(self.tail, other.head))._followed_by(other)

    def _seam(self, last: _Row, following: _Row) -> Partial:
        """What the last row and another one after it tell; its row is this piece's last, -1."""
        if last.run != following.run:
            return Partial(unpaired=1)
        if last.lacks:
            why = _why(last.lacks)
            odd = -1 if why == _UNDOCUMENTED else None
            return Partial(unchecked=Counter({(why, _NAME[last.key]): 1}), first_undocumented=odd)
        case, after = (np.frombuffer(row.case, CASE) for row in (last, following))
        expected = np.frombuffer(last.expected, OUTCOME)
        actual = np.frombuffer(last.written, OUTCOME).copy()
        for name in _STATE:
            actual[name] = after[name]
        comparison = Comparison.of(case, expected, actual, self.comparison.skipped)
        wrong = -1 if comparison.mismatches else None
        examples = _examples(comparison, np.array([last.key]), case, expected, actual)
        return Partial(comparison, first_wrong=wrong, examples=examples)

    def _followed_by(self, other: Partial) -> Partial:
        """Both, without the seam."""
        files = [*self.files]
        for path, rows in other.files:
            if files and files[-1][0] == path:
                rows += files.pop()[1]
            files.append((path, rows))
        examples = dict(self.examples)
        for name, more in other.examples.items():
            both = [unnamed(one) for one in (examples.get(name), more) if one is not None]
            examples[name] = _few(np.concatenate(both).view(_EXAMPLE))

        def first(mine: int | None, its: int | None) -> int | None:
            return mine if mine is not None or its is None else self.rows + its

        return Partial(
            self.comparison.merge(other.comparison),
            tuple(files),
            self.columns or other.columns,
            self.unchecked + other.unchecked,
            self.unpaired + other.unpaired,
            first(self.first_wrong, other.first_wrong),
            first(self.first_undocumented, other.first_undocumented),
            examples,
            self.head or other.head,
            other.tail or self.tail,
        )

    def report(self, variant: str = "nmos") -> TraceReport:
        """The report of a whole trace, whose last row nothing follows.

        Raises TraceError if no row could be compared: that is no agreement.
        """
        unchecked, unpaired = _by_reason(self.unchecked), self.unpaired + (self.tail is not None)
        comparison, first = self.comparison, self.comparison.first
        if not comparison.cases or len(comparison.skipped) == len(FIELDS):
            reasons = [
                f"{reason_text(why)} {sum(shares.values()):,} ({', '.join(shares)})"
                for why, shares in unchecked.items()
            ]
            reasons += [f"without a next row {unpaired:,}"] if unpaired else ["no rows"]
            told = "every field is skipped" if comparison.cases else "; ".join(reasons)
            name = self.files[0][0] if self.files else "trace"
            raise TraceError(f"{name}: nothing could be compared: {told}")
        if first is not None and self.first_wrong is not None:
            comparison = replace(comparison, first=replace(first, index=self.first_wrong))
        return TraceReport(
            variant,
            comparison,
            self.rows,
            unpaired,
            unchecked,
            tuple(name for name in COLUMNS if name not in self.columns),
            self._place(self.first_wrong),
            self._place(self.first_undocumented),
            np.concatenate(
                [unnamed(one) for one in (np.zeros(0, _EXAMPLE), *self.examples.values())]
            ).view(_EXAMPLE),
        )

    def _place(self, row: int | None) -> str | None:
        if row is None:
            return None
        files = iter(self.files)
        path, rows = next(files)
        while row >= rows:
            row -= rows
            path, rows = next(files)
        return place(path, row)


@dataclass(frozen=True)
class TraceReport:
    """What a trace has shown. Each row is compared, or cannot be checked, or has no next row."""

    variant: str
    comparison: Comparison  # its cases are the rows compared; the `index` of the first is its row
    rows: int
    unpaired: int  # the last rows of runs
    unchecked: dict[str, dict[str, int]]  # by the column they lack, by instruction
    missing: tuple[str, ...]  # columns that the trace does not have
    first_wrong: str | None  # its file and line, or row
    first_undocumented: str | None
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
    def command(self) -> str | None:
        """What draws the first wrong case; None for an event."""
        first = self.comparison.first
        return None if first is None else operation_command(first.case, self.variant)

    def to_json(self) -> dict[str, Any]:
        """The same as plain dictionaries, lists and numbers."""
        told = ("agree", "variant", "rows", "unpaired", "unchecked")
        found = self.comparison.to_json()
        if self.comparison.first is not None:
            name = instruction_of(self.comparison.first.case)
            found["first"] |= {"instruction": name, "command": self.command}
        return {
            **{name: getattr(self, name) for name in told},
            "missing": list(self.missing),
            "first_wrong": self.first_wrong,
            "first_undocumented": self.first_undocumented,
            **found,
            "likely": [cause.to_json() for cause in self.likely],
        }


def compare_trace(
    path: str | os.PathLike[str],
    variant: str = "nmos",
    *,
    columns: Mapping[str, str] | None = None,
    hex: bool = False,
    skip: Collection[str] = (),
    processes: int | None = None,
    progress: Callable[[int], object] | None = None,
) -> TraceReport:
    """Puts every row of a trace to the gates: a .csv, .jsonl or .parquet file, a folder of parts.

    `columns` maps names of `COLUMNS` to the file's own; `hex` reads digits without a prefix as
    hexadecimal; `skip` names fields that are not compared. `processes` is by default as many as
    processors, or one if there is little to do; they import the caller's main module, as always
    with `multiprocessing`. `progress` is told how many of `parts_of` are done. Raises TraceError,
    NetlistError if the netlist cannot be made, ValueError for an unknown variant or field.
    """
    parts = parts_of(path)
    if processes is None:
        processes = min(len(parts), processors()) if len(parts) > 2 else 1
    total, merged, waiting = Partial(), 0, dict[int, Partial | TraceError]()
    asked = variant, dict(columns or {}), hex, tuple(skip)
    try:
        with workers(processes) as work:
            tasks = ((_check_numbered, i, part, *asked) for i, part in enumerate(parts))
            for done, (i, answer) in enumerate(work(tasks), 1):
                waiting[i] = answer
                while merged in waiting:
                    following = waiting.pop(merged)
                    if isinstance(following, TraceError):
                        raise following
                    total, merged = total.merge(following), merged + 1
                if progress is not None:
                    progress(done)
    except WorkerError as error:
        raise TraceError(f"{os.fspath(path)}: {error}") from None
    return total.report(variant)


def check_part(
    part: Part | str | os.PathLike[str],
    variant: str = "nmos",
    *,
    columns: Mapping[str, str] | None = None,
    hex: bool = False,
    skip: Collection[str] = (),
) -> Partial:
    """Checks one of `parts_of` a trace, or one file of it, as a stream in constant memory.

    It is there for whatever distributes work: `reduce(Partial.merge, partials).report(variant)`,
    the partials in the order of the parts, is what `compare_trace` returns. Takes and raises the
    same.
    """
    if variant not in VARIANTS:
        raise ValueError(f"variant {variant!r}: expected one of {', '.join(VARIANTS)}")
    words = {"event": tuple(name.lower() for name in EVENTS)}
    asked = Columns(COLUMNS, TRIPLES, _REQUIRED, words, columns or {}, hex)
    gates, total = Gates(variant), Partial(Comparison.of(*_NOTHING, skip))
    for one in [part] if isinstance(part, Part) else parts_of(part):
        total = total.merge(Partial(files=((one.path, 0),)))
        for block in read_part(one, asked):
            if block.rows:
                total = total.merge(_check_block(block, one.path, skip, gates))
    return total


# Judging


_NOTHING: Final = (np.zeros(0, CASE), np.zeros(0, OUTCOME), np.zeros(0, OUTCOME))


def _check_numbered(
    number: int, part: Part, variant: str, columns: dict[str, str], hexadecimal: bool,
    skip: tuple[str, ...],
) -> tuple[int, Partial | TraceError]:  # fmt: skip
    """What a process does: of all errors the one of the first part is told, not the first found."""
    try:
        return number, check_part(part, variant, columns=columns, hex=hexadecimal, skip=skip)
    except TraceError as error:
        return number, error


def _why(lacks: int) -> str:
    return _LACKS[(lacks & -lacks).bit_length() - 1]


def reason_text(why: str) -> str:
    return why if why == _UNDOCUMENTED else f"without {why}"


def _by_reason(unchecked: Mapping[tuple[str, str], int]) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for why, name in sorted(unchecked, key=lambda both: (_LACKS.index(both[0]), both[1])):
        found.setdefault(why, {})[name] = unchecked[why, name]
    return found


def _check_block(block: Block, path: str, skip: Collection[str], gates: Gates) -> Partial:
    rows, values = block.rows, block.values
    cases, key = _cases(block)
    lacks = _NEEDS[key] & ~_known(block)
    written = np.zeros(rows, OUTCOME)
    absent = {*skip}
    for name in _WRITTEN:
        three = TRIPLES.get(name, (name,))
        if not all(one in values for one in three):
            absent.add(name)
        elif len(three) == 1:
            written[name] = values[name]
        else:
            for i, one in enumerate(three):
                written[name][:, i] = values[one]
    expected = np.zeros(rows, OUTCOME)
    checked = np.flatnonzero(lacks == 0)
    if len(checked) == rows:
        expected = gates.execute(cases)
    elif len(checked):
        unnamed(expected)[checked] = unnamed(gates.execute(_taken(cases, checked)))
    run = values.get("run", np.zeros(rows, np.uint32))

    def row(at: int) -> _Row:
        records = (record[at].tobytes() for record in (cases, written, expected))
        case, *outcomes = records
        return _Row(case, int(run[at]), int(key[at]), int(lacks[at]), *outcomes)

    head, tail = row(0), row(-1)
    actual = written[:-1]
    for name in _STATE:
        actual[name] = cases[name][1:]
    paired = run[1:] == run[:-1]
    chosen = np.flatnonzero(paired & (lacks[:-1] == 0))
    sides = [cases[:-1], expected[:-1], actual]
    if len(chosen) < rows - 1:
        sides = [_taken(side, chosen) for side in sides]
    comparison = Comparison.of(sides[0], sides[1], sides[2], absent)
    first = None if comparison.first is None else int(chosen[comparison.first.index])

    left = np.flatnonzero(paired & (lacks[:-1] != 0))
    odd = left[lacks[left] & 1 > 0]
    unchecked: Counter[tuple[str, str]] = Counter()
    reasons = lacks[left].astype(np.uint32) << 16 | key[left]
    for reason, count in zip(*np.unique(reasons, return_counts=True), strict=True):
        unchecked[_why(int(reason) >> 16), _NAME[int(reason) & 0xFFFF]] += int(count)
    return Partial(
        comparison, ((path, rows),), frozenset(values), unchecked,
        int(np.count_nonzero(~paired)), first, int(odd[0]) if len(odd) else None,
        _examples(comparison, key[chosen], sides[0], sides[1], sides[2]), head, tail,
    )  # fmt: skip


def _cases(block: Block) -> tuple[Cases, npt.NDArray[np.uint16]]:
    """Each row's case, where what it does not read is 0, and its key."""
    values = block.values
    cases = np.zeros(block.rows, CASE)
    for name in (*_STATE, "event"):
        if name in values:
            cases[name] = values[name]
    entered = (cases["event"] > 1) | ((cases["event"] == 1) & (cases["p"] & 4 == 0))
    for name, where in block.empty.items():
        needless = entered if name == "bytes_0" else False
        if name in (*_REQUIRED, "run") and (where & ~needless).any():
            raise TraceError(f"{block.place(int((where & ~needless).argmax()))}: no {name}")
    opcode = np.where(entered, 0, values["bytes_0"])
    key = opcode | np.where(entered, cases["event"], 0).astype(np.uint16) << 8
    needs = _NEEDS[key]

    def read(name: str) -> Any:
        return values[name] * (needs & _BIT[name] > 0) if name in values else 0

    code = cases["bytes"]
    code[:, 0], code[:, 1], code[:, 2] = opcode, read("bytes_1"), read("bytes_2")
    for i, name in enumerate(TRIPLES["pulled"]):
        cases["pulled"][:, i] = read(name)
    cases["operand"], cases["vector"] = read("operand"), read("vector")
    cases["length"] = _LENGTH[key]
    cases["address"] = (code[:, 1] | code[:, 2].astype(np.uint16) << 8) * _ADDRESSED[key]
    return cases, key


def _known(block: Block) -> Any:
    """What of `_LACKS` is at hand, as bits: one number, or one for each row."""
    known: Any = np.uint8(0)
    for name in _READ:
        if name in block.empty:
            known = known | _BIT[name] * ~block.empty[name]
        elif name in block.values:
            known = known | _BIT[name]
    return known


def _taken(records: npt.NDArray[np.void], rows: npt.NDArray[np.int64]) -> npt.NDArray[np.void]:
    return unnamed(records).take(rows).view(records.dtype)


def _examples(
    comparison: Comparison, key: npt.NDArray[Any], cases: Cases, expected: Outcomes,
    actual: Outcomes,
) -> Examples:  # fmt: skip
    """The first rows, right and wrong, of each instruction that is wrong somewhere."""
    found: Examples = {}
    for name, share in comparison.instructions.items():
        if share.mismatches:
            rows = np.flatnonzero(np.isin(key, [k for k in range(_KEYS) if _NAME[k] == name]))
            one = np.zeros(len(rows), _EXAMPLE)
            one["case"], one["expected"], one["actual"] = cases[rows], expected[rows], actual[rows]
            masks = differences(expected[rows], actual[rows], comparison.skipped)
            one["wrong"] = np.logical_or.reduce([*masks.values()])
            found[name] = _few(one)
    return found


def _few(examples: npt.NDArray[np.void]) -> npt.NDArray[np.void]:
    few = [np.flatnonzero(examples["wrong"] == wrong)[:EXAMPLES] for wrong in (True, False)]
    return _taken(examples, np.sort(np.concatenate(few)))
