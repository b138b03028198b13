"""The command that draws a case: it does what the case does, for every opcode."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from typing import Any

import pytest
from usual import first_of

from carrywave.sim.cases.case_memory import possible
from carrywave.sim.cases.sampled import quick_cases
from carrywave.sim.family.instructions import ENTRIES, INSTRUCTIONS
from carrywave.sim.family.status_byte import flags_of
from carrywave.sim.op.operation import (
    arrange,
    command_of,
    numbers_of,
    operate,
    operation_command,
    operation_of,
)
from carrywave.sim.witness.model import Model


@pytest.mark.parametrize("variant", first_of(["nmos", "cmos"]))
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


def test_what_draws_a_case_is_not_refused_and_shows_its_clocks(
    carrywave: Callable[..., Any],
) -> None:
    """A pointer that wraps beside the instruction, a branch over a page's end, SP at the end."""
    compared = gone = 0
    for form in INSTRUCTIONS:
        cases = quick_cases(form)
        cases = cases[(cases["event"] == 0) & possible(cases)][-1:]
        for case, outcome in zip(cases, Model().execute(cases), strict=True):
            command = operation_command(case)
            assert command is not None
            status, out, err = carrywave(*shlex.split(command)[1:], "--json")
            assert (status, err) == (0, ""), command
            told = json.loads(out)
            if form.branches or form.index or "pointer.low" in form.reads:
                assert len(told["bus"]) == outcome["cycles"], command
                assert told["bus"][0][1] == case["pc"]
            if form.pulls or form.pushes:
                assert told["sp"] == outcome["sp"], command
            if form.mnemonic in ("JMP", "JSR", "RTS", "RTI", "BRK"):
                wrote = outcome["write_address"], outcome["write_value"]
                pushed = [["W", *map(int, one)] for one in zip(*wrote, strict=True)]
                assert told["pc"] == outcome["pc"], command
                shown = [one for one in told["bus"] if one[0] == "W"]
                assert shown == pushed[: int(outcome["writes"])], command
                gone += 1
            compared += 1
    assert (compared, gone) == (151, 6)


def test_the_operation_of_a_case_is_in_its_own_mode_where_an_address_is_formed() -> None:
    compared = 0
    for form in INSTRUCTIONS:
        if not form.index and "pointer.low" not in form.reads:
            continue
        cases = quick_cases(form)
        case = cases[(cases["event"] == 0) & possible(cases)][-1]
        shown = operation_of(case)
        assert (shown.bus[0].address, shown.bus[0].byte) == (case["pc"], form.opcode)
        assert shown.case is not None
        read = slice(0, int(case["reads"]))
        for column in ("read_address", "read_value"):
            assert shown.case[column][read].tolist() == case[column][read].tolist(), form
        compared += 1
    assert compared == 59


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
