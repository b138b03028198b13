"""The documented opcodes against the set that is published."""

from __future__ import annotations

import pytest

from carrywave.sim.family.instructions import BY_OPCODE, DOCUMENTED, standing
from carrywave.sim.family.members import VARIANTS

# Eyes & Lichty, *Programming the 65816*, chapter 18, without what only CMOS members have.
PUBLISHED = (
    ("ORA AND EOR ADC LDA CMP SBC", "# zp zp,X abs abs,X abs,Y (zp,X) (zp),Y"),
    ("STA", "zp zp,X abs abs,X abs,Y (zp,X) (zp),Y"),
    ("ASL ROL LSR ROR", "A zp zp,X abs abs,X"),
    ("INC DEC", "zp zp,X abs abs,X"),
    ("LDX", "# zp zp,Y abs abs,Y"),
    ("LDY", "# zp zp,X abs abs,X"),
    ("STX", "zp zp,Y abs"),
    ("STY", "zp zp,X abs"),
    ("CPX CPY", "# zp abs"),
    ("BIT", "zp abs"),
    ("JMP", "abs (abs)"),
    ("JSR", "abs"),
)
ALONE = """
BCC BCS BEQ BMI BNE BPL BVC BVS BRK CLC CLD CLI CLV DEX DEY INX INY NOP PHA PHP PLA PLP RTI RTS
SEC SED SEI TAX TAY TSX TXA TXS TYA
"""

# An opcode is three bits of what, three of where and two of which group: common practice.
GROUPS = {
    1: ("ORA AND EOR ADC STA LDA CMP SBC", "(zp,X) zp # abs (zp),Y zp,X abs,Y abs,X"),
    2: ("ASL ROL LSR ROR STX LDX DEC INC", "# zp A abs - zp,X - abs,X"),
    0: ("- BIT JMP - STY LDY CPY CPX", "# zp - abs - zp,X - abs,X"),
}


def test_the_documented_opcodes_are_those_that_are_published() -> None:
    published = [(name, "") for name in ALONE.split()]
    for names, modes in PUBLISHED:
        published += [(name, mode) for name in names.split() for mode in modes.split()]
    assert sorted(DOCUMENTED.values()) == sorted(published)
    assert len(DOCUMENTED) == len(set(published)) == 151
    assert len({name for name, _ in published}) == 56
    assert len(BY_OPCODE) == 151


def test_opcodes_follow_from_their_bit_fields() -> None:
    by_name = {name: opcode for opcode, name in DOCUMENTED.items()}
    checked = 0
    for group, (names, modes) in GROUPS.items():
        for i, name in enumerate(names.split()):
            for j, mode in enumerate(modes.split()):
                by_y = group == 2 and name in ("STX", "LDX")
                wanted = by_name.get((name, mode.replace(",X", ",Y") if by_y else mode))
                if wanted is not None and name != "JMP":
                    assert wanted == i << 5 | j << 2 | group, (name, mode)
                    checked += 1
    assert by_name["JMP", "(abs)"] == by_name["JMP", "abs"] | 0x20 == 0x6C
    assert checked == 151 - len(ALONE.split()) - 3  # JMP, JSR


@pytest.mark.parametrize("variant", VARIANTS)
def test_each_opcode_says_how_it_stands(variant: str) -> None:
    other = (
        "undocumented on NMOS, and what CMOS adds is not built" if variant == "cmos"
        else "undocumented on this variant"
    )  # fmt: skip
    said = [standing(opcode, variant) for opcode in range(256)]
    assert said[0xA9] == "LDA #"
    assert said[0xEA] == "NOP"
    assert said[0xB1] == "LDA (zp),Y"
    assert said[0x6C] == "JMP (abs)"
    assert said[0x02] == said[0xFF] == other
    assert said.count(other) == 256 - 151
