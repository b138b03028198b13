"""Each wrong field by itself: by a mistake that wholly shows, by a formula, or not at all."""

import itertools
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from typing import Final

import numpy as np

from ..cases.layout import WRITES
from ..family.status_byte import FLAG_BITS
from ..mistakes.mistake import Mistake, Mistaken
from ..witness.comparison import FIELDS, differences
from .behaviours import forms_made, of_mistakes
from .crossings import misjudged
from .flag_search import FlagSearch
from .inputs import AnswerInputs, Column, Truths, result_of
from .question import Cause, Question, any_of
from .value_search import search_value
from .wording import equation, label, listed, must

_FEW: Final = 3  # fields that can still be gone through one by one
SEARCHED: Final = 9  # wrong fields that are looked at for formulas: more are no arithmetic


def by_field(question: Question, only: Collection[str] = FIELDS) -> list[Cause]:
    """Each field by a mistake that wholly shows, by a formula, or not at all."""
    left = [name for name in question.fields if name in only]
    found: list[Cause] = []
    chosen: dict[frozenset[str], list[Mistake]] = defaultdict(list)
    for form in forms_made(question):
        seen = _fields_explained(question, form)
        if seen and all(form.number != other.number for other in chosen[seen]):
            chosen[seen].append(form)
    for seen in sorted(chosen, key=lambda seen: (-len(seen), sorted(seen))):
        if seen and seen <= set(left):
            found += [of_mistakes(question, (form,), fields=seen) for form in chosen[seen]]
            left = [name for name in left if name not in seen]
    if "cycles" in left:
        judged = misjudged(question)
        found += judged
        left = [name for name in left if name != "cycles" or not judged]
    modes = question.modes()
    # Where only one mode is wrong, the other has nothing to tell.
    inside = {name: [mode for mode in modes if mode.fields.get(name) is not None] for name in left}
    apart = [name for name in left if len(inside[name]) == 1]
    together = [name for name in left if name not in apart]
    if len(together) > SEARCHED or not question.budget.spend(len(together)):
        found.append(_nothing(question, left, searched=False))
        return found
    for fields, words in _Formulas(question).search(together):
        if words:
            change = "; ".join(dict.fromkeys(must(question, name) for name in fields))
            found.append(question.cause("formula", words, change, fields))
        else:
            apart += fields
    if not apart:
        return found
    each = list(itertools.chain(*(by_field(mode, apart) for mode in modes)))
    if all(cause.kind == "none" for cause in each) and len(modes) != 1:
        each = [_nothing(question, apart)]
    return found + each


def _fields_explained(question: Question, form: Mistake) -> frozenset[str]:
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


def _nothing(question: Question, fields: Collection[str], searched: bool = True) -> Cause:
    """Says that nothing fits, and what is known all the same."""
    ordered = [name for name in FIELDS if name in fields]
    wrong = any_of((question.fields[name] for name in ordered), len(question.cases))
    names = listed(label(question, name) for name in ordered)
    cause = f"no classic mistake and no small formula gives {names}"
    if not searched:
        cause = f"no classic mistake gives {names}, and too much is wrong to look for formulas"
    common = _in_common(question, wrong) if np.count_nonzero(wrong) > 3 else []
    if common:
        cause += f"; all wrong cases have {listed(common)}"
    change = "; ".join(dict.fromkeys(must(question, name) for name in ordered))
    if len(ordered) > _FEW:
        change = f"{question.name} must be gone through against its description"
    return question.cause("none", cause, change, ordered)


def _in_common(question: Question, wrong: Truths) -> list[str]:
    """What all wrong cases start from, and not all others."""
    cases, found = question.cases, []
    for flag, bit in FLAG_BITS.items():
        values = cases["p"] >> bit & 1
        if np.ptp(values) and not np.ptp(values[wrong]):
            found.append(f"{flag.upper()} = {values[wrong][0]}")
    inputs = AnswerInputs(question.name, cases, question.expected, question.actual)
    for name, column in inputs.bytes().items():
        if np.ptp(column) and not np.ptp(column[wrong]):
            found.append(f"{name} = {column[wrong][0]:02X}")
    return found


class _Formulas:
    """Searches the fields of one question, those first that others follow from."""

    def __init__(self, question: Question) -> None:
        self.question = q = question
        self.inputs = AnswerInputs(q.name, q.cases, q.expected, q.actual)

    def search(self, fields: Sequence[str]) -> Iterator[tuple[list[str], str | None]]:
        """Fields that go together, and what they are; None if nothing fits."""
        question, left = self.question, list(fields)
        if "writes" in left:
            wrong = question.fields["writes"]
            follow = [name for name in left if name in ("write_value", "write_address")
                      and not np.any(question.fields[name] & ~wrong)]  # fmt: skip
            yield ["writes", *follow], self._number("writes")
            left = [name for name in left if name not in ("writes", *follow)]
        expected = question.expected
        made = result_of(question.name, question.actual, expected)
        right = result_of(question.name, expected, expected)
        if made is not None and right is not None and np.any(made != right):
            whole = [name for name in left if name in question.result_fields()]
            if "a" in whole and np.any(question.fields["a"] & (expected["writes"] > 0)):
                whole.remove("a")  # it is wrong where it is not the result: another story
            if whole:
                follow = self._following(left, made)
                yield [*whole, *follow], self._result(whole, follow, right, made)
                left = [name for name in left if name not in (*whole, *follow)]
        for name in left:
            if not name.startswith("p."):
                yield [name], self._number(name)
        flags = [name for name in left if name.startswith("p.")]
        if flags:
            bits = {name: question.actual["p"] & 1 << FLAG_BITS[name[-1]] != 0 for name in flags}
            wanted = [(bits[name], question.fields[name]) for name in flags]
            searching = FlagSearch(self.inputs, wanted)
            for name in flags:
                formula = searching.find(bits[name], question.fields[name])
                yield [name], equation(label(question, name), formula)

    def _result(
        self, whole: Sequence[str], follow: Sequence[str], right: Column, made: Column
    ) -> str | None:
        """A wrong result, and the flags that follow from it."""
        question, everywhere = self.question, np.ones(len(made), np.bool_)
        name = label(question, whole[0]) if len(whole) == 1 else "the result"
        formula = search_value(self.inputs, whole[0], right, made, everywhere)
        words = equation(name, formula) or self._bit_by_bit(name, right, made)
        if words and follow:
            names = listed(label(question, flag) for flag in follow)
            words += f", and {names} {'follows' if len(follow) == 1 else 'follow'} from it"
        if words and "write_value" in whole:
            first = self._number("write_value", question.unmodified)
            return None if first is None else "; ".join(filter(None, (first, words)))
        return words

    def _bit_by_bit(self, name: str, right: Column, made: Column) -> str | None:
        """What a result's wrong bits are, if it has only a few."""
        both = [(bit, made >> bit & 1 > 0, (made ^ right) >> bit & 1 > 0) for bit in range(8)]
        wrong = [(bit, is_, differs) for bit, is_, differs in both if differs.any()]
        if len(wrong) > _FEW:
            return None
        searching = FlagSearch(self.inputs, [each[1:] for each in wrong], given=False)
        formulas = ((bit, searching.find(is_, differs)) for bit, is_, differs in wrong)
        words = [equation(f"bit {bit} of {name}", formula) for bit, formula in formulas]
        return listed(word for word in words if word) if all(words) else None

    def _following(self, left: Collection[str], made: Column) -> list[str]:
        """N and Z, if they are those of the wrong result."""
        p = self.question.actual["p"]
        flags = {"p.n": (p >> 7 & 1 == made >> 7), "p.z": (p >> 1 & 1 == (made == 0))}
        return [name for name, same in flags.items() if name in left and same.all()]

    def _number(self, name: str, places: Sequence[int] = range(WRITES)) -> str | None:
        """A field that is not a flag; what is written, one by one; "" if none of these is wrong."""
        question, expected, actual = self.question, self.question.expected, self.question.actual
        if name not in ("write_value", "write_address"):
            counted = np.ones(len(actual), np.bool_)
            if name == "cycles":
                counted = (expected[name] > 0) & (actual[name] > 0)
            formula = search_value(self.inputs, name, expected[name], actual[name], counted)
            return equation(label(question, name), formula)
        found: dict[int, str | None] = {}
        for i in places:
            right, made, counted = expected[name][:, i], actual[name][:, i], expected["writes"] > i
            if not np.any(counted & (right != made)):
                continue
            # One who does not write the unmodified byte first often writes the result twice.
            twice = i in question.unmodified and np.all((made == actual[name][:, i + 1])[counted])
            if not twice:
                found[i] = search_value(self.inputs, name, right, made, counted)
            elif name == "write_value":
                found[i] = "the result it gives"
        words = [equation(label(question, name, i), formula) for i, formula in found.items()]
        return None if None in words else "; ".join(filter(None, words))
