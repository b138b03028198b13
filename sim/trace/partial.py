"""What pieces of a trace have shown: merged in order, they say what the whole trace does."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..cases.kinds import in_order, name_of_key
from ..cases.layout import CASE, OUTCOME, REGISTERS, Cases, Outcomes, unnamed
from ..emulator.coverage import Coverage
from ..witness.comparison import FIELDS, Comparison, differences
from ..witness.evened import evened
from .accesses import SLOTS, Happened, accesses_of
from .between import Between, between, masked
from .columns import Column
from .memory import Memory
from .parts import TraceError, place
from .report import TraceReport, missing_of
from .rows import LATE, LATE_IRQ, UNBUILT, by_key, late_irq, reason_text, taken, why

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


class Pairs(NamedTuple):
    """Rows, with what the gates answer and what they tell of that themselves, and the rows after.

    `paired` are those that the next row follows. Those that lack something are not answered.
    """

    variant: str
    key: Column
    lacks: Column
    cases: Column
    expected: Column
    written: Column
    after: Column
    paired: Column

    def part(self, some: slice) -> Pairs:
        """Some of the pairs."""
        return Pairs(self.variant, *(one[some] for one in self[1:]))

    def between(self) -> Between:
        """What comes between the rows of each pair."""
        return between(self.expected, self.lacks, self.after, self.paired, self.variant)


class Entry(NamedTuple):
    """An interrupt's entry that has no row: the instruction before, and where the handler is."""

    name: str
    handler: int
    masked: bool  # it can be no IRQ


@dataclass(frozen=True)
class EdgeRow:
    """The first or last row of a piece, in bytes: cheap to send and to compare."""

    variant: str
    case: bytes
    run: int
    key: int
    lacks: int
    written: bytes  # the outcome as far as the row itself tells it
    expected: bytes
    waits: bool  # for the row before it, which may be one that acts late on the IRQ that comes here

    def behind(self, before: EdgeRow) -> EdgeRow:
        """The same once the row before it is known."""
        one, two = (np.frombuffer(row.case, CASE) for row in (before, self))
        late = late_irq(before.key, one["p"], two["event"], two["p"])[0]
        late &= self.waits and before.run == self.run
        return replace(self, waits=False, lacks=self.lacks | int(LATE) if late else self.lacks)


@dataclass(frozen=True, eq=False)
class Partial:
    """What a piece of a trace has shown; pieces in order merge into the whole.

    Its last row, `tail`, waits for the first row of the next piece, `head` there. What the first
    row tells is the `opening` while that waits for the row before it. `Partial()` has seen nothing.
    Rows are counted from 0 through all `files`, of which each has its number of rows.
    """

    comparison: Comparison = field(default_factory=Comparison)
    files: tuple[tuple[str, int], ...] = ()
    columns: frozenset[str] = frozenset()
    unchecked: Counter[tuple[str, str]] = field(default_factory=Counter)  # why, which instruction
    entries: Counter[Entry] = field(default_factory=Counter)  # that have no row
    unpaired: int = 0
    opcodes: frozenset[int] = frozenset()  # those compared
    one_write: int = 0
    first_wrong: int | None = None
    first_unbuilt: int | None = None
    memory: Memory = field(default_factory=Memory)
    recalled: Counter[str] = field(default_factory=Counter)  # rows of which memory told what
    asks: bool = False  # whether a row has not all that it reads: memory may tell it
    examples: Examples = field(default_factory=dict)
    opening: Partial | None = None
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
        seam, head = self._seam(self.tail, other.head), other.head.behind(self.tail)
        whole, opening = self, other.opening
        if self.tail.waits:  # it is the head too
            whole, seam = replace(self, opening=seam), Partial()
        if opening is not None and head.lacks & LATE:
            opening = Partial(unchecked=Counter({LATE_IRQ: 1}))
        seam = replace(
            seam,
            memory=seam_memory(self.tail, other.head),
            first_wrong=None if seam.first_wrong is None else -1,
            first_unbuilt=None if seam.first_unbuilt is None else -1,
        )
        tail = head if other.rows == 1 else other.tail
        rest = replace(other, opening=None, head=head, tail=tail)
        for following in (seam, opening, rest):
            whole = whole._followed_by(following or Partial())
        return whole

    def _seam(self, last: EdgeRow, following: EdgeRow) -> Partial:
        """What the last row and another one after it tell, but of memory; its row is number 0."""
        return judged(pair_of(last, following), self.comparison.skipped)

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
            self.entries + other.entries,
            self.unpaired + other.unpaired,
            self.opcodes | other.opcodes,
            self.one_write + other.one_write,
            first(self.first_wrong, other.first_wrong),
            first(self.first_unbuilt, other.first_unbuilt),
            self.memory.merge(other.memory, self.rows),
            self.recalled + other.recalled,
            self.asks or other.asks,
            examples,
            self.opening if self.head else other.opening,
            self.head or other.head,
            other.tail or self.tail,
        )

    def report(self, variant: str = "nmos") -> TraceReport:
        """The report of a whole trace, whose last row nothing follows.

        Raises TraceError if no row could be compared: that is no agreement.
        """
        if self.opening is not None:
            return self.opening._followed_by(replace(self, opening=None)).report(variant)
        unpaired = self.unpaired + (self.tail is not None)
        told = self.unchecked + self._looking_like()
        unchecked = {
            reason: {name: told[reason, name]
                     for name in in_order(name for why, name in told if why == reason)}
            for reason in sorted({reason for reason, _ in told})
        }  # fmt: skip
        comparison, first = self.comparison, self.comparison.first
        if not comparison.cases or len(comparison.skipped) == len(FIELDS):
            reasons = [
                f"{reason_text(why)} {sum(shares.values()):,} ({', '.join(shares)})"
                for why, shares in unchecked.items()
            ]
            reasons += [f"without a next row {unpaired:,}"] if unpaired else ["no rows"]
            what = "every field is skipped" if comparison.cases else "; ".join(reasons)
            name = self.files[0][0] if self.files else "trace"
            raise TraceError(f"{name}: nothing could be compared: {what}")
        if first is not None and self.first_wrong is not None:
            comparison = replace(comparison, first=replace(first, index=self.first_wrong))
        conflicts = self.memory.contradictions
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
            self.memory,
            self._place(conflicts[0].row if conflicts else None),
            dict(sorted(self.recalled.items())),
            np.concatenate(
                [unnamed(np.zeros(0, _EXAMPLE))]
                + [
                    unnamed(self.examples[name])
                    for name, share in comparison.instructions.items()
                    if share.mismatches
                ]
            ).view(_EXAMPLE),
        )

    def _looking_like(self) -> Counter[tuple[str, str]]:
        """The entries that have no row, as reasons why the rows before them are not checked."""
        of_nmi = {entry.handler for entry in self.entries if entry.masked}
        found: Counter[tuple[str, str]] = Counter()
        for entry, count in self.entries.items():
            event = "NMI" if entry.handler in of_nmi else "IRQ"
            found[f"looks like the entry of an {event}: record `event`", entry.name] += count
        return found

    def _place(self, row: int | None) -> str | None:
        if row is None:
            return None
        files = iter(self.files)
        path, rows = next(files)
        while row >= rows:
            row -= rows
            path, rows = next(files)
        return place(path, row)


def pair_of(last: EdgeRow, following: EdgeRow) -> Pairs:
    """Two rows that come one after the other."""
    return Pairs(
        last.variant, np.array([last.key], np.uint16), np.array([last.lacks], np.uint8),
        np.frombuffer(last.case, CASE), np.frombuffer(last.expected, OUTCOME),
        np.frombuffer(last.written, OUTCOME), np.frombuffer(following.case, CASE),
        np.array([last.run == following.run]),
    )  # fmt: skip


def seam_memory(last: EdgeRow, following: EdgeRow) -> Memory:
    """What comes between two rows does to memory, in times counted from the second one."""
    pair = pair_of(last, following)
    nothing = np.zeros(1, OUTCOME), np.array([LATE])
    happened = Happened(nothing[0], True, nothing[1], pair.between(), pair.expected)
    found = accesses_of(pair.cases, pair.key, nothing[1], nothing[1], happened)
    return Memory.of(found._replace(time=found.time - SLOTS))


def judged(pairs: Pairs, skip: Collection[str]) -> Partial:
    """What pairs of rows tell but of memory; the rows are counted from the first one."""
    there = pairs.between()
    chosen = np.flatnonzero(pairs.paired & (pairs.lacks == 0) & ~there.entries)
    cases, expected, actual = (
        taken(side, chosen) if len(chosen) < len(pairs.key) else side.copy()
        for side in (pairs.cases, pairs.expected, pairs.written)
    )
    for name in REGISTERS:
        actual[name] = pairs.after[name][chosen]
    key = pairs.key[chosen]
    if "writes" in skip:  # not recorded: as many as expected, or one less, as is even
        last = expected["write_value"][:, 1]
        fewer = "write_value" in skip or actual["write_value"][:, 0] == last
        actual["writes"] = np.where(fewer, 1, expected["writes"])
    told, actual = actual, evened(cases, expected, actual, pairs.variant)
    one_write = 0 if "writes" in skip else np.count_nonzero(actual["writes"] != told["writes"])
    comparison = Comparison.of(cases, expected, actual, skip)
    opcodes = np.flatnonzero(np.bincount(key[key < 256], minlength=1)).tolist()

    left = np.flatnonzero(pairs.paired & (pairs.lacks != 0))
    odd = left[pairs.lacks[left] & UNBUILT != 0]
    unchecked: Counter[tuple[str, str]] = Counter()
    reasons = pairs.lacks[left].astype(np.uint32) << 16 | pairs.key[left]
    for reason, count in zip(*np.unique(reasons, return_counts=True), strict=True):
        unchecked[why(int(reason) & 0xFFFF, int(reason) >> 16, pairs.variant)] += int(count)
    entries: Counter[Entry] = Counter()
    rows = np.flatnonzero(there.entries)
    no_irq = masked(*(side[rows] for side in (pairs.key, pairs.cases, pairs.expected)))
    three = np.stack([pairs.key[rows], pairs.after["pc"][rows], no_irq])
    for (one, handler, only), count in zip(
        *(side.T.tolist() for side in np.unique(three, axis=1, return_counts=True)), strict=True
    ):
        entries[Entry(name_of_key(one), handler, bool(only))] += count
    return Partial(
        comparison,
        unchecked=unchecked,
        entries=entries,
        unpaired=int(np.count_nonzero(~pairs.paired)),
        opcodes=frozenset(opcodes),
        one_write=int(one_write),
        first_wrong=None if comparison.first is None else int(chosen[comparison.first.index]),
        first_unbuilt=int(odd[0]) if len(odd) else None,
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
