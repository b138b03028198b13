"""What a report says that it did not check."""

from __future__ import annotations

import pytest

from carrywave.sim.emulator.coverage import Coverage, grouped
from carrywave.sim.family.instructions import DOCUMENTED


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_all_opcodes_leave_out_what_cmos_adds(variant: str) -> None:
    coverage = Coverage(frozenset(DOCUMENTED), variant)
    more = ["What CMOS adds to these is not built yet."] if variant == "cmos" else []
    assert coverage.lines() == ["Covered: 151 of 151 documented opcodes.", *more]


def test_what_was_not_asked_is_named_too() -> None:
    asked = frozenset(DOCUMENTED) - {0x0A, 0x06, 0x69, 0x4C, 0x20, 0xEA, 0x91, 0x6C}
    assert Coverage(asked).lines() == [
        "Covered: 143 of 151 documented opcodes.",
        "Opcodes not compared: ADC #; ASL A zp; JMP abs (abs); JSR abs; NOP; STA (zp),Y.",
    ]
    assert Coverage().lines()[0] == "Covered: 0 of 151 documented opcodes."


@pytest.mark.parametrize("count", [0, 1, 50, 151])
def test_the_names_of_all_opcodes_are_in_the_json(count: int) -> None:
    coverage = Coverage(frozenset(sorted(DOCUMENTED)[:count]))
    found = coverage.to_json()
    assert (found["documented"], found["covered"]) == (151, count)
    assert len(found["not_compared"]) == 151 - count
    names = {" ".join(name).strip() for name in DOCUMENTED.values()}
    assert set(found["not_compared"]) <= names
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
