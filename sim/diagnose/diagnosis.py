"""Diagnosis: which mistake, in words, makes an emulator's answers what they are.

A hypothesis is a witness: it is put to the same cases, and stands only if it answers all of an
instruction's cases as the emulator did.
"""

from __future__ import annotations

import itertools
import textwrap
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from ..cases.kinds import instruction_of
from ..cases.layout import CASE, OUTCOME, Cases, Outcomes
from ..family.instructions import BY_MNEMONIC, BY_OPCODE
from ..family.members import EVENTS, VARIANTS
from ..family.status import FLAG_BITS
from ..mistakes.catalogue import MISTAKES, Mistake, Mistaken
from ..netlist.planes import pack
from ..witness.comparison import FIELDS, Witness, differences
from ..witness.model import Model
from .formulas import RIGHT, TARGETS, FlagSearch, Inputs, result_of, search_value

__all__ = ["Cause", "describe", "diagnose"]

Truths = npt.NDArray[np.bool_]

#: With D set these are another computation.
_DECIMAL: Final = ("ADC", "SBC", "CMP", "CPX", "CPY")
_MOST: Final = 6  # alternatives that are listed
_FEW: Final = 3  # fields that can still be gone through one by one
_SEARCHED: Final = 9  # wrong fields that are looked at for formulas: more are no arithmetic
_KINDS: Final = 16  # of rows, by the fields that are wrong,
_PROBE: Final = 24  # and rows of a kind, that a hypothesis is first tried on


@dataclass(frozen=True)
class Cause:
    """What makes one instruction's answers wrong, and what to change.

    `kind` tells how it was found: a planted "mistake" or another behaviour known as a whole, a
    "pair" of them, a "formula", or "none", where nothing fits. It accounts for the `fields`, in
    `explains` of the `wrong` cases; causes of one instruction and place with the same fields are
    alternatives that these cases do not tell apart, those with other fields come on top of it.
    """

    instruction: str  # a mnemonic, "IRQ", "NMI" or "RESET"
    cause: str
    change: str
    explains: int
    kind: Literal["mistake", "pair", "formula", "none"]
    numbers: tuple[int, ...] = ()  # of the mistakes
    fields: tuple[str, ...] = ()
    wrong: int = 0
    place: str = ""  # which of its cases, if not all: "in absolute mode"
    variant: str = ""  # of the witness that answers alike, where it is another than asked for
    mistakes: tuple[Mistake, ...] = field(default=(), repr=False)

    def to_json(self) -> dict[str, Any]:
        """The same as plain dictionaries, lists and numbers."""
        return {
            "instruction": self.instruction,
            "cause": self.cause,
            "change": self.change,
            "explains": self.explains,
            "wrong": self.wrong,
            "kind": self.kind,
            "numbers": list(self.numbers),
            "fields": list(self.fields),
            "place": self.place,
        }


def diagnose(
    cases: Cases,
    expected: Outcomes,
    actual: Outcomes,
    variant: str,
    skip: Collection[str] = (),
) -> list[Cause]:
    """Names what explains the wrong answers, instruction by instruction; [] if none is wrong.

    `cases` should be many of every instruction: what they do not show no one can tell apart.
    `skip` names fields that are not compared. Raises ValueError for an unknown field or variant
    and for arrays of other lengths or layouts.
    """
    if variant not in VARIANTS:
        raise ValueError(f"variant {variant!r}: expected one of {', '.join(VARIANTS)}")
    arrays = [np.asarray(array).reshape(-1) for array in (cases, expected, actual)]
    for array, layout in zip(arrays, (CASE, OUTCOME, OUTCOME), strict=True):
        if array.dtype != layout or len(array) != len(arrays[0]):
            raise ValueError("expected as many cases as outcomes, in the CASE and OUTCOME layouts")
    wrong = np.zeros(len(arrays[0]), np.bool_)
    for mask in differences(arrays[1], arrays[2], skip).values():
        wrong |= mask
    budget = _Budget()
    questions = []
    for name, rows in _by_instruction(arrays[0], wrong):
        of_it = [array[rows] for array in arrays]
        questions.append(_Question(name, of_it[0], of_it[1], of_it[2], variant, skip, budget))
    # Those with the fewest wrong fields first: they have most to gain from what may be spent.
    in_order = sorted(questions, key=lambda question: len(question.fields))
    found = {question.name: _explained(question) for question in in_order}
    return _ranked([cause for question in questions for cause in found[question.name]])


def describe(causes: Sequence[Cause], width: int = 80) -> list[str]:
    """Lines of at most so many columns; what several instructions have in common is said once."""
    told: dict[tuple[Any, ...], list[Cause]] = defaultdict(list)
    groups: dict[tuple[Any, ...], list[Cause]] = defaultdict(list)
    for cause in causes:
        groups[(cause.instruction, cause.place, cause.fields)].append(cause)
    for group in groups.values():
        key = tuple((cause.place, cause.cause, cause.change) for cause in group)
        told[key] += [group[0]]
    lines: list[str] = []
    for alternatives, same in told.items():
        names = ", ".join(cause.instruction for cause in same)
        place = f" {same[0].place}" if same[0].place else ""
        wrong, explains = (sum(getattr(c, what) for c in same) for what in ("wrong", "explains"))
        for number, (_, cause, change) in enumerate(alternatives):
            head = "or, no different in these cases" if number else f"{names}{place}"
            for text, first in ((f"{head}: {cause}.", ""), (f"{change}.", "  ")):
                lines += textwrap.wrap(text, width, initial_indent=first, subsequent_indent="  ")
        if same[0].kind != "none":
            share = "all" if explains == wrong else f"{explains:,} of"
            lines.append(f"  That explains {share} {wrong:,} wrong cases.")
    return lines


def _by_instruction(cases: Cases, wrong: Truths) -> Iterator[tuple[str, npt.NDArray[np.int64]]]:
    """The rows of each instruction that has wrong ones."""
    # Cases with the same of this are of the same instruction, whatever makes it that.
    masked = cases["p"] & 4
    key = cases["event"].astype(np.int64) << 9 | masked.astype(np.int64) << 6 | cases["bytes"][:, 0]
    keys, firsts = np.unique(key, return_index=True)
    of = defaultdict(list)
    for value, first in zip(keys.tolist(), firsts.tolist(), strict=True):
        of[instruction_of(cases[first])].append(value)
    order = {name: i for i, name in enumerate((*BY_MNEMONIC, *EVENTS[1:]))}
    bad = np.bincount(key[wrong], minlength=int(key.max(initial=0)) + 1) > 0
    for name in sorted(of, key=lambda name: (order.get(name, len(order)), name)):
        if name in order and bad[of[name]].any():
            chosen = np.zeros(len(bad), np.bool_)
            chosen[of[name]] = True
            yield name, np.flatnonzero(chosen[key])


def _ranked(causes: list[Cause]) -> list[Cause]:
    """Alternatives in order: first what would explain more of the other instructions."""
    named = {(cause.instruction, cause.numbers, cause.variant) for cause in causes}
    common = Counter((numbers, variant) for _, numbers, variant in named)
    groups: dict[tuple[Any, ...], list[Cause]] = {}
    for cause in causes:
        groups.setdefault((cause.instruction, cause.place, cause.fields), []).append(cause)
    return [
        cause
        for group in groups.values()
        for cause in sorted(group, key=lambda one: -common[one.numbers, one.variant])
    ]


@dataclass
class _Budget:
    """How many fields may still be searched for formulas: where all is wrong, none would help."""

    left: int = 250

    def spend(self, count: int) -> bool:
        """Takes so many, if there are."""
        if count <= self.left:
            self.left -= count
            return True
        return False


class _Question:
    """One instruction's cases, what is right and what the emulator answered."""

    def __init__(
        self,
        name: str,
        cases: Cases,
        expected: Outcomes,
        actual: Outcomes,
        variant: str,
        skip: Collection[str],
        budget: _Budget,
        place: str = "",
    ) -> None:
        self.name, self.variant, self.skip = name, variant, skip
        self.budget, self.place = budget, place
        self.cases, self.expected, self.actual = cases, expected, actual
        self.fields = {
            name: mask for name, mask in differences(expected, actual, skip).items() if mask.any()
        }
        if name == "RESET" and variant != "cmos" and "p.d" not in self.fields:
            # The makers leave D open, and whoever compares may have put the right one there.
            self.skip = (*skip, "p.d")
        self.wrong = np.zeros(len(cases), np.bool_)
        for mask in self.fields.values():
            self.wrong |= mask
        self.opcodes = [] if name in EVENTS else np.unique(cases["bytes"][:, 0]).tolist()
        # A few rows of the commonest kinds: nearly all hypotheses fall there.
        kinds = self.wrong.astype(np.int64) + 2 * (cases["p"] & 8 > 0)
        for i, mask in enumerate(self.fields.values()):
            kinds += mask.astype(np.int64) << 2 + i
        values, counts = np.unique(kinds, return_counts=True)
        some = [np.flatnonzero(kinds == kind) for kind in values[np.argsort(-counts)[:_KINDS]]]
        self._try_on(np.concatenate([rows[:: len(rows) // _PROBE + 1] for rows in some]))

    def _try_on(self, rows: npt.NDArray[np.int64]) -> None:
        self.rows = rows
        self.probe = self.cases[rows], self.actual[rows]

    def fits(self, witness: Witness) -> bool:
        """Whether it answers as the emulator does in all cases."""
        few, answers = self.probe
        if any(
            mask.any() for mask in differences(witness.execute(few), answers, self.skip).values()
        ):
            return False
        missed = np.zeros(len(self.cases), np.bool_)
        found = differences(witness.execute(self.cases), self.actual, self.skip)
        for mask in found.values():
            missed |= mask
        if not missed.any():
            return True
        # What has slipped through the few shall not again.
        more = np.flatnonzero(missed)
        self._try_on(np.union1d(self.rows, more[:: len(more) // 8 + 1]))
        return False

    def at(self, rows: Truths, place: str) -> _Question:
        """The same for some of the cases."""
        place = ", ".join(filter(None, (self.place, place)))
        return _Question(
            self.name, self.cases[rows], self.expected[rows], self.actual[rows], self.variant,
            self.skip, self.budget, place,
        )  # fmt: skip

    def addressing(self) -> list[_Question]:
        """Each addressing mode by itself, if there are several."""
        code = self.cases["bytes"][:, 0]
        if len(self.opcodes) < 2:
            return []
        return [self.at(code == one, f"in {BY_OPCODE[one].mode} mode") for one in self.opcodes]

    def modes(self) -> list[_Question]:
        """The wrong ones of binary and decimal mode, if there are cases of both."""
        if self.name not in _DECIMAL or self.in_modes() != {False, True}:
            return []
        decimal = self.cases["p"] & 8 > 0
        parts = (self.at(~decimal, "in binary mode"), self.at(decimal, "in decimal mode"))
        return [part for part in parts if part.fields]

    def in_modes(self) -> set[bool]:
        """Whether there are cases of binary (False) and decimal (True) mode."""
        if self.variant == "binary":
            return {False}
        return set(np.unique(self.cases["p"] & 8 > 0).tolist())

    def result_fields(self) -> tuple[str, ...]:
        """Where the result may go."""
        if self.name in ("ASL", "LSR", "ROL", "ROR", "INC", "DEC"):
            stores = self.expected["stores"] > 0
            return ("stored",) if stores.all() else ("a", "stored") if stores.any() else ("a",)
        return (TARGETS.get(self.name, ""),)

    def cause(
        self,
        kind: Literal["mistake", "pair", "formula", "none"],
        cause: str,
        change: str,
        fields: Iterable[str] | None = None,
        **more: Any,
    ) -> Cause:
        """A cause of all that is wrong, or of some fields."""
        chosen = set(self.fields if fields is None else fields)
        explained = np.zeros(len(self.cases), np.bool_)
        for name in chosen if kind != "none" else ():
            explained |= self.fields[name]
        return Cause(
            self.name, cause, change, int(explained.sum()), kind,
            fields=tuple(name for name in FIELDS if name in chosen),
            wrong=int(self.wrong.sum()), place=self.place, **more,
        )  # fmt: skip


def _explained(question: _Question) -> list[Cause]:
    """By the first kind of explanation that has one."""
    whole = _known(question)
    if whole:
        return whole
    # A waiting IRQ that I keeps off should make no difference.
    waiting = (question.cases["event"] > 0) & (question.name not in EVENTS)
    if np.any(question.wrong & waiting) and not waiting.all():
        part = question.at(waiting, "with I set and IRQ low")
        if part.fits(_Altered(_unmasked, question.variant)):
            rest = question.at(~waiting, "")
            return [*(_explained(rest) if rest.fields else ()), part.cause("mistake", *_TAKEN)]
    found = _by_field(question)
    unexplained = {name for cause in found if cause.kind == "none" for name in cause.fields}
    # It may be made in one addressing mode only, or another in each.
    every = question.addressing() if unexplained else []
    parts = [part for part in every if part.fields]
    if not parts or (len(parts) == len(every) and len(unexplained) > _SEARCHED):
        return found
    each = list(itertools.chain(*(_known(part) or _by_field(part) for part in parts)))
    better = len(parts) < len(every) or all(cause.kind != "none" for cause in each)
    return each if better else found


# All of an instruction at once


def _known(question: _Question) -> list[Cause]:
    """Mistakes alone, known behaviours, or pairs of mistakes that give all of the answers."""
    forms = _forms(question)
    alone = [_Effect.of(form, question) for form in forms]
    found = _first_of_each(question, [(effect.form,) for effect in alone if not effect.missed])
    found += _of_other_variant(question, [()])
    if not found:
        found = list(_of_another_kind(question))
    if not found:
        in_order = sorted(alone, key=lambda effect: (effect.form.stage, effect.form.number))
        pairs = [
            (one.form, other.form)
            for one, other in itertools.combinations(in_order, 2)
            # Where the first one changes nothing, the answer is the second one's alone.
            if one.form.number != other.form.number and not other.missed & ~one.changed
        ]
        found = _first_of_each(question, pairs)
    if not found:
        found = _of_other_variant(question, [(mistake,) for mistake in MISTAKES])
    return found[:_MOST]


def _forms(question: _Question) -> list[Mistake]:
    """All that could be made in this instruction, the most usual form of each first."""
    decimal = True in question.in_modes()
    return [
        form
        for mistake in MISTAKES
        if question.name in mistake.mnemonics and question.variant in mistake.variants
        for form in (mistake.variations() if decimal else (mistake,))
    ]


@dataclass(frozen=True)
class _Effect:
    """What a mistake does to the rows that are tried first, a bit each."""

    form: Mistake
    changed: int  # it makes a difference
    missed: int  # its answer is not the emulator's

    @classmethod
    def of(cls, form: Mistake, question: _Question) -> _Effect:
        """Makes the mistake."""
        few, actual = question.probe
        answers = Mistaken(form, variant=question.variant).execute(few)
        # Skipped fields count as changed: a second mistake may well depend on them.
        changed = differences(question.expected[question.rows], answers)
        return cls(form, _union(changed), _union(differences(answers, actual, question.skip)))


def _union(masks: dict[str, Truths]) -> int:
    """The rows that any of them has, a bit each."""
    rows = np.any(list(masks.values()), axis=0)
    return pack(rows.astype(np.uint8), 1)[0]


def _first_of_each(question: _Question, choices: Iterable[tuple[Mistake, ...]]) -> list[Cause]:
    """Those that fit; of the same mistakes in several forms, the first."""
    found: dict[tuple[int, ...], tuple[Mistake, ...]] = {}
    for choice in choices:
        numbers = tuple(mistake.number for mistake in choice)
        if numbers not in found and question.fits(Mistaken(*choice, variant=question.variant)):
            found[numbers] = choice
    return [_of_mistakes(question, choice) for choice in found.values()]


def _of_mistakes(question: _Question, made: tuple[Mistake, ...], **more: Any) -> Cause:
    words = [_in_words(mistake) for mistake in made]
    return question.cause(
        "mistake" if len(made) == 1 else "pair",
        "; and ".join(words),
        "; and ".join(mistake.change for mistake in made),
        numbers=tuple(mistake.number for mistake in made),
        mistakes=made,
        **more,
    )


def _in_words(mistake: Mistake) -> str:
    """The cause, and in which modes of arithmetic if that is not its usual one."""
    if len(mistake.variations()) == 1 and mistake in MISTAKES:
        return mistake.cause
    suffix = {"both": ", in decimal mode too", "decimal": ", in decimal mode only"}
    return mistake.cause + suffix.get(mistake.modes, "")


def _of_other_variant(question: _Question, choices: Iterable[tuple[Mistake, ...]]) -> list[Cause]:
    """What another member of the family does."""
    found = []
    for choice in choices:
        for variant in VARIANTS:
            if variant == question.variant or any(
                variant not in mistake.variants or question.name not in mistake.mnemonics
                for mistake in choice
            ):
                continue
            witness = Mistaken(*choice, variant=variant) if choice else Model(variant)
            if not question.fits(witness):
                continue
            if variant == "binary":
                cause, change = "D is ignored", f"{question.name} must heed D"
            else:
                cause = f"this is what the {variant} variant does"
                change = f"{question.name} must be that of the {question.variant} variant"
            found.append(
                question.cause(
                    "pair" if choice else "mistake",
                    "; and ".join((cause, *(_in_words(mistake) for mistake in choice))),
                    "; and ".join((change, *(mistake.change for mistake in choice))),
                    numbers=tuple(mistake.number for mistake in choice),
                    variant=variant,
                    mistakes=choice,
                )
            )
            break
    return found


@dataclass
class _Altered:
    """The model, of other cases than were asked."""

    alter: Callable[[Cases], None]
    variant: str

    def execute(self, cases: Cases) -> Outcomes:
        """Answers them once altered."""
        others = cases.copy()
        self.alter(others)
        return Model(self.variant).execute(others)


class _Idle:
    """Keeps the state, but for PC if there are `lengths`; or answers nothing but 0. No clocks."""

    def __init__(self, lengths: npt.NDArray[np.int64] | None = None) -> None:
        self.lengths = lengths

    def execute(self, cases: Cases) -> Outcomes:
        """The state as it was, or zeros."""
        outcomes = np.zeros(len(cases), OUTCOME)
        if self.lengths is not None:
            for name in ("a", "x", "y", "sp", "p"):
                outcomes[name] = cases[name]
            outcomes["pc"] = (cases["pc"] + self.lengths[cases["bytes"][:, 0]]) % 65536
        return outcomes


def _of_another_kind(question: _Question) -> Iterator[Cause]:
    """What another instruction does, or nothing at all."""
    name = question.name
    idle = {
        "nothing is answered: every field is 0": _Idle(),
        "nothing is done, and PC stays": _Idle(np.zeros(256, np.int64)),
        "nothing is done but that PC moves on": _Idle(_LENGTHS),
    }
    # These count no clocks, so they have nothing to say of them.
    seen = [wrong for wrong in question.fields if wrong != "cycles"]
    for words, witness in idle.items():
        if seen and question.fits(witness):
            yield question.cause("mistake", words, "the instruction must be done", seen)
            if "cycles" in question.fields:
                yield from _by_field(question, ["cycles"])
            return
    if name in EVENTS:
        alike: list[tuple[str, str, Callable[[Cases], None]]] = [
            (f"{name} is not taken: the instruction at PC is done", f"{name} must be taken", _alone)
        ]
    else:
        alike = [(*_TAKEN, _unmasked)]
        for other, modes in BY_MNEMONIC.items():
            entries = [BY_OPCODE[opcode] for opcode in question.opcodes]
            if other != name and all(entry.mode in modes for entry in entries):
                codes = {entry.opcode: modes[entry.mode].opcode for entry in entries}
                words = f"{name} does what {other} does"
                alike.append((words, f"{name} must be told from {other}", _recoded(codes)))
    for words, change, alter in alike:
        if question.fits(_Altered(alter, question.variant)):
            yield question.cause("mistake", words, change)


_TAKEN: Final = ("the IRQ is taken", "I must keep an IRQ off")


def _alone(cases: Cases) -> None:
    cases["event"] = 0


def _unmasked(cases: Cases) -> None:
    # An NMI with the same vector does all that an IRQ does, whatever I is.
    cases["event"][cases["event"] == EVENTS.index("IRQ")] = EVENTS.index("NMI")


def _recoded(codes: dict[int, int]) -> Callable[[Cases], None]:
    table = np.arange(256, dtype=np.uint8)
    table[list(codes)] = list(codes.values())

    def alter(cases: Cases) -> None:
        cases["bytes"][:, 0] = table[cases["bytes"][:, 0]]

    return alter


_LENGTHS: Final = np.array(
    [BY_OPCODE[code].length if code in BY_OPCODE else 0 for code in range(256)], np.int64
)


# Field by field


def _by_field(question: _Question, only: Collection[str] = FIELDS) -> list[Cause]:
    """Each field by a mistake that wholly shows, by a formula, or not at all."""
    left = [name for name in question.fields if name in only]
    found: list[Cause] = []
    chosen: dict[frozenset[str], list[Mistake]] = defaultdict(list)
    for form in _forms(question):
        seen = _fields_explained(question, form)
        if seen and all(form.number != other.number for other in chosen[seen]):
            chosen[seen].append(form)
    for seen in sorted(chosen, key=lambda seen: (-len(seen), sorted(seen))):
        if seen and seen <= set(left):
            found += [_of_mistakes(question, (form,), fields=seen) for form in chosen[seen]]
            left = [name for name in left if name not in seen]
    modes = question.modes()
    # Where only one mode is wrong, the other has nothing to tell.
    inside = {name: [mode for mode in modes if mode.fields.get(name) is not None] for name in left}
    apart = [name for name in left if len(inside[name]) == 1]
    together = [name for name in left if name not in apart]
    if len(together) > _SEARCHED or not question.budget.spend(len(together)):
        found.append(_nothing(question, left, searched=False))
        return found
    for fields, words in _Formulas(question).search(together):
        if words:
            change = "; ".join(dict.fromkeys(_must(question, name) for name in fields))
            found.append(question.cause("formula", words, change, fields))
        else:
            apart += fields
    if not apart:
        return found
    each = list(itertools.chain(*(_by_field(mode, apart) for mode in modes)))
    if all(cause.kind == "none" for cause in each) and len(modes) != 1:
        each = [_nothing(question, apart)]
    return found + each


def _fields_explained(question: _Question, form: Mistake) -> frozenset[str]:
    """The fields that the mistake changes, if the emulator's are the same in all of these."""
    witness = Mistaken(form, variant=question.variant)
    changed: set[str] = set()
    for rows in (question.rows, slice(None)):
        answers = witness.execute(question.cases[rows])
        changes = differences(question.expected[rows], answers, question.skip)
        missed = differences(answers, question.actual[rows], question.skip)
        changed = {name for name, mask in changes.items() if mask.any()}
        if not changed or any(missed[name].any() for name in changed):
            return frozenset()
    return frozenset(changed)


def _nothing(question: _Question, fields: Collection[str], searched: bool = True) -> Cause:
    """Says that nothing fits, and what is known all the same."""
    ordered = [name for name in FIELDS if name in fields]
    wrong = np.zeros(len(question.cases), np.bool_)
    for name in ordered:
        wrong |= question.fields[name]
    names = _listed(map(_label, ordered))
    cause = f"no classic mistake and no small formula gives {names}"
    if not searched:
        cause = f"no classic mistake gives {names}, and too much is wrong to look for formulas"
    common = _in_common(question, wrong) if np.count_nonzero(wrong) > 3 else []
    if common:
        cause += f"; all wrong cases have {_listed(common)}"
    change = "; ".join(dict.fromkeys(_must(question, name) for name in ordered))
    if len(ordered) > _FEW:
        change = f"{question.name} must be gone through against its description"
    return question.cause("none", cause, change, ordered)


def _in_common(question: _Question, wrong: Truths) -> list[str]:
    """What all wrong cases start from, and not all others."""
    cases, found = question.cases, []
    for flag, bit in FLAG_BITS.items():
        values = cases["p"] >> bit & 1
        if np.ptp(values) and not np.ptp(values[wrong]):
            found.append(f"{flag.upper()} = {values[wrong][0]}")
    inputs = Inputs(question.name, cases, question.expected, question.actual, question.variant)
    for label, column in inputs.bytes().items():
        if np.ptp(column) and not np.ptp(column[wrong]):
            found.append(f"{label} = {column[wrong][0]:02X}")
    return found


class _Formulas:
    """Searches the fields of one question, those first that others follow from."""

    def __init__(self, question: _Question) -> None:
        self.question = question
        q = question
        self.inputs = Inputs(q.name, q.cases, q.expected, q.actual, q.variant)

    def search(self, fields: Sequence[str]) -> Iterator[tuple[list[str], str | None]]:
        """Fields that go together, and what they are; None if nothing fits."""
        question, left = self.question, list(fields)
        for count, those in (("pushes", ("pushed", "push_address")), ("stores", ("stored",))):
            if count in left:
                wrong = question.fields[count]
                follow = [n for n in those if n in left and not np.any(question.fields[n] & ~wrong)]
                yield [count, *follow], self._number(count)
                left = [name for name in left if name not in (count, *follow)]
        expected = question.expected
        made = result_of(question.name, question.actual, expected)
        right = result_of(question.name, expected, expected)
        if made is not None and right is not None and np.any(made != right):
            whole = [name for name in left if name in question.result_fields()]
            if "a" in whole and np.any(question.fields["a"] & (expected["stores"] > 0)):
                whole.remove("a")  # it is wrong where it is not the result: another story
            if whole:
                follow = self._following(left, made)
                everywhere = np.ones(len(made), np.bool_)
                label = _label(whole[0]) if len(whole) == 1 else "the result"
                words = _equation(
                    label, search_value(self.inputs, whole[0], right, made, everywhere)
                ) or self._bit_by_bit(label, right, made)
                if words and follow:
                    names = _listed(map(_label, follow))
                    words += f", and {names} {'follows' if len(follow) == 1 else 'follow'} from it"
                yield [*whole, *follow], words
                left = [name for name in left if name not in (*whole, *follow)]
        for name in left:
            if not name.startswith("p."):
                yield [name], self._number(name)
        flags = [name for name in left if name.startswith("p.")]
        if flags:
            bits = {name: question.actual["p"] & 1 << FLAG_BITS[name[-1]] != 0 for name in flags}
            searching = FlagSearch(
                self.inputs, [(bits[name], question.fields[name]) for name in flags]
            )
            for name in flags:
                yield (
                    [name],
                    _equation(_label(name), searching.find(bits[name], question.fields[name])),
                )

    def _bit_by_bit(
        self, label: str, right: npt.NDArray[Any], made: npt.NDArray[Any]
    ) -> str | None:
        """What a result's wrong bits are, if it has only a few."""
        both = [(bit, made >> bit & 1 > 0, (made ^ right) >> bit & 1 > 0) for bit in range(8)]
        wrong = [(bit, is_, differs) for bit, is_, differs in both if differs.any()]
        if len(wrong) > _FEW:
            return None
        searching = FlagSearch(self.inputs, [each[1:] for each in wrong], given=False)
        words = [
            _equation(f"bit {bit} of {label}", searching.find(is_, differs))
            for bit, is_, differs in wrong
        ]
        return _listed(word for word in words if word) if all(words) else None

    def _following(self, left: Collection[str], made: npt.NDArray[Any]) -> list[str]:
        """N and Z, if they are those of the wrong result."""
        p = self.question.actual["p"]
        flags = {"p.n": (p >> 7 & 1 == made >> 7), "p.z": (p >> 1 & 1 == (made == 0))}
        return [name for name, same in flags.items() if name in left and same.all()]

    def _number(self, name: str) -> str | None:
        """A field that is not a flag, entry by entry if it has several."""
        expected, actual = self.question.expected, self.question.actual
        if name not in ("pushed", "push_address"):
            counted = np.ones(len(actual), np.bool_)
            if name == "stored":
                counted = expected["stores"] > 0
            elif name == "cycles":
                counted = (expected[name] > 0) & (actual[name] > 0)
            return self._value(name, expected[name], actual[name], counted)
        found = []
        for i in range(3):
            counted = expected["pushes"] > i
            right, made = expected[name][:, i], actual[name][:, i]
            if np.any(counted & (right != made)):
                words = self._value(name, right, made, counted, f" {i + 1}")
                if words is None:
                    return None
                found.append(words)
        return "; ".join(found)

    def _value(
        self,
        name: str,
        right: npt.NDArray[Any],
        made: npt.NDArray[Any],
        counted: Truths,
        which: str = "",
    ) -> str | None:
        return _equation(
            f"{_label(name)}{which}", search_value(self.inputs, name, right, made, counted)
        )


def _equation(label: str, formula: str | None) -> str | None:
    if formula is None or formula.startswith("always "):
        return formula and f"{label} is {formula}"
    if formula.startswith("NOT the right "):
        return f"{label} is the inverse of what it must be"
    if formula.startswith((f"{RIGHT} + ", f"{RIGHT} - ")):
        _, sign, by = formula.rsplit(" ", 2)
        return f"{label} is {by} {'more' if sign == '+' else 'less'} than it must be"
    if formula in ("0", "NOT 0"):
        return f"{label} is always {int(formula != '0')}"
    if formula == f"{label} before":
        return f"{label} is left as it was"
    return f"{label} = {formula}"


def _listed(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


# What is right, in words

_LABELS: Final = {
    "pc": "PC", "pushes": "the number of bytes pushed", "pushed": "pushed byte",
    "push_address": "the address of push", "stores": "the number of bytes stored",
    "stored": "the byte stored", "cycles": "the number of clocks", "sp": "SP",
}  # fmt: skip

_VALUES: Final = {
    "ADC": "A + M + C", "SBC": "A - M - (1 - C)", "AND": "A AND M", "ORA": "A OR M",
    "EOR": "A XOR M", "LDA": "M", "LDX": "M", "LDY": "M", "TAX": "A", "TAY": "A", "TXA": "X",
    "TYA": "Y", "TSX": "SP", "TXS": "X", "PLA": "the pulled byte", "INC": "M + 1",
    "DEC": "M - 1", "INX": "X + 1", "INY": "Y + 1", "DEX": "X - 1", "DEY": "Y - 1", "STA": "A",
    "STX": "X", "STY": "Y", "PHA": "A", "PHP": "P with bits 4 and 5 set",
    "JSR": "the high byte of PC + 2, then the low one",
    "BRK": "the high byte of PC + 2, the low one, then P with bits 4 and 5 set",
    "IRQ": "the high byte of PC, the low one, then P with bit 4 clear and bit 5 set",
    "NMI": "the high byte of PC, the low one, then P with bit 4 clear and bit 5 set",
    "ASL": "moved left, bit 0 becoming 0", "ROL": "moved left, bit 0 becoming C as it was",
    "LSR": "moved right, bit 7 becoming 0", "ROR": "moved right, bit 7 becoming C as it was",
}  # fmt: skip

_ADDRESSES: Final = {
    "JMP": "the two bytes after the opcode, low one first",
    "JSR": "the two bytes after the opcode, low one first",
    "RTS": "one past the address pulled", "RTI": "the address pulled", "BRK": "the vector",
    "IRQ": "the vector", "NMI": "the vector", "RESET": "the vector",
}  # fmt: skip


def _label(name: str) -> str:
    return _LABELS.get(name) or name[-1].upper()


def _must(question: _Question, name: str) -> str:
    """What the field must be."""
    instruction = question.name
    if name.startswith("p."):
        binary, decimal = (_must_flag(question, name[-1], decimal) for decimal in (False, True))
        in_modes = question.in_modes()
        if binary == decimal or in_modes == {False}:
            return f"{_label(name)} must be {binary}"
        if in_modes == {True}:
            return f"{_label(name)} must be {decimal}"
        return f"{_label(name)} must be {binary}, and {decimal} in decimal mode"
    right = question.expected[name]
    if name == "pc":
        target = _ADDRESSES.get(instruction, "the next instruction's address")
        if "relative" in BY_MNEMONIC.get(instruction, {}):
            target += ", plus the signed offset if taken"
        return f"PC must be {target}"
    if name == "sp" and instruction != "TXS":
        moves = (right.astype(np.int64) - question.cases["sp"] + 128) % 256 - 128
        by = int(moves[0])
        return (
            f"SP must end {abs(by)} {'higher' if by > 0 else 'lower'}" if by else "SP must be kept"
        )
    if name == "push_address":
        return "a byte must be pushed at 0100 + SP, then SP goes down by 1 within its byte"
    if name in ("pushes", "stores"):
        least, most = int(right.min()), int(right.max())
        more = "" if least == most else f", and {most} in memory"
        return f"{_label(name)} must be {least}{more}"
    if name == "cycles":
        least, most = int(right.min()), int(right.max())
        return f"it must take {least if least == most else f'{least} to {most}'} clocks"
    if name in ("stored", "pushed") or name in question.result_fields() or name == "sp":
        what = "what is pushed" if name == "pushed" else _label(name)
        return f"{what} must be {_VALUES[instruction]}"
    return f"{_label(name)} must be kept"


def _must_flag(question: _Question, flag: str, decimal: bool) -> str:
    instruction = question.name
    modes = BY_MNEMONIC.get(instruction)
    if modes is None or instruction == "BRK":
        cleared = "0" if question.variant == "cmos" else "kept"
        return {"i": "1", "d": cleared}.get(flag, "kept")
    if flag not in next(iter(modes.values())).flags:
        return "kept"
    if instruction in ("PLP", "RTI"):
        return f"bit {FLAG_BITS[flag]} of the first byte pulled"
    if instruction[:2] in ("CL", "SE"):
        return str(int(instruction.startswith("SE")))
    if instruction == "BIT":
        return {"n": "bit 7 of M", "v": "bit 6 of M", "z": "1 only where A AND M is 0"}[flag]
    if decimal and instruction in ("ADC", "SBC"):
        nmos = question.variant == "nmos"
        if instruction == "SBC" and (nmos or flag in "vc"):
            return "the binary difference's"
        if flag == "c":
            return "1 where the decimal result is above 99"
        if flag == "v" or (flag == "n" and nmos):
            return "that of the sum with only its low digit corrected"
        return "the binary sum's" if nmos else "the decimal result's"
    if flag == "v":
        return "carry 8 XOR carry 7"
    if flag == "c":
        if instruction in ("ASL", "ROL", "LSR", "ROR"):
            return f"bit {7 if instruction in ('ASL', 'ROL') else 0} of the byte as it was"
        return "carry 8"
    return "bit 7 of the result" if flag == "n" else "1 only where all 8 bits of the result are 0"
