"""Fields, formulas and what is right, in words."""

import re
from collections.abc import Iterable
from typing import Final

import numpy as np

from ..family.members import EVENTS
from ..family.status_byte import FLAG_BITS
from .question import Question
from .value_search import RIGHT


def equation(name: str, formula: str | None) -> str | None:
    """What `name` is, by a formula."""
    if formula is None or formula.startswith("always "):
        return formula and f"{name} is {formula}"
    if formula.startswith("NOT the right "):
        return f"{name} is the inverse of what it must be"
    by = re.fullmatch(rf"{RIGHT} ([+-]) (\w+)( within its page)?", formula)
    if by:
        within = by[3].replace(" ", ", ", 1) if by[3] else ""
        return f"{name} is {by[2]} {'more' if by[1] == '+' else 'less'} than it must be{within}"
    if formula in ("0", "NOT 0"):
        return f"{name} is always {int(formula != '0')}"
    if formula == f"{name} before":
        return f"{name} is left as it was"
    return f"{name} = {formula}"


def listed(words: Iterable[str]) -> str:
    """One, two and three."""
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


# What is right, in words

_LABELS: Final = {"pc": "PC", "sp": "SP", "cycles": "the number of clocks"}
_PUSHES: Final = {
    "writes": "the number of bytes pushed", "write_value": "pushed byte",
    "write_address": "the address of push",
}  # fmt: skip
_STORES: Final = {
    "writes": "the number of bytes stored", "write_value": "the byte stored",
    "write_address": "the address stored to",
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


def label(question: Question, name: str, i: int | None = None) -> str:
    """A field, or one of its entries, the first being 0."""
    if name in _PUSHES:
        if question.pushes:
            return _PUSHES[name] if i is None else f"{_PUSHES[name]} {i + 1}"
        stored = _STORES[name] if question.stores else _STORES[name].replace("stored", "written")
        return f"{stored} first" if i in question.unmodified else stored
    return _LABELS.get(name) or name[-1].upper()


def must(question: Question, name: str) -> str:
    """What the field must be."""
    instruction, told = question.name, label(question, name)
    if name.startswith("p."):
        binary, decimal = (_must_flag(question, name[-1], decimal) for decimal in (False, True))
        in_modes = question.in_modes()
        if binary == decimal or in_modes == {False}:
            return f"{told} must be {binary}"
        if in_modes == {True}:
            return f"{told} must be {decimal}"
        return f"{told} must be {binary}, and {decimal} in decimal mode"
    right = question.expected[name]
    if name == "pc":
        target = _ADDRESSES.get(instruction, "the next instruction's address")
        if all("pointer.low" in form.reads for form in question.forms):
            target = "the two bytes where the pointer lies, low one first"
        if question.forms[0].branches:
            target += ", plus the signed offset if taken"
        return f"PC must be {target}"
    if name == "sp" and instruction != "TXS":
        moves = (right.astype(np.int64) - question.cases["sp"] + 128) % 256 - 128
        by = int(moves[0])
        ends = f"end {abs(by)} {'higher' if by > 0 else 'lower'}" if by else "be kept"
        return f"SP must {ends}"
    if name == "write_address":
        if question.pushes:
            return "a byte must be pushed at 0100 + SP, then SP goes down by 1 within its byte"
        return "a byte must be stored at the instruction's address"
    if name in ("writes", "cycles"):
        least, most = int(right.min()), int(right.max())
        if name == "cycles":
            return f"it must take {least if least == most else f'{least} to {most}'} clocks"
        more = "" if least == most else f", and {most} in memory"
        return f"{told} must be {least}{more}"
    if name == "write_value" or name in question.result_fields() or name == "sp":
        what = "what is pushed" if name == "write_value" and question.pushes else told
        first = ""
        for i in question.unmodified if name == "write_value" else ():
            spoilt = right[:, i] != question.actual[name][:, i]
            if np.any(spoilt & (question.expected["writes"] > 1)):
                first = "M as it was, then "
        return f"{what} must be {first}{_VALUES[instruction]}"
    return f"{told} must be kept"


def _must_flag(question: Question, flag: str, decimal: bool) -> str:
    instruction = question.name
    if instruction in EVENTS or instruction == "BRK":
        cleared = "0" if question.variant == "cmos" else "kept"
        return {"i": "1", "d": cleared}.get(flag, "kept")
    if flag not in question.forms[0].flags:
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
