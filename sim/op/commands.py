"""The command that draws an operation."""

from __future__ import annotations

from collections.abc import Sequence

from ..cases.kinds import instruction_of
from ..cases.layout import Cases
from ..family.instructions import BY_OPCODE
from ..family.members import EVENTS
from .operation import takes

__all__ = ["command_of", "numbers_of", "operation_command"]


def numbers_of(case: Cases) -> tuple[str, list[int]]:
    """The mnemonic of a case, and the numbers that `carrywave op` takes for it."""

    entry = BY_OPCODE[int(case["bytes"][0])]
    register, byte = takes(entry.mnemonic)
    operand = int(case["operand"])
    if entry.mode in ("immediate", "relative"):
        operand = int(case["bytes"][1])
    elif not entry.access:
        operand = int(case["pulled"][0])
    numbers = [int(case[register])] if register else []
    if entry.access == "modify" and register == "a":  # it is shown in the accumulator
        numbers = [operand]
    return entry.mnemonic, numbers + [operand] * byte


def operation_command(case: Cases, variant: str = "nmos") -> str | None:
    """What draws the operation of a case; None for an event."""
    if instruction_of(case) in EVENTS or int(case["bytes"][0]) not in BY_OPCODE:
        return None
    return command_of(*numbers_of(case), int(case["p"]), variant)


def command_of(name: str, numbers: Sequence[int], p: int, variant: str = "nmos") -> str:
    """What draws an operation with these numbers and this status before."""
    words = ["carrywave op", name, *(f"0x{number:02X}" for number in numbers)]
    words += ["--carry 1"] * (p & 1) + ["--decimal"] * (p >> 3 & 1)
    words += [f"--status 0x{p & 0xC6 | 0x30:02X}"] * (p & 0xC6 > 0)
    words += [f"--variant {variant}"] * (variant != "nmos")
    return " ".join(words)
