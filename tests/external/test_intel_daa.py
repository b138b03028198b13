"""Decimal adjustment after addition and after subtraction.

Source: Intel, *Software Developer's Manual*, volume 2A, DAA: the example READ. The pseudocode of
DAA and of DAS, and the flags of the example's sum, from memory. (The example's last line, DAA of
2E, prints CF = 1; the pseudocode gives 0.)
"""

from __future__ import annotations

import numpy as np
import pytest


def daa(al, af, cf):
    old_al, old_cf, cf = al, cf, 0
    if al & 0x0F > 9 or af:
        cf = old_cf | (al + 6 > 255)
        al = (al + 6) & 0xFF
    if old_al > 0x99 or old_cf:
        al, cf = (al + 0x60) & 0xFF, 1
    else:
        cf = 0
    return al, cf


def das(al, af, cf):
    old_al, old_cf, cf = al, cf, 0
    if al & 0x0F > 9 or af:
        cf = old_cf | (al - 6 < 0)
        al = (al - 6) & 0xFF
    if old_al > 0x99 or old_cf:
        al, cf = (al - 0x60) & 0xFF, 1
    return al, cf


@pytest.fixture
def adjusted(every_decimal_input):
    """Result and C of each input by mnemonic."""
    added, subtracted = [], []
    for a, m, carry in zip(*(column.tolist() for column in every_decimal_input), strict=True):
        total = a + m + carry
        added.append(daa(total & 0xFF, a % 16 + m % 16 + carry > 15, int(total > 255)))
        total = a - m - (1 - carry)
        al, cf = das(total & 0xFF, a % 16 - m % 16 - (1 - carry) < 0, int(total < 0))
        subtracted.append((al, 1 - cf))
    return {"ADC": np.array(added).T, "SBC": np.array(subtracted).T}


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_79_and_35_make_14_and_a_carry(variant, answer, verdict):
    assert daa(0xAE, 0, 0) == (0x14, 1)
    outcome = answer("ADC", variant=variant, decimal=1, a=0x79, m=0x35)
    assert verdict(outcome, a=0x14, c=1) == (1, {})


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
def test_79_and_35_make_ae_before_adjustment(variant, answer, verdict):
    outcome = answer("ADC", variant=variant, a=0x79, m=0x35)
    assert verdict(outcome, a=0xAE, n=1, v=1, z=0, c=0) == (1, {})


def test_the_third_line_of_the_example_has_no_carry():
    assert daa(0x2E, 0, 0) == (0x34, 0)


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
@pytest.mark.parametrize("mnemonic", ["ADC", "SBC"])
def test_pseudocode_agrees_on_every_valid_input(
    mnemonic, variant, adjusted, answer, every_decimal_input, verdict
):
    result, carry = adjusted[mnemonic]
    outcomes = answer(mnemonic, variant=variant, decimal=1, **every_decimal_input._asdict())
    assert verdict(outcomes, a=result, c=carry) == (20_000, {})


def test_a_planted_mistake_is_seen_on_every_input_it_touches(
    adjusted, answer, every_decimal_input, field, plant, verdict
):
    a, m, carry_in = every_decimal_input
    result, carry = adjusted["ADC"]
    outcomes = answer("ADC", decimal=1, a=a, m=m, carry=carry_in)
    # The high digit judged before the low one has carried into it.
    low_carries = a % 16 + m % 16 + carry_in > 9
    missed = low_carries & (a // 16 + m // 16 == 9)
    late = plant(outcomes, a=(field(outcomes, "a") - 0x60 * missed) % 256)
    assert verdict(late, a=result, c=carry) == (20_000, {"a": 1000})
    outcome = answer("ADC", decimal=0, a=0x79, m=0x35)
    assert verdict(outcome, a=0x14, c=1) == (1, {"a": 1, "c": 1})
