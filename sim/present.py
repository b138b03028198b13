"""How a case and a verdict are shown: in words, as commands, as a picture, as a waveform."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import IO, TYPE_CHECKING

from .cases import Cases
from .compare import instruction_of, plain, report
from .isa import BY_OPCODE, EVENTS

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from .diagnose import Cause
    from .verdict import Verdict

__all__ = [
    "command_of",
    "describe_case",
    "draw_verdict",
    "draw_why",
    "operation_command",
    "write_waveform",
]


def _operands(case: Cases) -> tuple[str, list[int]]:
    """The mnemonic of a case, and the numbers that `carrywave op` takes for it."""
    from .operation import takes

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
    return command_of(*_operands(case), int(case["p"]), variant)


def command_of(name: str, numbers: Sequence[int], p: int, variant: str = "nmos") -> str:
    """What draws an operation with these numbers and this status before."""
    words = ["carrywave op", name, *(f"0x{number:02X}" for number in numbers)]
    words += ["--carry 1"] * (p & 1) + ["--decimal"] * (p >> 3 & 1)
    words += [f"--status 0x{p & 0xC6 | 0x30:02X}"] * (p & 0xC6 > 0)
    words += [f"--variant {variant}"] * (variant != "nmos")
    return " ".join(words)


def describe_case(case: Cases | None) -> list[str]:
    """A case in two lines for people and one for programs; no lines for none."""
    if case is None:
        return []
    name = instruction_of(case)
    code = " ".join(f"{byte:02X}" for byte in case["bytes"][: case["length"]])
    known = BY_OPCODE.get(int(case["bytes"][0]))
    facts = [
        f"{name} at {case['pc']:04X}" if name in EVENTS else f"{name} {code} at {case['pc']:04X}"
    ]
    if name not in EVENTS and known is not None and known.access:
        facts.append(f"operand {case['operand']:02X} at {case['address']:04X}")
    if name in ("PLA", "PLP", "RTS", "RTI"):
        facts.append(f"above SP {' '.join(f'{byte:02X}' for byte in case['pulled'])}")
    if name in EVENTS or name == "BRK":
        facts.append(f"vector {case['vector']:04X}")
    registers = " ".join(f"{name}={case[name]:02X}" for name in ("a", "x", "y", "sp", "p"))
    return ["; ".join(facts), registers, json.dumps(plain(case), separators=(",", ":"))]


def draw_verdict(verdict: Verdict, console: Console) -> None:
    """Prints the comparison; of the first wrong case the carry chain too, and what explains it."""
    report(verdict.comparison, console)
    if verdict.unknown:
        console.print("D after RESET is unknown on NMOS: not compared.")
    if verdict.left_out:
        console.print(f"Left out: {verdict.left_out:,} cases that no one memory can hold.")
    if verdict.first is None:
        return
    commands = {"To draw it": verdict.command, "Its waveform": verdict.waveform_command}
    if verdict.command == verdict.waveform_command:
        del commands["To draw it"]
    draw_why(verdict.first.case, verdict.variant, commands, verdict.likely, console)


def draw_why(
    case: Cases, variant: str, commands: Mapping[str, str | None], likely: Sequence[Cause],
    console: Console,
) -> None:  # fmt: skip
    """Prints a wrong case's carry chain, the commands that show more, and what explains it."""
    drawn = _draw_chain(case, variant)
    if drawn is not None:
        console.print()
        console.print(drawn)
    if any(commands.values()):
        console.print()
    for label, command in commands.items():
        if command:
            line = f"{label + ':':<16} {command}"
            console.print(line, markup=False, soft_wrap=True)
    if likely:
        from .diagnose import describe

        console.print()
        console.print("Likely", style="bold")
        for line in describe(likely, width=78):
            console.print(f"  {line}", markup=False, soft_wrap=True)


def _draw_chain(case: Cases, variant: str) -> RenderableType | None:
    """The carry chain of a case, if the adder has a part in it."""
    from carrywave.waves.draw import draw_operation

    from .operation import arrange, operate

    if operation_command(case) is None:
        return None
    name, numbers = _operands(case)
    a, operand = arrange(name, numbers)
    p = int(case["p"])
    drawn = operate(name, a, operand, p & 1, bool(p & 8), variant, p)
    return draw_operation(drawn) if drawn.uses_chain else None


def write_waveform(verdict: Verdict, file: IO[str]) -> None:
    """Writes the first wrong case on the hardware, the emulator's values beside it.

    In the scope `emulator` are the registers and flags: until the instruction has ended those that
    it starts from, then those that the emulator left.
    """
    from carrywave.waves.beside import BesideDump

    from .clocked import Clocked

    first = verdict.first
    if first is None:
        raise ValueError("nothing differs: there is no wrong case")
    before, after = (
        {name: int(record[name]) for name in ("pc", "a", "x", "y", "sp", "p")}
        for record in (first.case, first.actual)
    )
    with BesideDump(file, verdict.variant, before, after) as dump:
        Clocked(verdict.variant, dump).execute(first.case)
