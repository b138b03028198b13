"""Unicorn (QEMU's Arm engine), Arm mode: ADCS, SBCS, CMP, CMN with N Z C V.

Source: the `unicorn` package, run here. Arm's carry after a subtraction is NOT borrow, as in the
65xx family, so flags are compared as they are. A byte is put into the top of a 32-bit word: then
N, V and C of the word are those of the byte, and the lower bits of the result are 0, so that Z is
the byte's too.
"""

from __future__ import annotations

import numpy as np
import pytest
from unicorn import UC_ARCH_ARM, UC_MODE_ARM, Uc
from unicorn.arm_const import UC_ARM_REG_R0, UC_ARM_REG_R1, UC_ARM_REG_R2

RECORD = np.dtype([("flags", "<u4"), ("left", "<u4"), ("right", "<u4")])
ANSWER = np.dtype([("result", "<u4"), ("flags", "<u4")])
OPERATIONS = {
    "ADCS": 0xE0B46005,  # adcs r6, r4, r5
    "SBCS": 0xE0D46005,  # sbcs r6, r4, r5
    "CMP": 0xE1540005,  # cmp r4, r5
    "CMN": 0xE1740005,  # cmn r4, r5
}


@pytest.fixture
def arm(emulate):
    """Runs one operation on bytes: result and flags by name."""

    def run(operation, a, m, carry):
        records = np.zeros(len(a), RECORD)
        records["flags"] = carry << 29
        records["left"], records["right"] = a << 24, m << 24
        # What a carry or borrow has to run through on its way to the byte.
        if operation == "ADCS":
            records["left"] |= np.where(carry, 0xFFFFFF, 0).astype("<u4")
        elif operation == "SBCS":
            records["right"] |= np.where(carry, 0, 0xFFFFFF).astype("<u4")
        words = (
            0xE8B00038,  # ldmia r0!, {r3, r4, r5}
            0xE128F003,  # msr cpsr_f, r3
            OPERATIONS[operation],
            0xE10F7000,  # mrs r7, cpsr
            0xE8A100C0,  # stmia r1!, {r6, r7}
            0xE2522001,  # subs r2, r2, #1
            0x1AFFFFF8,  # bne to the first
        )
        answers = emulate(
            Uc(UC_ARCH_ARM, UC_MODE_ARM),
            b"".join(word.to_bytes(4, "little") for word in words),
            records,
            ANSWER,
            (UC_ARM_REG_R0, UC_ARM_REG_R1, UC_ARM_REG_R2),
        )
        flags = {
            name: answers["flags"] >> bit & 1
            for name, bit in zip("nzcv", (31, 30, 29, 28), strict=True)
        }
        return answers["result"], flags

    return run


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
@pytest.mark.parametrize(("mnemonic", "operation"), [("ADC", "ADCS"), ("SBC", "SBCS")])
def test_binary_result_and_flags_on_every_input(
    mnemonic, operation, variant, arm, answer, every_input, verdict
):
    result, flags = arm(operation, *every_input)
    outcomes = answer(mnemonic, variant=variant, **every_input._asdict())
    assert np.count_nonzero(result & 0xFFFFFF) == 0
    assert verdict(outcomes, a=result >> 24, **flags) == (2**17, {})


def test_decimal_flag_is_ignored_where_decimal_mode_is_disconnected(
    arm, answer, every_input, verdict
):
    for mnemonic, operation in (("ADC", "ADCS"), ("SBC", "SBCS")):
        result, flags = arm(operation, *every_input)
        outcomes = answer(mnemonic, variant="binary", decimal=1, **every_input._asdict())
        assert verdict(outcomes, a=result >> 24, **flags) == (2**17, {})


@pytest.mark.parametrize("decimal", [0, 1])
@pytest.mark.parametrize(("mnemonic", "register"), [("CMP", "a"), ("CPX", "x"), ("CPY", "y")])
def test_compare_on_every_input_ignores_carry_decimal_and_leaves_v(
    mnemonic, register, decimal, arm, answer, every_input, verdict
):
    a, m, carry = every_input
    _, flags = arm("CMP", a, m, carry)
    del flags["v"]
    for v in (0, 1):
        outcomes = answer(mnemonic, m=m, carry=carry, decimal=decimal, p=v << 6, **{register: a})
        assert verdict(outcomes, **flags, v=v, **{register: a}) == (2**17, {})


def test_cmn_gives_the_flags_of_adc_without_carry(arm, answer, every_input, verdict):
    a, m, carry = every_input
    _, flags = arm("CMN", a, m, carry)
    assert verdict(answer("ADC", a=a, m=m, carry=0), **flags) == (2**17, {})


def test_a_planted_mistake_is_seen_on_every_input_it_touches(
    arm, answer, every_input, field, plant, verdict
):
    _, sbcs = arm("SBCS", *every_input)
    outcomes = answer("SBC", **every_input._asdict())
    borrow = plant(outcomes, c=1 - field(outcomes, "c"))
    assert verdict(borrow, **sbcs) == (2**17, {"c": 2**17})

    a, m, carry = every_input
    _, cmp = arm("CMP", a, m, carry)
    outcomes = answer("CMP", a=a, m=m, carry=carry)
    strict = plant(outcomes, c=a > m)
    assert verdict(strict, n=cmp["n"], z=cmp["z"], c=cmp["c"]) == (2**17, {"c": 512})
