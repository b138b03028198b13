"""Worked examples out of the book.

Source: David Eyes and Ron Lichty, *Programming the 65816* (WDC edition), by page. READ.
"""

from __future__ import annotations

import numpy as np
import pytest


def test_p128_82_and_ab_make_2d_and_a_carry(answer, verdict):
    assert verdict(answer("ADC", a=0x82, m=0xAB), a=0x2D, c=1) == (1, {})


def test_p129_p130_four_bytes_are_added_low_byte_first(answer, field, verdict):
    left, right, total = (n.to_bytes(4, "little") for n in (0x023A8EF1, 0x0000A2C1, 0x023B31B2))
    carry, carries = 0, []
    for a, m, result in zip(left, right, total, strict=True):
        outcome = answer("ADC", a=a, m=m, carry=carry)
        assert verdict(outcome, a=result) == (1, {})
        carry = int(field(outcome, "c")[0])
        carries.append(carry)
    assert carries == [1, 1, 0, 0]


def test_p135_minus_10_and_20_do_not_overflow(answer, verdict):
    assert verdict(answer("ADC", a=-10 % 256, m=20), a=10, v=0) == (1, {})


@pytest.mark.parametrize(("mnemonic", "inverted"), [("ADC", 0x00), ("SBC", 0xFF)])
def test_p136_v_is_carry_into_the_sign_bit_xor_carry_out_of_it(
    mnemonic, inverted, answer, every_input, verdict
):
    a, m, carry = every_input
    operand = m ^ inverted
    into = a % 128 + operand % 128 + carry >= 128
    out = a + operand + carry >= 256
    outcomes = answer(mnemonic, a=a, m=m, carry=carry)
    assert verdict(outcomes, v=into ^ out, c=out) == (2**17, {})


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_p137_decimal_03_and_09_make_12(variant, answer, verdict):
    outcome = answer("ADC", variant=variant, decimal=1, a=0x03, m=0x09)
    assert verdict(outcome, a=0x12, c=0) == (1, {})


@pytest.mark.parametrize(("variant", "n"), [("nmos", 1), ("cmos", 0)])
def test_p220_decimal_99_and_01_are_negative_on_nmos_alone(variant, n, answer, verdict):
    outcome = answer("ADC", variant=variant, decimal=1, a=0x99, m=0x01)
    assert verdict(outcome, a=0x00, n=n, c=1) == (1, {})


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_p347_decimal_mode_does_not_touch_compare(variant, answer, every_input):
    # P. 137 says that it does; the instruction's own page denies it.
    a, m, carry = every_input
    binary, decimal = (
        answer("CMP", variant=variant, decimal=d, a=a, m=m, carry=carry) for d in (0, 1)
    )
    assert len(binary) == 2**17
    assert np.count_nonzero(binary["p"] ^ decimal["p"] ^ 8) == 0
    assert np.array_equal(binary["cycles"], decimal["cycles"])


def test_p195_the_mask_of_b_in_the_pushed_status_is_10(answer, answer_event):
    # The text calls B 'bit five'; the mask beside it is $10.
    p = np.arange(256)
    pushed = {
        "PHP": answer("PHP", p=p)["write_value"][:, 0],
        "BRK": answer("BRK", p=p)["write_value"][:, 2],
        "IRQ": answer_event("IRQ", p=p[p & 4 == 0])["write_value"][:, 2],
        "NMI": answer_event("NMI", p=p)["write_value"][:, 2],
    }
    assert {name: len(status) for name, status in pushed.items()} == {
        "PHP": 256,
        "BRK": 256,
        "IRQ": 128,
        "NMI": 256,
    }
    with_b = {name: np.count_nonzero(status & 0x10) for name, status in pushed.items()}
    assert with_b == {"PHP": 256, "BRK": 256, "IRQ": 0, "NMI": 0}


def test_a_planted_mistake_is_seen_on_every_input_it_touches(
    answer, every_input, field, plant, verdict
):
    outcome = answer("ADC", a=0x82, m=0xAB)
    assert verdict(plant(outcome, c=0), a=0x2D, c=1) == (1, {"c": 1})
    outcome = answer("ADC", decimal=1, a=0x99, m=0x01)
    assert verdict(outcome, n=0) == (1, {"n": 1})

    a, m, carry = every_input
    v = (a % 128 + m % 128 + carry >= 128) ^ (a + m + carry >= 256)
    outcomes = answer("ADC", a=a, m=m, carry=carry)
    sign_changed = plant(outcomes, v=(a ^ field(outcomes, "a")) & 0x80)
    assert verdict(sign_changed, v=v) == (2**17, {"v": 32_768})
