"""The model: single values and columns alike, what it refuses, and examples worked by hand."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from carrywave.sim.cases.kinds import lay_reads
from carrywave.sim.cases.layout import CASE, OUTCOME, REGISTERS, Cases
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.instructions import (
    BY_MNEMONIC,
    BY_OPCODE,
    ENTRIES,
    INSTRUCTIONS,
    standing,
)
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.sim.witness.model import (
    FAMILIES,
    Model,
    State,
    add,
    add_decimal,
    decide_event,
    signed,
    subtract,
    subtract_decimal,
)

N, V, D, Z, C = 0x80, 0x40, 0x08, 0x02, 0x01
MASK = 0x04  # the flag I
FLAGS = N | V | D | MASK | Z | C


def case_of(name: str, mode: str = "implied", m: int = 0, /, **values: Any) -> Cases:
    """One case at 0400 with SP at F0 unless said; its bytes by their own names, words whole."""
    case = np.zeros((), CASE)
    columns = {"pc": 0x0400, "sp": 0xF0, "m": m, "offset": m, "argument": 0, "vector": 0}
    columns |= {"pull0": 0, "pull1": 0, "pull2": 0} | values
    for word, parts in (("argument", "address"), ("vector", "vector")):
        columns |= {f"{parts}.low": columns[word] & 255, f"{parts}.high": columns[word] >> 8}
    for register in REGISTERS:
        case[register] = columns.get(register, 0)
    if name in EVENTS:
        case["event"] = EVENTS.index(name)
    lay_reads(case, ENTRIES[name] if name in EVENTS else BY_MNEMONIC[name][mode], columns)
    return case


def answer(
    name: str, mode: str = "implied", m: int = 0, variant: str = "nmos", /, **values: Any
) -> Any:
    return Model(variant).execute(case_of(name, mode, m, **values))


def flags(outcome: Any) -> int:
    assert outcome["p"] & 0x30 == 0x30
    return int(outcome["p"]) & FLAGS


def writes(outcome: Any) -> list[tuple[int, int]]:
    """Where, and what, in order."""
    pairs = zip(outcome["write_address"].tolist(), outcome["write_value"].tolist(), strict=True)
    return list(pairs)[: outcome["writes"]]


# Single values and columns


def test_arithmetic_takes_single_numbers_and_columns_of_any_shape() -> None:
    grid = np.mgrid[0:256:3, 0:256:5, 0:2].astype(np.int16)
    checked = 0
    for operation in (
        add,
        subtract,
        add_decimal,
        lambda a, m, c: (subtract_decimal(a, m, c, False), subtract_decimal(a, m, c, True)),
    ):
        columns = operation(*grid)
        assert all(column.shape == (86, 52, 2) for column in columns)
        for place in np.ndindex(86, 52, 2):
            if sum(place) % 17:
                continue
            numbers = operation(*(int(column[place]) for column in grid))
            assert [int(value) for value in numbers] == [int(column[place]) for column in columns]
            checked += 1
    assert checked > 2000


def test_signed_is_twos_complement() -> None:
    assert [int(signed(byte)) for byte in (0, 1, 127, 128, 255)] == [0, 1, 127, -128, -1]
    assert signed(np.arange(256)).tolist() == [*range(128), *range(-128, 0)]


def test_a_state_holds_plain_numbers_or_columns_of_any_shape() -> None:
    single = State(a=0x50, m=0x50, n=0, v=0, d=0, i=0, z=0, c=0, cycles=2)
    Model().perform("ADC", single)
    block = State(a=np.full((2, 3), 0x50), m=np.full((2, 3), 0x50), n=0, v=0, d=0, i=0, z=0, c=0)
    Model().perform("ADC", block)
    assert (single.a, single.n, single.v, single.z, single.c) == (0xA0, 1, 1, 0, 0)
    assert block.a.tolist() == [[0xA0] * 3] * 2
    assert block.v.tolist() == [[1] * 3] * 2


def test_a_copied_state_does_not_share_its_stack() -> None:
    state = State(sp=0xF0, pulled=[1, 2, 3])
    twin = state.copy()
    assert (state.pull(), state.sp) == (1, 0xF1)
    state.push(9)
    assert (twin.pulled, twin.pushed, twin.push_address, twin.sp) == ([1, 2, 3], [], [], 0xF0)


@pytest.mark.parametrize("variant", VARIANTS)
def test_one_case_is_answered_as_in_a_batch(variant: str) -> None:
    cases = sampled_cases(3000, seed=4)
    model = Model(variant)
    batch = model.execute(cases)
    seen = set()
    for case, outcome in zip(cases, batch, strict=True):
        alone = model.execute(case)
        assert alone.shape == ()
        assert alone.tobytes() == outcome.tobytes()
        seen.add((int(case["read_value"][0]), int(case["event"])))
    assert {opcode for opcode, event in seen if event == 0} == set(BY_OPCODE)
    assert {event for _, event in seen} == {0, 1, 2, 3}


def test_cases_keep_their_shape() -> None:
    cases = sampled_cases(24, seed=4)
    flat = Model().execute(cases)
    assert flat.dtype == OUTCOME
    for shape in ((24,), (4, 6), (2, 3, 4), (24, 1)):
        outcomes = Model().execute(cases.reshape(shape))
        assert outcomes.shape == shape
        assert outcomes.tobytes() == flat.tobytes()
    assert Model().execute(cases[:0]).shape == (0,)
    assert Model().execute(cases.reshape(4, 6)[:, :0]).shape == (4, 0)
    reversed_ = Model().execute(cases[::-1])
    assert reversed_.tobytes() == flat[::-1].tobytes()


def test_the_cases_are_left_as_they_were() -> None:
    cases = sampled_cases(2000, seed=5)
    before = cases.tobytes()
    Model().execute(cases)
    assert cases.tobytes() == before


def test_every_instruction_and_event_has_a_family() -> None:
    assert set(FAMILIES) == {*BY_MNEMONIC, "IRQ", "NMI", "RESET"}
    assert all(callable(getattr(Model, family)) for family, *_ in FAMILIES.values())


# What it refuses


def test_an_unknown_variant_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^variant 'NMOS': expected one of nmos, cmos, binary$"):
        Model("NMOS")


@pytest.mark.parametrize("opcode", sorted(set(range(256)) - set(BY_OPCODE)))
def test_an_opcode_that_is_not_built_is_refused(opcode: int) -> None:
    cases = sampled_cases(5, seed=1, events=["instruction"])
    cases["read_value"][3, 0] = opcode
    message = f"opcode {opcode:02X}: {standing(opcode, 'nmos')}"
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        Model().execute(cases)


def test_an_undocumented_opcode_does_not_matter_where_an_interrupt_is_taken() -> None:
    cases = sampled_cases(3, seed=1)
    cases["event"], cases["p"], cases["reads"] = [1, 2, 3], 0, 2
    cases["read_value"][:, :2] = [0x02, 0x9A]  # the vector; what the first would be as an opcode
    assert Model().execute(cases)["pc"].tolist() == [0x9A02] * 3
    cases["p"] = MASK
    with pytest.raises(ValueError, match=r"^opcode 02: undocumented on this variant$"):
        Model().execute(cases)


# Arithmetic

#: a, m, carry in; result, flags of N V Z C.
ADDITIONS = [
    # The makers' programming manual (January 1976), section 2.2, from memory
    (5, 7, 0, 12, 0),
    (0x7F, 2, 0, 0x81, N | V),
    (5, 0xFD, 0, 2, C),
    (5, 0xF9, 0, 0xFE, N),
    (0xFB, 0xF9, 0, 0xF4, N | C),
    (0xBE, 0xBF, 0, 0x7D, V | C),
    # The published article 'The Overflow (V) Flag Explained', from memory
    (1, 1, 0, 2, 0),
    (1, 0xFF, 0, 0, Z | C),
    (0x7F, 1, 0, 0x80, N | V),
    (0x80, 0xFF, 0, 0x7F, V | C),
    (63, 64, 1, 0x80, N | V),
    # The textbook of the family's 16-bit member, p128
    (0x82, 0xAB, 0, 0x2D, V | C),
]
SUBTRACTIONS = [
    # The makers' programming manual (January 1976), section 2.2, from memory
    (5, 3, 1, 2, C),
    (5, 6, 1, 0xFF, N),
    # The published article 'The Overflow (V) Flag Explained', from memory
    (0, 1, 1, 0xFF, N),
    (0x80, 1, 1, 0x7F, V | C),
    (0x7F, 0xFF, 1, 0x80, N | V),
    (0xC0, 0x40, 0, 0x7F, V | C),
]


@pytest.mark.parametrize(
    ("name", "examples"), [("ADC", ADDITIONS), ("SBC", SUBTRACTIONS)], ids=["ADC", "SBC"]
)
def test_binary_arithmetic_by_hand(name: str, examples: list[tuple[int, ...]]) -> None:
    for variant in VARIANTS:
        for mode in ("immediate", "zero page", "absolute"):
            for a, m, carry, result, expected in examples:
                outcome = answer(name, mode, m, variant, a=a, p=carry | MASK)
                assert (outcome["a"], flags(outcome)) == (result, expected | MASK)
    assert len(examples) in (12, 6)


#: a, m, carry in; result and carry. The makers' manual (79+14, 44-29), the textbook of the 16-bit
#: member, p137 (03+09), and the published article 'Decimal Mode': from memory but for 03+09 and
#: 19+28.
DECIMAL_ADDITIONS = [
    (0x79, 0x14, 0, 0x93, 0), (0x03, 0x09, 0, 0x12, 0), (0x19, 0x28, 0, 0x47, 0),
    (0x58, 0x46, 1, 0x05, 1), (0x12, 0x34, 0, 0x46, 0), (0x15, 0x26, 0, 0x41, 0),
    (0x81, 0x92, 0, 0x73, 1), (0x99, 0x01, 0, 0x00, 1),
]  # fmt: skip
DECIMAL_SUBTRACTIONS = [
    (0x44, 0x29, 1, 0x15, 1), (0x46, 0x12, 1, 0x34, 1), (0x40, 0x13, 1, 0x27, 1),
    (0x32, 0x02, 0, 0x29, 1), (0x12, 0x21, 1, 0x91, 0), (0x21, 0x34, 1, 0x87, 0),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "examples"),
    [("ADC", DECIMAL_ADDITIONS), ("SBC", DECIMAL_SUBTRACTIONS)],
    ids=["ADC", "SBC"],
)
def test_decimal_arithmetic_by_hand(name: str, examples: list[tuple[int, ...]]) -> None:
    for variant, clocks in (("nmos", 2), ("cmos", 3)):
        for a, m, carry, result, carry_out in examples:
            outcome = answer(name, "immediate", m, variant, a=a, p=carry | D)
            assert (outcome["a"], flags(outcome) & C) == (result, carry_out)
            assert flags(outcome) & D
            assert outcome["cycles"] == clocks
    assert len(examples) in (8, 6)


def test_n_of_99_plus_1_tells_the_members_apart() -> None:
    # The textbook of the family's 16-bit member, p220
    seen = {v: flags(answer("ADC", "immediate", 0x01, v, a=0x99, p=D)) for v in ("nmos", "cmos")}
    assert seen == {"nmos": N | D | C, "cmos": Z | D | C}


def test_decimal_mode_is_disconnected_in_the_binary_variant() -> None:
    outcome = answer("ADC", "immediate", 0x01, "binary", a=0x99, p=D)
    assert (outcome["a"], flags(outcome), outcome["cycles"]) == (0x9A, N | D, 2)


def test_valid_decimal_digits_give_what_counting_gives() -> None:
    a, m, carry = (grid.ravel() for grid in np.mgrid[0:100, 0:100, 0:2])
    cases = np.zeros(20_000, CASE)
    cases["a"], cases["read_value"][:, 1] = a // 10 * 16 + a % 10, m // 10 * 16 + m % 10
    cases["reads"], cases["p"] = 2, carry | D
    for opcode, total, carries in (
        (0x69, a + m + carry, a + m + carry > 99),
        (0xE9, a - m - 1 + carry, a - m - 1 + carry >= 0),
    ):
        cases["read_value"][:, 0] = opcode
        for variant in ("nmos", "cmos"):
            outcomes = Model(variant).execute(cases)
            counted = total % 100
            assert np.array_equal(outcomes["a"], counted // 10 * 16 + counted % 10)
            assert np.array_equal(outcomes["p"] & C, carries)
    assert len(cases) == 20_000


# The other families. Common practice of the trade unless a source is named.


@pytest.mark.parametrize(("name", "register"), [("CMP", "a"), ("CPX", "x"), ("CPY", "y")])
def test_compares_by_hand(name: str, register: str) -> None:
    examples = [  # register, m, N Z C; V and D do not matter and stay
        (0x40, 0x40, Z | C), (0x40, 0x3F, C), (0x40, 0x41, N), (0x80, 0x01, C), (0x7F, 0xFF, N),
        (0x00, 0x00, Z | C), (0x10, 0x09, C),
    ]  # fmt: skip
    checked = 0
    for byte, m, expected in examples:
        for kept in (0, V, D, V | D | C):
            outcome = answer(name, "immediate", m, "cmos", p=kept, **{register: byte})
            assert flags(outcome) == expected | kept & ~C
            assert (outcome[register], outcome["cycles"]) == (byte, 2)
            checked += 1
    assert checked == 28


def test_logic_and_bit_by_hand() -> None:
    for name, result, expected in (
        ("AND", 0x80, N), ("ORA", 0xF5, N), ("EOR", 0x75, 0),
    ):  # fmt: skip
        outcome = answer(name, "zero page", 0xB0, a=0xC5)
        assert (outcome["a"], flags(outcome)) == (result, expected)
    for a, m, expected in ((0x01, 0xC0, N | V | Z), (0xFF, 0x40, V), (0x3F, 0x80, N | Z)):
        outcome = answer("BIT", "absolute", m, a=a)
        assert (outcome["a"], flags(outcome)) == (a, expected)


def test_shifts_by_hand_in_a_and_in_memory() -> None:
    examples = [  # byte, carry in, result, N Z C
        ("ASL", 0x81, 1, 0x02, C), ("ASL", 0x40, 1, 0x80, N), ("ASL", 0x80, 0, 0x00, Z | C),
        ("LSR", 0x81, 1, 0x40, C), ("LSR", 0x01, 1, 0x00, Z | C),
        ("ROL", 0x81, 1, 0x03, C), ("ROL", 0x80, 0, 0x00, Z | C), ("ROL", 0x40, 0, 0x80, N),
        ("ROR", 0x81, 0, 0x40, C), ("ROR", 0x01, 1, 0x80, N | C), ("ROR", 0x01, 0, 0x00, Z | C),
    ]  # fmt: skip
    for name, byte, carry, result, expected in examples:
        in_a = answer(name, "accumulator", a=byte, p=carry | V)
        assert (in_a["a"], in_a["writes"], flags(in_a)) == (result, 0, expected | V)
        for variant, written in (("nmos", [byte, result]), ("cmos", [result])):
            in_memory = answer(
                name, "absolute", byte, variant, a=0x55, p=carry | V, argument=0x1234
            )
            assert (in_memory["a"], flags(in_memory)) == (0x55, expected | V)
            assert writes(in_memory) == [(0x1234, one) for one in written]
    assert len(examples) == 11


def test_steps_by_hand() -> None:
    for name, byte, result, expected in (
        ("INC", 0xFF, 0x00, Z), ("INC", 0x7F, 0x80, N), ("DEC", 0x00, 0xFF, N), ("DEC", 1, 0, Z),
    ):  # fmt: skip
        outcome = answer(name, "zero page", byte, p=C, argument=0x10)
        assert writes(outcome) == [(0x0010, byte), (0x0010, result)]
        assert flags(outcome) == expected | C
        for register in ("x", "y"):
            outcome = answer(name[:2] + register.upper(), p=C, **{register: byte})
            assert (outcome[register], flags(outcome)) == (result, expected | C)


def test_loads_stores_and_transfers_by_hand() -> None:
    for register in ("a", "x", "y"):
        load, store = f"LD{register.upper()}", f"ST{register.upper()}"
        outcome = answer(load, "absolute", 0x80, p=Z | V, **{register: 1})
        assert (outcome[register], flags(outcome)) == (0x80, N | V)
        outcome = answer(store, "zero page", p=Z | V, argument=0xFE, **{register: 0x80})
        assert (writes(outcome), flags(outcome)) == ([(0x00FE, 0x80)], Z | V)
    for name in ("TAX", "TAY", "TXA", "TYA", "TSX", "TXS"):
        source, target = ("sp" if letter == "S" else letter.lower() for letter in name[1:])
        outcome = answer(name, p=Z | C, **{target: 1, source: 0x80})
        assert outcome[target] == outcome[source] == 0x80
        assert flags(outcome) == (Z | C if name == "TXS" else N | C)


def test_flag_instructions_by_hand() -> None:
    for name, mask in (("CLC", C), ("CLD", D), ("CLI", MASK), ("CLV", V)):
        assert flags(answer(name, p=0xFF)) == FLAGS & ~mask
    for name, mask in (("SEC", C), ("SED", D), ("SEI", MASK)):
        assert flags(answer(name, p=0)) == mask
    outcome = answer("NOP", p=0xC3, a=1, x=2, y=3)
    assert [int(outcome[field]) for field in ("pc", "a", "x", "y", "sp", "p", "cycles")] == [
        0x0401, 1, 2, 3, 0xF0, 0xF3, 2,
    ]  # fmt: skip


BRANCHES = {
    "BPL": (N, 0), "BMI": (N, N), "BVC": (V, 0), "BVS": (V, V),
    "BCC": (C, 0), "BCS": (C, C), "BNE": (Z, 0), "BEQ": (Z, Z),
}  # fmt: skip


def test_branches_by_hand() -> None:
    checked = 0
    for name, (mask, value) in BRANCHES.items():
        for p in (0, mask, FLAGS, FLAGS & ~mask):
            taken = p & mask == value
            for pc, offset, target, clocks in (
                (0x0400, 0x10, 0x0412, 3), (0x0400, 0xFE, 0x0400, 3), (0x0400, 0xFD, 0x03FF, 4),
                (0x04F0, 0x7F, 0x0571, 4), (0xFFFD, 0x7F, 0x007E, 4), (0x0000, 0x80, 0xFF82, 4),
            ):  # fmt: skip
                outcome = answer(name, "relative", offset, pc=pc, p=p)
                expected = (target, clocks) if taken else ((pc + 2) % 65536, 2)
                assert (outcome["pc"], outcome["cycles"]) == expected
                assert flags(outcome) == p
                checked += 1
    assert checked == 8 * 4 * 6


def test_pushes_and_pulls_wrap_within_page_one() -> None:
    for sp, after in ((0xF0, 0xEF), (0x00, 0xFF)):
        outcome = answer("PHA", a=0x5A, sp=sp)
        assert (outcome["sp"], writes(outcome)) == (after, [(0x0100 + sp, 0x5A)])
        outcome = answer("PHP", p=0xC1, sp=sp)
        assert (writes(outcome), flags(outcome)) == ([(0x0100 + sp, 0xF1)], 0xC1)
    for sp, after in ((0xF0, 0xF1), (0xFF, 0x00)):
        outcome = answer("PLA", pull0=0x80, sp=sp, p=Z)
        assert (outcome["a"], outcome["sp"], flags(outcome)) == (0x80, after, N)
        outcome = answer("PLP", pull0=0x3C, sp=sp, p=0xC1)
        assert (outcome["sp"], flags(outcome), outcome["writes"]) == (after, D | MASK, 0)


def test_calls_and_returns_by_hand() -> None:
    outcome = answer("JSR", "absolute", argument=0x1234, pc=0x04FE, sp=0x00)
    assert (outcome["pc"], outcome["sp"], outcome["cycles"]) == (0x1234, 0xFE, 6)
    assert writes(outcome) == [(0x0100, 0x05), (0x01FF, 0x00)]
    outcome = answer("RTS", pull0=0xFF, pull1=0x05, sp=0xFE)
    assert (outcome["pc"], outcome["sp"], outcome["cycles"]) == (0x0600, 0x00, 6)
    assert answer("RTS", pull0=0xFF, pull1=0xFF)["pc"] == 0
    outcome = answer("RTI", pull0=0xFF, pull1=0x05, pull2=0x06, sp=0xF0)
    assert (outcome["pc"], outcome["sp"], flags(outcome)) == (0x0605, 0xF3, FLAGS)
    outcome = answer("JMP", "absolute", argument=0x1234)
    assert (outcome["pc"], outcome["cycles"], outcome["writes"]) == (0x1234, 3, 0)


def test_entries_push_pc_and_flags_then_set_i() -> None:
    for variant in VARIANTS:
        kept = FLAGS & ~(MASK | (D if variant == "cmos" else 0))
        for name, high, low, b in (
            ("BRK", 0x05, 0x00, 0x10), ("IRQ", 0x04, 0xFE, 0), ("NMI", 0x04, 0xFE, 0),
        ):  # fmt: skip
            outcome = answer(
                name, "implied", 0, variant, p=FLAGS & ~MASK, pc=0x04FE, sp=1, vector=0x9ABC
            )
            assert (outcome["pc"], outcome["sp"], outcome["cycles"]) == (0x9ABC, 0xFE, 7)
            assert writes(outcome) == [
                (0x0101, high), (0x0100, low), (0x01FF, (FLAGS & ~MASK) | 0x20 | b),
            ]  # fmt: skip
            assert flags(outcome) == kept | MASK


def test_reset_moves_sp_and_writes_nothing() -> None:
    # The length and what becomes of I and D: the CMOS data sheet (2020), section 3.11
    for variant, p, expected in (("cmos", D, MASK), ("nmos", D, D | MASK), ("binary", C, C | MASK)):
        outcome = answer("RESET", "implied", 0, variant, p=p, sp=1, vector=0x9ABC)
        assert (outcome["pc"], outcome["sp"], outcome["writes"]) == (0x9ABC, 0xFE, 0)
        assert (flags(outcome), outcome["cycles"]) == (expected, 7)


def test_a_masked_irq_is_the_plain_instruction() -> None:
    case = case_of("LDA", "immediate", 0x42, p=MASK)
    plain = Model().execute(case)
    case["event"] = EVENTS.index("IRQ")
    assert Model().execute(case) == plain
    assert plain["a"] == 0x42
    case["event"] = EVENTS.index("NMI")
    assert Model().execute(case)["writes"] == 3


def test_what_follows_is_decided_by_priority_and_mask() -> None:
    for name in ("NOP", "CLI", "RTI"):
        assert decide_event(name, False, False, False) == "instruction"
        assert decide_event(name, False, True, False) == "IRQ"
        assert decide_event(name, True, True, False) == "instruction"
        assert decide_event(name, True, True, True) == "NMI"
    for name in ("BRK", "IRQ", "NMI", "RESET"):
        assert decide_event(name, False, True, True) == "instruction"


# What must not change


def test_registers_and_flags_that_an_instruction_does_not_name_are_kept() -> None:
    changers = {
        "a": "ADC AND ASL EOR LDA LSR ORA PLA ROL ROR SBC TXA TYA",
        "x": "DEX INX LDX TAX TSX",
        "y": "DEY INY LDY TAY",
        "sp": "BRK JSR PHA PHP PLA PLP RTI RTS TXS",
    }
    checked = 0
    for form in INSTRUCTIONS:
        cases = sampled_cases(300, 9, [form], ["instruction"])
        outcomes = Model().execute(cases)
        for register, writers in changers.items():
            changed = bool((outcomes[register] != cases[register]).any())
            assert not changed or form.mnemonic in writers.split()
        touched = int(np.bitwise_or.reduce((outcomes["p"] ^ cases["p"]) & FLAGS))
        named = sum(1 << {"n": 7, "v": 6, "d": 3, "i": 2, "z": 1, "c": 0}[f] for f in form.flags)
        assert touched & ~named == 0
        assert touched == named, "300 random cases touch every flag that it updates"
        pushes = {"PHA": 1, "PHP": 1, "JSR": 2, "BRK": 3}.get(form.mnemonic, 0)
        stores = {"write": 1, "modify": 2}.get(form.access, 0)
        assert set(outcomes["writes"]) == {pushes + stores}
        checked += len(cases)
    assert checked == 300 * len(INSTRUCTIONS)
