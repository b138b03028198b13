"""What gives all of an instruction's answers at once: mistakes, another variant, another deed."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np

from ..cases.case_memory import found_at, reread
from ..cases.kinds import BY_KEY, keys_of
from ..cases.layout import OUTCOME, REGISTERS, Cases, Outcomes
from ..family.instructions import BY_MNEMONIC, BY_OPCODE
from ..family.members import EVENTS, VARIANTS
from ..mistakes.catalogue import MISTAKES
from ..mistakes.mistake import Mistake, Mistaken
from ..netlist.compiled import pack
from ..witness.comparison import differences
from ..witness.evened import evened
from ..witness.model import Model
from .addresses import misplaced
from .crossings import misjudged
from .inputs import Truths
from .misreads import misread
from .question import Cause, Kind, Question, any_of

_MOST: Final = 6  # alternatives that are listed


def known(question: Question) -> list[Cause]:
    """Mistakes alone, known behaviours, bytes misread, or pairs of mistakes: what fits wholly."""
    alone = [_Effect.of(form, question) for form in forms_made(question)]
    found = _first_of_each(question, [(effect.form,) for effect in alone if not effect.missed])
    found += _of_other_variant(question, [()])
    if not found:
        found = list(_of_another_kind(question))
    if not found and [*question.fields] == ["cycles"]:
        found = misjudged(question)
    if not found:
        # Of one mode alone, what the catalogue has comes first: it is asked of that by itself.
        found = ([] if question.in_one_mode else misplaced(question)) or misread(question)
    if not found:
        in_order = sorted(alone, key=lambda effect: (effect.form.stage, effect.form.number))
        pairs = [
            (one.form, other.form)
            for one, other in itertools.combinations(in_order, 2)
            # Where the first one changes nothing, the answer is the second one's alone.
            if one.form.number != other.form.number
            and not other.missed & ~one.changed
            # An address is formed by one rule.
            and not (one.form.places and other.form.places)
        ]
        found = _first_of_each(question, pairs)
    if not found:
        found = _of_other_variant(question, [(mistake,) for mistake in MISTAKES])
    return found[:_MOST]


def forms_made(question: Question) -> list[Mistake]:
    """All that could be made in this instruction, the most usual form of each first."""
    decimal = True in question.in_modes()
    clocks = "cycles" in question.fields
    made = [
        one
        for one in MISTAKES
        if question.name in one.mnemonics and question.variant in one.variants
    ]
    forms = [form for one in made for form in (one.variations() if decimal else (one,))]
    pays = any(form.pays_for_crossing(question.variant) for form in question.forms)
    return forms + [one.with_its_clocks() for one in made if one.places and clocks and pays]


@dataclass(frozen=True)
class _Effect:
    """What a mistake does to the rows that are tried first, a bit each."""

    form: Mistake
    changed: int  # it makes a difference
    missed: int  # its answer is not the emulator's

    @classmethod
    def of(cls, form: Mistake, question: Question) -> _Effect:
        """Makes the mistake."""
        few, actual = question.probe
        answers = question.even(Mistaken(form, variant=question.variant).execute(few), actual)
        # Skipped fields count as changed: a second mistake may well depend on them.
        changed = differences(question.expected[question.rows], answers)
        return cls(form, _union(changed), _union(differences(answers, actual, question.skip)))


def _union(masks: dict[str, Truths]) -> int:
    """The rows that any of them has, a bit each."""
    rows = any_of(masks.values(), len(next(iter(masks.values()))))
    return pack(rows.astype(np.uint8), 1)[0]


def _first_of_each(question: Question, choices: Iterable[tuple[Mistake, ...]]) -> list[Cause]:
    """Those that fit; of the same mistakes in several forms, the first."""
    found: dict[tuple[int, ...], tuple[Mistake, ...]] = {}
    for choice in choices:
        numbers = tuple(mistake.number for mistake in choice)
        if numbers not in found and question.fits(Mistaken(*choice, variant=question.variant)):
            found[numbers] = choice
    return [of_mistakes(question, choice) for choice in found.values()]


def of_mistakes(
    question: Question, made: tuple[Mistake, ...], *first: tuple[str, str], **more: Any
) -> Cause:
    """The cause that they are, on top of another one and its change, if that comes `first`."""
    told = [*first, *((_in_words(mistake), mistake.change) for mistake in made)]
    cause, change = ("; and ".join(words) for words in zip(*told, strict=True))
    numbers = tuple(mistake.number for mistake in made)
    kind: Kind = "pair" if len(told) > 1 else "mistake"
    return question.cause(kind, cause, change, numbers=numbers, mistakes=made, **more)


def _in_words(mistake: Mistake) -> str:
    """The cause, and in which modes of arithmetic if that is not its usual one."""
    if mistake.timed:
        return f"{mistake.cause}, and the clocks follow"
    if len(mistake.variations()) == 1 and mistake in MISTAKES:
        return mistake.cause
    suffix = {"both": ", in decimal mode too", "decimal": ", in decimal mode only"}
    return mistake.cause + suffix.get(mistake.modes, "")


def _of_other_variant(question: Question, choices: Iterable[tuple[Mistake, ...]]) -> list[Cause]:
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
            evened_one = _Evened(witness, question.variant) if question.stores else witness
            if not question.fits(evened_one):
                continue
            if variant == "binary":
                cause, change = "D is ignored", f"{question.name} must heed D"
            else:
                cause = f"this is what the {variant} variant does"
                change = f"{question.name} must be that of the {question.variant} variant"
            found.append(of_mistakes(question, choice, (cause, change), variant=variant))
            break
    return found


@dataclass
class _Evened:
    """A witness of another variant, where it may write as its own does."""

    witness: Model
    variant: str

    def execute(self, cases: Cases) -> Outcomes:
        """Answers, a byte that is written back unmodified put in where it is left out."""
        answers, expected = self.witness.execute(cases), Model(self.variant).execute(cases)
        return evened(cases, expected, answers, self.variant)


@dataclass
class _Altered:
    """The model, of other cases than were asked."""

    alter: Callable[[Cases, str], Cases]
    variant: str

    def execute(self, cases: Cases) -> Outcomes:
        """Answers them once altered."""
        return Model(self.variant).execute(self.alter(cases, self.variant))


class _Idle:
    """Keeps the state, but for PC if it `moves`; or answers nothing but 0. No clocks."""

    def __init__(self, keeps: bool, moves: bool = False) -> None:
        self.keeps, self.moves = keeps, moves

    def execute(self, cases: Cases) -> Outcomes:
        """The state as it was, or zeros."""
        outcomes = np.zeros(len(cases), OUTCOME)
        if self.keeps:
            for name in REGISTERS:
                outcomes[name] = cases[name]
        if self.moves:
            lengths = [BY_KEY[key].length for key in keys_of(cases).tolist()]
            outcomes["pc"] += np.array(lengths, np.uint16)
        return outcomes


def _of_another_kind(question: Question) -> Iterator[Cause]:
    """What another instruction does, or nothing at all."""
    name = question.name
    idle = {
        "nothing is answered: every field is 0": _Idle(False),
        "nothing is done, and PC stays": _Idle(True),
        "nothing is done but that PC moves on": _Idle(True, moves=True),
    }
    # These count no clocks, so they have nothing to say of them.
    seen = [wrong for wrong in question.fields if wrong != "cycles"]
    for words, witness in idle.items():
        if seen and question.fits(witness):
            yield question.cause("mistake", words, "the instruction must be done", seen)
            return
    if name in EVENTS:
        alike: list[tuple[str, str, Callable[[Cases, str], Cases]]] = [
            (f"{name} is not taken: the instruction at PC is done", f"{name} must be taken", _alone)
        ]
    else:
        alike = [(*IRQ_WORDS, _unmasked)]
        for other, modes in BY_MNEMONIC.items():
            if other != name and all(form.mode.name in modes for form in question.forms):
                codes = {form.opcode: modes[form.mode.name].opcode for form in question.forms}
                words = f"{name} does what {other} does"
                alike.append((words, f"{name} must be told from {other}", _recoded(codes)))
    for words, change, alter in alike:
        if question.fits(_Altered(alter, question.variant)):
            yield question.cause("mistake", words, change)


def _alone(cases: Cases, variant: str) -> Cases:
    found = cases.copy()
    opcode = found_at(cases, cases["pc"])
    found["event"] = 0
    found["read_value"][:, 0] = np.where(np.isin(opcode, list(BY_OPCODE)), opcode, 0)
    return reread(found, cases, variant)


def _unmasked(cases: Cases, variant: str) -> Cases:
    # An NMI with the same vector does all that an IRQ does, whatever I is.
    found = cases.copy()
    waiting = cases["event"] == EVENTS.index("IRQ")
    found["event"][waiting] = EVENTS.index("NMI")
    for i, address in enumerate((0xFFFE, 0xFFFF)):
        byte = found_at(cases, address)
        found["read_value"][:, i] = np.where(waiting, byte, found["read_value"][:, i])
    return found


IRQ_WORDS: Final = ("the IRQ is taken", "I must keep an IRQ off")
IRQ_TAKEN: Final = partial(_Altered, _unmasked)


def _recoded(codes: dict[Any, Any]) -> Callable[[Cases, str], Cases]:
    table = np.arange(256, dtype=np.uint8)
    table[list(codes)] = list(codes.values())

    def alter(cases: Cases, variant: str) -> Cases:
        found = cases.copy()
        found["read_value"][:, 0] = table[cases["read_value"][:, 0]]
        return reread(found, cases, variant)

    return alter
