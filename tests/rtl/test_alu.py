"""The ALU against the model: every operand, carry and decimal flag, each operation and variant.

The gates that Yosys makes of it take all of them at once. Amaranth's simulator has some 9,000 a
second, so it takes a covering part, and a quarter of all where the tests marked `exhaustive` run.
"""

import gc
import random

import numpy as np
import pytest
from amaranth.hdl import Cat
from usual import USUAL, first_of

from carrywave.rtl.alu import ADDERS, Alu, AluOperation
from carrywave.rtl.datapath import Unit
from carrywave.sim.cases.kinds import lay_reads
from carrywave.sim.cases.layout import CASE
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.netlist.alu_gates import AluGates, Inputs
from carrywave.sim.netlist.synthesis import Gate, drawn_netlist
from carrywave.sim.witness.model import Model

BYTES = np.arange(256, dtype=np.int64)
# One input bit changes from row to row, so that the simulator has less to work out again.
GRAY = BYTES ^ BYTES >> 1

# What the hardware calls it, a mnemonic that does it, whether it takes a second byte, and where the
# model leaves the result: in A, in memory, or (a comparison's) nowhere.
OPERATIONS = [
    (AluOperation.ADD, "ADC", True, "a"),
    (AluOperation.SUBTRACT, "SBC", True, "a"),
    (AluOperation.COMPARE, "CMP", True, None),
    (AluOperation.BIT, "BIT", True, None),
    (AluOperation.AND, "AND", True, "a"),
    (AluOperation.OR, "ORA", True, "a"),
    (AluOperation.XOR, "EOR", True, "a"),
    (AluOperation.SHIFT_LEFT, "ASL", False, "a"),
    (AluOperation.ROTATE_LEFT, "ROL", False, "a"),
    (AluOperation.SHIFT_RIGHT, "LSR", False, "a"),
    (AluOperation.ROTATE_RIGHT, "ROR", False, "a"),
    (AluOperation.INCREMENT, "INC", False, "stored"),
    (AluOperation.DECREMENT, "DEC", False, "stored"),
]
FLAGS = {"n": 7, "v": 6, "z": 1, "c": 0}


def on_hardware(settle, variant, operation, a, b, carry, decimal, adder="ripple"):
    """Result and n v z c as columns."""
    alu = Alu(variant, adder)
    names = ("a", "b", "carry_in", "decimal")
    rows = [
        {"operation": operation, **dict(zip(names, map(int, row), strict=True))}
        for row in zip(a, b, carry, decimal, strict=True)
    ]
    packed = np.array(settle(alu, rows, Cat(alu.result, alu.c, alu.z, alu.v, alu.n)), np.int64)
    flags = {flag: packed >> bit & 1 for flag, bit in (("c", 8), ("z", 9), ("v", 10), ("n", 11))}
    return packed & 0xFF, flags


def in_model(variant, mnemonic, a, b, carry, decimal):
    """Outcomes of the same inputs, put as instructions."""
    modes = BY_MNEMONIC[mnemonic]
    entry = modes.get("immediate") or modes.get("accumulator") or modes["zero page"]
    cases = np.zeros(len(a), CASE)
    operand = a if entry.access == "modify" else b
    lay_reads(cases, entry, {"pc": 0x0200, "address.low": 0x10, "m": operand})
    cases["pc"], cases["a"] = 0x0200, a
    cases["p"] = carry | decimal << 3
    return Model(variant).execute(cases), entry.flags


def stored(outcomes):
    """What was written last."""
    return outcomes["write_value"][np.arange(len(outcomes)), outcomes["writes"] - 1]


def mismatches(hardware, outcomes, flags, place):
    """How many rows differ in the result or in a flag that the instruction updates."""
    result, found = hardware
    wrong = np.zeros(len(result), bool)
    if place:
        wrong |= result != (stored(outcomes) if place == "stored" else outcomes[place])
    for flag in flags:
        wrong |= found[flag] != outcomes["p"] >> FLAGS[flag] & 1
    return int(wrong.sum())


def inputs(two_bytes, carry, decimal):
    a = np.repeat(GRAY, 256) if two_bytes else GRAY
    b = np.tile(np.concatenate([GRAY, GRAY[::-1]]), 128) if two_bytes else np.zeros_like(GRAY)
    return a, b, np.full_like(a, carry), np.full_like(a, decimal)


def on_gates(alu, operation, a, b, carry, decimal):
    """The same as `on_hardware`, of the netlist's gates."""
    found = alu.evaluate(operation, Inputs(*(c.astype(np.uint8) for c in (a, b, carry, decimal))))
    return found["result"].astype(np.int64), {flag: found[flag].astype(np.int64) for flag in FLAGS}


def wrong_on_gates(alu, operation, mnemonic, two, place):
    """How many of all inputs the gates and the model differ on, and how many there are."""
    wrong = rows = 0
    for carry in (0, 1):
        for decimal in (0, 1):
            columns = inputs(two, carry, decimal)
            outcomes, flags = in_model(alu.variant, mnemonic, *columns)
            wrong += mismatches(on_gates(alu, operation, *columns), outcomes, flags, place)
            rows += len(columns[0])
    return wrong, rows


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize("adder", first_of([*ADDERS]))
@pytest.mark.parametrize(("operation", "mnemonic", "two", "place"), OPERATIONS)
def test_the_gates_agree_on_every_input(operation, mnemonic, two, place, adder, variant):
    alu = AluGates(variant, drawn_netlist(variant, adder))
    assert wrong_on_gates(alu, operation, mnemonic, two, place) == (0, 262144 if two else 1024)


def test_the_comparison_sees_a_carry_that_stops():
    """From the lower digit to the upper one, which a sum of 10 digits alone does not need."""
    netlist = drawn_netlist("nmos")
    wire = netlist.names["alu.carry"][4]
    gates = [Gate("AND", g.output, (g.inputs[0], 0)) if g.output == wire else g
             for g in netlist.gates]  # fmt: skip
    wrong, rows = wrong_on_gates(AluGates("nmos", netlist.replaced(gates)), *OPERATIONS[0])
    assert rows // 4 < wrong < rows


def covering():
    """Operands that the simulator could not be wrong on without being wrong here.

    All that the ALU makes of two bytes it makes of a digit, the other operand's digit and a carry
    into them, and of whether all bits of the result are 0. So there are all pairs of low digits and
    all pairs of high digits, these with a carry from below and without; and results that are 0, or
    not for one bit alone.
    """
    pairs = np.arange(256)
    low_sum = (pairs >> 4) + (pairs & 15)
    never, always = pairs[low_sum < 15], pairs[low_sum > 15]
    high = np.concatenate([pairs, pairs, pairs[:16]])
    low = np.concatenate([np.resize(never, 256), np.resize(always, 256), pairs[low_sum == 15]])
    some = np.arange(5, 256, 8)
    bits = np.repeat(1 << np.arange(8), 4)
    a = np.concatenate([low >> 4 | high & 0xF0, *[some] * 8])
    b = [low & 15 | (high & 15) << 4, some, some - 1, bits - some, bits - some - 1, some - bits]
    return a, np.concatenate([*b, some - bits - 1, 255 - some, 256 - some]) & 255


def test_the_covering_part_has_every_pair_of_digits_with_and_without_a_carry():
    a, b = covering()
    for carry in (0, 1):
        from_below = (a & 15) + (b & 15) + carry > 15
        assert len({*zip(a & 15, b & 15, strict=True)}) == 256
        for above in (from_below, ~from_below):
            assert len({*zip(a[above] >> 4, b[above] >> 4, strict=True)}) == 256
        for result in (a + b + carry & 255, a - b - 1 + carry & 255):
            assert {*result} >= {0, *(1 << bit for bit in range(8))}


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize(("operation", "mnemonic", "two", "place"), first_of(OPERATIONS[:7], 3))
def test_the_simulator_agrees_on_every_pair_of_digits(
    settle, operation, mnemonic, two, place, variant
):
    a, b = covering()
    modes = (
        4 if operation in (AluOperation.ADD, AluOperation.SUBTRACT) else 1
    )  # by carry and decimal
    mode = np.repeat(np.arange(modes), len(a))
    columns = np.tile(a, modes), np.tile(b, modes), mode & 1, mode >> 1
    outcomes, flags = in_model(variant, mnemonic, *columns)
    hardware = on_hardware(settle, variant, operation, *columns)
    assert len(outcomes) == modes * 784
    assert mismatches(hardware, outcomes, flags, place) == 0


@pytest.mark.exhaustive
@pytest.mark.parametrize("decimal", [0, 1])
@pytest.mark.parametrize("carry", [0, 1])
@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize(("operation", "mnemonic", "two", "place"), OPERATIONS[:2])
def test_sums_agree_on_a_sixteenth_of_all_operands(
    settle, operation, mnemonic, two, place, variant, carry, decimal
):
    """Another part each time: the covering part has what can differ, the gates have them all."""
    print("from", start := random.randrange(16))
    columns = [column[start::16] for column in inputs(two, carry, decimal)]
    outcomes, flags = in_model(variant, mnemonic, *columns)
    hardware = on_hardware(settle, variant, operation, *columns)
    assert (len(columns[0]), flags) == (4096, "nvzc")
    assert len(set(zip(*(column.tolist() for column in columns), strict=True))) == 4096
    assert mismatches(hardware, outcomes, flags, place) == 0


@pytest.mark.exhaustive
@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize(("operation", "mnemonic", "two", "place"), OPERATIONS[2:7])
def test_comparison_and_logic_agree_on_a_sixteenth_of_all_operands(
    settle, operation, mnemonic, two, place, variant
):
    print("from", start := random.randrange(16))
    columns = [column[start::16] for column in inputs(two, 0, 0)]
    outcomes, flags = in_model(variant, mnemonic, *columns)
    assert len(columns[0]) == 4096
    assert (
        mismatches(on_hardware(settle, variant, operation, *columns), outcomes, flags, place) == 0
    )


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize(("operation", "mnemonic", "two", "place"), first_of(OPERATIONS[7:], 3))
def test_shifts_and_steps_agree_on_every_byte_carry_and_decimal_flag(
    settle, operation, mnemonic, two, place, variant
):
    checked = 0
    for carry in (0, 1):
        for decimal in (0, 1):
            columns = inputs(two, carry, decimal)
            outcomes, flags = in_model(variant, mnemonic, *columns)
            hardware = on_hardware(settle, variant, operation, *columns)
            assert mismatches(hardware, outcomes, flags, place) == 0
            checked += len(columns[0])
    assert checked == 1024


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize(("operation", "mnemonic", "two", "place"), OPERATIONS[2:7])
def test_comparison_and_logic_heed_neither_carry_nor_decimal(
    settle, operation, mnemonic, two, place, variant
):
    seed = 20261125
    rng = np.random.default_rng(seed)
    a, b = rng.integers(0, 256, (2, 600))
    columns = a, b, rng.integers(0, 2, 600), rng.integers(0, 2, 600)
    outcomes, flags = in_model(variant, mnemonic, *columns)
    hardware = on_hardware(settle, variant, operation, *columns)
    assert mismatches(hardware, outcomes, flags, place) == 0, f"seed {seed}"


@pytest.mark.parametrize("adder", first_of([*ADDERS]))
@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize(("operation", "mnemonic", "two", "place"), OPERATIONS[:3])
def test_the_flags_are_the_same_by_every_adder(
    settle, operation, mnemonic, two, place, variant, adder
):
    seed = 20261126
    rng = np.random.default_rng(seed)
    # All inputs at random: what forces the carry of a digit comes and goes between settled sums.
    columns = *rng.integers(0, 256, (2, 500)), *rng.integers(0, 2, (2, 500))
    outcomes, flags = in_model(variant, mnemonic, *columns)
    hardware = on_hardware(settle, variant, operation, *columns, adder)
    assert mismatches(hardware, outcomes, flags, place) == 0, f"seed {seed}"


def test_the_comparison_sees_a_wrong_flag_and_a_wrong_result(settle):
    a, b = np.repeat(GRAY[::8], 32), np.tile(GRAY[::8], 32)
    columns = a, b, np.zeros_like(a), np.zeros_like(a)
    outcomes, flags = in_model("nmos", "ADC", *columns)
    result, found = on_hardware(settle, "nmos", AluOperation.ADD, *columns)
    carry_as_overflow = found | {"v": found["c"]}
    assert (
        mismatches((result, carry_as_overflow), outcomes, flags, "a")
        == int((found["v"] != found["c"]).sum())
        > 300
    )
    assert mismatches((result ^ (a == 5), found), outcomes, flags, "a") == int((a == 5).sum())


@pytest.mark.filterwarnings("ignore::amaranth.hdl.UnusedElaboratable")
def test_an_unknown_variant_is_refused():
    with pytest.raises(ValueError, match=r"^'pmos' is not a valid Variant$"):
        Alu("pmos")
    gc.collect()  # the half-made component is reported as unused here, not in a later test


@pytest.mark.filterwarnings("ignore::amaranth.hdl.UnusedElaboratable")
def test_an_unknown_adder_is_refused():
    message = r"^adder 'skip': expected one of ripple, lookahead, prefix$"
    with pytest.raises(ValueError, match=message):
        Alu("nmos", "skip")
    with pytest.raises(ValueError, match=message):
        Unit(adder="skip")
    gc.collect()
