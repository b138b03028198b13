"""The adder, exhaustively, against sums."""

import gc

import pytest
from amaranth.hdl import Cat

from carrywave.rtl.adder import RippleCarryAdder


@pytest.mark.parametrize("width", [1, 3, 4, 5])
def test_sum_and_every_carry_are_those_of_addition(settle, width):
    adder = RippleCarryAdder(width)
    rows = [
        {"a": a, "b": b, "carry_in": c}
        for a in range(2**width)
        for b in range(2**width)
        for c in (0, 1)
    ]
    outputs = Cat(adder.sum, adder.carry, adder.propagate, adder.generate)
    values = settle(adder, rows, outputs)
    assert len(values) == 2 ** (2 * width + 1)
    for row, value in zip(rows, values, strict=True):
        a, b, c = row.values()
        carry = sum((a % 2**i + b % 2**i + c) // 2**i << i for i in range(width + 1))
        expected = (a + b + c) % 2**width | carry << width
        expected |= (a ^ b) << 2 * width + 1 | (a & b) << 3 * width + 1
        assert value == expected, row


def test_a_forced_carry_enters_the_next_bit(settle):
    adder = RippleCarryAdder(8)
    rows = [{"a": a, "b": 0, "carry_in": 0, "carry_set": 0x08} for a in range(0, 256, 16)]
    values = settle(adder, rows, Cat(adder.sum, adder.carry[8]))
    assert values == [row["a"] + 0x10 for row in rows]


@pytest.mark.filterwarnings("ignore::amaranth.hdl.UnusedElaboratable")
def test_an_adder_without_bits_is_refused():
    with pytest.raises(ValueError, match=r"^an adder has at least 1 bit, not 0$"):
        RippleCarryAdder(0)
    gc.collect()  # the half-made component is reported as unused here, not in a later test
