"""A short sum for a wrong byte, address or number of clocks, out of named numbers.

A formula is a name and what it computes of named numbers. It is given only if it holds in every
row, and if so few are as short that chance is no explanation.
"""

import itertools
import math
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from .chance import MARGIN, ROUNDS, information, spread
from .inputs import AnswerInputs, Terms
from .quantities import COUNTS, RIGHT, WIDE, quantities

Column = npt.NDArray[Any]
Truths = npt.NDArray[np.bool_]

Term = Callable[[str], Column]
Compute = Callable[[Term], Column]
Single = Callable[[Column], Column]


def _plus(k: int) -> Single:
    return lambda t: t + k


def _masked(keep: int, turn: int = 0) -> Single:
    return lambda t: np.asarray(t & keep ^ turn)


def _in_page(k: int) -> Single:
    return lambda t: np.asarray(t & 0xFF00 | (t + k & 255))


_SINGLE: Final[dict[str, Single]] = {
    **{f"{{}} + {k}": _plus(k) for k in (1, 2, 3)},
    **{f"{{}} - {k}": _plus(-k) for k in (1, 2, 3)},
    "NOT {}": _masked(-1, -1),
    "-{}": lambda t: -t,
    "2 * {}": lambda t: t * 2,
    "{} / 2": lambda t: t // 2,
    **{f"{{}} with bit {k} clear": _masked(~(1 << k)) for k in range(8)},
    **{f"{{}} with bit {k} set": _masked(~(1 << k), 1 << k) for k in range(8)},
    **{f"{{}} with bit {k} inverted": _masked(-1, 1 << k) for k in range(8)},
    "{} with bits 4 and 5 set": _masked(~0x30, 0x30),
    "{} with bits 4 and 5 clear": _masked(~0x30),
    "the low digit of {}": _masked(0x0F),
    "the high digit of {}": _masked(0xF0),
    "{} with its digits exchanged": lambda t: t * 16 + t // 16 % 16,
    "{} with its bytes exchanged": lambda t: t * 256 + t // 256 % 256,
    "the low byte of {}": _masked(0xFF),
    "the high byte of {}": _masked(0xFF00),
    **{f"{{}} + {k} within its page": _in_page(k) for k in (1, 2)},
    **{f"{{}} - {k} within its page": _in_page(-k) for k in (1, 2)},
}
_DOUBLE: Final[dict[str, Callable[[Column, Column], Column]]] = {
    "{} + {}": lambda t, u: t + u,
    "{} - {}": lambda t, u: t - u,
    "{} AND {}": lambda t, u: np.asarray(t & u),
    "{} OR {}": lambda t, u: np.asarray(t | u),
    "{} XOR {}": lambda t, u: np.asarray(t ^ u),
}
_CARRIES: Final[dict[str, Single]] = {
    "{} + C": lambda c: c,
    "{} - (1 - C)": lambda c: c - 1,
    "{} - C": lambda c: -c,
    "{} + (1 - C)": lambda c: 1 - c,
    "{} + 1": lambda c: c * 0 + 1,
    "{} - 1": lambda c: c * 0 - 1,
}


def search_value(
    inputs: AnswerInputs, field: str, right: Column, actual: Column, counted: Truths
) -> str | None:
    """A short formula that equals `actual` in all the rows `counted`, or None.

    `field` names what the two columns hold; `right` is what they should.
    """
    wrong = counted & (right != actual)
    errors = int(wrong.sum())
    # A wrong number says more than that it is wrong.
    known = information(int(counted.sum()), errors) + 3 * errors - MARGIN
    everywhere = np.flatnonzero(counted)
    mask = 0xFFFF if field in WIDE else 0xFF
    if known > 0 and errors and np.all(actual[everywhere] == actual[everywhere[0]]):
        value = int(actual[everywhere[0]])
        return f"always {value if field in COUNTS else f'{value:0{4 if mask > 255 else 2}X}'}"
    rows = np.union1d(spread(np.flatnonzero(wrong), 96), spread(everywhere, 64))
    for _ in range(ROUNDS):
        wanted = actual[rows].astype(np.int64)
        terms, main = quantities(inputs.at(rows), field, right[rows])
        columns = {name: term() for name, term in terms.items()}
        found: tuple[str, Compute] | None = None
        for number, (text, compute) in enumerate(_proposals(terms, main), start=1):
            if math.log2(number) > known:
                break
            if np.array_equal(compute(columns.__getitem__) & mask, wanted):
                found = text, compute
                break
        if found is None:
            return None
        terms, _ = quantities(inputs, field, right)
        answer = found[1](_from(terms))
        misses = np.flatnonzero(counted & (answer & mask != actual))
        if len(misses) == 0:
            return found[0]
        rows = np.union1d(rows, spread(misses, 32))
    return None


def _proposals(names: Iterable[str], main: tuple[str, ...]) -> Iterator[tuple[str, Compute]]:
    """Short formulas first. `C` is the one term that only follows others."""
    names = [name for name in names if name != "C"]
    for name in names:
        yield name, _single(name)
    for one, other in itertools.product(main, repeat=2):
        for form, double in _DOUBLE.items():
            if one == other or (one > other and form != "{} - {}"):
                continue
            text = form.format(one, other)
            yield text, _double(one, other, double)
            if form in ("{} + {}", "{} - {}"):
                for suffix, carry in _CARRIES.items():
                    yield suffix.format(text), _double(one, other, double, carry)
    for name in main:
        for suffix, carry in _CARRIES.items():
            yield suffix.format(name), _double(name, "C", lambda t, _: t, carry)
    changed = dict.fromkeys((*main, RIGHT, *names))
    for form, single in _SINGLE.items():
        for name in changed:
            yield form.format(name), _single(name, single)


def _single(name: str, single: Single | None = None) -> Compute:
    return lambda term: single(term(name)) if single else term(name)


def _double(
    one: str, other: str, double: Callable[[Column, Column], Column], carry: Single | None = None
) -> Compute:
    def compute(term: Term) -> Column:
        total = double(term(one), term(other))
        return total + carry(term("C")) if carry else total

    return compute


def _from(terms: Terms) -> Term:
    return lambda name: terms[name]()
