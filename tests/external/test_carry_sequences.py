"""How many of all pairs of operands carry out, how many overflow, and how far carries go.

Source: Burks, Goldstine, von Neumann, *Preliminary discussion of the logical design of an
electronic computing instrument* (1946), the study of carries over all pairs; from memory. The
counts themselves are arithmetic: for a sum above 255, the operand a leaves a choices of the
other, or a + 1 with a carry-in.

Source of the mean: OEIS, sequence A190866. READ: E(8) = 48437/16384. That is the mean number of
passes of the addition that goes on adding the carries by themselves, in 8 bits, until none is
left: one pass, and one more for each place of the longest carry sequence that stays within the 8
bits; none at all where the second operand is 0.
"""

from __future__ import annotations

from fractions import Fraction
from math import log2

import numpy as np
import pytest
from usual import first_of

from carrywave.sim.netlist import ADDERS
from carrywave.sim.netlist.alu_gates import MNEMONICS, AluGates, Inputs
from carrywave.sim.netlist.synthesis import drawn_netlist
from carrywave.sim.settle.survey import survey

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


# Carry sequences, by length: of all pairs, how many have that as their longest.
LENGTHS = {
    0: (6561, 15727, 20208, 12864, 6080, 2560, 1024, 384, 128),
    1: (2187, 12453, 21200, 15552, 8000, 3584, 1536, 640, 384),
}
MEANS = {0: Fraction(141_711, 65_536), 1: Fraction(168_197, 65_536)}
PASSES = Fraction(48_437, 16_384)


def longest(carry, generate, places):
    """The longest run of carries out of the lowest `places`, each begun where one is made."""
    length, found = np.zeros(len(generate), int), np.zeros(len(generate), int)
    for place in range(places):
        out, made = carry >> (place + 1) & 1, generate >> place & 1
        length = np.where(out == 0, 0, np.where(made | (place == 0), 1, length + 1))
        found = np.maximum(found, length)
    return found


@pytest.fixture(scope="module", params=first_of([*ADDERS]))
def chain(request):
    """The adder's wires on every input of ADC, out of the gates."""
    alu, use = AluGates("nmos", drawn_netlist("nmos", request.param)), MNEMONICS["ADC"]
    inputs = Inputs.every(use, "binary")
    found = alu.evaluate(use.operation, inputs, ["carry", "operand"])
    generate = inputs.left & found["operand"]
    return request.param, inputs, found["carry"].astype(int), generate.astype(int)


def test_enumeration_has_the_means():
    for carry, counts in LENGTHS.items():
        assert sum(counts) == 65_536
        assert Fraction(sum(k * n for k, n in enumerate(counts)), 65_536) == MEANS[carry]
    # The bound of the study, for 8 bits and no carry in.
    assert MEANS[0] <= log2(8)


@pytest.mark.parametrize("carry_in", [0, 1])
def test_gates_carry_as_far_as_published(carry_in, chain):
    adder, inputs, carry, generate = chain
    rows = inputs.carry_in == carry_in
    counts = np.bincount(longest(carry, generate, 8)[rows], minlength=9)
    assert tuple(counts.tolist()) == LENGTHS[carry_in]
    reported = survey("ADC", adders=[adder]).adders[0].carries[carry_in]
    assert (reported.counts, reported.expected) == (LENGTHS[carry_in], LENGTHS[carry_in])
    assert reported.mean == MEANS[carry_in]


def passes(inputs, carry, generate):
    """The mean number of passes; the carry out of the highest place is not added any more."""
    rows = inputs.carry_in == 0
    counted = np.where(inputs.m == 0, 0, 1 + longest(carry, generate, 7))[rows]
    assert len(counted) == 65_536
    return Fraction(int(counted.sum()), len(counted))


def test_gates_have_the_mean_of_the_sequence(chain):
    assert passes(*chain[1:]) == PASSES


def test_planted_mistakes_in_the_chain_are_seen(chain):
    _, inputs, carry, generate = chain
    assert passes(inputs, carry & ~(1 << 5), generate) != PASSES
    rows = inputs.carry_in == 0
    merged = longest(carry, np.zeros_like(generate), 8)  # where one ends and the next begins
    assert tuple(np.bincount(merged[rows], minlength=9).tolist()) != LENGTHS[0]
