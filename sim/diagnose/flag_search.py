"""The shortest Boolean formula for a wrong flag, of the chain, operands, result and old flags.

A formula is given only if it holds in every row, and if so few are as short that chance is no
explanation.
"""

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt

from ..netlist.compiled import pack
from ..system.formula import Formula, named
from .chance import MARGIN, ROUNDS, information, spread
from .inputs import AnswerInputs, Terms, Truths

_WIDEST: Final = 400  # formulas that cover a target: the nearest so many are combined
_WORDS: Final = {"not": "NOT", "and": "AND", "or": "OR", "!=": "XOR"}


def _pair(form: int, one: str, other: str) -> Formula:
    """One of the ten functions that need both of two names; the last five invert the others."""
    a, b = named(one), named(other)
    both, either, differ = (Formula(operator, (b, a)) for operator in ("and", "or", "!="))
    a_alone, b_alone = Formula("and", (a, ~b)), Formula("and", (b, ~a))
    b_or_not_a, a_or_not_b = Formula("or", (b, ~a)), Formula("or", (a, ~b))
    return (
        both, a_alone, b_alone, either, differ, ~both, b_or_not_a, a_or_not_b, ~either, ~differ,
    )[form]  # fmt: skip


class _Columns(dict[str, Truths]):
    """Truths by name, worked out when they are asked for."""

    def __init__(self, terms: Terms) -> None:
        super().__init__()
        self.terms = terms

    def __missing__(self, name: str) -> Truths:
        self[name] = self.terms[name]().astype(bool)
        return self[name]


class FlagSearch:
    """Finds the shortest formula for flags over the same rows.

    `wanted` are the columns that will be asked for and `wrong` the rows where each differs from the
    right flag: the search looks at some rows of every kind, and proves what it finds on all.
    `given` tells whether the emulator's own result may be one of the inputs.
    """

    def __init__(
        self, inputs: AnswerInputs, wanted: list[tuple[Truths, Truths]], given: bool = True
    ) -> None:
        self.inputs, self.given = inputs, given
        self.signals = inputs.signals(given)
        self.columns = _Columns(self.signals)
        rows: list[npt.NDArray[np.int64]] = [spread(np.arange(len(inputs)), 128)]
        for flag, wrong in wanted:
            kinds = (flag & wrong, flag & ~wrong, ~flag & wrong, ~flag & ~wrong)
            rows += [spread(np.flatnonzero(kind), 128) for kind in kinds]
        self._look_at(np.unique(np.concatenate(rows)))

    def find(self, flag: Truths, wrong: Truths) -> str | None:
        """The formula that equals `flag` in all rows, or None."""
        known = information(len(flag), int(wrong.sum())) - MARGIN
        for _ in range(ROUNDS):
            target = pack(flag[self.rows].astype(np.uint8), 1)[0]
            formula = next(self._matches(target, known), None)
            if formula is None:
                return None
            misses = np.flatnonzero(formula.over(self.columns) != flag)
            if len(misses) == 0:
                return formula.text(_WORDS)
            self._look_at(np.union1d(self.rows, spread(misses, 64)))
        return None

    def _look_at(self, rows: npt.NDArray[np.int64]) -> None:
        """Enumerates what differs on these rows: of equals, the first only."""
        self.rows = rows
        self.ones = ones = (1 << len(rows)) - 1
        self.leaves: dict[int, str] = {}
        few = self.inputs.at(rows).signals(self.given)
        for name in self.signals:
            if name not in few:  # these rows do not tell it from another
                continue
            value = pack(few[name]().astype(np.uint8), 1)[0]
            if value not in self.leaves and ones ^ value not in self.leaves:
                self.leaves[value] = name
        self.pairs: dict[int, tuple[int, str, str]] = {}
        pairs, seen = self.pairs, list(self.leaves.items())
        constants = {0, ones}
        for place, (a, i) in enumerate(seen):
            if a in constants:
                continue
            for b, j in seen[:place]:
                if b in constants:
                    continue
                both, either = a & b, a | b
                values = (both, a ^ both, b ^ both, either, both ^ either)
                for form, value in enumerate(values):
                    if value not in pairs:
                        pairs[value] = (form, i, j)
                    value ^= ones
                    if value not in pairs:
                        pairs[value] = (form + 5, i, j)

    def _matches(self, target: int, known: float) -> Iterator[Formula]:
        """Formulas equal to the target on the rows looked at, short ones first."""
        ones, leaves, pairs = self.ones, self.leaves, self.pairs
        literals = {value: named(name) for value, name in leaves.items()}
        literals |= {ones ^ value: ~name for value, name in literals.items()}
        size = math.log2(len(literals))
        if size > known:
            return
        if target in literals:
            yield literals[target]
        if math.log2(len(pairs)) > known:
            return
        if target in pairs:
            yield _pair(*pairs[target])
        if math.log2(len(pairs)) + size > known:
            return
        for value, name in leaves.items():
            if target ^ value in pairs:
                yield Formula("!=", (named(name), _pair(*pairs[target ^ value])))
        above = [value for value in pairs if value & target == target]
        below = [value for value in pairs if value | target == target]
        for value, literal in literals.items():
            if value & target == target:
                for other in above:
                    if other & value == target:
                        yield Formula("and", (literal, _pair(*pairs[other])))
            elif value | target == target:
                for other in below:
                    if other | value == target:
                        yield Formula("or", (literal, _pair(*pairs[other])))
        if 2 * math.log2(len(pairs)) > known:
            return
        above = sorted(above, key=int.bit_count)[:_WIDEST]
        below = sorted(below, key=int.bit_count, reverse=True)[:_WIDEST]
        for place, one in enumerate(above):
            for other in above[:place]:
                if one & other == target:
                    yield Formula("and", (_pair(*pairs[one]), _pair(*pairs[other])))
        for place, one in enumerate(below):
            for other in below[:place]:
                if one | other == target:
                    yield Formula("or", (_pair(*pairs[one]), _pair(*pairs[other])))
        for value in pairs:
            if target ^ value in pairs:
                yield Formula("!=", (_pair(*pairs[value]), _pair(*pairs[target ^ value])))
