"""The command that draws a case: it does what the case does, for every opcode."""

from __future__ import annotations

import pytest

from carrywave.sim.cases.sampled import quick_cases
from carrywave.sim.family.instructions import ENTRIES, INSTRUCTIONS
from carrywave.sim.family.status_byte import flags_of
from carrywave.sim.op.operation import arrange, command_of, numbers_of, operate, operation_command
from carrywave.sim.witness.model import Model

pytestmark = pytest.mark.usefixtures("one_simulator")


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_the_numbers_of_a_case_do_what_it_does(variant: str) -> None:
    compared = 0
    for form in INSTRUCTIONS:
        cases = quick_cases(form, variant=variant)[-3:]
        cases["event"] = 0
        if form.mnemonic == "TSX":
            cases["sp"] = 0xFD  # where a shown operation has its stack
        for case, outcome in zip(cases, Model(variant).execute(cases), strict=True):
            name, numbers = numbers_of(case)
            p = int(case["p"])
            a, operand = arrange(name, numbers)
            shown = operate(name, a, operand, p & 1, bool(p & 8), variant, p)
            assert name == form.mnemonic
            assert shown.after == flags_of(int(outcome["p"])), (form, numbers)
            compared += 1
    assert compared == 3 * 151


def test_an_entry_has_no_command_and_a_masked_irq_is_the_instruction() -> None:
    for entry in ENTRIES.values():
        heard = quick_cases(entry)[:1].copy()
        heard["p"] &= 0xFF - 4
        assert operation_command(heard[0]) is None
    masked = quick_cases(ENTRIES["IRQ"])[:1].copy()
    masked["p"] |= 4
    command = operation_command(masked[0])
    assert command is not None
    assert command.startswith("carrywave op ")
    assert operation_command(masked[0], "cmos") == f"{command} --variant cmos"


def test_an_opcode_that_is_not_built_has_no_command() -> None:
    case = quick_cases(INSTRUCTIONS[0])[:1].copy()
    case["event"], case["read_value"][0, 0] = 0, 0x02
    assert operation_command(case[0]) is None


def test_a_command_says_what_differs_from_its_defaults() -> None:
    assert command_of("ADC", [0x50, 0x0F], 0x30) == "carrywave op ADC 0x50 0x0F"
    assert command_of("ROL", [0x80], 0xFF, "binary") == (
        "carrywave op ROL 0x80 --carry 1 --decimal --status 0xF6 --variant binary"
    )
