"""The documented instructions: data only, as the makers' tables give them.

Sources: W65C02S data sheet (2020), tables 5-1 and 6-4; Eyes & Lichty, *Programming the 65816*,
chapter 18. The two agree but for misprints. The order of the clocks is NMOS and from memory (MOS
Technology, *MCS6500 Microcomputer Family Hardware Manual*, appendix A).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = [
    "ADDERS",
    "BY_MNEMONIC",
    "BY_OPCODE",
    "EVENTS",
    "INSTRUCTIONS",
    "MODES",
    "VARIANTS",
    "Instruction",
    "bus_activity",
]

VARIANTS: Final = ("nmos", "cmos", "binary")
ADDERS: Final = ("ripple", "lookahead", "prefix")  # of the ALU; no instruction can tell
EVENTS: Final = ("instruction", "IRQ", "NMI", "RESET")  # the codes of a case's `event`
MODES: Final = ("implied", "accumulator", "immediate", "zero page", "absolute", "relative")


@dataclass(frozen=True, slots=True)
class Instruction:
    """One opcode: `length` in bytes, `clocks` without those that a branch or decimal mode adds."""

    mnemonic: str
    mode: str
    opcode: int
    length: int
    clocks: int
    flags: str  # those it updates, of "nvdizc"

    @property
    def access(self) -> str:
        """What it does with memory at its operand's address: "read", "write", "modify" or ""."""
        if self.mode not in ("zero page", "absolute") or self.mnemonic in ("JMP", "JSR"):
            return ""
        if self.mnemonic in ("STA", "STX", "STY"):
            return "write"
        return "modify" if self.mnemonic in ("ASL", "DEC", "INC", "LSR", "ROL", "ROR") else "read"


INSTRUCTIONS: Final = tuple(
    Instruction(*row)
    for row in (
        ("ADC", "immediate", 0x69, 2, 2, "nvzc"),
        ("ADC", "zero page", 0x65, 2, 3, "nvzc"),
        ("ADC", "absolute", 0x6D, 3, 4, "nvzc"),
        ("AND", "immediate", 0x29, 2, 2, "nz"),
        ("AND", "zero page", 0x25, 2, 3, "nz"),
        ("AND", "absolute", 0x2D, 3, 4, "nz"),
        ("ASL", "accumulator", 0x0A, 1, 2, "nzc"),
        ("ASL", "zero page", 0x06, 2, 5, "nzc"),
        ("ASL", "absolute", 0x0E, 3, 6, "nzc"),
        ("BCC", "relative", 0x90, 2, 2, ""),
        ("BCS", "relative", 0xB0, 2, 2, ""),
        ("BEQ", "relative", 0xF0, 2, 2, ""),
        ("BIT", "zero page", 0x24, 2, 3, "nvz"),
        ("BIT", "absolute", 0x2C, 3, 4, "nvz"),
        ("BMI", "relative", 0x30, 2, 2, ""),
        ("BNE", "relative", 0xD0, 2, 2, ""),
        ("BPL", "relative", 0x10, 2, 2, ""),
        ("BRK", "implied", 0x00, 2, 7, "i"),
        ("BVC", "relative", 0x50, 2, 2, ""),
        ("BVS", "relative", 0x70, 2, 2, ""),
        ("CLC", "implied", 0x18, 1, 2, "c"),
        ("CLD", "implied", 0xD8, 1, 2, "d"),
        ("CLI", "implied", 0x58, 1, 2, "i"),
        ("CLV", "implied", 0xB8, 1, 2, "v"),
        ("CMP", "immediate", 0xC9, 2, 2, "nzc"),
        ("CMP", "zero page", 0xC5, 2, 3, "nzc"),
        ("CMP", "absolute", 0xCD, 3, 4, "nzc"),
        ("CPX", "immediate", 0xE0, 2, 2, "nzc"),
        ("CPX", "zero page", 0xE4, 2, 3, "nzc"),
        ("CPX", "absolute", 0xEC, 3, 4, "nzc"),
        ("CPY", "immediate", 0xC0, 2, 2, "nzc"),
        ("CPY", "zero page", 0xC4, 2, 3, "nzc"),
        ("CPY", "absolute", 0xCC, 3, 4, "nzc"),
        ("DEC", "zero page", 0xC6, 2, 5, "nz"),
        ("DEC", "absolute", 0xCE, 3, 6, "nz"),
        ("DEX", "implied", 0xCA, 1, 2, "nz"),
        ("DEY", "implied", 0x88, 1, 2, "nz"),
        ("EOR", "immediate", 0x49, 2, 2, "nz"),
        ("EOR", "zero page", 0x45, 2, 3, "nz"),
        ("EOR", "absolute", 0x4D, 3, 4, "nz"),
        ("INC", "zero page", 0xE6, 2, 5, "nz"),
        ("INC", "absolute", 0xEE, 3, 6, "nz"),
        ("INX", "implied", 0xE8, 1, 2, "nz"),
        ("INY", "implied", 0xC8, 1, 2, "nz"),
        ("JMP", "absolute", 0x4C, 3, 3, ""),
        ("JSR", "absolute", 0x20, 3, 6, ""),
        ("LDA", "immediate", 0xA9, 2, 2, "nz"),
        ("LDA", "zero page", 0xA5, 2, 3, "nz"),
        ("LDA", "absolute", 0xAD, 3, 4, "nz"),
        ("LDX", "immediate", 0xA2, 2, 2, "nz"),
        ("LDX", "zero page", 0xA6, 2, 3, "nz"),
        ("LDX", "absolute", 0xAE, 3, 4, "nz"),
        ("LDY", "immediate", 0xA0, 2, 2, "nz"),
        ("LDY", "zero page", 0xA4, 2, 3, "nz"),
        ("LDY", "absolute", 0xAC, 3, 4, "nz"),
        ("LSR", "accumulator", 0x4A, 1, 2, "nzc"),
        ("LSR", "zero page", 0x46, 2, 5, "nzc"),
        ("LSR", "absolute", 0x4E, 3, 6, "nzc"),
        ("NOP", "implied", 0xEA, 1, 2, ""),
        ("ORA", "immediate", 0x09, 2, 2, "nz"),
        ("ORA", "zero page", 0x05, 2, 3, "nz"),
        ("ORA", "absolute", 0x0D, 3, 4, "nz"),
        ("PHA", "implied", 0x48, 1, 3, ""),
        ("PHP", "implied", 0x08, 1, 3, ""),
        ("PLA", "implied", 0x68, 1, 4, "nz"),
        ("PLP", "implied", 0x28, 1, 4, "nvdizc"),
        ("ROL", "accumulator", 0x2A, 1, 2, "nzc"),
        ("ROL", "zero page", 0x26, 2, 5, "nzc"),
        ("ROL", "absolute", 0x2E, 3, 6, "nzc"),
        ("ROR", "accumulator", 0x6A, 1, 2, "nzc"),
        ("ROR", "zero page", 0x66, 2, 5, "nzc"),
        ("ROR", "absolute", 0x6E, 3, 6, "nzc"),
        ("RTI", "implied", 0x40, 1, 6, "nvdizc"),
        ("RTS", "implied", 0x60, 1, 6, ""),
        ("SBC", "immediate", 0xE9, 2, 2, "nvzc"),
        ("SBC", "zero page", 0xE5, 2, 3, "nvzc"),
        ("SBC", "absolute", 0xED, 3, 4, "nvzc"),
        ("SEC", "implied", 0x38, 1, 2, "c"),
        ("SED", "implied", 0xF8, 1, 2, "d"),
        ("SEI", "implied", 0x78, 1, 2, "i"),
        ("STA", "zero page", 0x85, 2, 3, ""),
        ("STA", "absolute", 0x8D, 3, 4, ""),
        ("STX", "zero page", 0x86, 2, 3, ""),
        ("STX", "absolute", 0x8E, 3, 4, ""),
        ("STY", "zero page", 0x84, 2, 3, ""),
        ("STY", "absolute", 0x8C, 3, 4, ""),
        ("TAX", "implied", 0xAA, 1, 2, "nz"),
        ("TAY", "implied", 0xA8, 1, 2, "nz"),
        ("TSX", "implied", 0xBA, 1, 2, "nz"),
        ("TXA", "implied", 0x8A, 1, 2, "nz"),
        ("TXS", "implied", 0x9A, 1, 2, ""),
        ("TYA", "implied", 0x98, 1, 2, "nz"),
    )
)

BY_OPCODE: Final = {entry.opcode: entry for entry in INSTRUCTIONS}
BY_MNEMONIC: Final = {
    mnemonic: {entry.mode: entry for entry in INSTRUCTIONS if entry.mnemonic == mnemonic}
    for mnemonic in sorted({entry.mnemonic for entry in INSTRUCTIONS})
}

# A clock is what the bus does, where, and which byte it carries. R reads, W writes. Places: pc is
# the opcode's own address and n the next unread byte of the instruction; s is SP before the
# instruction; ea the operand's address; a vector by its two last digits. A byte of "d" is read and
# discarded.
_SEQUENCES: Final = {
    "implied": "R pc op · R n d",
    "accumulator": "R pc op · R n d",
    "immediate": "R pc op · R n value",
    "zero page read": "R pc op · R n adl · R ea value",
    "zero page write": "R pc op · R n adl · W ea stored",
    "zero page modify": "R pc op · R n adl · R ea value · W ea value · W ea stored",
    "absolute read": "R pc op · R n adl · R n adh · R ea value",
    "absolute write": "R pc op · R n adl · R n adh · W ea stored",
    "absolute modify": "R pc op · R n adl · R n adh · R ea value · W ea value · W ea stored",
    "relative": "R pc op · R n offset",
    "JMP": "R pc op · R n adl · R n adh",
    "JSR": "R pc op · R n adl · R s d · W s pch · W s-1 pcl · R n adh",
    "RTS": "R pc op · R n d · R s d · R s+1 pcl · R s+2 pch · R pulled d",
    "RTI": "R pc op · R n d · R s d · R s+1 p · R s+2 pcl · R s+3 pch",
    "PHA": "R pc op · R n d · W s a",
    "PHP": "R pc op · R n d · W s p",
    "PLA": "R pc op · R n d · R s d · R s+1 value",
    "PLP": "R pc op · R n d · R s d · R s+1 p",
    "BRK": "R pc op · R n d · W s pch · W s-1 pcl · W s-2 p · R FE pcl · R FF pch",
    "IRQ": "R pc d · R pc d · W s pch · W s-1 pcl · W s-2 p · R FE pcl · R FF pch",
    "NMI": "R pc d · R pc d · W s pch · W s-1 pcl · W s-2 p · R FA pcl · R FB pch",
    "RESET": "R pc d · R pc d · R s d · R s-1 d · R s-2 d · R FC pcl · R FD pch",
}


def bus_activity(name: str, mode: str = "implied") -> tuple[tuple[str, str, str], ...]:
    """The published clocks of an instruction, or of "IRQ", "NMI" or "RESET": (R or W, place, byte)
    each.

    A taken branch goes on with a discarded read of the next opcode, and one into another page with
    a discarded read of the target's low byte in the old page. CMOS reads where a read-modify-write
    instruction on NMOS writes the unmodified byte, and in decimal mode ADC and SBC take a clock
    more.
    """
    sequence = _SEQUENCES.get(name)
    if sequence is None:
        entry = BY_MNEMONIC[name][mode]
        sequence = _SEQUENCES[f"{mode} {entry.access}".strip()]
    clocks = (clock.split() for clock in sequence.split(" · "))
    return tuple((kind, place, byte) for kind, place, byte in clocks)
