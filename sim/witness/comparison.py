"""Comparison: what two witnesses say of the same cases, field by field, and its report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt

from ..cases.kinds import KEYS, in_order, keys_of, name_of_key
from ..cases.layout import CASE, OUTCOME, WRITES, Cases, Outcomes, plain, unnamed
from ..family.status_byte import FLAG_BITS

FLAG_FIELDS: Final = tuple(f"p.{name}" for name in FLAG_BITS)

#: What is compared of an outcome, each flag by itself. Bits 4 and 5 of `p` are no flags.
FIELDS: Final = (
    "pc", "a", "x", "y", "sp", *FLAG_FIELDS,
    "cycles", "writes", "write_value", "write_address",
)  # fmt: skip

#: By row, the fields whose value they cannot have, each with what it is in words.
Outside = Mapping[int, Mapping[str, str]]
NOTHING_OUTSIDE: Final[Outside] = {}

_CHUNK: Final = 1 << 14  # rows at a time: both sides and their difference stay in the cache
_WORDS: Final = OUTCOME.itemsize // 2  # an outcome is compared as whole words


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
        both = Counter(self.fields) + Counter(other.fields)
        fields = {name: both[name] for name in FIELDS if name in both}
        return Tally(self.cases + other.cases, self.mismatches + other.mismatches, fields)


@dataclass(frozen=True, eq=False)
class Disagreement:
    """One wrong case in full: its index among the cases compared, and 0-d structured arrays.

    `outside` has the fields whose value they cannot have, each with what it is in words.
    """

    index: int
    case: Cases
    expected: Outcomes
    actual: Outcomes
    outside: Mapping[str, str] = field(default_factory=dict)

    def _key(self) -> tuple[Any, ...]:
        records = (self.case, self.expected, self.actual)
        return (self.index, *(one.tobytes() for one in records), *self.outside.items())

    def __eq__(self, other: object) -> bool:
        """Whether all bytes are the same: NumPy's own comparison answers an array."""
        return isinstance(other, Disagreement) and self._key() == other._key()

    def __hash__(self) -> int:
        """Follows equality."""
        return hash(self._key())

    def after(self, cases: int) -> Disagreement:
        """The same one behind so many cases more."""
        return replace(self, index=self.index + cases)


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
        cls, cases: Cases, expected: Outcomes, actual: Outcomes, skip: Collection[str] = (),
        outside: Outside = NOTHING_OUTSIDE,
    ) -> Comparison:  # fmt: skip
        """Compares outcomes already at hand; `skip` names fields, or "p" for all six flags.

        A field that is `outside` counts as wrong, whatever is left of it in the outcome.
        `write_value` and `write_address` count only in the first `writes` entries expected, and
        `cycles` only where both sides counted them. Raises ValueError for an unknown field or event
        and for arrays of other lengths or layouts.
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
        keys = keys_of(cases)
        wrong_by_key = np.zeros(KEYS, np.int64)
        fields_by_key = {name: np.zeros(KEYS, np.int64) for name in FIELDS if name not in skipped}
        first: int | None = None
        uncounted = 0
        left = set(skipped)
        beyond = _beyond(outside, left, count)
        masks = [_word_mask(skipped, min(count, _CHUNK))]
        masks.append(_word_mask({*skipped, "cycles"}, min(count, _CHUNK)))
        for start in range(0, count, _CHUNK):
            here = slice(start, start + _CHUNK)
            e, a = expected[here], actual[here]
            counted = int(np.count_nonzero((e["cycles"] != 0) & (a["cycles"] != 0)))
            uncounted += len(a) - counted
            differs = e.view("<u2") ^ a.view("<u2")
            # One that never counts clocks would otherwise have every row looked at closely.
            differs &= masks[counted == 0][: len(differs)]
            odd = {name: mask[here] for name, mask in beyond.items()}
            if not differs.any() and not odd:
                continue
            rows = np.flatnonzero(differs) // _WORDS
            rows = rows[np.diff(rows, prepend=-1) > 0]
            for mask in odd.values():
                rows = np.union1d(rows, np.flatnonzero(mask))
            near_e, near_a = (unnamed(side).take(rows).view(OUTCOME) for side in (e, a))
            found = differences(near_e, near_a, skipped)
            for name, mask in odd.items():
                found[name] |= mask[rows]
            wrong = np.zeros(len(rows), np.bool_)
            near = keys[here][rows]
            for name, mask in found.items():
                if mask.any():
                    wrong |= mask
                    fields_by_key[name] += np.bincount(near[mask], minlength=KEYS)
            if first is None and wrong.any():
                first = start + int(rows[wrong.argmax()])
            wrong_by_key += np.bincount(near[wrong], minlength=KEYS)

        shares = []
        cases_by_key = np.bincount(keys, minlength=KEYS)
        for key in np.flatnonzero(cases_by_key).tolist():
            fields = {name: int(each[key]) for name, each in fields_by_key.items() if each[key]}
            share = Tally(int(cases_by_key[key]), int(wrong_by_key[key]), fields)
            shares.append((name_of_key(key), share))
        disagreement = None
        if first is not None:
            # Copies, lest one record keep millions alive.
            case, right, given = (
                side[first : first + 1].reshape(()).copy() for side in (cases, expected, actual)
            )
            said = outside.get(first, {}).items()
            beyond_range = {name: what for name, what in said if {*spelled(name)} - left}
            disagreement = Disagreement(first, case, right, given, beyond_range)
        if "cycles" in skipped:
            uncounted = 0
        mismatches = int(wrong_by_key.sum())
        return cls(count, mismatches, _summed(shares), disagreement, skipped, uncounted)

    def merge(self, other: Comparison) -> Comparison:
        """The comparison of this one's cases followed by the other's.

        Associative, with `Comparison()` as the neutral element, so parts may be merged in any
        grouping as long as they stay in order: a(bc) = (ab)c. Indices count on from this one's
        cases, and `first` is the one of the lower index. A field skipped by either is skipped.
        """
        first = self.first
        if first is None and other.first is not None:
            first = other.first.after(self.cases)
        return Comparison(
            self.cases + other.cases,
            self.mismatches + other.mismatches,
            _summed([*self.instructions.items(), *other.instructions.items()]),
            first,
            _skipped({*self.skipped, *other.skipped}),
            self.uncounted + other.uncounted,
        )

    def to_json(self) -> dict[str, Any]:
        """The same as plain dictionaries, lists and numbers."""
        first = None
        if self.first is not None:
            records = ("case", "expected", "actual")
            first = {
                "index": self.first.index,
                **{name: plain(getattr(self.first, name)) for name in records},
                "outside": dict(self.first.outside),
            }
        return {
            "agree": self.agree,
            "cases": self.cases,
            "mismatches": self.mismatches,
            "skipped": list(self.skipped),
            "uncounted": self.uncounted,
            "instructions": {name: asdict(share) for name, share in self.instructions.items()},
            "first": first,
        }


def _summed(shares: Iterable[tuple[str, Tally]]) -> dict[str, Tally]:
    """The shares of each instruction as one, in the order of every report."""
    found: dict[str, Tally] = {}
    for name, share in shares:
        found[name] = found[name].merge(share) if name in found else share
    return {name: found[name] for name in in_order(found)}


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
        total = total.merge(Comparison.of(part, *answers, skip, outside_of(subject)))
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
        if name in FLAG_FIELDS:
            found[name] = flipped & (1 << FLAG_BITS[name[-1]]) != 0
            continue
        e, a = expected[name], actual[name]
        if name == "cycles":
            found[name] = (e != a) & (e != 0) & (a != 0)
        elif e.ndim == 1:
            found[name] = e != a
        else:
            found[name] = np.zeros(len(expected), np.bool_)
            for i in range(WRITES):
                found[name] |= (e[:, i] != a[:, i]) & (expected["writes"] > i)
    return found


def outside_of(witness: Witness) -> Outside:
    """Which of a witness's last answers have values that cannot be; most witnesses have none."""
    found: Outside = getattr(witness, "outside", NOTHING_OUTSIDE)
    return found


def _beyond(outside: Outside, skipped: set[str], count: int) -> dict[str, npt.NDArray[np.bool_]]:
    """The rows of each field that is outside its range."""
    masks: dict[str, npt.NDArray[np.bool_]] = {}
    for row, fields in outside.items():
        for name in {name for given in fields for name in spelled(given)} - skipped:
            masks.setdefault(name, np.zeros(count, np.bool_))[row] = True
    return masks


def spelled(name: str) -> tuple[str, ...]:
    """The fields that a name stands for: "p" for all six flags."""
    return FLAG_FIELDS if name == "p" else (name,)


def _skipped(skip: Collection[str]) -> tuple[str, ...]:
    """The names in order, "p" spelled out."""
    for name in skip:
        if name not in FIELDS and name != "p":
            raise ValueError(f"field {name!r}: expected one of p, {', '.join(FIELDS)}")
    return tuple(name for name in FIELDS if name in skip or (name in FLAG_FIELDS and "p" in skip))


def _flat(what: str, records: npt.NDArray[np.void], layout: np.dtype[np.void]) -> Any:
    records = np.asarray(records)
    if records.dtype != layout:
        kind = "CASE" if layout == CASE else "OUTCOME"
        raise ValueError(f"{what}: expected the {kind} layout, not {records.dtype}")
    return np.ascontiguousarray(records.reshape(-1))


def _word_mask(skipped: Collection[str], rows: int) -> npt.NDArray[np.uint16]:
    """Ones where a bit of an outcome is compared, for so many rows."""
    record = np.full(OUTCOME.itemsize, 0xFF, np.uint8).view(OUTCOME)
    record["p"] = sum(1 << bit for name, bit in FLAG_BITS.items() if f"p.{name}" not in skipped)
    for name in skipped:
        if name not in FLAG_FIELDS:
            record[name] = 0
    return np.tile(record.view("<u2"), rows)
