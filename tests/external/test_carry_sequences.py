"""How many of all pairs of operands carry out, and how many overflow.

Source: Burks, Goldstine, von Neumann, *Preliminary discussion of the logical design of an
electronic computing instrument* (1946), the study of carries over all pairs; from memory. The
counts themselves are arithmetic: for a sum above 255, the operand a leaves a choices of the
other, or a + 1 with a carry-in.
"""

from __future__ import annotations

import pytest

CARRIES = {0: sum(range(256)), 1: sum(range(1, 257))}
# Above 127 from two numbers that are not negative, below -128 from two that are. A carry-in adds
# one choice in each row of the first kind and takes one in each row of the second.
OVERFLOWS = {
    0: sum(range(128)) + sum(range(1, 129)),
    1: sum(range(1, 129)) + sum(range(128)),
}


@pytest.fixture
def counts(every_input, field):
    """How often a flag is 1, by carry-in."""

    def count(outcomes, name):
        column = field(outcomes, name)
        assert len(column) == 2**17
        return {carry: int(column[every_input.carry == carry].sum()) for carry in (0, 1)}

    return count


def test_arithmetic_gives_the_counts_found_by_enumeration():
    assert CARRIES == {0: 32_640, 1: 32_896}
    assert OVERFLOWS == {0: 16_384, 1: 16_384}


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
@pytest.mark.parametrize("mnemonic", ["ADC", "SBC"])
def test_model_carries_and_overflows_as_often(mnemonic, variant, counts, answer, every_input):
    outcomes = answer(mnemonic, variant=variant, **every_input._asdict())
    assert counts(outcomes, "c") == CARRIES
    assert counts(outcomes, "v") == OVERFLOWS


def test_planted_mistakes_are_seen(counts, answer, every_input, field, plant):
    a, m, _ = every_input
    outcomes = answer("ADC", **every_input._asdict())
    assert counts(plant(outcomes, c=a + m > 255), "c") == {0: 32_640, 1: 32_640}
    assert counts(plant(outcomes, v=field(outcomes, "c")), "v") == CARRIES
