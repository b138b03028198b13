"""An operand in the maker's notation, `($10),Y`, and the address that is formed of it."""

import re
from dataclasses import dataclass
from typing import Any, Final

from ..cases.kinds import forms_of
from ..family.instructions import Instruction
from ..family.members import EVENTS
from ..family.modes import MODES, Mode
from ..system.errors import UnusableError

_PREFIXES: Final = {"$": 16, "0x": 16, "%": 2, "0b": 2}
_NUMBER: Final = re.compile(r"(\$|0x|%|0b)?([0-9a-f]+)", re.IGNORECASE)


class UsageError(UnusableError):
    """The numbers do not fit the mnemonic; the message is one line."""


def is_notation(text: str) -> bool:
    """Whether a word is an operand with its mode, not a number alone."""
    return any(sign in text for sign in "#(,")


def read_notation(mnemonic: str, text: str) -> tuple[Instruction, int]:
    """The instruction of a mnemonic and an operand in the notation of its mode, and the number.

    Raises UsageError for another notation, a number that does not fit, or a mode that the mnemonic
    lacks.
    """
    has = {form.mode.name: form for form in forms_of(mnemonic) if form.opcode is not None}
    written = {mode.name: found for mode in MODES.values() if (found := _match(mode, text))}
    if not written:
        known = ", ".join(dict.fromkeys(form.mode.label for form in has.values()))
        raise UsageError(f"{mnemonic} {text}: no such notation; {mnemonic} has {known or 'none'}")
    value = _number_of(next(iter(written.values())), f"{mnemonic} {text}")
    fitting = [MODES[name] for name in written if value < 256 ** (MODES[name].length - 1)]
    if not fitting:
        raise UsageError(f"{mnemonic} {text}: {value} does not fit: expected 0 to $FFFF")
    for mode in fitting:
        if mode.name in has:
            return has[mode.name], value
    labels = ", ".join(form.mode.label or "no operand" for form in has.values())
    raise UsageError(
        f"{mnemonic} {fitting[0].label} does not exist: {mnemonic} has {labels or 'no operand'}"
    )


def _match(mode: Mode, text: str) -> str:
    """The operand of a text in a mode's notation; "" if it is not in it."""
    if "{}" not in mode.notation or mode.takes == "offset":
        return ""
    pattern = re.escape(mode.notation.replace("{}", "\0")).replace("\0", r"([^#(),\s]+)")
    found = re.fullmatch(pattern, re.sub(r"\s", "", text), re.IGNORECASE)
    return found[1] if found else ""


def _number_of(text: str, told: str) -> int:
    found = _NUMBER.fullmatch(text)
    try:
        base = _PREFIXES[found[1].lower()] if found and found[1] else 10
        return int(found[2] if found and len(found[2]) < 20 else "", base)
    except ValueError:
        raise UsageError(f"{told}: {text!r} is not a number: write 80, $50 or %01010000") from None


def written(instruction: Instruction, value: int) -> str:
    """The operand as a listing writes it."""
    digits = 2 * (instruction.mode.length - 1)
    return instruction.mode.notation.format(f"${value:0{digits}X}")


@dataclass(frozen=True, slots=True)
class AddressSum:
    """A byte of an address, as the ALU added it up in one clock."""

    clock: int
    alu: dict[str, Any]  # the ports, as in an operation
    left: str  # what goes into the adder's left input
    right: str  # and into its right one; "0" where it counts on
    words: str

    @property
    def carries(self) -> list[int]:
        """c0..c8."""
        return [self.alu["carry"] >> i & 1 for i in range(9)]


def describe_sum(
    instruction: Instruction, variant: str, high: bool, alu: dict[str, Any], columns: dict[str, int]
) -> tuple[str, str, str]:
    """The names of a sum's inputs, and the whole of it in words.

    `high`: it is the high byte, one more; else the low one, to which an index is added or 1.
    """
    if high:
        return "high byte", "0", "the carry reaches the high byte"
    carry = alu["carry"] >> 8 & 1
    if alu["operation"] == "INCREMENT":
        low, page = alu["a"], columns.get("pointer.high", 0)
        place = f"${page << 8 | low:04X}" if "pointer.low" in instruction.reads else f"${low:02X}"
        words = f"{place} + 1: where the high byte of the address lies"
        if not carry:
            return "low byte", "0", words
        if "pointer.low" in instruction.reads and variant == "cmos":
            return "low byte", "0", f"{words}; the low byte carries"
        return "low byte", "0", f"{words}; the carry is lost, so in the same page"
    index, by = instruction.index.upper(), alu["a"]
    base = alu["b"]
    if instruction.mode.crossing is None:
        lost = "the carry is lost, so in page zero" if carry else "in page zero"
        total = (base + by) % 256
        return index, "base", f"${base:02X} + {index} ${by:02X} = ${total:02X}: {lost}"
    word = columns["address.high"] << 8 | base
    told = f"${word:04X} + {index} ${by:02X} = ${(word + by) % 65536:04X}"
    if not carry:
        return index, "base low", f"{told}: no carry, the page stays"
    more = any(clock.when == "crossed" for clock in instruction.sequence(variant))
    clock = "so a clock more" if more else "into the clock that is there for it"
    return index, "base low", f"{told}: the low bytes carry, {clock}"


def event_of(mnemonic: str) -> int:
    """The code of an event by its name; 0 for a mnemonic."""
    return EVENTS.index(mnemonic) if mnemonic in EVENTS else 0
