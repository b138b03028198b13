"""Overflow formulas, and the combinations of carry, overflow and sign that an addition can show.

Source: Henry S. Warren, *Hacker's Delight*, 2-13 and 2-14. The 9 of 12 combinations READ, the 7
with a carry-in by enumeration. The formulas from memory.
"""

from __future__ import annotations

import numpy as np
import pytest


@pytest.fixture
def combinations(every_input, field):
    """The combinations of C, V and sign of the result that occur with a carry-in."""

    def collect(outcomes, carry):
        chosen = outcomes[every_input.carry == carry]
        assert len(chosen) == 2**16
        result = field(chosen, "a")
        sign = np.sign(np.where(result > 127, result - 256, result))
        columns = (field(chosen, "c").tolist(), field(chosen, "v").tolist(), sign.tolist())
        return set(zip(*columns, strict=True))

    return collect


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
def test_nine_combinations_occur_without_carry_in_and_seven_with(
    variant, combinations, answer, every_input
):
    outcomes = answer("ADC", variant=variant, **every_input._asdict())
    without, with_carry = (combinations(outcomes, carry) for carry in (0, 1))
    assert (len(without), len(with_carry)) == (9, 7)
    # Of a sum of zero, a carry-in leaves only the one of two numbers of different signs.
    assert without - with_carry == {(0, 0, 0), (1, 1, 0)}
    assert with_carry < without


def test_subtraction_shows_the_same_with_borrow_for_carry_in(combinations, answer, every_input):
    outcomes = answer("SBC", **every_input._asdict())
    assert [len(combinations(outcomes, carry)) for carry in (0, 1)] == [9, 7]


def test_formulas_of_2_13_on_every_input(answer, every_input, verdict):
    x, y, c = every_input
    s = (x + y + c) & 0xFF
    overflow = (s ^ x) & (s ^ y)
    carry = (x & y) | ((x | y) & ~s)
    outcomes = answer("ADC", a=x, m=y, carry=c)
    assert verdict(outcomes, v=overflow >> 7 & 1, c=carry >> 7 & 1) == (2**17, {})
    d = (x - y - (1 - c)) & 0xFF
    overflow = (x ^ y) & (d ^ x)
    borrow = (~x & y) | (~(x ^ y) & d)
    outcomes = answer("SBC", a=x, m=y, carry=c)
    assert verdict(outcomes, v=overflow >> 7 & 1, c=1 - (borrow >> 7 & 1)) == (2**17, {})


def test_a_planted_mistake_is_seen(combinations, answer, every_input, field, plant):
    outcomes = answer("ADC", **every_input._asdict())
    v_is_c = plant(outcomes, v=field(outcomes, "c"))
    counts = [len(combinations(v_is_c, carry)) for carry in (0, 1)]
    assert counts != [9, 7]
    assert counts == [6, 5]
