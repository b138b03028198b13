"""The shared pseudocode AddWithCarry(), transcribed.

Source: Arm, ARMv6-M Architecture Reference Manual, DDI 0419C, A2.2. READ. Its carry is NOT borrow.
That SBC and CMP hand it NOT(m), and CMP a carry-in of 1, from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

N = 8


def sint(x):
    return x - 2**N if x >= 2 ** (N - 1) else x


def add_with_carry(x, y, carry_in):
    unsigned_sum = x + y + carry_in
    signed_sum = sint(x) + sint(y) + carry_in
    result = unsigned_sum % 2**N
    carry_out = 0 if result == unsigned_sum else 1
    overflow = 0 if sint(result) == signed_sum else 1
    return result, carry_out, overflow


def columns(a, m, carry):
    """Result, C and V, with the manual's N and Z of the result."""
    rows = [
        add_with_carry(*row)
        for row in zip(
            a.tolist(), m.tolist(), np.broadcast_to(carry, a.shape).tolist(), strict=True
        )
    ]
    result, c, v = np.array(rows).T
    return {"a": result, "n": result >> (N - 1), "v": v, "z": result == 0, "c": c}


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
def test_adc_is_add_with_carry_on_every_input(variant, answer, every_input, verdict):
    expected = columns(*every_input)
    outcomes = answer("ADC", variant=variant, **every_input._asdict())
    assert verdict(outcomes, **expected) == (2**17, {})


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
def test_sbc_is_add_with_carry_of_not_m_on_every_input(variant, answer, every_input, verdict):
    a, m, carry = every_input
    outcomes = answer("SBC", variant=variant, a=a, m=m, carry=carry)
    assert verdict(outcomes, **columns(a, 255 - m, carry)) == (2**17, {})


@pytest.mark.parametrize(("mnemonic", "register"), [("CMP", "a"), ("CPX", "x"), ("CPY", "y")])
def test_compare_is_add_with_carry_of_not_m_and_1_on_every_input(
    mnemonic, register, answer, every_input, verdict
):
    a, m, carry = every_input
    expected = columns(a, 255 - m, 1)
    outcomes = answer(mnemonic, m=m, carry=carry, **{register: a})
    assert verdict(outcomes, **{name: expected[name] for name in "nzc"}) == (2**17, {})


def test_a_planted_mistake_is_seen_on_every_input_it_touches(
    answer, every_input, field, plant, verdict
):
    a, m, carry = every_input
    expected = columns(a, m, carry)
    outcomes = answer("ADC", a=a, m=m, carry=carry)
    into_sign = (a % 128 + m % 128 + carry) // 128
    assert verdict(plant(outcomes, v=into_sign), **expected) == (2**17, {"v": 65_536})
    bit_8 = plant(outcomes, n=field(outcomes, "c"))
    assert verdict(bit_8, **expected) == (2**17, {"n": 98_304})
    before_carry_in = plant(outcomes, c=a + m > 255)
    assert verdict(before_carry_in, **expected) == (2**17, {"c": 256})
