"""Unicorn (QEMU's x86 engine), 32-bit mode: ADC, SBB, CMP, INC, DEC, shifts, logic, DAA and DAS.

Source: the `unicorn` package, run here. x86 subtracts with a borrow where the 65xx family has a
carry: CF = 1 - C, in and out, for SBB, CMP and DAS. DAA and DAS are asked about valid digits
only, for with others each family does as it likes.
"""

from __future__ import annotations

import numpy as np
import pytest
from unicorn import UC_ARCH_X86, UC_MODE_32, Uc
from unicorn.x86_const import UC_X86_REG_ECX, UC_X86_REG_EDI, UC_X86_REG_ESI, UC_X86_REG_ESP

RECORD = np.dtype([("a", "u1"), ("m", "u1"), ("unused", "u2"), ("flags", "<u4")])
ANSWER = np.dtype([("result", "u1"), ("unused", "u1", 3), ("flags", "<u4")])
FLAGS = {"c": 0, "half": 4, "z": 6, "n": 7, "v": 11}
OPERATIONS = {
    "adc": "10 D0",  # all of these on al and dl
    "sbb": "18 D0",
    "cmp": "38 D0",
    "and": "20 D0",
    "or": "08 D0",
    "xor": "30 D0",
    "test": "84 D0",
    "inc": "FE C0",
    "dec": "FE C8",
    "rcl": "D0 D0",
    "rcr": "D0 D8",
    "shl": "D0 E0",
    "shr": "D0 E8",
    "adc, daa": "10 D0 27",
    "sbb, das": "18 D0 2F",
}


@pytest.fixture
def x86(emulate):
    """Runs one operation on bytes, with CF as given: result and flags by name."""

    def run(operation, a, m, cf):
        records = np.zeros(len(a), RECORD)
        records["a"], records["m"] = a, m
        records["flags"] = cf | 2  # bit 1 is always set
        body = bytes.fromhex(
            "8A 06"  # mov al, [esi]
            "8A 56 01"  # mov dl, [esi + 1]
            "FF 76 04 9D"  # push dword [esi + 4]; popfd
            + OPERATIONS[operation]
            + "9C 5B"  # pushfd; pop ebx
            "88 07"  # mov [edi], al
            "89 5F 04"  # mov [edi + 4], ebx
            "83 C6 08"  # add esi, 8
            "83 C7 08"  # add edi, 8
            "49"  # dec ecx
        )
        jump = b"\x75" + (-len(body) - 2).to_bytes(1, "little", signed=True)  # jnz to the first
        answers = emulate(
            Uc(UC_ARCH_X86, UC_MODE_32),
            body + jump,
            records,
            ANSWER,
            (UC_X86_REG_ESI, UC_X86_REG_EDI, UC_X86_REG_ECX),
            stack=UC_X86_REG_ESP,
        )
        flags = {name: (answers["flags"] >> bit & 1).astype(int) for name, bit in FLAGS.items()}
        return answers["result"].astype(int), flags

    return run


@pytest.mark.parametrize(
    ("mnemonic", "operation", "inverted"), [("ADC", "adc", 0), ("SBC", "sbb", 1)]
)
def test_binary_result_and_flags_on_every_input(
    mnemonic, operation, inverted, x86, answer, every_input, field, verdict
):
    a, m, carry = every_input
    result, flags = x86(operation, a, m, carry ^ inverted)
    outcomes = answer(mnemonic, a=a, m=m, carry=carry)
    expected = {name: flags[name] for name in "nvz"}
    assert verdict(outcomes, a=result, c=flags["c"] ^ inverted, **expected) == (2**17, {})
    # AF says what crossed the middle: so does bit 4 of the model's result, beside the operands'.
    crossed = (field(outcomes, "a") ^ a ^ m) >> 4 & 1
    assert len(crossed) == 2**17
    assert np.count_nonzero(crossed != flags["half"]) == 0


@pytest.mark.parametrize(("mnemonic", "register"), [("CMP", "a"), ("CPX", "x"), ("CPY", "y")])
def test_compare_on_every_input(mnemonic, register, x86, answer, every_input, verdict):
    a, m, carry = every_input
    _, flags = x86("cmp", a, m, carry)
    outcomes = answer(mnemonic, m=m, carry=carry, **{register: a})
    expected = {"n": flags["n"], "z": flags["z"], "c": 1 - flags["c"]}
    assert verdict(outcomes, **expected) == (2**17, {})


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
@pytest.mark.parametrize(
    ("mnemonic", "operation", "inverted"), [("ADC", "adc, daa", 0), ("SBC", "sbb, das", 1)]
)
def test_decimal_result_and_carry_on_every_valid_input(
    mnemonic, operation, inverted, variant, x86, answer, every_decimal_input, verdict
):
    a, m, carry = every_decimal_input
    result, flags = x86(operation, a, m, carry ^ inverted)
    outcomes = answer(mnemonic, variant=variant, decimal=1, a=a, m=m, carry=carry)
    assert verdict(outcomes, a=result, c=flags["c"] ^ inverted) == (20_000, {})


@pytest.mark.parametrize("mnemonic", ["ADC", "SBC"])
def test_cmos_decimal_n_and_z_are_those_of_the_adjusted_byte(
    mnemonic, x86, answer, every_decimal_input, verdict
):
    a, m, carry = every_decimal_input
    operation, inverted = {"ADC": ("adc, daa", 0), "SBC": ("sbb, das", 1)}[mnemonic]
    _, flags = x86(operation, a, m, carry ^ inverted)
    outcomes = answer(mnemonic, variant="cmos", decimal=1, a=a, m=m, carry=carry)
    assert verdict(outcomes, n=flags["n"], z=flags["z"]) == (20_000, {})


@pytest.mark.parametrize(
    ("mnemonic", "operation", "place"),
    [
        ("INC", "inc", "m"),
        ("DEC", "dec", "m"),
        ("INX", "inc", "x"),
        ("DEX", "dec", "x"),
        ("INY", "inc", "y"),
        ("DEY", "dec", "y"),
    ],
)
def test_steps_keep_carry(mnemonic, operation, place, x86, answer, every_byte, verdict):
    byte, carry = every_byte
    result, flags = x86(operation, byte, 0, carry)
    outcomes = answer(mnemonic, carry=carry, **{place: byte})
    expected = {"stored" if place == "m" else place: result}
    assert np.array_equal(flags["c"], carry)
    assert verdict(outcomes, **expected, n=flags["n"], z=flags["z"], c=flags["c"]) == (512, {})


@pytest.mark.parametrize(("mnemonic", "operation"), [("ASL", "shl"), ("LSR", "shr")])
def test_shifts_result_and_flags(mnemonic, operation, x86, answer, every_byte, verdict):
    byte, carry = every_byte
    result, flags = x86(operation, byte, 0, carry)
    outcomes = answer(mnemonic, a=byte, carry=carry)
    expected = {name: flags[name] for name in "nzc"}
    assert verdict(outcomes, a=result, **expected) == (512, {})


@pytest.mark.parametrize(("mnemonic", "operation"), [("ROL", "rcl"), ("ROR", "rcr")])
def test_rotations_result_and_carry(mnemonic, operation, x86, answer, every_byte, verdict):
    byte, carry = every_byte
    result, flags = x86(operation, byte, 0, carry)
    # RCL and RCR leave SF and ZF alone, so those say nothing about N and Z.
    assert verdict(answer(mnemonic, a=byte, carry=carry), a=result, c=flags["c"]) == (512, {})


@pytest.mark.parametrize(("mnemonic", "operation"), [("AND", "and"), ("ORA", "or"), ("EOR", "xor")])
def test_logic_result_n_and_z_on_every_input_keeping_c(
    mnemonic, operation, x86, answer, every_input, verdict
):
    a, m, carry = every_input
    result, flags = x86(operation, a, m, carry)
    outcomes = answer(mnemonic, a=a, m=m, carry=carry)
    expected = {"a": result, "n": flags["n"], "z": flags["z"], "c": carry}
    assert verdict(outcomes, **expected) == (2**17, {})


def test_bit_sets_z_as_test_does(x86, answer, every_input, verdict):
    a, m, carry = every_input
    _, flags = x86("test", a, m, carry)
    assert verdict(answer("BIT", a=a, m=m, carry=carry), a=a, z=flags["z"]) == (2**17, {})


def test_a_planted_mistake_is_seen_on_every_input_it_touches(
    x86, answer, every_input, every_decimal_input, field, plant, verdict
):
    a, m, carry = every_input
    _, flags = x86("adc", a, m, carry)
    outcomes = answer("ADC", a=a, m=m, carry=carry)
    v_is_c = plant(outcomes, v=field(outcomes, "c"))
    assert verdict(v_is_c, v=flags["v"]) == (2**17, {"v": 65_536})

    a, m, carry = every_decimal_input
    result, flags = x86("adc, daa", a, m, carry)
    outcomes = answer("ADC", decimal=1, a=a, m=m, carry=carry)
    binary_carry = plant(outcomes, c=a + m + carry > 255)
    assert verdict(binary_carry, a=result, c=flags["c"]) == (20_000, {"c": 8736})
