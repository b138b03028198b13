"""Decimal mode, digits above 9 included: the published sequences, transcribed one step at a time.

Source: B. Clark, *Decimal Mode* (published article). The sequences, and all examples but 19 + 28
(READ), from memory. Makers call N, V and Z 'invalid' after a decimal operation on NMOS, and give
nothing for digits above 9: there this is what has been observed, not what was promised.
"""

from __future__ import annotations

import numpy as np
import pytest

EXAMPLES = [  # mnemonic, A, M, C before; result, C after
    ("ADC", 0x19, 0x28, 0, 0x47, 0),  # READ
    ("ADC", 0x58, 0x46, 1, 0x05, 1),
    ("ADC", 0x12, 0x34, 0, 0x46, 0),
    ("ADC", 0x15, 0x26, 0, 0x41, 0),
    ("ADC", 0x81, 0x92, 0, 0x73, 1),
    ("SBC", 0x46, 0x12, 1, 0x34, 1),
    ("SBC", 0x40, 0x13, 1, 0x27, 1),
    ("SBC", 0x32, 0x02, 0, 0x29, 1),
    ("SBC", 0x12, 0x21, 1, 0x91, 0),
    ("SBC", 0x21, 0x34, 1, 0x87, 0),
]


def negative(byte):
    return byte >> 7 & 1


def adc(a, m, c, cmos):
    low = (a & 0x0F) + (m & 0x0F) + c
    if low >= 0x0A:
        low = ((low + 0x06) & 0x0F) + 0x10
    s = (a & 0xF0) + (m & 0xF0) + low
    # Signed overflow: two operands of one sign and a sum of the other.
    v = negative(a) == negative(m) != negative(s)
    n = negative(s)
    if s >= 0xA0:
        s += 0x60
    result, carry = s & 0xFF, s >= 0x100
    if cmos:
        return result, negative(result), v, result == 0, carry
    return result, n, v, (a + m + c) & 0xFF == 0, carry


def sbc(a, m, c, cmos):
    # Binary subtraction is addition of the other number's complement.
    binary = a + (m ^ 0xFF) + c
    carry = binary >> 8
    v = negative(a) != negative(m) and negative(a) != negative(binary)
    low = (a & 0x0F) - (m & 0x0F) + c - 1
    if cmos:
        s = a - m + c - 1
        if s < 0:
            s -= 0x60
        if low < 0:
            s -= 0x06
        result = s & 0xFF
        return result, negative(result), v, result == 0, carry
    if low < 0:
        low = ((low - 0x06) & 0x0F) - 0x10
    s = (a & 0xF0) - (m & 0xF0) + low
    if s < 0:
        s -= 0x60
    return s & 0xFF, negative(binary), v, binary & 0xFF == 0, carry


@pytest.fixture(scope="module")
def sequence(every_input):
    """Result and flags on every input, by field."""
    rows = list(zip(*(column.tolist() for column in every_input), strict=True))

    def run(mnemonic, variant):
        step = {"ADC": adc, "SBC": sbc}[mnemonic]
        table = np.array([step(*row, variant == "cmos") for row in rows], dtype=int)
        return dict(zip("anvzc", table.T, strict=True))

    return run


@pytest.fixture
def has_valid_digits(every_input):
    a, m, _ = every_input
    return (a % 16 < 10) & (a < 0xA0) & (m % 16 < 10) & (m < 0xA0)


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_worked_examples(variant, answer, verdict):
    checked = 0
    for mnemonic, a, m, carry, result, carry_out in EXAMPLES:
        outcome = answer(mnemonic, variant=variant, decimal=1, a=a, m=m, carry=carry)
        assert verdict(outcome, a=result, c=carry_out) == (1, {})
        checked += 1
    assert checked == 10


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
@pytest.mark.parametrize("mnemonic", ["ADC", "SBC"])
def test_result_and_flags_on_every_input(mnemonic, variant, sequence, answer, every_input, verdict):
    outcomes = answer(mnemonic, variant=variant, decimal=1, **every_input._asdict())
    assert verdict(outcomes, **sequence(mnemonic, variant)) == (2**17, {})


def test_nmos_and_cmos_differences_differ_on_invalid_digits_only(
    answer, every_input, has_valid_digits, field
):
    nmos, cmos = (
        field(answer("SBC", variant=variant, decimal=1, **every_input._asdict()), "a")
        for variant in ("nmos", "cmos")
    )
    assert len(nmos) == len(cmos) == 2**17
    assert np.count_nonzero(nmos != cmos) == 9216
    assert has_valid_digits.sum() == 20_000
    assert np.count_nonzero((nmos != cmos) & has_valid_digits) == 0


def test_nmos_and_cmos_sums_are_the_same(answer, every_input, field, verdict):
    nmos, cmos = (
        answer("ADC", variant=variant, decimal=1, **every_input._asdict())
        for variant in ("nmos", "cmos")
    )
    assert verdict(nmos, **{name: field(cmos, name) for name in "avc"}) == (2**17, {})


def test_a_planted_mistake_is_seen_on_every_input_it_touches(
    sequence, answer, every_input, has_valid_digits, field, plant, verdict
):
    expected = sequence("ADC", "nmos")
    outcomes = answer("ADC", decimal=1, **every_input._asdict())
    binary = answer("ADC", decimal=0, **every_input._asdict())
    result = field(outcomes, "a")
    valid = {name: column[has_valid_digits] for name, column in expected.items()}
    for mistake, exposed in (
        ({"z": result == 0}, 230),
        ({"n": result > 127}, 8800),
        ({"v": field(binary, "v")}, 672),
        ({"n": field(binary, "n")}, 1008),
        ({"c": field(binary, "c")}, 8736),
    ):
        (name,) = mistake
        mistaken = plant(outcomes, **mistake)[has_valid_digits]
        assert verdict(mistaken, **valid) == (20_000, {name: exposed})
    nmos = answer("SBC", variant="nmos", decimal=1, **every_input._asdict())
    assert verdict(nmos, a=sequence("SBC", "cmos")["a"]) == (2**17, {"a": 9216})
