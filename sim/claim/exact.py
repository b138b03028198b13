"""The exact rule: whether the flags tell a relation at all, and the simplest formula that does.

A formula is made of flags and their opposites, of ``==`` and ``!=`` between two flags, and of any
``and`` and ``or`` of those. The simplest mentions the fewest flags; of these it has the fewest
``==`` and ``!=``, which take more than a branch each; of these the fewest ``not``. The search is
complete: no formula is simpler. Combinations of flags that never occur may come out either way
(Warren, *Hacker's Delight*, 2-14, counts those of an addition).
"""

import itertools
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..system.formula import Formula, named

ORDER: Final = "nvcz"  # in which a formula mentions flags
EQUALITY: Final = 1 << 8  # what == or != costs, in units of 'not': no formula has as many
NEVER: Final = 1 << 62
#: A way to a value is one number, so that the least is the cheapest: the cost above COST, then the
#: pair of levels and the operator, from PAIR on, or 0 for an atom, and the place among those.
COST: Final = 44
PAIR: Final = 32
OPERATORS: Final = ("and", "or")
JOIN: Final = {"and": np.bitwise_and, "or": np.bitwise_or}

Column = npt.NDArray[Any]


def _joined(operator: str, parts: Sequence[Formula]) -> Formula:
    """An 'and' or 'or' as flat as it can be, in the order of the flags."""
    flat: list[Formula] = []
    for part in parts:
        flat += part.operands if part.operator == operator else (part,)
    flat.sort(key=lambda part: sorted(map(ORDER.index, part.names)))
    return Formula(operator, tuple(flat))


class Combinations:
    """Which combinations of some flags occur in some rows, and whether they tell a relation."""

    def __init__(self, flags: str, columns: Mapping[str, Column], relation: Column) -> None:
        """`columns` and `relation` are 0 or 1 in each row; `flags` in the order of ORDER."""
        self.flags = "".join(sorted(flags, key=ORDER.index))
        places = np.zeros(len(relation), np.int64)
        for flag in self.flags:
            places = places * 2 + columns[flag]
        self.places, self.relation = places, np.asarray(relation, np.int64)
        counts = np.bincount(places * 2 + self.relation, minlength=2 << len(flags))
        self.counts = counts.reshape(-1, 2)  # how many rows of each combination are false, true
        self.occurring = np.flatnonzero(self.counts.sum(axis=1))

    @property
    def told(self) -> bool:
        """True if rows with equal flags never differ in the relation."""
        return not (self.counts.min(axis=1) > 0).any()

    @property
    def same(self) -> tuple[int, int] | None:
        """The first two rows with equal flags that differ in the relation; None if it is told."""
        pairs = []
        for place in np.flatnonzero(self.counts.min(axis=1)):
            rows = np.flatnonzero(self.places == place)
            other = rows[np.flatnonzero(self.relation[rows] != self.relation[rows[0]])[0]]
            pairs.append((int(other), int(rows[0])))
        return min(pairs)[::-1] if pairs else None

    def formula(self) -> Formula | None:
        """The simplest formula that equals the relation in every row; None if there is none."""
        if not self.told:
            return None
        truth = sum(int(self.counts[place, 1] > 0) << i for i, place in enumerate(self.occurring))
        tables = {
            flag: sum(int(place >> i & 1) << k for k, place in enumerate(self.occurring))
            for flag, i in zip(self.flags, reversed(range(len(self.flags))), strict=True)
        }
        return simplest(truth, tables, len(self.occurring))


def simplest(truth: int, tables: Mapping[str, int], combinations: int) -> Formula | None:
    """The simplest formula whose value is `truth`; None for one that is always true or false.

    Bit i of `truth`, and of each flag's table, is the value in combination i.
    """
    ones = (1 << combinations) - 1
    if truth in (0, ones):
        return None
    levels: list[tuple[Column, Column]] = [(np.zeros(0, np.int64), np.zeros(0, np.int64))]
    made: dict[int, Formula] = {}
    while truth not in made:  # a level is the formulas that mention so many flags
        level = len(levels)
        # Of each value the cheapest way to it.
        cheapest = np.full(1 << combinations, NEVER, np.int64)
        atoms = _atoms(level, tables, ones)
        for i, (value, cost, _) in enumerate(atoms):
            cheapest[value] = min(cheapest[value], (cost << COST) + i)
        pairs = [(i, operator) for i in range(1, level // 2 + 1) for operator in OPERATORS]
        for number, (i, operator) in enumerate(pairs, 1):
            (left, left_costs), (right, right_costs) = levels[i], levels[level - i]
            values = JOIN[operator].outer(left, right).ravel()
            costs = np.add.outer(left_costs, right_costs).ravel()
            ways = (costs << COST) + (number << PAIR) + np.arange(len(values))
            np.minimum.at(cheapest, values, ways)
        cheapest[[0, ones, *made]] = NEVER
        found = np.flatnonzero(cheapest < NEVER)
        if not len(found):
            raise ValueError("the tables do not tell the combinations apart")
        for value in found.tolist():
            number, at = divmod(int(cheapest[value]) & (1 << COST) - 1, 1 << PAIR)
            if not number:
                made[value] = atoms[at][2]
                continue
            i, operator = pairs[number - 1]
            left, right = levels[i][0], levels[level - i][0]
            parts = made[int(left[at // len(right)])], made[int(right[at % len(right)])]
            made[value] = _joined(operator, parts)
        levels.append((found, cheapest[found] >> COST))
    return made[truth]


def _atoms(level: int, tables: Mapping[str, int], ones: int) -> list[tuple[int, int, Formula]]:
    """The formulas of one flag, or of two without 'and' and 'or': value, cost, formula."""
    plain = {flag: named(flag) for flag in tables}
    found: list[tuple[int, int, Formula]] = []
    for flag, table in tables.items() if level == 1 else ():
        found += [(table, 0, plain[flag]), (table ^ ones, 1, ~plain[flag])]
    for one, other in itertools.combinations(tables, 2) if level == 2 else ():
        differ, pair = tables[one] ^ tables[other], (plain[one], plain[other])
        found.append((differ, EQUALITY, Formula("!=", pair)))
        found.append((differ ^ ones, EQUALITY, Formula("==", pair)))
    return found
