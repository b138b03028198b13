"""What a report says that it did not check."""

from __future__ import annotations

import pytest

from carrywave.sim.emulator.coverage import Coverage, grouped
from carrywave.sim.family.instructions import BY_OPCODE, DOCUMENTED

NOT_BUILT = (
    "Documented, not built yet: ADC AND CMP EOR LDA ORA SBC STA zp,X abs,X abs,Y (zp,X) (zp),Y; "
    "ASL DEC INC LDY LSR ROL ROR zp,X abs,X; JMP (abs); LDX zp,Y abs,Y; STX zp,Y; STY zp,X."
)


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_all_that_is_built_leaves_out_what_is_not(variant: str) -> None:
    coverage = Coverage(frozenset(BY_OPCODE), variant)
    more = ["What CMOS adds to these is not built yet."] if variant == "cmos" else []
    assert coverage.lines() == ["Covered: 92 of 151 documented opcodes.", NOT_BUILT, *more]


def test_what_was_not_asked_is_named_too() -> None:
    asked = frozenset(BY_OPCODE) - {0x0A, 0x06, 0x69, 0x4C, 0x20, 0xEA}
    assert Coverage(asked).lines() == [
        "Covered: 86 of 151 documented opcodes.",
        "Opcodes not compared: ADC #; ASL A zp; JMP JSR abs; NOP.",
        NOT_BUILT,
    ]
    assert Coverage().lines()[0] == "Covered: 0 of 151 documented opcodes."


@pytest.mark.parametrize("count", [0, 1, 50, 92])
def test_the_names_of_all_opcodes_are_in_the_json(count: int) -> None:
    coverage = Coverage(frozenset(sorted(BY_OPCODE)[:count]))
    found = coverage.to_json()
    assert (found["documented"], found["covered"]) == (151, count)
    assert len(found["not_compared"]) == 92 - count
    assert len(found["not_built"]) == 59
    assert {"LDA (zp),Y", "JMP (abs)", "STX zp,Y"} <= set(found["not_built"])
    names = {" ".join(name).strip() for name in DOCUMENTED.values()}
    assert {*found["not_compared"], *found["not_built"]} <= names
    assert ("BRK" in found["not_compared"]) == (count == 0)


def test_every_opcode_is_in_one_group() -> None:
    listed = []
    for group in grouped(DOCUMENTED).split("; "):
        words = group.split(" ")
        names = [word for word in words if word.isupper() and len(word) == 3]
        modes = [word for word in words if word not in names] or [""]
        listed += [(name, mode) for name in names for mode in modes]
    assert sorted(listed) == sorted(DOCUMENTED.values())
    assert len(listed) == 151
