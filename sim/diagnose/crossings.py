"""When an emulator takes a clock more: rules by which a page is wrongly said to be crossed.

The rules are common practice of the trade. Each is put to an instruction's cases as a witness that
is right in all but its clocks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, Final

import numpy as np

from ..cases.kinds import BY_KEY, alike, keys_of, symbols_of
from ..cases.layout import Cases, Outcomes, unnamed
from ..family.instructions import Instruction
from ..witness.model import Model
from .inputs import Truths
from .question import Cause, Question

#: Told columns by name: whether a clock more is taken.
Rule = Callable[[Any], Truths]

INDEXED: Final[dict[str, Rule]] = {
    "the sum with the index has reached FF": lambda c: c.low + c.index > 254,
    "the sum with the index has passed 0100": lambda c: c.low + c.index > 256,
    "the sum with the index and C leaves the page": lambda c: c.low + c.index + c.carry > 255,
    "X, not Y, would leave the page": lambda c: c.low + c.x > 255,
    "Y, not X, would leave the page": lambda c: c.low + c.y > 255,
    "the address formed is in another page than the instruction":
        lambda c: c.address >> 8 != c.pc >> 8,
    "the address formed is in another page than the next instruction":
        lambda c: c.address >> 8 != c.next >> 8,
    "the base is in another page than the instruction": lambda c: c.base >> 8 != c.pc >> 8,
    "the low byte of the address formed is not above the base's":
        lambda c: (c.address & 255) <= c.low,
    "the low byte of the address formed is not above the index":
        lambda c: (c.address & 255) <= c.index,
    "the page of the address formed is above the base's, so not from FF to 00":
        lambda c: c.address >> 8 > c.base >> 8,
    "the address formed is outside page zero": lambda c: c.address > 255,
    "the address formed is in page zero": lambda c: c.address < 256,
    "the index is not 0": lambda c: c.index != 0,
    "bit 7 of the low byte changes": lambda c: (c.low ^ c.address) & 128 != 0,
    "the index, taken for a signed number, leaves the page":
        lambda c: (c.base + (c.index ^ 128) - 128) >> 8 != c.base >> 8,
    "the low byte and the index, without the last bit's carry, leave the page":
        lambda c: (c.low & 127) + (c.index & 127) > 127,
    "the base's low seven bits and the index sum to 0100": lambda c: (c.low & 127) + c.index > 255,
    "the low byte and the index's low seven bits sum to 0100":
        lambda c: c.low + (c.index & 127) > 255,
    "the base's low seven bits and the index sum to 80": lambda c: (c.low & 127) + c.index > 127,
    "the index is 80 or more": lambda c: c.index > 127,
    "the low byte that the pointer's place makes leaves the page":
        lambda c: c.pointer + c.index > 255,
}  # fmt: skip
BRANCHED: Final[dict[str, Rule]] = {
    "it goes forward into another page": lambda c: c.crossed & (c.offset < 128),
    "it goes back into another page": lambda c: c.crossed & (c.offset > 127),
    "it goes back": lambda c: c.offset > 127,
    "it goes forward": lambda c: c.offset < 128,
    "the target is in another page than the branch's second byte":
        lambda c: c.target >> 8 != (c.pc + 1 & 0xFFFF) >> 8,
    "the page of the target is above the next instruction's":
        lambda c: c.target >> 8 > c.next >> 8,
    "the page of the target is below the next instruction's":
        lambda c: c.target >> 8 < c.next >> 8,
    "the sum with the offset has reached FF, or fallen to 00":
        lambda c: ((c.next & 255) + c.signed > 254) | ((c.next & 255) + c.signed < 1),
    "the sum with the offset has reached FF":
        lambda c: ((c.next & 255) + c.signed > 254) | ((c.next & 255) + c.signed < 0),
    "the sum with the offset has passed 0100":
        lambda c: ((c.next & 255) + c.signed > 256) | ((c.next & 255) + c.signed < 0),
    "the sum with the offset has fallen to 00":
        lambda c: ((c.next & 255) + c.signed > 255) | ((c.next & 255) + c.signed < 1),
    "bit 7 of the low byte changes": lambda c: (c.next ^ c.target) & 128 != 0,
    "the branch's own address and the offset leave the page":
        lambda c: ((c.pc & 255) + c.signed > 255) | ((c.pc & 255) + c.signed < 0),
    "it would go into another page, taken or not": lambda c: c.crossed,
}  # fmt: skip
_NOT_TAKEN: Final = "it would go into another page, taken or not"
_INDEX_MUST: Final = "a clock more must be taken where low byte and index sum to 0100 or more"
_BRANCH_MUST: Final = (
    "a clock more must be taken where the target is not in the next instruction's page"
)


@dataclass(frozen=True)
class Judged:
    """The model, with its crossings judged by a rule."""

    variant: str
    indexed: Rule | None
    branched: Rule | None = None
    always: bool = False  # of a branch that is not taken, too

    @classmethod
    def by(cls, variant: str, words: str) -> Judged:
        """Judged by the rule of that name. Raises KeyError if there is none."""
        if words in INDEXED:
            return cls(variant, INDEXED[words], BRANCHED.get(words))
        return cls(variant, None, BRANCHED[words], words == _NOT_TAKEN)

    def execute(self, cases: Cases) -> Outcomes:
        """Answers in which only clocks are other ones."""
        outcomes = Model(self.variant).execute(cases)
        for key, rows in alike(keys_of(cases)):
            form = BY_KEY[key]
            judge = self._branch if form.branches else self._index
            if form.branches or form.pays_for_crossing(self.variant):
                some = unnamed(cases).take(rows).view(cases.dtype)
                outcomes["cycles"][rows] = judge(some, form, outcomes["cycles"][rows])
        return outcomes

    def _index(self, cases: Cases, form: Instruction, cycles: Any) -> Any:
        columns = _columns(cases, form)
        columns.base = columns.__dict__["address.high"] << 8 | columns.__dict__["address.low"]
        columns.low, columns.index = columns.base & 255, columns.__dict__[form.index]
        columns.pointer = columns.__dict__.get("pointer", np.zeros_like(columns.low))
        columns.address = columns.base + columns.index & 0xFFFF
        right = columns.low + columns.index > 255
        assert self.indexed is not None
        return cycles + self.indexed(columns) - right

    def _branch(self, cases: Cases, form: Instruction, cycles: Any) -> Any:
        columns = _columns(cases, form)
        columns.taken = cycles > 2
        columns.signed = (columns.offset ^ 128) - 128
        columns.target = columns.next + columns.signed & 0xFFFF
        columns.crossed = columns.target >> 8 != columns.next >> 8
        assert self.branched is not None
        found = self.branched(columns) > 0
        return np.where(columns.taken, 3 + found, 2 + found * self.always)


def _columns(cases: Cases, form: Instruction) -> SimpleNamespace:
    columns = {name: column.astype(np.int32) for name, column in symbols_of(cases, form).items()}
    following = columns["pc"] + form.length & 0xFFFF
    return SimpleNamespace(**columns, carry=columns["p"] & 1, next=following)


def misjudged(question: Question) -> list[Cause]:
    """The rule that gives the clocks, where some are wrong."""
    if "cycles" not in question.fields:
        return []
    if question.forms[0].branches:
        rules, must = BRANCHED, _BRANCH_MUST
    elif any(form.pays_for_crossing(question.variant) for form in question.forms):
        rules, must = INDEXED, _INDEX_MUST
    else:
        return []
    for words in rules:
        if question.fits(Judged.by(question.variant, words), ["cycles"]):
            cause = f"a clock more is taken where {words}"
            return [question.cause("mistake", cause, must, ["cycles"])]
    return []
