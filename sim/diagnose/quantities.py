"""Named numbers that a wrong byte, address or number of clocks may be made of."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.kinds import forms_of
from ..family.status_byte import FLAG_BITS
from .inputs import AnswerInputs, Terms

Column = npt.NDArray[Any]

RIGHT: Final = "the right value"
WIDE: Final = ("pc", "write_address")
COUNTS: Final = ("cycles", "writes")


def quantities(inputs: AnswerInputs, field: str, right: Column) -> tuple[Terms, tuple[str, ...]]:
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
        found["the two bytes after the opcode"] = lambda: inputs.word("address.low", "address.high")
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
