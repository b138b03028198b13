"""What pieces of a trace have shown: merged in order, they say what the whole trace does."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.kinds import in_order, name_of_key
from ..cases.layout import CASE, OUTCOME, REGISTERS, Cases, Outcomes, unnamed
from ..emulator.coverage import Coverage
from ..emulator.verdict import evened
from ..witness.comparison import FIELDS, Comparison, differences
from .parts import TraceError, place
from .report import TraceReport, missing_of
from .rows import by_key, reason_text, taken

#: Wrong rows of an instruction, and right ones, that are kept for a diagnosis: so many at most.
EXAMPLES: Final = 1000
_EXAMPLE: Final = np.dtype(
    [("case", CASE), ("expected", OUTCOME), ("actual", OUTCOME), ("wrong", "?")]
)
# The same without the names of their fields, which NumPy copies much faster.
_PLAIN: Final = np.dtype(
    [
        (name, f"V{_EXAMPLE[name].itemsize}" if name != "wrong" else "?")
        for name in _EXAMPLE.names or ()
    ]
)
Examples = dict[str, npt.NDArray[np.void]]


@dataclass(frozen=True)
class EdgeRow:
    """The first or last row of a piece, in bytes: cheap to send and to compare."""

    variant: str
    case: bytes
    run: int
    key: int
    reason: tuple[str, str] | None  # why it is not checked, and what it counts as
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
    opcodes: frozenset[int] = frozenset()  # those compared
    one_write: int = 0
    first_wrong: int | None = None
    first_unbuilt: int | None = None
    examples: Examples = field(default_factory=dict)
    head: EdgeRow | None = None
    tail: EdgeRow | None = None

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

    def _seam(self, last: EdgeRow, following: EdgeRow) -> Partial:
        """What the last row and another one after it tell; its row is this piece's last, -1."""
        if last.run != following.run:
            return Partial(unpaired=1)
        if last.reason:
            odd = -1 if "documented" in last.reason[0] else None
            return Partial(unchecked=Counter({last.reason: 1}), first_unbuilt=odd)
        case, after = (np.frombuffer(row.case, CASE) for row in (last, following))
        expected = np.frombuffer(last.expected, OUTCOME)
        actual = np.frombuffer(last.written, OUTCOME).copy()
        for name in REGISTERS:
            actual[name] = after[name]
        skipped = self.comparison.skipped
        told = judged(last.variant, np.array([last.key]), case, expected, actual, skipped)
        return replace(told, first_wrong=None if told.first_wrong is None else -1)

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
            self.opcodes | other.opcodes,
            self.one_write + other.one_write,
            first(self.first_wrong, other.first_wrong),
            first(self.first_unbuilt, other.first_unbuilt),
            examples,
            self.head or other.head,
            other.tail or self.tail,
        )

    def report(self, variant: str = "nmos") -> TraceReport:
        """The report of a whole trace, whose last row nothing follows.

        Raises TraceError if no row could be compared: that is no agreement.
        """
        unpaired = self.unpaired + (self.tail is not None)
        unchecked = {
            reason: {name: self.unchecked[reason, name]
                     for name in in_order(name for why, name in self.unchecked if why == reason)}
            for reason in sorted({reason for reason, _ in self.unchecked})
        }  # fmt: skip
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
            missing_of(self.columns),
            Coverage(self.opcodes, variant),
            self.one_write,
            self._place(self.first_wrong),
            self._place(self.first_unbuilt),
            np.concatenate(
                [unnamed(np.zeros(0, _EXAMPLE))]
                + [
                    unnamed(self.examples[name])
                    for name, share in comparison.instructions.items()
                    if share.mismatches
                ]
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


def judged(
    variant: str, key: npt.NDArray[Any], cases: Cases, expected: Outcomes, actual: Outcomes,
    skip: Collection[str],
) -> Partial:  # fmt: skip
    """What the given pairs of rows tell; `actual` may be written to. `first_wrong` is the pair."""
    if "writes" in skip:  # not recorded: as many as expected, or one less, as is even
        last = expected["write_value"][:, 1]
        fewer = "write_value" in skip or actual["write_value"][:, 0] == last
        actual["writes"] = np.where(fewer, 1, expected["writes"])
    told, actual = actual, evened(cases, expected, actual, variant)
    one_write = 0 if "writes" in skip else np.count_nonzero(actual["writes"] != told["writes"])
    comparison = Comparison.of(cases, expected, actual, skip)
    opcodes = np.flatnonzero(np.bincount(key[key < 256], minlength=1)).tolist()
    return Partial(
        comparison,
        opcodes=frozenset(opcodes),
        one_write=int(one_write),
        first_wrong=None if comparison.first is None else comparison.first.index,
        examples=_examples(comparison, key, cases, expected, actual),
    )


def _examples(
    comparison: Comparison, key: npt.NDArray[Any], cases: Cases, expected: Outcomes,
    actual: Outcomes,
) -> Examples:  # fmt: skip
    """The first rows of each instruction, right and wrong: the same wherever a trace is cut."""
    spans: dict[str, list[npt.NDArray[np.int64]]] = {}
    order, each = by_key(key)
    for one, span in each:
        spans.setdefault(name_of_key(one), []).append(order[span])
    found: Examples = {}
    for name, share in comparison.instructions.items():
        most = None if share.mismatches else EXAMPLES
        rows = np.sort(np.concatenate([span[:most] for span in spans[name]]))[:most]
        sides = [taken(side, rows) for side in (cases, expected, actual)]
        some = np.zeros(len(rows), _PLAIN)
        for which, side in zip(("case", "expected", "actual"), sides, strict=True):
            some[which] = unnamed(side)
        if share.mismatches:
            masks = differences(sides[1], sides[2], comparison.skipped)
            some["wrong"] = np.logical_or.reduce([*masks.values()])
        found[name] = _few(some.view(_EXAMPLE))
    return found


def _few(examples: npt.NDArray[np.void]) -> npt.NDArray[np.void]:
    few = [np.flatnonzero(examples["wrong"] == wrong)[:EXAMPLES] for wrong in (True, False)]
    return taken(examples, np.sort(np.concatenate(few)))
