"""What V is after additions and subtractions of signed numbers.

Source: B. Clark, *The Overflow (V) Flag Explained* (published article). From memory.
"""

from __future__ import annotations

import pytest

EXAMPLES = [  # mnemonic, A, M, C before; V after
    ("ADC", 1, 1, 0, 0),
    ("ADC", 1, -1, 0, 0),
    ("ADC", 127, 1, 0, 1),
    ("ADC", -128, -1, 0, 1),
    ("SBC", 0, 1, 1, 0),
    ("SBC", -128, 1, 1, 1),
    ("SBC", 127, -1, 1, 1),
    ("ADC", 63, 64, 1, 1),  # by the carry alone
    ("SBC", -64, 64, 0, 1),  # by the borrow alone
]


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
def test_examples(variant, answer, verdict):
    checked = 0
    for mnemonic, a, m, carry, v in EXAMPLES:
        outcome = answer(mnemonic, variant=variant, a=a % 256, m=m % 256, carry=carry)
        assert verdict(outcome, v=v) == (1, {})
        checked += 1
    assert checked == 9


def test_v_is_not_what_carry_says(answer, verdict):
    outcome = answer("ADC", a=1, m=255)
    assert verdict(outcome, v=0, c=1) == (1, {})
    outcome = answer("ADC", a=127, m=1)
    assert verdict(outcome, v=1, c=0) == (1, {})


def test_planted_mistakes_are_seen(answer, plant, field, verdict):
    found = {"v is c": 0, "v ignores carry and borrow": 0}
    for mnemonic, a, m, carry, v in EXAMPLES:
        outcome = answer(mnemonic, a=a % 256, m=m % 256, carry=carry)
        _, wrong = verdict(plant(outcome, v=field(outcome, "c")), v=v)
        found["v is c"] += wrong.get("v", 0)
        blind = answer(mnemonic, a=a % 256, m=m % 256, carry=1 if mnemonic == "SBC" else 0)
        _, wrong = verdict(plant(outcome, v=field(blind, "v")), v=v)
        found["v ignores carry and borrow"] += wrong.get("v", 0)
    assert found == {"v is c": 4, "v ignores carry and borrow": 2}
