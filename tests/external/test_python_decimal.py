"""Python's `decimal`: packed decimal as decimal arithmetic, on all inputs with valid digits.

Source: the `decimal` module of Python's standard library (General Decimal Arithmetic), run here.
A packed byte is its number's two decimal digits, read as hexadecimal.
"""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest


def two_digits(number):
    """The packed byte of a number's last two digits: of 99 for -1."""
    return int(str(number % 100 + 100)[-2:], 16)  # Decimal's % has the sign of the number


@pytest.fixture
def decimal_arithmetic(every_decimal_input):
    """Result and carry of each input by mnemonic."""
    inputs = [
        (Decimal(f"{a:x}"), Decimal(f"{m:x}"), Decimal(int(carry)))
        for a, m, carry in zip(*every_decimal_input, strict=True)
    ]
    sums = [a + m + carry for a, m, carry in inputs]
    differences = [a - m - (1 - carry) for a, m, carry in inputs]
    return {
        "ADC": (np.array([two_digits(n) for n in sums]), np.array([n >= 100 for n in sums])),
        "SBC": (
            np.array([two_digits(n) for n in differences]),
            np.array([n >= 0 for n in differences]),
        ),
    }


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
@pytest.mark.parametrize("mnemonic", ["ADC", "SBC"])
def test_result_and_carry_on_every_valid_input(
    mnemonic, variant, decimal_arithmetic, answer, every_decimal_input, verdict
):
    result, carry = decimal_arithmetic[mnemonic]
    outcomes = answer(mnemonic, variant=variant, decimal=1, **every_decimal_input._asdict())
    assert verdict(outcomes, a=result, c=carry) == (20_000, {})
    assert carry.sum() == 10_000


@pytest.mark.parametrize("mnemonic", ["ADC", "SBC"])
def test_cmos_z_says_that_the_digits_are_zero(
    mnemonic, decimal_arithmetic, answer, every_decimal_input, verdict
):
    result, _ = decimal_arithmetic[mnemonic]
    outcomes = answer(mnemonic, variant="cmos", decimal=1, **every_decimal_input._asdict())
    assert verdict(outcomes, z=result == 0, n=result >= 0x80) == (20_000, {})


def test_a_planted_mistake_is_seen_on_every_input_it_touches(
    decimal_arithmetic, answer, every_decimal_input, plant, verdict
):
    a, m, carry_in = every_decimal_input
    result, carry = decimal_arithmetic["ADC"]
    outcomes = answer("ADC", decimal=1, a=a, m=m, carry=carry_in)
    assert verdict(outcomes, z=result == 0) == (20_000, {"z": 230})  # NMOS has the binary sum's Z
    binary_carry = plant(outcomes, c=a + m + carry_in > 255)
    assert verdict(binary_carry, a=result, c=carry) == (20_000, {"c": 8736})
