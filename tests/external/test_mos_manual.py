"""Examples of addition, subtraction and decimal mode.

Source: MOS Technology, *MCS6500 Microcomputer Family Programming Manual* (January 1976), section
2.2. From memory.
"""

from __future__ import annotations

import pytest

EXAMPLES = [  # mnemonic, D, A, M, C before; what is known after
    ("ADC", 0, 5, 7, 0, {"a": 12}),
    ("ADC", 0, 127, 2, 0, {"a": 0x81, "v": 1}),
    ("ADC", 0, 5, -3, 0, {"a": 2, "c": 1}),
    ("ADC", 0, 5, -7, 0, {"a": 0xFE, "c": 0}),
    ("ADC", 0, -5, -7, 0, {"a": 0xF4, "c": 1}),
    ("ADC", 0, -66, -65, 0, {"a": 0x7D, "v": 1, "c": 1}),
    ("SBC", 0, 5, 3, 1, {"a": 2, "c": 1}),
    ("SBC", 0, 5, 6, 1, {"a": 0xFF, "c": 0}),
    ("ADC", 1, 0x79, 0x14, 0, {"a": 0x93}),
    ("SBC", 1, 0x44, 0x29, 1, {"a": 0x15}),
]


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_examples(variant, answer, verdict):
    checked = 0
    for mnemonic, decimal, a, m, carry, expected in EXAMPLES:
        outcome = answer(
            mnemonic, variant=variant, decimal=decimal, a=a % 256, m=m % 256, carry=carry
        )
        assert verdict(outcome, **expected) == (1, {})
        checked += len(expected)
    assert checked == 18


def test_planted_mistakes_are_seen(answer, plant, field, verdict):
    found = {"c is borrow": 0, "v is c": 0, "no decimal mode": 0}
    for mnemonic, decimal, a, m, carry, expected in EXAMPLES:
        inputs = {"a": a % 256, "m": m % 256, "carry": carry}
        outcome = answer(mnemonic, decimal=decimal, **inputs)
        c = field(outcome, "c")
        borrow = plant(outcome, c=1 - c) if mnemonic == "SBC" else outcome
        found["c is borrow"] += len(verdict(borrow, **expected)[1])
        found["v is c"] += len(verdict(plant(outcome, v=c), **expected)[1])
        found["no decimal mode"] += len(verdict(answer(mnemonic, **inputs), **expected)[1])
    assert found == {"c is borrow": 2, "v is c": 1, "no decimal mode": 2}
