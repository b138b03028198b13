"""The command that draws an operation."""

from collections.abc import Sequence

from ..cases.kinds import BY_KEY, happening, symbols_of
from ..cases.layout import Cases
from .operation import operand_of, takes


def numbers_of(case: Cases) -> tuple[str, list[int]]:
    """The mnemonic of a case, and the numbers that `carrywave op` takes for it."""
    instruction = BY_KEY[int(case["read_value"][0])]
    name, operand = instruction.mnemonic, operand_of(instruction)
    register, byte = takes(name)
    numbers = [int(case[register])] if register else []
    if not operand:
        return name, numbers
    value = int(symbols_of(case, instruction)[operand])
    # What a shift finds in memory is shown in the accumulator.
    return name, [*numbers, value] if byte else [value]


def operation_command(case: Cases, variant: str = "nmos") -> str | None:
    """What draws the operation of a case; None for an event."""
    if happening(case.reshape(1))[0] or int(case["read_value"][0]) not in BY_KEY:
        return None
    return command_of(*numbers_of(case), int(case["p"]), variant)


def command_of(name: str, numbers: Sequence[int], p: int, variant: str = "nmos") -> str:
    """What draws an operation with these numbers and this status before."""
    words = ["carrywave op", name, *(f"0x{number:02X}" for number in numbers)]
    words += ["--carry 1"] * (p & 1) + ["--decimal"] * (p >> 3 & 1)
    words += [f"--status 0x{p & 0xC6 | 0x30:02X}"] * (p & 0xC6 > 0)
    words += [f"--variant {variant}"] * (variant != "nmos")
    return " ".join(words)
