"""What is told of a run, in the simulator or on the gates."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import Any

from ..family.instructions import BY_MNEMONIC
from ..witness.registers import Registers


@dataclass(frozen=True, slots=True)
class Sequence:
    """One instruction, or one event's entry, as it ran."""

    name: str  # mnemonic, or "IRQ", "NMI", "RESET"
    clock: int  # its first
    clocks: int
    address: int  # of its opcode, or where the event broke in
    before: Registers
    after: Registers
    writes: tuple[tuple[int, int, int], ...]  # clock, address, byte
    code: bytes = b""  # three bytes from its address on, as it began


@dataclass
class Run:
    """How a listing ran."""

    ended: str = "clock limit"  # or "self-jump", "address", "instruction limit"
    clocks: int = 0
    instructions: int = 0
    final: Registers = field(default=Registers(0, 0, 0, 0, 0, 0x30))
    last_address: int = 0  # of the last instruction begun
    writes: array[int] = field(default_factory=lambda: array("I"))  # clock, address, byte in turn
    # Of a run on the gates: how often they were asked at most, and how often a guess was wrong.
    rounds: int = 0
    corrected: int = 0
    departures: list[Any] = field(default_factory=list)  # of `Departure`: from the model

    def listed_writes(self) -> list[list[int]]:
        """The writes as [clock, address, byte]."""
        flat = self.writes.tolist()
        return [flat[i : i + 3] for i in range(0, len(flat), 3)]


def jumps(name: str) -> bool:
    """Tells whether an instruction that stays at its own address ends the program."""
    return name == "JMP" or any(form.branches for form in BY_MNEMONIC.get(name, {}).values())
