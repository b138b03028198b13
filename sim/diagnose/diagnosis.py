"""Diagnosis: which mistake, in words, makes an emulator's answers what they are.

A hypothesis is a witness: it is put to the same cases, and stands only if it answers all of an
instruction's cases as the emulator did.
"""

import itertools
from collections import Counter
from collections.abc import Collection
from typing import Any, Final

import numpy as np

from ..cases.kinds import BY_KEY, in_order, keys_of, name_of_key
from ..cases.layout import CASE, OUTCOME, Cases, Outcomes
from ..family.members import EVENTS, VARIANTS
from ..witness.comparison import differences
from .behaviours import IRQ_TAKEN, IRQ_WORDS, known
from .piecewise import SEARCHED, by_field
from .question import Budget, Cause, Question, any_of

#: Where more modes than these are all wrong, it is not the addressing.
MOST_MODES: Final = 3


def diagnose(
    cases: Cases,
    expected: Outcomes,
    actual: Outcomes,
    variant: str,
    skip: Collection[str] = (),
) -> list[Cause]:
    """Names what explains the wrong answers, instruction by instruction; [] if none is wrong.

    `cases` should be many of every instruction: what they do not show no one can tell apart.
    `skip` names fields that are not compared. A write that the emulator may leave out is to be in
    `actual` all the same. Raises ValueError for an unknown field or variant and for arrays of other
    lengths or layouts.
    """
    if variant not in VARIANTS:
        raise ValueError(f"variant {variant!r}: expected one of {', '.join(VARIANTS)}")
    arrays = [np.asarray(array).reshape(-1) for array in (cases, expected, actual)]
    for array, layout in zip(arrays, (CASE, OUTCOME, OUTCOME), strict=True):
        if array.dtype != layout or len(array) != len(arrays[0]):
            raise ValueError("expected as many cases as outcomes, in the CASE and OUTCOME layouts")
    cases, expected, actual = arrays
    wrong = any_of(differences(expected, actual, skip).values(), len(cases))
    keys, budget, questions = keys_of(cases), Budget(), []
    names = {name_of_key(key) for key in np.unique(keys[wrong]).tolist() if key in BY_KEY}
    for name in in_order(names):
        forms = [key for key, form in BY_KEY.items() if form.mnemonic == name]
        rows = np.flatnonzero(np.isin(keys, forms))
        of_it = cases[rows], expected[rows], actual[rows]
        questions.append(Question(name, *of_it, variant, skip, budget))
    # Those with the fewest wrong fields first: they have most to gain from what may be spent.
    in_turn = sorted(questions, key=lambda question: len(question.fields))
    found = {question.name: _explained(question) for question in in_turn}
    return _ranked([cause for question in questions for cause in found[question.name]])


def _ranked(causes: list[Cause]) -> list[Cause]:
    """Alternatives in order: first what would explain more of the other instructions."""
    named = {(cause.instruction, cause.numbers, cause.variant) for cause in causes}
    common = Counter((numbers, variant) for _, numbers, variant in named)
    groups: dict[tuple[Any, ...], list[Cause]] = {}
    for cause in causes:
        groups.setdefault(cause.group, []).append(cause)
    return [
        cause
        for group in groups.values()
        for cause in sorted(group, key=lambda one: -common[one.numbers, one.variant])
    ]


def _explained(question: Question) -> list[Cause]:
    """By the first kind of explanation that has one."""
    whole = known(question)
    if whole:
        return whole
    if question.in_one_mode:
        (part,) = (one for one in question.addressing() if one.fields)
        if whole := known(part):
            return whole
    # A waiting IRQ that I keeps off should make no difference.
    waiting = (question.cases["event"] > 0) & (question.name not in EVENTS)
    if np.any(question.wrong & waiting) and not waiting.all():
        part = question.at(waiting, "with I set and IRQ low")
        if part.fits(IRQ_TAKEN(question.variant)):
            rest = question.at(~waiting, "")
            return [*(_explained(rest) if rest.fields else ()), part.cause("mistake", *IRQ_WORDS)]
    found = by_field(question)
    unexplained = {name for cause in found if cause.kind == "none" for name in cause.fields}
    # It may be made in one addressing mode only, or another in each.
    every = list(question.addressing()) if unexplained else []
    parts = [part for part in every if part.fields]
    everywhere = len(parts) == len(every)
    if not parts or (everywhere and (len(unexplained) > SEARCHED or len(parts) > MOST_MODES)):
        return found
    each = list(itertools.chain(*(known(part) or by_field(part) for part in parts)))
    better = len(parts) < len(every) or all(cause.kind != "none" for cause in each)
    return each if better else found
