"""Unicorn (QEMU's m68k engine): ABCD, SBCD, ADDX, SUBX, CMP, ROXL, ROXR, LSL, LSR, byte size.

Source: the `unicorn` package, run here. X is the carry-in. What goes into and comes out of SBCD and
SUBX, and out of CMP, is a borrow: 1 - C. Z is preset, for ABCD, SBCD, ADDX and SUBX only ever clear
it. ABCD and SBCD leave N and V undefined, and are asked about valid digits only.
"""

from __future__ import annotations

import numpy as np
import pytest
from unicorn import UC_ARCH_M68K, UC_MODE_BIG_ENDIAN, Uc
from unicorn.m68k_const import UC_CPU_M68K_M68000, UC_M68K_REG_A0, UC_M68K_REG_A1, UC_M68K_REG_D3

RECORD = np.dtype([("a", "u1"), ("m", "u1"), ("flags", ">u2")])
ANSWER = np.dtype([("result", "u1", 2), ("flags", ">u2")])
FLAGS = {"c": 0, "v": 1, "z": 2, "n": 3, "x": 4}
OPERATIONS = {
    "abcd": 0xC101,  # d1, d0
    "sbcd": 0x8101,
    "addx": 0xD101,
    "subx": 0x9101,
    "cmp": 0xB001,
    "roxl": 0xE310,  # #1, d0
    "roxr": 0xE210,
    "lsl": 0xE308,
    "lsr": 0xE208,
}


@pytest.fixture
def m68k(emulate):
    """Runs one operation on bytes, with X as given and Z preset: result and flags by name."""

    def run(operation, a, m, x):
        records = np.zeros(len(a), RECORD)
        records["a"], records["m"] = a, m
        records["flags"] = x << FLAGS["x"] | 1 << FLAGS["z"]
        words = (
            0x1018,  # move.b (a0)+, d0
            0x1218,  # move.b (a0)+, d1
            0x44D8,  # move.w (a0)+, ccr
            OPERATIONS[operation],
            0x40C2,  # move.w sr, d2
            0x12C0,  # move.b d0, (a1)+
            0x12C0,  # twice, to keep the words even
            0x32C2,  # move.w d2, (a1)+
            0x5383,  # subq.l #1, d3
            0x66EC,  # bne to the first
        )
        engine = Uc(UC_ARCH_M68K, UC_MODE_BIG_ENDIAN)
        engine.ctl_set_cpu_model(UC_CPU_M68K_M68000)
        answers = emulate(
            engine,
            b"".join(word.to_bytes(2, "big") for word in words),
            records,
            ANSWER,
            (UC_M68K_REG_A0, UC_M68K_REG_A1, UC_M68K_REG_D3),
        )
        flags = {name: (answers["flags"] >> bit & 1).astype(int) for name, bit in FLAGS.items()}
        return answers["result"][:, 0].astype(int), flags

    return run


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
@pytest.mark.parametrize(
    ("mnemonic", "operation", "inverted"), [("ADC", "abcd", 0), ("SBC", "sbcd", 1)]
)
def test_decimal_result_and_carry_on_every_valid_input(
    mnemonic, operation, inverted, variant, m68k, answer, every_decimal_input, verdict
):
    a, m, carry = every_decimal_input
    result, flags = m68k(operation, a, m, carry ^ inverted)
    assert np.array_equal(flags["x"], flags["c"])
    outcomes = answer(mnemonic, variant=variant, decimal=1, a=a, m=m, carry=carry)
    assert verdict(outcomes, a=result, c=flags["c"] ^ inverted) == (20_000, {})
    if variant == "cmos":
        assert verdict(outcomes, z=flags["z"]) == (20_000, {})


@pytest.mark.parametrize(
    ("mnemonic", "operation", "inverted"), [("ADC", "addx", 0), ("SBC", "subx", 1)]
)
def test_binary_result_and_flags_on_every_input(
    mnemonic, operation, inverted, m68k, answer, every_input, verdict
):
    a, m, carry = every_input
    result, flags = m68k(operation, a, m, carry ^ inverted)
    assert np.array_equal(flags["x"], flags["c"])
    expected = {name: flags[name] for name in "nvz"}
    outcomes = answer(mnemonic, a=a, m=m, carry=carry)
    assert verdict(outcomes, a=result, c=flags["c"] ^ inverted, **expected) == (2**17, {})


def test_compare_on_every_input(m68k, answer, every_input, verdict):
    a, m, carry = every_input
    _, flags = m68k("cmp", a, m, carry)
    outcomes = answer("CMP", a=a, m=m, carry=carry)
    expected = {"n": flags["n"], "z": flags["z"], "c": 1 - flags["c"]}
    assert verdict(outcomes, a=a, **expected) == (2**17, {})


@pytest.mark.parametrize(
    ("mnemonic", "operation"), [("ROL", "roxl"), ("ROR", "roxr"), ("ASL", "lsl"), ("LSR", "lsr")]
)
def test_shifts_and_rotations_result_and_flags(
    mnemonic, operation, m68k, answer, every_byte, verdict
):
    byte, carry = every_byte
    result, flags = m68k(operation, byte, 0, carry)
    expected = {name: flags[name] for name in "nzc"}
    outcomes = answer(mnemonic, a=byte, carry=carry)
    assert verdict(outcomes, a=result, **expected) == (512, {})


def test_a_planted_mistake_is_seen_on_every_input_it_touches(
    m68k, answer, every_byte, every_decimal_input, field, plant, verdict
):
    a, m, carry = every_decimal_input
    result, _ = m68k("abcd", a, m, carry)
    outcomes = answer("ADC", decimal=1, a=a, m=m, carry=carry)
    low, byte = a % 16 + m % 16 + carry, field(outcomes, "a")
    half_carry_only = np.where((low >= 10) & (low < 16), byte - 6, byte)
    assert verdict(plant(outcomes, a=half_carry_only % 256), a=result) == (20_000, {"a": 8400})

    byte, carry = every_byte
    result, flags = m68k("roxl", byte, 0, carry)
    outcomes = answer("ROL", a=byte, carry=carry)
    new_carry_in = plant(outcomes, a=byte * 2 % 256 + (byte >> 7))
    assert verdict(new_carry_in, a=result, c=flags["c"]) == (512, {"a": 256})
