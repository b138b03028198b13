"""The documented instructions: data only, as the makers' tables give them.

Sources: W65C02S data sheet (2020), tables 5-1 and 6-4; Eyes & Lichty, *Programming the 65816*,
chapter 18. The two agree but for misprints.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

from .bus_clocks import Clock, own_sequence
from .members import EVENTS
from .modes import MODES, Mode

_STORES: Final = ("STA", "STX", "STY")
_MODIFIES: Final = ("ASL", "DEC", "INC", "LSR", "ROL", "ROR")


@dataclass(frozen=True)
class Instruction:
    """One opcode; or the entry of an interrupt or of reset, which has none.

    `clocks` is without those that a branch or decimal mode adds.
    """

    mnemonic: str
    mode: Mode
    opcode: int | None
    clocks: int
    flags: str  # those it updates, of "nvdizc"

    @property
    def length(self) -> int:
        """In bytes: 2 for BRK, which skips the byte behind it."""
        return 2 if self.mnemonic == "BRK" else self.mode.length

    @property
    def access(self) -> str:
        """What it does with memory at its operand's address: "read", "write", "modify" or ""."""
        if self.mode.address is None or self.mnemonic in ("JMP", "JSR"):
            return ""
        if self.mnemonic in _STORES:
            return "write"
        return "modify" if self.mnemonic in _MODIFIES else "read"

    @property
    def branches(self) -> bool:
        """Whether it goes elsewhere or not, as a flag says."""
        return self.mode.takes == "offset"

    def sequence(self, variant: str) -> tuple[Clock, ...]:
        """What the bus does in each clock; the last ones may not come, as their `when` says."""
        clocks = own_sequence(self.mnemonic, variant) or self.mode.sequence(self.access, variant)
        if variant == "cmos" and self.mnemonic in ("ADC", "SBC"):
            return (*clocks, Clock(None, when="decimal"))
        return clocks

    @cached_property
    def reads(self) -> tuple[str, ...]:
        """The names of the bytes that it reads and does not discard, in order; all are needed."""
        return tuple(clock.reads for clock in self.sequence("nmos") if clock.reads)

    @cached_property
    def pulls(self) -> int:
        """How many bytes it reads from the stack for their own sake."""
        return sum(name.startswith("pull") for name in self.reads)

    @property
    def pushes(self) -> bool:
        """Whether what it writes goes to the stack."""
        return not self.access and any(clock.writes for clock in self.sequence("nmos"))

    def __str__(self) -> str:
        """As a listing writes it: LDA abs has `absolute` behind the mnemonic."""
        return f"{self.mnemonic} {self.mode.name}".removesuffix(" implied").removesuffix(" entry")


# A mnemonic, the flags that it updates, and of each of its modes the opcode and the clocks.
INSTRUCTIONS: Final = tuple(
    Instruction(mnemonic, MODES[mode], opcode, clocks, flags)
    for mnemonic, flags, forms in (
        ("ADC", "nvzc", {"immediate": (0x69, 2), "zero page": (0x65, 3), "absolute": (0x6D, 4)}),
        ("AND", "nz", {"immediate": (0x29, 2), "zero page": (0x25, 3), "absolute": (0x2D, 4)}),
        ("ASL", "nzc", {"accumulator": (0x0A, 2), "zero page": (0x06, 5), "absolute": (0x0E, 6)}),
        ("BCC", "", {"relative": (0x90, 2)}),
        ("BCS", "", {"relative": (0xB0, 2)}),
        ("BEQ", "", {"relative": (0xF0, 2)}),
        ("BIT", "nvz", {"zero page": (0x24, 3), "absolute": (0x2C, 4)}),
        ("BMI", "", {"relative": (0x30, 2)}),
        ("BNE", "", {"relative": (0xD0, 2)}),
        ("BPL", "", {"relative": (0x10, 2)}),
        ("BRK", "i", {"implied": (0x00, 7)}),
        ("BVC", "", {"relative": (0x50, 2)}),
        ("BVS", "", {"relative": (0x70, 2)}),
        ("CLC", "c", {"implied": (0x18, 2)}),
        ("CLD", "d", {"implied": (0xD8, 2)}),
        ("CLI", "i", {"implied": (0x58, 2)}),
        ("CLV", "v", {"implied": (0xB8, 2)}),
        ("CMP", "nzc", {"immediate": (0xC9, 2), "zero page": (0xC5, 3), "absolute": (0xCD, 4)}),
        ("CPX", "nzc", {"immediate": (0xE0, 2), "zero page": (0xE4, 3), "absolute": (0xEC, 4)}),
        ("CPY", "nzc", {"immediate": (0xC0, 2), "zero page": (0xC4, 3), "absolute": (0xCC, 4)}),
        ("DEC", "nz", {"zero page": (0xC6, 5), "absolute": (0xCE, 6)}),
        ("DEX", "nz", {"implied": (0xCA, 2)}),
        ("DEY", "nz", {"implied": (0x88, 2)}),
        ("EOR", "nz", {"immediate": (0x49, 2), "zero page": (0x45, 3), "absolute": (0x4D, 4)}),
        ("INC", "nz", {"zero page": (0xE6, 5), "absolute": (0xEE, 6)}),
        ("INX", "nz", {"implied": (0xE8, 2)}),
        ("INY", "nz", {"implied": (0xC8, 2)}),
        ("JMP", "", {"absolute": (0x4C, 3)}),
        ("JSR", "", {"absolute": (0x20, 6)}),
        ("LDA", "nz", {"immediate": (0xA9, 2), "zero page": (0xA5, 3), "absolute": (0xAD, 4)}),
        ("LDX", "nz", {"immediate": (0xA2, 2), "zero page": (0xA6, 3), "absolute": (0xAE, 4)}),
        ("LDY", "nz", {"immediate": (0xA0, 2), "zero page": (0xA4, 3), "absolute": (0xAC, 4)}),
        ("LSR", "nzc", {"accumulator": (0x4A, 2), "zero page": (0x46, 5), "absolute": (0x4E, 6)}),
        ("NOP", "", {"implied": (0xEA, 2)}),
        ("ORA", "nz", {"immediate": (0x09, 2), "zero page": (0x05, 3), "absolute": (0x0D, 4)}),
        ("PHA", "", {"implied": (0x48, 3)}),
        ("PHP", "", {"implied": (0x08, 3)}),
        ("PLA", "nz", {"implied": (0x68, 4)}),
        ("PLP", "nvdizc", {"implied": (0x28, 4)}),
        ("ROL", "nzc", {"accumulator": (0x2A, 2), "zero page": (0x26, 5), "absolute": (0x2E, 6)}),
        ("ROR", "nzc", {"accumulator": (0x6A, 2), "zero page": (0x66, 5), "absolute": (0x6E, 6)}),
        ("RTI", "nvdizc", {"implied": (0x40, 6)}),
        ("RTS", "", {"implied": (0x60, 6)}),
        ("SBC", "nvzc", {"immediate": (0xE9, 2), "zero page": (0xE5, 3), "absolute": (0xED, 4)}),
        ("SEC", "c", {"implied": (0x38, 2)}),
        ("SED", "d", {"implied": (0xF8, 2)}),
        ("SEI", "i", {"implied": (0x78, 2)}),
        ("STA", "", {"zero page": (0x85, 3), "absolute": (0x8D, 4)}),
        ("STX", "", {"zero page": (0x86, 3), "absolute": (0x8E, 4)}),
        ("STY", "", {"zero page": (0x84, 3), "absolute": (0x8C, 4)}),
        ("TAX", "nz", {"implied": (0xAA, 2)}),
        ("TAY", "nz", {"implied": (0xA8, 2)}),
        ("TSX", "nz", {"implied": (0xBA, 2)}),
        ("TXA", "nz", {"implied": (0x8A, 2)}),
        ("TXS", "", {"implied": (0x9A, 2)}),
        ("TYA", "nz", {"implied": (0x98, 2)}),
    )
    for mode, (opcode, clocks) in forms.items()
)

_NOT_BUILT: Final = (
    ("ADC", "zp,X", 0x75), ("ADC", "abs,X", 0x7D), ("ADC", "abs,Y", 0x79), ("ADC", "(zp,X)", 0x61),
    ("ADC", "(zp),Y", 0x71), ("AND", "zp,X", 0x35), ("AND", "abs,X", 0x3D), ("AND", "abs,Y", 0x39),
    ("AND", "(zp,X)", 0x21), ("AND", "(zp),Y", 0x31), ("ASL", "zp,X", 0x16), ("ASL", "abs,X", 0x1E),
    ("CMP", "zp,X", 0xD5), ("CMP", "abs,X", 0xDD), ("CMP", "abs,Y", 0xD9), ("CMP", "(zp,X)", 0xC1),
    ("CMP", "(zp),Y", 0xD1), ("DEC", "zp,X", 0xD6), ("DEC", "abs,X", 0xDE), ("EOR", "zp,X", 0x55),
    ("EOR", "abs,X", 0x5D), ("EOR", "abs,Y", 0x59), ("EOR", "(zp,X)", 0x41),
    ("EOR", "(zp),Y", 0x51), ("INC", "zp,X", 0xF6), ("INC", "abs,X", 0xFE), ("JMP", "(abs)", 0x6C),
    ("LDA", "zp,X", 0xB5), ("LDA", "abs,X", 0xBD), ("LDA", "abs,Y", 0xB9), ("LDA", "(zp,X)", 0xA1),
    ("LDA", "(zp),Y", 0xB1), ("LDX", "zp,Y", 0xB6), ("LDX", "abs,Y", 0xBE), ("LDY", "zp,X", 0xB4),
    ("LDY", "abs,X", 0xBC), ("LSR", "zp,X", 0x56), ("LSR", "abs,X", 0x5E), ("ORA", "zp,X", 0x15),
    ("ORA", "abs,X", 0x1D), ("ORA", "abs,Y", 0x19), ("ORA", "(zp,X)", 0x01),
    ("ORA", "(zp),Y", 0x11), ("ROL", "zp,X", 0x36), ("ROL", "abs,X", 0x3E), ("ROR", "zp,X", 0x76),
    ("ROR", "abs,X", 0x7E), ("SBC", "zp,X", 0xF5), ("SBC", "abs,X", 0xFD), ("SBC", "abs,Y", 0xF9),
    ("SBC", "(zp,X)", 0xE1), ("SBC", "(zp),Y", 0xF1), ("STA", "zp,X", 0x95), ("STA", "abs,X", 0x9D),
    ("STA", "abs,Y", 0x99), ("STA", "(zp,X)", 0x81), ("STA", "(zp),Y", 0x91), ("STX", "zp,Y", 0x96),
    ("STY", "zp,X", 0x94),
)  # fmt: skip

#: What comes in between two instructions, by the name of its event.
ENTRIES: Final = {name: Instruction(name, MODES["entry"], None, 7, "i") for name in EVENTS[1:]}

BY_OPCODE: Final = {one.opcode: one for one in INSTRUCTIONS if one.opcode is not None}
BY_MNEMONIC: Final = {
    mnemonic: {one.mode.name: one for one in INSTRUCTIONS if one.mnemonic == mnemonic}
    for mnemonic in sorted({one.mnemonic for one in INSTRUCTIONS})
}

#: The opcodes that all members document, built or not: mnemonic, and mode as the makers name it.
DOCUMENTED: Final = {
    **{opcode: (one.mnemonic, one.mode.label) for opcode, one in BY_OPCODE.items()},
    **{opcode: (mnemonic, mode) for mnemonic, mode, opcode in _NOT_BUILT},
}

#: The mnemonics by the alphabet, then the events: the order of every report.
NAMES: Final = (*BY_MNEMONIC, *ENTRIES)


def standing(opcode: int, variant: str) -> str:
    """What an opcode is: LDA (zp),Y, and whether that is built; or that no maker documents it."""
    if opcode in DOCUMENTED:
        name = " ".join(DOCUMENTED[opcode]).strip()
        return name if opcode in BY_OPCODE else f"documented, not built yet: {name}"
    if variant == "cmos":
        return "undocumented on NMOS, and what CMOS adds is not built yet"
    return "undocumented on this variant"
