"""Every planted mistake is found: where it is made, in its fields only, as often as it should be.

The catalogue is common practice of the trade, no source; its counts are enumerated here.
"""

from __future__ import annotations

import pickle
from functools import cache
from typing import Any

import numpy as np
import pytest
from usual import first_of

from carrywave.sim.cases.kinds import lay_reads
from carrywave.sim.cases.layout import CASE, Cases, Outcomes
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.instructions import BY_MNEMONIC, ENTRIES
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.sim.grade.exposure import documented_places
from carrywave.sim.mistakes.catalogue import BY_NUMBER, MISTAKES, SEQUENCE_ONLY
from carrywave.sim.mistakes.mistake import Mistake, Mistaken
from carrywave.sim.witness.comparison import FIELDS, Comparison, compare
from carrywave.sim.witness.model import Model, State

# Case sets


def crossed(**axes: Any) -> dict[str, np.ndarray]:
    """All combinations of the values, a flat column each."""
    grids = np.meshgrid(*axes.values(), indexing="ij")
    return dict(zip(axes, (grid.ravel() for grid in grids), strict=True))


def build(name: str, mode: str, /, **columns: Any) -> Cases:
    """Cases of one instruction or event: the columns given, the rest random.

    A column is a register, or a byte that is read, "m" or "pull0"; `vector` is an address.
    """
    form = BY_MNEMONIC[name][mode] if name in BY_MNEMONIC else ENTRIES[name]
    count = len(next(iter(columns.values())))
    rng = np.random.default_rng(66)
    cases = np.zeros(count, CASE)
    cases["event"] = EVENTS.index(name) if name in EVENTS else 0
    for register in ("a", "x", "y", "sp", "p"):
        cases[register] = rng.integers(0, 256, count)
    cases["pc"] = rng.integers(0x0200, 0xFF00, count)
    found = {read: rng.integers(0, 256, count) for read in form.reads} | columns
    if "vector" in columns:
        found |= {"vector.low": columns["vector"] & 255, "vector.high": columns["vector"] >> 8}
    for register in ("pc", "a", "x", "y", "sp", "p"):
        cases[register] = found.get(register, cases[register])
        found[register] = cases[register].astype(int)
    lay_reads(cases, form, found)
    return cases


REGISTERS = {"CPX": "x", "CPY": "y", "INX": "x", "DEX": "x", "INY": "y", "DEY": "y"}
BYTES = np.arange(256)


def arithmetic(name: str, decimal: int, others: int = 0) -> Cases:
    """All 131,072 register, M and C."""
    register = REGISTERS.get(name, "a")
    columns = crossed(r=BYTES, m=BYTES, c=[0, 1])
    p = columns["c"] + 8 * decimal + others
    return build(name, "immediate", **{register: columns["r"]}, m=columns["m"], p=p)


def valid(cases: Cases) -> Cases:
    """Those with digits of 0 to 9 only."""
    a, m = cases["a"], cases["read_value"][:, 1]
    return cases[(a % 16 < 10) & (a // 16 < 10) & (m % 16 < 10) & (m // 16 < 10)]


@cache
def suitable(name: str) -> Cases:
    """What there is to find in an instruction or event, exhausted in what matters to it."""
    p = BYTES
    if name in ("ADC", "SBC", "CMP", "CPX", "CPY"):
        return np.concatenate([arithmetic(name, 0), arithmetic(name, 1)[::3]])
    if name == "BIT":
        return build(name, "zero page", **crossed(a=BYTES, m=BYTES, p=[0, 255]))
    if name in ("ROL", "ROR", "LSR"):
        in_a = build(name, "accumulator", **crossed(a=BYTES, p=p))
        return np.concatenate([in_a, build(name, "absolute", **crossed(m=BYTES, p=p))])
    if name in ("INC", "DEC"):
        return build(name, "zero page", **crossed(m=BYTES, p=p))
    if name in ("INX", "DEX", "INY", "DEY", "TXS"):
        return build(name, "implied", **crossed(**{REGISTERS.get(name, "x"): BYTES}, p=p))
    mode = "absolute" if name == "JSR" else "implied"
    cases = build(name, mode, **crossed(sp=BYTES, p=p))
    return cases[cases["p"] & 4 == 0] if name == "IRQ" else cases


@cache
def right(name: str, variant: str) -> Outcomes:
    return Model(variant).execute(suitable(name))


#: Exactly the fields that each mistake makes wrong.
WRONG = {
    1: "p.v", 2: "p.v", 3: "p.v", 4: "p.v", 5: "p.v", 6: "p.c", 7: "p.z", 8: "p.n", 9: "p.v",
    10: "p.v", 11: "p.c", 12: "p.c", 13: "a p.n p.v p.z p.c", 14: "a p.n p.v p.z p.c", 15: "p.c",
    16: "p.n p.z p.c", 17: "p.c", 18: "p.c", 19: "p.n", 20: "p.v",
    21: "p.n", 22: "a p.z write_value", 23: "a p.n p.z write_value", 24: "p.n p.v", 25: "p.z",
    26: "p.c", 27: "p.z", 28: "p.n", 29: "p.v", 30: "p.n", 31: "p.c",
    32: "a p.n p.v p.c", 33: "a p.c", 34: "a", 35: "p.n p.z", 36: "p.n p.z",
    37: "write_address", 38: "pc a p.n p.v p.d p.i p.z p.c",
    39: "pc a p.n p.v p.d p.i p.z p.c write_address", 40: "write_value", 41: "pc", 42: "pc",
    43: "write_value", 44: "p.n p.z", 45: "p.n p.z", 46: "p.n p.z", 47: "write_value",
    48: "write_value", 49: "write_value", 51: "write_value", 52: "p.i",
    53: "pc sp writes write_value write_address", 54: "write_value", 55: "write_value",
    62: "write_value", 63: "p.d", 64: "writes", 65: "p.i", 66: "pc",
    95: "pc a p.n p.v p.d p.i p.z p.c",
}  # fmt: skip
#: CMOS judges the decimal result, so more follows from it; masked BRK keeps D, which BRK clears.
WRONG_ON_CMOS = {32: " p.z", 33: " p.n p.z", 34: " p.n", 53: " p.d"}

MADE = [
    (mistake.number, variant)
    for mistake in MISTAKES
    if not mistake.cases
    for variant in mistake.variants
]


@pytest.mark.parametrize(("number", "variant"), first_of(MADE[::2] + MADE[1::2], len(MADE) // 2))
def test_each_mistake_is_found_where_it_is_made_in_its_fields_only(
    number: int, variant: str
) -> None:
    mistake = BY_NUMBER[number]
    witness = Mistaken(mistake, variant=variant)
    fields: set[str] = set()
    total = Comparison()
    for name in sorted(mistake.mnemonics):
        cases = suitable(name)
        found = Comparison.of(cases, right(name, variant), witness.execute(cases))
        assert list(found.instructions) == [name]
        assert found.cases >= 32768
        assert found.mismatches > 0, f"not found in {name}"
        assert found.first is not None
        fields |= set(found.instructions[name].fields)
        total = total.merge(found)
    assert not total.agree
    assert set(total.instructions) == mistake.mnemonics
    expected = WRONG[number] + (WRONG_ON_CMOS.get(number, "") if variant == "cmos" else "")
    assert fields == set(expected.split())


# Addresses


@cache
def placed(number: int, name: str, variant: str) -> tuple[Cases, Outcomes]:
    """All low bytes of a base with all of an index, or of PC with all offsets."""
    mistake = BY_NUMBER[number]
    form = next(form for form in BY_MNEMONIC[name].values() if mistake.made_in(form))
    cases = documented_places(form, mistake.cases, variant)
    return cases, Model(variant).execute(cases)


#: On what base or place and what index, a byte each, a mistake shows: the counts in plain sums.
#: Where two bytes must be alike, X and Y, say, or the halves of a pointer, 256 of 65,536 are.
SHOWS = {
    **dict.fromkeys((67, 73, 74, 77, 79, 80, 81), lambda low, i: low + i > 255),
    **dict.fromkeys((68, 71, 72, 83, 84, 85), lambda low, i: i),
    86: lambda low, i: i > 127,
    87: lambda low, i: True,
    **dict.fromkeys((70, 75, 76), lambda low, i: low == 0xFF),
    69: lambda low, i: (low + i) % 256 == 0xFF,
    78: lambda low, i: low + i <= 255,
    82: lambda low, i: low >= 0xFE,  # there the next instruction is in the next page
    88: lambda low, i: low + i >= 0xFF,
    89: lambda low, i: low + i > 255,
    **dict.fromkeys((90, 91), lambda low, i: low + i <= 255),
    92: lambda low, i: not 0 <= (low + 2) % 256 + (i ^ 128) - 128 <= 255,
    93: lambda low, i: (low + 2) % 256 + (i ^ 128) - 128 < 0,
    94: lambda low, i: True,
    96: lambda low, i: low + i >= 0xFF,
    97: lambda low, i: low + i > 255,
    98: lambda low, i: (low + i > 255) != ((low ^ 0x5C) + i > 255),  # where the pointer lies
    99: lambda low, i: i == 0x80,
    100: lambda low, i: i > 127,
}
#: Of 88 a pointer that is found nowhere leads to 0000, where one byte of the right one may lie: it
#: is the operand's in one place, and one that AND makes the same of in fifteen more. Of 96 its high
#: byte alone is 0: to page zero, where the same may happen.
ALIKE = {88: 17, 96: 9}
ADDRESSED = [m for m in MISTAKES if m.cases]


def test_the_counts_of_addresses_are_sums() -> None:
    assert {mistake.number for mistake in ADDRESSED} == set(SHOWS) == {*range(67, 101)} - {95}
    for mistake in ADDRESSED:
        shows = SHOWS[mistake.number]
        count = sum(1 for low in range(256) for i in range(256) if shows(low, i))
        assert mistake.count == count, mistake.number


@pytest.mark.parametrize(
    "mistake", first_of(ADDRESSED[::2] + ADDRESSED[1::2], 11), ids=lambda mistake: mistake.name
)
def test_a_mistake_of_addressing_shows_as_often_as_counted_and_in_what_follows(
    mistake: Mistake,
) -> None:
    variant, checked = mistake.variants[0], 0
    for name in sorted(mistake.mnemonics):
        cases, expected = placed(mistake.number, name, variant)
        witness = Mistaken(mistake, variant=variant)
        found = Comparison.of(cases, expected, witness.execute(cases))
        assert found.cases == 65536
        assert mistake.count is not None
        fewer = ALIKE.get(mistake.number, 1)
        assert mistake.count - fewer < found.mismatches <= mistake.count, name
        fields = set(found.instructions[name].fields)
        form = next(one for one in BY_MNEMONIC[name].values() if mistake.made_in(one))
        if mistake.number in (77, 78, 79, 80, 82, 90, 91, 92, 98, 100):
            assert fields == {"cycles"}
        elif mistake.number == 94:
            assert fields == {"write_value"}
        elif mistake.number == 99:
            assert fields == {"pc", "cycles"}
        elif name == "JMP" or mistake.number == 93:
            assert fields == {"pc"}
        elif form.access == "write" or mistake.number in (81, 89):
            assert fields == {"write_address"}
        else:  # another byte is read, and what is made of it may go elsewhere
            result = {"a", "x", "y", *(f"p.{flag}" for flag in form.flags)}
            written = {"write_address", "write_value"} if form.access == "modify" else set()
            clocks = {"cycles"} if mistake.number in (72, 83, 84, 88) else set()
            assert written <= fields <= result | written | clocks
            assert fields & result or written
        checked += 1
    assert checked == len(mistake.mnemonics) >= 1


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.name)
def test_a_mistake_changes_nothing_in_instructions_it_does_not_name(mistake: Mistake) -> None:
    variant = mistake.variants[0]
    cases, expected = sampled(variant)
    found = Comparison.of(cases, expected, Mistaken(mistake, variant=variant).execute(cases))
    others = {name: tally for name, tally in found.instructions.items() if tally.mismatches == 0}
    assert set(found.instructions) == {*BY_MNEMONIC, *EVENTS[1:]}
    assert set(found.instructions) - set(others) <= mistake.mnemonics
    assert sum(tally.cases for tally in others.values()) > 7_000


@cache
def sampled(variant: str) -> tuple[Cases, Outcomes]:
    cases = sampled_cases(20_000, seed=65, variant=variant)
    return cases, Model(variant).execute(cases)


# Counts

ALL, VALID, ALL_DECIMAL = "all binary", "valid decimal", "all decimal"

#: Mistake, instructions, variants, inputs, how many expose it. Where that is not the documented
#: count, the mistake's note says why.
COUNTS = [
    (1, "ADC SBC", "nmos cmos binary", ALL, 65536),
    (2, "ADC SBC", "nmos cmos binary", ALL, 65536),
    (3, "ADC SBC", "nmos cmos binary", ALL, 32768),
    (4, "ADC", "nmos cmos binary", ALL, 256),
    (5, "ADC SBC", "nmos cmos binary", ALL, 32768),
    (6, "ADC", "nmos cmos binary", ALL, 256),
    (7, "ADC SBC", "nmos cmos binary", ALL, 511),
    (8, "ADC SBC", "nmos cmos binary", ALL, 98304),
    (9, "SBC", "nmos cmos binary", ALL, 65536),
    (10, "SBC", "nmos cmos binary", ALL, 256),
    (11, "SBC", "nmos cmos binary", ALL, 131072),
    (12, "SBC", "nmos cmos binary", ALL, 256),
    (13, "SBC", "nmos cmos binary", ALL, 131072),
    (14, "SBC", "nmos cmos binary", ALL, 131072),
    (15, "SBC", "nmos cmos binary", ALL, 256),
    (16, "CMP CPX CPY", "nmos", ALL, 768),
    (17, "CMP CPX CPY", "nmos", ALL, 512),
    (18, "CMP CPX CPY", "nmos", ALL, 65536),
    (19, "CMP CPX CPY", "nmos", ALL, 32768),
    (20, "CMP CPX CPY", "nmos", ALL, 32768),
    (27, "ADC", "nmos", VALID, 230),
    (27, "SBC", "nmos", VALID, 10),
    (28, "ADC", "nmos", VALID, 8800),
    (28, "SBC", "nmos", VALID, 6000),
    (29, "ADC", "nmos cmos", VALID, 672),
    (30, "ADC", "nmos", VALID, 1008),
    (30, "ADC", "cmos", VALID, 9808),
    (31, "ADC", "nmos cmos", VALID, 8736),
    (32, "ADC", "nmos cmos", VALID, 8400),
    (33, "ADC", "nmos cmos", VALID, 1000),
    (34, "SBC", "nmos cmos", ALL_DECIMAL, 9216),
    (35, "SBC", "cmos", VALID, 6010),
]
INPUTS = {ALL: 131072, VALID: 20000, ALL_DECIMAL: 131072}


@cache
def inputs(name: str, kind: str) -> Cases:
    cases = arithmetic(name, 0 if kind == ALL else 1)
    return valid(cases) if kind == VALID else cases


def exposed(number: int, name: str, variant: str, kind: str) -> Comparison:
    cases = inputs(name, kind)
    found = compare(Model(variant), Mistaken(BY_NUMBER[number], variant=variant), cases)
    assert found.cases == INPUTS[kind]
    return found


@pytest.mark.parametrize(("number", "names", "variants", "kind", "count"), COUNTS)
def test_as_many_inputs_as_counted_expose_it(
    number: int, names: str, variants: str, kind: str, count: int
) -> None:
    for variant in variants.split():
        for name in names.split():
            assert exposed(number, name, variant, kind).mismatches == count


def test_every_documented_count_is_reproduced() -> None:
    counted = {(row[0], row[4]) for row in COUNTS}
    documented = {(m.number, m.count) for m in MISTAKES if m.count is not None and not m.cases}
    assert len(documented) == 26
    assert documented - counted == {(16, 256)}  # C's alone
    found = exposed(16, "CMP", "nmos", ALL)
    assert found.instructions["CMP"].fields == {"p.n": 512, "p.z": 512, "p.c": 256}


def test_a_count_of_v_kept_is_with_v_clear_before() -> None:
    cases = arithmetic("CMP", 0, others=64)
    found = compare(Model(), Mistaken(BY_NUMBER[20]), cases)
    assert (found.cases, found.mismatches) == (131072, 98304)


def test_valid_digits_never_expose_the_exchanged_subtraction() -> None:
    for variant in ("nmos", "cmos"):
        assert exposed(34, "SBC", variant, VALID).agree


# The catalogue


def test_the_catalogue_and_the_rest_are_the_100_there_are() -> None:
    numbers = [mistake.number for mistake in MISTAKES]
    assert numbers == sorted(set(numbers))
    assert len(numbers) == 93
    assert not set(numbers) & set(SEQUENCE_ONLY)
    assert set(numbers) | set(SEQUENCE_ONLY) == set(range(1, 101))
    assert set(SEQUENCE_ONLY) == {50, *range(56, 62)}
    assert all(": " in reason for reason in SEQUENCE_ONLY.values())


def test_every_entry_is_told_in_words_and_names_what_exists() -> None:
    for mistake in MISTAKES:
        assert mistake.mnemonics <= {*BY_MNEMONIC, *EVENTS[1:]}
        assert mistake.mnemonics
        assert set(mistake.variants) <= set(VARIANTS)
        assert mistake.variants
        assert mistake.name.replace("-", "").isalnum()
        for words in (mistake.title, mistake.cause, mistake.change):
            assert len(words) > 5
            assert not words.endswith(".")
        assert "must" in mistake.change
    for what in ("name", "title"):
        assert len({getattr(mistake, what) for mistake in MISTAKES}) == 93


def test_mistakes_travel_to_other_processes() -> None:
    assert pickle.loads(pickle.dumps(MISTAKES)) == MISTAKES


# Several at once, and in other modes


def test_two_mistakes_in_different_instructions_are_both_found() -> None:
    cases, expected = sampled("nmos")
    both = Mistaken(BY_NUMBER[41], BY_NUMBER[11])
    found = Comparison.of(cases, expected, both.execute(cases))
    wrong = {name: set(t.fields) for name, t in found.instructions.items() if t.mismatches}
    assert wrong == {"SBC": {"p.c"}, "RTS": {"pc"}}
    assert found.cases == 20_000


def test_two_mistakes_in_one_instruction_show_in_two_fields() -> None:
    cases = suitable("ADC")
    both = Mistaken(BY_NUMBER[1], BY_NUMBER[7])
    found = Comparison.of(cases, right("ADC", "nmos"), both.execute(cases))
    assert set(found.instructions["ADC"].fields) == {"p.v", "p.z"}
    assert found.cases == len(cases) > 131072


@pytest.mark.parametrize(("one", "other"), [(13, 8), (43, 54), (53, 66), (16, 17), (38, 41)])
def test_the_order_in_which_mistakes_are_given_does_not_matter(one: int, other: int) -> None:
    name = sorted(BY_NUMBER[one].mnemonics & BY_NUMBER[other].mnemonics)[0]
    cases = suitable(name)
    a = Mistaken(BY_NUMBER[one], BY_NUMBER[other])
    b = Mistaken(BY_NUMBER[other], BY_NUMBER[one])
    found = compare(a, b, cases)
    assert found.agree
    assert found.cases >= 32768
    alone = [compare(a, Mistaken(BY_NUMBER[number]), cases) for number in (one, other)]
    assert not any(comparison.agree for comparison in alone), "one hides the other"


@pytest.mark.parametrize("number", first_of(range(1, 16), 6))
def test_an_arithmetic_mistake_can_be_made_in_either_mode_or_in_both(number: int) -> None:
    forms = BY_NUMBER[number].variations()
    assert [form.modes for form in forms] == ["binary", "both", "decimal"]
    assert forms[0] is BY_NUMBER[number]
    name = sorted(BY_NUMBER[number].mnemonics)[0]
    cases = np.concatenate([arithmetic(name, 0), arithmetic(name, 1)])
    decimal = cases["p"] & 8 != 0
    expected = Model().execute(cases)
    wrong = []
    for form in forms:
        actual = Mistaken(form).execute(cases)
        wrong.append(
            [
                Comparison.of(cases[rows], expected[rows], actual[rows]).mismatches
                for rows in (~decimal, decimal)
            ]
        )
    assert len(cases) == 262144
    assert wrong[0][0] == wrong[1][0] > 0 == wrong[2][0]
    assert wrong[0][1] == 0 < wrong[1][1] == wrong[2][1]


def test_where_decimal_mode_is_disconnected_all_is_binary() -> None:
    cases = arithmetic("ADC", 1)
    binary, both, decimal = BY_NUMBER[1].variations()
    counts = [
        compare(Model("binary"), Mistaken(form, variant="binary"), cases).mismatches
        for form in (binary, both, decimal)
    ]
    assert counts == [65536, 65536, 0]


def test_other_mistakes_have_one_form() -> None:
    single = [mistake for mistake in MISTAKES if mistake.number > 15]
    assert len(single) == 78
    assert all(mistake.variations() == (mistake,) for mistake in single)


# Single cases


@pytest.mark.parametrize("mistake", first_of(MISTAKES, 30), ids=lambda mistake: mistake.name)
def test_one_case_is_answered_as_in_a_batch(mistake: Mistake) -> None:
    checked = 0
    witness = Mistaken(mistake, variant=mistake.variants[-1])
    for name in sorted(mistake.mnemonics):
        every = (
            placed(mistake.number, name, mistake.variants[-1])[0] if mistake.cases
            else suitable(name)
        )  # fmt: skip
        cases = every[:: len(every) // 5]
        batch = witness.execute(cases)
        for case, outcome in zip(cases, batch, strict=True):
            assert witness.execute(case) == outcome
            checked += 1
    assert checked >= 5 * len(mistake.mnemonics)


def test_a_state_of_plain_numbers_will_do() -> None:
    state = State(a=0x7F, m=0x01, n=0, v=0, d=0, i=0, z=0, c=0, cycles=2)
    Mistaken(BY_NUMBER[1]).perform("ADC", state)
    assert (state.a, state.n, state.v, state.z, state.c) == (0x80, 1, 0, 0, 0)
    state = State(a=0x12, m=0x19, n=0, v=0, d=1, i=0, z=0, c=0, cycles=2)
    Mistaken(BY_NUMBER[32]).perform("ADC", state)
    assert (state.a, state.c) == (0x2B, 0)


def single(name: str, **columns: int) -> Any:
    cases = build(name, "implied", **{what: np.array([value]) for what, value in columns.items()})
    return cases.reshape(())


def mistaken(number: int, case: Any) -> Any:
    return Mistaken(BY_NUMBER[number]).execute(case)


def test_masked_brk_pushes_nothing_and_goes_on_behind_its_second_byte() -> None:
    for p, pushes, sp, pc in ((0x00, 3, 0x7D, 0x9ABC), (0x04, 0, 0x80, 0x0402)):
        case = single("BRK", p=p, pc=0x0400, sp=0x80, vector=0x9ABC)
        outcome = mistaken(53, case)
        assert (outcome["writes"], outcome["sp"], outcome["pc"]) == (pushes, sp, pc)
        assert outcome["write_value"].any() == outcome["write_address"].any() == (pushes > 0)


def test_a_pull_that_reads_first_finds_the_bytes_one_lower() -> None:
    case = single("RTI", sp=0x80, pull0=0x11, pull1=0x22, pull2=0x33)
    outcome = mistaken(38, case)
    assert (outcome["pc"], outcome["p"], outcome["sp"]) == (0x2211, 0x30, 0x83)


def test_a_stack_that_leaves_page_one_reads_nothing_and_writes_page_zero() -> None:
    case = single("RTS", sp=0xFE, pull0=0x11, pull1=0x22)
    assert mistaken(39, case)["pc"] == 0x0012
    outcome = mistaken(39, single("NMI", sp=0x01))
    assert outcome["write_address"].tolist() == [0x0101, 0x0100, 0x00FF]


def test_a_writing_reset_pushes_what_an_interrupt_would() -> None:
    outcome = mistaken(64, single("RESET", pc=0x1234, sp=0x00, p=0xC3))
    assert outcome["writes"] == 3
    assert outcome["write_value"].tolist() == [0x12, 0x34, 0xE3]
    assert outcome["write_address"].tolist() == [0x0100, 0x01FF, 0x01FE]
    assert outcome["sp"] == 0xFD


# Wrong input


def test_no_mistake_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^no mistake given: that is the model$"):
        Mistaken()


def test_a_mistake_of_another_variant_is_refused() -> None:
    message = r"^mistake 27 \(nmos-z-of-result\): made in nmos, not in cmos$"
    with pytest.raises(ValueError, match=message):
        Mistaken(BY_NUMBER[27], variant="cmos")


def test_an_unknown_variant_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^variant 'other': expected one of nmos, cmos, binary$"):
        Mistaken(BY_NUMBER[1], variant="other")


def test_the_expected_fields_are_fields() -> None:
    assert set(WRONG) | set(SHOWS) == set(BY_NUMBER)
    assert {name for fields in WRONG.values() for name in fields.split()} <= set(FIELDS)
