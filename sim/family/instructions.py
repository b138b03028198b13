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
_SHIFTS: Final = ("ASL", "LSR", "ROL", "ROR")
_MODIFIES: Final = (*_SHIFTS, "DEC", "INC")
# The modes as the makers' tables name them.
_BY_LABEL: Final = {
    **{mode.label: mode for mode in MODES.values() if mode.label},
    "imp": MODES["implied"], "rel": MODES["relative"],
}  # fmt: skip


@dataclass(frozen=True)
class Instruction:
    """One opcode; or the entry of an interrupt or of reset, which has none.

    `clocks` is NMOS' number, without those that a branch or a page crossing adds.
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

    def clocks_on(self, variant: str) -> int:
        """The clocks that there always are.

        Source of CMOS' numbers: W65C02S data sheet (2020), table 7-1.
        """
        indirect = self.mnemonic == "JMP" and "pointer.low" in self.reads
        if variant == "cmos" and (indirect or self._waits_less):
            return self.clocks + (1 if indirect else -1)
        return self.clocks

    @property
    def _waits_less(self) -> bool:
        """Whether on CMOS it takes a clock for a carry into the page only if there is one."""
        return self.mnemonic in _SHIFTS and "shift" in self.mode.rows

    @property
    def branches(self) -> bool:
        """Whether it goes elsewhere or not, as a flag says."""
        return self.mode.takes == "offset"

    def sequence(self, variant: str) -> tuple[Clock, ...]:
        """What the bus does in each clock; the last ones may not come, as their `when` says."""
        row = self.access
        if variant == "cmos":
            row = "shift" if self._waits_less else "cmos" if "cmos" in self.mode.rows else row
        clocks = own_sequence(self.mnemonic, variant) or self.mode.sequence(row, variant)
        if variant == "cmos" and self.mnemonic in ("ADC", "SBC"):
            return (*clocks, Clock(None, when="decimal"))
        return clocks

    def pays_for_crossing(self, variant: str) -> bool:
        """Whether it takes a clock more where its index crosses a page."""
        return bool(self.index) and any(one.when == "crossed" for one in self.sequence(variant))

    @cached_property
    def reads(self) -> tuple[str, ...]:
        """The names of the bytes that it reads and does not discard, in order; all are needed."""
        return tuple(clock.reads for clock in self.sequence("nmos") if clock.reads)

    @cached_property
    def index(self) -> str:
        """The register that is added to an address: "x", "y", or "" for none."""
        terms = [clock.address for clock in self.sequence("nmos") if clock.address is not None]
        return "".join({"x", "y"}.intersection(*[set().union(*(t.names() for t in terms))]))

    @cached_property
    def pointer(self) -> set[str]:
        """What is added up for where a pointer lies in page zero; empty where there is none."""
        terms = [clock.address for clock in self.sequence("nmos") if clock.reads == "address.low"]
        return {name for term in terms if term for name in term.names()} - {"pc"}

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


# A mnemonic, the flags that it updates, and of each of its modes the opcode and the clocks on NMOS.
INSTRUCTIONS: Final = tuple(
    Instruction(mnemonic, _BY_LABEL[mode], int(opcode, 16), int(clocks), flags)
    for mnemonic, flags, forms in (
        ("ADC", "nvzc", "# 69 2 · zp 65 3 · zp,X 75 4 · abs 6D 4 · abs,X 7D 4 · abs,Y 79 4 · "
                        "(zp,X) 61 6 · (zp),Y 71 5"),
        ("AND", "nz", "# 29 2 · zp 25 3 · zp,X 35 4 · abs 2D 4 · abs,X 3D 4 · abs,Y 39 4 · "
                      "(zp,X) 21 6 · (zp),Y 31 5"),
        ("ASL", "nzc", "A 0A 2 · zp 06 5 · zp,X 16 6 · abs 0E 6 · abs,X 1E 7"),
        ("BCC", "", "rel 90 2"),
        ("BCS", "", "rel B0 2"),
        ("BEQ", "", "rel F0 2"),
        ("BIT", "nvz", "zp 24 3 · abs 2C 4"),
        ("BMI", "", "rel 30 2"),
        ("BNE", "", "rel D0 2"),
        ("BPL", "", "rel 10 2"),
        ("BRK", "i", "imp 00 7"),
        ("BVC", "", "rel 50 2"),
        ("BVS", "", "rel 70 2"),
        ("CLC", "c", "imp 18 2"),
        ("CLD", "d", "imp D8 2"),
        ("CLI", "i", "imp 58 2"),
        ("CLV", "v", "imp B8 2"),
        ("CMP", "nzc", "# C9 2 · zp C5 3 · zp,X D5 4 · abs CD 4 · abs,X DD 4 · abs,Y D9 4 · "
                       "(zp,X) C1 6 · (zp),Y D1 5"),
        ("CPX", "nzc", "# E0 2 · zp E4 3 · abs EC 4"),
        ("CPY", "nzc", "# C0 2 · zp C4 3 · abs CC 4"),
        ("DEC", "nz", "zp C6 5 · zp,X D6 6 · abs CE 6 · abs,X DE 7"),
        ("DEX", "nz", "imp CA 2"),
        ("DEY", "nz", "imp 88 2"),
        ("EOR", "nz", "# 49 2 · zp 45 3 · zp,X 55 4 · abs 4D 4 · abs,X 5D 4 · abs,Y 59 4 · "
                      "(zp,X) 41 6 · (zp),Y 51 5"),
        ("INC", "nz", "zp E6 5 · zp,X F6 6 · abs EE 6 · abs,X FE 7"),
        ("INX", "nz", "imp E8 2"),
        ("INY", "nz", "imp C8 2"),
        ("JMP", "", "abs 4C 3 · (abs) 6C 5"),
        ("JSR", "", "abs 20 6"),
        ("LDA", "nz", "# A9 2 · zp A5 3 · zp,X B5 4 · abs AD 4 · abs,X BD 4 · abs,Y B9 4 · "
                      "(zp,X) A1 6 · (zp),Y B1 5"),
        ("LDX", "nz", "# A2 2 · zp A6 3 · zp,Y B6 4 · abs AE 4 · abs,Y BE 4"),
        ("LDY", "nz", "# A0 2 · zp A4 3 · zp,X B4 4 · abs AC 4 · abs,X BC 4"),
        ("LSR", "nzc", "A 4A 2 · zp 46 5 · zp,X 56 6 · abs 4E 6 · abs,X 5E 7"),
        ("NOP", "", "imp EA 2"),
        ("ORA", "nz", "# 09 2 · zp 05 3 · zp,X 15 4 · abs 0D 4 · abs,X 1D 4 · abs,Y 19 4 · "
                      "(zp,X) 01 6 · (zp),Y 11 5"),
        ("PHA", "", "imp 48 3"),
        ("PHP", "", "imp 08 3"),
        ("PLA", "nz", "imp 68 4"),
        ("PLP", "nvdizc", "imp 28 4"),
        ("ROL", "nzc", "A 2A 2 · zp 26 5 · zp,X 36 6 · abs 2E 6 · abs,X 3E 7"),
        ("ROR", "nzc", "A 6A 2 · zp 66 5 · zp,X 76 6 · abs 6E 6 · abs,X 7E 7"),
        ("RTI", "nvdizc", "imp 40 6"),
        ("RTS", "", "imp 60 6"),
        ("SBC", "nvzc", "# E9 2 · zp E5 3 · zp,X F5 4 · abs ED 4 · abs,X FD 4 · abs,Y F9 4 · "
                        "(zp,X) E1 6 · (zp),Y F1 5"),
        ("SEC", "c", "imp 38 2"),
        ("SED", "d", "imp F8 2"),
        ("SEI", "i", "imp 78 2"),
        ("STA", "", "zp 85 3 · zp,X 95 4 · abs 8D 4 · abs,X 9D 5 · abs,Y 99 5 · (zp,X) 81 6 · "
                    "(zp),Y 91 6"),
        ("STX", "", "zp 86 3 · zp,Y 96 4 · abs 8E 4"),
        ("STY", "", "zp 84 3 · zp,X 94 4 · abs 8C 4"),
        ("TAX", "nz", "imp AA 2"),
        ("TAY", "nz", "imp A8 2"),
        ("TSX", "nz", "imp BA 2"),
        ("TXA", "nz", "imp 8A 2"),
        ("TXS", "", "imp 9A 2"),
        ("TYA", "nz", "imp 98 2"),
    )
    for mode, opcode, clocks in (form.split() for form in forms.split(" · "))
)  # fmt: skip

#: What comes in between two instructions, by the name of its event.
ENTRIES: Final = {name: Instruction(name, MODES["entry"], None, 7, "i") for name in EVENTS[1:]}

BY_OPCODE: Final = {one.opcode: one for one in INSTRUCTIONS if one.opcode is not None}
BY_MNEMONIC: Final = {
    mnemonic: {one.mode.name: one for one in INSTRUCTIONS if one.mnemonic == mnemonic}
    for mnemonic in sorted({one.mnemonic for one in INSTRUCTIONS})
}

#: The opcodes that all members document: mnemonic, and mode as the makers name it.
DOCUMENTED: Final = {opcode: (one.mnemonic, one.mode.label) for opcode, one in BY_OPCODE.items()}

#: The mnemonics by the alphabet, then the events: the order of every report.
NAMES: Final = (*BY_MNEMONIC, *ENTRIES)


def notation_of(code: bytes, address: int) -> str:
    """An instruction's bytes as a listing writes it, with numbers; "" where they are none."""
    one = BY_OPCODE.get(code[0]) if code else None
    if one is None or len(code) < one.mode.length:
        return ""
    number = int.from_bytes(code[1 : one.mode.length], "little")
    if one.branches:
        number = (address + 2 + (number ^ 0x80) - 0x80) % 0x10000
    digits = 4 if one.branches or one.mode.length == 3 else 2
    return f"{one.mnemonic} {one.mode.notation.format(f'${number:0{digits}X}')}".strip()


def standing(opcode: int, variant: str) -> str:
    """What an opcode is, LDA (zp),Y; or that no maker documents it."""
    if opcode in DOCUMENTED:
        return " ".join(DOCUMENTED[opcode]).strip()
    if variant == "cmos":
        return "undocumented on NMOS, and what CMOS adds is not built"
    return "undocumented on this variant"
