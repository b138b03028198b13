"""A short sum for a wrong byte, address or number of clocks, out of named numbers.

A formula is a name and what it computes of named numbers. It is given only if it holds in every
row, and if so few are as short that chance is no explanation.
"""

import itertools
import math
from collections.abc import Callable, Iterable, Iterator
from typing import Final

import numpy as np

from ..cases.kinds import forms_of
from ..family.status_byte import FLAG_BITS
from .chance import MARGIN, ROUNDS, information, spread
from .inputs import AnswerInputs, Column, Terms, Truths

RIGHT: Final = "the right value"
WIDE: Final = ("pc", "write_address")
COUNTS: Final = ("cycles", "writes")

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
        terms, main = _quantities(inputs.at(rows), field, right[rows])
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
        terms, _ = _quantities(inputs, field, right)
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


# Named numbers that a wrong byte, address or number of clocks may be made of


def _quantities(inputs: AnswerInputs, field: str, right: Column) -> tuple[Terms, tuple[str, ...]]:
    """Named numbers, the likelier first; and which of them are worth adding to one another."""
    found: Terms = {"C": lambda: inputs.c}
    main: tuple[str, ...] = ()
    if field in WIDE:
        found |= _addresses(inputs)
    elif field == "cycles":
        found["the table's clocks"] = lambda: inputs.clocks
    elif field not in COUNTS:
        main = tuple(dict.fromkeys((inputs.label, "M"))) if inputs.has_m else (inputs.label,)
        found |= _bytes(inputs)
        if field == "a" and inputs.name in ("ADC", "SBC"):
            found |= _digits(inputs)
    if field in ("pc", "cycles"):
        found |= _branching(inputs, field)
    return {**found, RIGHT: lambda: right.astype(np.int64)}, main


def _given(column: Column) -> Callable[[], Column]:
    return lambda: column


def _bytes(inputs: AnswerInputs) -> Terms:
    found: Terms = {inputs.label: lambda: inputs.source}
    if inputs.has_m:
        found.setdefault("M", lambda: inputs.m)
    for i, place in enumerate(("first", "second", "third")[: inputs.pulls]):
        found[f"the {place} byte pulled"] = _given(inputs.pulled(i))
    for label in ("A", "X", "Y", "SP", "P"):
        found.setdefault(label, _given(getattr(inputs, label.lower())))
    for i in range(4):
        text = f"PC + {i}" if i else "PC"
        found[f"the high byte of {text}"] = _given((inputs.pc + i) % 65536 // 256)
        found[f"the low byte of {text}"] = _given((inputs.pc + i) % 256)
    return found


def _addresses(inputs: AnswerInputs) -> Terms:
    reads = {name for form in forms_of(inputs.name) for name in form.reads}
    found: Terms = {
        "the opcode's address": lambda: inputs.pc,
        "the next opcode's address": lambda: inputs.following,
        "0100 + SP": lambda: inputs.sp + 256,
        "SP": lambda: inputs.sp,
    }
    if "vector.low" in reads:
        found["the vector"] = lambda: inputs.word("vector.low", "vector.high")
    if "address.low" in reads:
        found["the byte after the opcode"] = lambda: inputs.read("address.low")
    if "address.high" in reads:
        pointed = any(name.startswith("pointer") for name in reads)
        where = "where the pointer lies" if pointed else "after the opcode"
        found[f"the two bytes {where}"] = lambda: inputs.word("address.low", "address.high")
    for i in range(1, inputs.pulls):
        word = inputs.word(f"pull{i - 1}", f"pull{i}")
        found[f"the pulled bytes {i} and {i + 1}"] = _given(word)
    return found


def _branching(inputs: AnswerInputs, field: str) -> Terms:
    """Where wrong branches go, and what they count."""
    form = forms_of(inputs.name)[0]
    if not form.branches or form.opcode is None:
        return {}
    # Bits 7 and 6 of a branch's opcode name the flag, bit 5 the value that takes it.
    flag = inputs.p >> FLAG_BITS["nvcz"[form.opcode >> 6]] & 1
    taken = (flag == (form.opcode >> 5 & 1)).astype(np.int64)
    offset = inputs.read("offset").astype(np.int64)
    signed, next_, start = (offset ^ 128) - 128, inputs.following, inputs.pc
    target, clocks = next_ + signed, inputs.clocks
    if field == "cycles":
        another = (target & 0xFF00 != next_ & 0xFF00).astype(np.int64)
        leaves = (target & 0xFF00 != start & 0xFF00).astype(np.int64)
        if_ = "the table's clocks, 1 more if taken"
        return {
            if_: lambda: clocks + taken,
            "the table's clocks, 1 more if the target is in another page": lambda: clocks + another,
            "the table's clocks, 1 more if taken into another page": lambda: (
                clocks + taken * another
            ),
            f"{if_} and 1 if the target is in another page": lambda: clocks + taken + another,
            f"{if_} and 1 if that leaves the opcode's page": lambda: clocks + taken * (1 + leaves),
            f"{if_} and always 1 for the page": lambda: clocks + 2 * taken,
        }
    wrong: dict[str, Column] = {
        "with the offset taken for unsigned": next_ + offset,
        "counted from the opcode": start + signed,
        "counted from the offset's own address": start + 1 + signed,
        "within the page": next_ & 0xFF00 | target & 255,
        "with the offset subtracted": next_ - signed,
    }
    return {
        f"the target {text}, if taken": _given(np.where(taken, place, next_))
        for text, place in wrong.items()
    } | {"the target, taken or not": lambda: target}


def _digits(inputs: AnswerInputs) -> Terms:
    """Decimal results with other corrections than the right ones."""
    a, m, c = inputs.a, inputs.m, inputs.c
    found: Terms = {}
    if inputs.name == "ADC":
        low, binary, name = a % 16 + m % 16 + c, a + m + c, "A + M + C"
        high = a - a % 16 + m - m % 16
        lows: dict[str, Column] = {
            "": binary,
            ", plus 6 where the low digits' sum exceeds 9": binary + 6 * (low > 9),
            ", plus 6 where the low digits' sum exceeds F": binary + 6 * (low > 15),
            ", its low digit corrected": high + np.where(low > 9, (low + 6) % 16 + 16, low),
        }
        limits = [(f"exceeds {limit:02X}", 0x60, limit) for limit in (0x99, 0x9F, 0xFF)]
    else:
        low, binary, name = a % 16 - m % 16 + c - 1, a - m + c - 1, "A - M - (1 - C)"
        high = a - a % 16 - m + m % 16
        lows = {
            "": binary,
            ", minus 6 where the low digit borrows": binary - 6 * (low < 0),
            ", its low digit corrected": high + np.where(low < 0, (low - 6) % 16 - 16, low),
        }
        limits = [("is negative", -0x60, -1)]
    for text, total in lows.items():
        found[f"{name}{text}"] = _given(total)
        for condition, by, limit in limits:
            for label, judged in ((name, binary), ("that", total)):
                high_text = f", {'plus' if by > 0 else 'minus'} 60 where {label} {condition}"
                corrected = judged > limit if by > 0 else judged <= limit
                found[f"{name}{text}{high_text}"] = _given(total + by * corrected)
    return found
