"""The diagnosis names what was planted, and never claims what does not give all the answers."""

from __future__ import annotations

import itertools
import json
import random
import re
from collections.abc import Callable, Iterable
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from usual import USUAL, first_of

from carrywave.sim.cases.case_memory import possible
from carrywave.sim.cases.exhaustive import exhaustive_cases
from carrywave.sim.cases.kinds import BY_KEY, keys_of, lay_reads, name_of_key
from carrywave.sim.cases.layout import CASE, OUTCOME, Cases, Outcomes
from carrywave.sim.cases.sampled import quick_cases, sampled_cases
from carrywave.sim.diagnose.diagnosis import diagnose
from carrywave.sim.diagnose.inputs import AnswerInputs
from carrywave.sim.diagnose.question import Cause
from carrywave.sim.diagnose.report import describe
from carrywave.sim.family.instructions import BY_MNEMONIC, ENTRIES, INSTRUCTIONS
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.mistakes.catalogue import BY_NUMBER, MISTAKES
from carrywave.sim.mistakes.mistake import Mistake, Mistaken
from carrywave.sim.witness.comparison import Comparison, differences
from carrywave.sim.witness.model import Model

# The cases: what a user's quick check has, a seeded sample and the corners of arithmetic.

Counter = Callable[..., tuple[list[Cause], int]]

CORNERS = [0x00, 0x01, 0x02, 0x09, 0x0A, 0x0F, 0x10, 0x19, 0x50, 0x7E, 0x7F]
CORNERS += [255 - byte for byte in CORNERS] + [0x90, 0x99, 0x9A]


def corners(name: str) -> Cases:
    byte, operand, p = (
        grid.ravel()
        for grid in np.meshgrid(CORNERS, CORNERS, [0, 1, 8, 9, 0xC2, 0xCB], indexing="ij")
    )
    cases = np.zeros(len(byte), CASE)
    cases["pc"] = 0x0400
    lay_reads(cases, BY_MNEMONIC[name]["immediate"], {"pc": 0x0400, "m": operand})
    cases["a"] = cases["x"] = cases["y"] = byte
    cases["p"] = p
    return cases


@cache
def quick(variant: str = "nmos") -> Cases:
    grids = (corners(name) for name in ("ADC", "SBC", "CMP", "CPX", "CPY"))
    forms = (*INSTRUCTIONS, *ENTRIES.values())
    drawn = [quick_cases(form, 4, variant) for form in forms]
    drawn.append(sampled_cases(20_000, 5, events=["IRQ"], variant=variant))
    cases = np.concatenate([*drawn, *grids])
    return cases[possible(cases)]


@cache
def right(variant: str = "nmos") -> Outcomes:
    return Model(variant).execute(quick(variant))


def instructions_of(cases: Cases) -> npt.NDArray[np.str_]:
    """Of each case, the mnemonic or the event."""
    return np.array([name_of_key(key) for key in keys_of(cases).tolist()])


@cache
def instructions() -> npt.NDArray[np.str_]:
    return instructions_of(quick())


def of(*names: str) -> npt.NDArray[np.bool_]:
    return np.isin(instructions(), names)


def by_instruction(causes: Iterable[Cause]) -> dict[str, list[Cause]]:
    found: dict[str, list[Cause]] = {}
    for cause in causes:
        found.setdefault(cause.instruction, []).append(cause)
    return found


def asked(actual: Outcomes, variant: str = "nmos", skip: tuple[str, ...] = ()) -> list[Cause]:
    return diagnose(quick(variant), right(variant), actual, variant, skip)


def planted(*mistakes: Mistake, variant: str = "nmos") -> Outcomes:
    return Mistaken(*mistakes, variant=variant).execute(quick(variant))


def with_flag(
    name: str, flag: str, value: Any, rows: Any = True, variant: str = "nmos"
) -> Outcomes:
    """An emulator that is right but for one flag of one instruction, in some rows."""
    outcomes = right(variant).copy()
    chosen = of(name) & rows
    bit = np.uint8(1 << FLAG_BITS[flag])
    outcomes["p"] = np.where(
        chosen, outcomes["p"] & ~bit | np.where(value, bit, 0).astype(np.uint8), outcomes["p"]
    )
    return outcomes


def with_field(name: str, **columns: Any) -> Outcomes:
    """An emulator that is right but for some fields of one instruction."""
    outcomes, rows = right().copy(), of(name)
    for field, value in columns.items():
        chosen = rows.reshape(-1, *[1] * (outcomes[field].ndim - 1))
        outcomes[field] = np.where(chosen, value, outcomes[field])
    return outcomes


def read(name: str) -> npt.NDArray[Any]:
    """A byte that is read, by its name; 0 where it is not."""
    keys, found = keys_of(quick()), np.zeros(len(quick()), int)
    for key, form in BY_KEY.items():
        if name in form.reads:
            rows = keys == key
            found[rows] = quick()["read_value"][rows, form.reads.index(name)]
    return found


A, P, SP = (quick()[name].astype(int) for name in ("a", "p", "sp"))
M = read("m")
C, BINARY = P & 1, P & 8 == 0
PC = quick()["pc"].astype(int)


def carry(i: int, name: str) -> npt.NDArray[Any]:
    other = M if name == "ADC" else 255 - M
    return np.asarray((A % (1 << i) + other % (1 << i) + C) >> i & 1)


# Every planted mistake, alone


PLANTED = [
    (variant, mistake, form)
    for variant in VARIANTS
    for mistake in MISTAKES
    if variant in mistake.variants
    # Where D does nothing, the form for decimal mode makes no difference.
    for form in (mistake.variations() if variant != "binary" else (mistake,))
]


# Each mistake in each of its forms, in the first of the variants that can make it; and the rest,
# in which the same rules are put to a model that differs in decimal mode and in its clocks.
FIRST = [one for one in PLANTED if one[0] == next(v for v in VARIANTS if v in one[1].variants)]
OTHERS = [one for one in PLANTED if one not in FIRST]
SEED = 27  # pytest's processes have to have the same parameters
SOME_OTHERS = random.Random(SEED).sample(OTHERS, len(OTHERS) // 4)


def test_all_forms_of_all_mistakes_are_planted() -> None:
    assert len(PLANTED) == len(FIRST) + len(OTHERS) == 316
    assert {mistake.number for _, mistake, _ in FIRST} == {m.number for m in MISTAKES}
    assert {mistake.number for _, mistake, _ in PLANTED} == {m.number for m in MISTAKES}


@pytest.mark.parametrize(
    "chosen",
    [
        FIRST[::13],
        pytest.param([one for i, one in enumerate(FIRST) if i % 13], marks=pytest.mark.exhaustive),
        pytest.param(SOME_OTHERS, marks=pytest.mark.exhaustive),
    ],
    ids=["first", "the rest of first", "some others"],
)
def test_every_mistake_alone_is_named_first_in_every_instruction_that_has_it(
    chosen: list[tuple[str, Mistake, Mistake]],
) -> None:
    for variant, mistake, form in chosen:
        actual = planted(form, variant=variant)
        found = by_instruction(asked(actual, variant))
        assert set(found) == mistake.mnemonics
        tallies = Comparison.of(quick(variant), right(variant), actual).instructions
        for name, alternatives in found.items():
            first = alternatives[0]
            assert first.numbers == (mistake.number,), (variant, mistake, form.modes, alternatives)
            assert first.kind == "mistake"
            assert first.cause.startswith(mistake.cause)
            assert first.change == mistake.change
            assert first.explains == first.wrong == tallies[name].mismatches > 0
            assert set(first.fields) == set(tallies[name].fields)
            # As good is only what another member of the family does; and a single pull leaves its
            # page in one way, whether the stack runs on (39) or the pull alone does (95). What is
            # read at a wrong address is 0, whether a carry was lost (73) or came twice (97).
            others = {cause.numbers or cause.variant for cause in alternatives[1:]}
            same = {39: (95,), 95: (39,), 73: (97,), 97: (73,)}.get(mistake.number)
            assert others <= {"cmos", same}
    assert len(chosen) >= 9


def test_a_mistake_alone_is_found_without_a_search(count_calls: Counter) -> None:
    works = [count_calls(asked, planted(BY_NUMBER[n]))[1] for n in (1, 16, 32, 47, 64)]
    assert 10_000 < max(works) < 160_000  # ADC and SBC have eight modes


def test_the_words_tell_in_which_modes_the_mistake_is_made() -> None:
    suffixes = ["", ", in decimal mode too", ", in decimal mode only"]
    for form, suffix in zip(BY_NUMBER[1].variations(), suffixes, strict=True):
        causes = asked(planted(form))
        assert [cause.cause for cause in causes] == [f"V is the carry out{suffix}"] * 2


def test_all_inputs_of_an_instruction_are_diagnosed_too() -> None:
    cases = np.concatenate(list(exhaustive_cases(BY_MNEMONIC["ADC"]["immediate"])))
    assert len(cases) > 500_000
    for number in (4, 32):
        actual = Mistaken(BY_NUMBER[number]).execute(cases)
        causes = diagnose(cases, Model().execute(cases), actual, "nmos")
        assert [cause.numbers for cause in causes] == [(number,)]


# Several


def some_pairs(count: int) -> list[tuple[str, Mistake, Mistake]]:
    """Of any two mistakes in one instruction, in any form."""
    pairs = [
        (variant, one, other)
        for variant in VARIANTS
        for first, second in itertools.combinations(MISTAKES, 2)
        if first.mnemonics & second.mnemonics
        and not (first.places and second.places)  # an address is formed by one rule
        and variant in first.variants
        and variant in second.variants
        for one in first.variations()
        for other in second.variations()
    ]
    return random.Random(47).sample(pairs, count)


@pytest.mark.parametrize(
    "share", [0, *(pytest.param(share, marks=pytest.mark.exhaustive) for share in range(1, 12))]
)
def test_pairs_in_one_instruction_are_found(share: int) -> None:
    checked = hidden = 0
    for variant, one, other in some_pairs(40)[share::32]:
        actual = planted(one, other, variant=variant)
        found = by_instruction(asked(actual, variant))
        alone = [
            {
                name
                for name, tally in Comparison.of(
                    quick(variant), actual, planted(form, variant=variant)
                ).instructions.items()
                if not tally.mismatches
            }
            for form in (one, other)
        ]
        for name in one.mnemonics & other.mnemonics:
            numbers = {cause.numbers for cause in found.get(name, [])}
            if name in alone[0] | alone[1]:  # one hides the other, or makes no difference
                hidden += 1
                continue
            assert tuple(sorted((one.number, other.number))) in {
                tuple(sorted(pair)) for pair in numbers
            }, (variant, name, one.number, one.modes, other.number, other.modes, numbers)
            assert found[name][0].explains == found[name][0].wrong > 0
            checked += 1
    assert checked >= max(1, hidden)


def test_a_pair_is_told_as_both_of_its_mistakes() -> None:
    causes = asked(planted(BY_NUMBER[43], BY_NUMBER[54]))
    told = [cause for cause in causes if cause.instruction == "BRK"]
    assert [(cause.kind, cause.numbers) for cause in told] == [("pair", (54, 43))]
    assert told[0].cause == f"{BY_NUMBER[54].cause}; and {BY_NUMBER[43].cause}"


def test_two_mistakes_in_different_instructions_are_both_named() -> None:
    causes = asked(planted(BY_NUMBER[41], BY_NUMBER[11]))
    assert [(cause.instruction, cause.numbers) for cause in causes] == [
        ("RTS", (41,)),
        ("SBC", (11,)),
    ]


def test_three_mistakes_that_show_in_different_flags_are_told_flag_by_flag() -> None:
    causes = asked(planted(BY_NUMBER[1], BY_NUMBER[7], BY_NUMBER[8]))
    told = {(cause.instruction, cause.numbers, cause.fields) for cause in causes}
    assert told == {
        (name, numbers, fields)
        for name in ("ADC", "SBC")
        for numbers, fields in (((1,), ("p.v",)), ((7,), ("p.z",)), ((8,), ("p.n",)))
    }
    assert all(0 < cause.explains < cause.wrong for cause in causes)


def test_a_mistake_in_one_addressing_mode_is_told_of_that_mode() -> None:
    outcomes = right().copy()
    code = keys_of(quick())
    for number, mode in ((1, "absolute"), (8, "zero page")):
        rows = of("ADC") & (code == BY_MNEMONIC["ADC"][mode].opcode)
        outcomes[rows] = planted(BY_NUMBER[number])[rows]
    told = {(cause.place, cause.numbers) for cause in asked(outcomes)}
    assert told == {("in absolute mode", (1,)), ("in zero page mode", (8,))}


# Behaviours known as a whole


def evened(outcomes: Outcomes) -> Outcomes:
    """With the unmodified byte written first, which an emulator may leave out."""
    outcomes, rows = outcomes.copy(), (right()["writes"] == 2) & (outcomes["writes"] == 1)
    for field in ("write_value", "write_address"):
        outcomes[field][rows, 1] = outcomes[field][rows, 0]
        outcomes[field][rows, 0] = right()[field][rows, 0]
    outcomes["writes"][rows] = 2
    return outcomes


def test_another_member_of_the_family_is_recognized() -> None:
    found = by_instruction(asked(evened(right("cmos"))))
    entries = {"BRK", "IRQ", "NMI", "RESET"}
    shifts = {"ASL", "LSR", "ROL", "ROR"}  # which with X take a clock less
    assert set(found) == {"ADC", "SBC", "JMP", *shifts, *entries}
    assert {causes[0].cause for causes in found.values()} == {"this is what the cmos variant does"}


def test_decimal_mode_left_out_is_recognized_and_so_is_a_mistake_besides() -> None:
    causes = asked(right("binary"))
    assert [(cause.instruction, cause.cause) for cause in causes] == [
        ("ADC", "D is ignored"),
        ("SBC", "D is ignored"),
    ]
    causes = asked(planted(BY_NUMBER[1], variant="binary"))
    assert [(cause.cause, cause.numbers, cause.kind) for cause in causes] == [
        ("D is ignored; and V is the carry out", (1,), "pair")
    ] * 2


def test_an_instruction_that_does_what_another_does_is_recognized() -> None:
    cases = quick().copy()
    codes = {"BCC": "BCS", "TAX": "TAY", "INX": "INY"}
    for name, other in codes.items():
        (mode,) = BY_MNEMONIC[name]
        rows = of(name)
        cases["read_value"][rows, 0] = BY_MNEMONIC[other][mode].opcode
    causes = asked(Model().execute(cases))
    assert [cause.cause for cause in causes] == [
        f"{name} does what {codes[name]} does" for name in sorted(codes)
    ]


def test_what_is_not_implemented_is_recognized() -> None:
    outcomes = right().copy()
    for name in ("a", "x", "y", "sp", "p"):
        outcomes[name] = np.where(of("PLA", "CLV"), quick()[name], outcomes[name])
    outcomes[of("TXA", "BRK")] = np.zeros((), OUTCOME)
    told = {cause.instruction: cause.cause for cause in asked(outcomes)}
    assert told == {
        "BRK": "nothing is answered: every field is 0",
        "CLV": "nothing is done but that PC moves on",
        "PLA": "nothing is done but that PC moves on",
        "TXA": "nothing is answered: every field is 0",
    }


def memory_of(case: Cases) -> dict[int, int]:
    """What an adapter lays out that clears the rest: the first of two bytes wins."""
    pairs = zip(case["read_address"].tolist(), case["read_value"].tolist(), strict=True)
    return dict(reversed(list(pairs)[: case["reads"]]))


def lay(case: Cases, event: int, *addresses: int) -> None:
    """Has the case read at other addresses."""
    memory = memory_of(case)
    case["event"], case["reads"] = event, len(addresses)
    for i, address in enumerate(addresses):
        case["read_address"][i], case["read_value"][i] = address, memory.get(address, 0)


def heedless() -> Cases:
    """What is done without events: nothing lies at PC, and 00 is BRK."""
    cases = quick().copy()
    for row in np.flatnonzero(of(*EVENTS[1:])):
        lay(cases[row], 0, int(cases["pc"][row]), 0xFFFE, 0xFFFF)
    cases["event"] = 0
    return cases


def test_events_that_are_not_heeded_are_recognized() -> None:
    told = {cause.instruction: cause.cause for cause in asked(Model().execute(heedless()))}
    assert told == {
        name: f"{name} is not taken: the instruction at PC is done" for name in EVENTS[1:]
    }


@pytest.mark.exhaustive
def test_an_irq_that_i_should_keep_off_is_recognized_beside_a_mistake() -> None:
    cases = quick().copy()
    for row in np.flatnonzero(cases["event"] == 1):
        lay(cases[row], 2, 0xFFFE, 0xFFFF)
    found = by_instruction(asked(Mistaken(BY_NUMBER[11]).execute(cases)))
    assert set(found) == set(BY_MNEMONIC)
    assert [(cause.numbers, cause.place) for cause in found.pop("SBC")] == [
        ((11,), ""),
        ((), "with I set and IRQ low"),
    ]
    assert {cause.cause for causes in found.values() for cause in causes} == {"the IRQ is taken"}


# Bytes that are looked up at the wrong address


def looked_up(
    cases: Cases, expected: Outcomes, name: str, emulate: Callable[[Cases, dict[int, int]], Any]
) -> Outcomes:
    """An emulator that is right but for a field or more of one instruction, case by case."""
    actual = expected.copy()
    for row in np.flatnonzero(instructions_of(cases) == name):
        for field, value in emulate(cases[row], memory_of(cases[row])).items():
            actual[field][row] = value
    return actual


def pulled_word(before: int, wraps: bool) -> Callable[[Cases, dict[int, int]], dict[str, int]]:
    """PC out of the two bytes above `before` pulls more; the first of them wraps, or neither."""

    def emulate(case: Cases, memory: dict[int, int]) -> dict[str, int]:
        sp = (int(case["sp"]) + before) % 256
        low = 0x100 + (sp + 1) % 256 if wraps else 0x100 + sp + 1
        pc = memory.get(low, 0) + 256 * memory.get(low + 1, 0)
        return {"pc": (pc + (before == 0)) % 65536}

    return emulate


@pytest.mark.parametrize(
    ("name", "before", "wraps", "words"),
    [
        ("RTS", 0, True, "reads 0200 where pulled byte 2 lies at 0100"),
        ("RTI", 1, True, "reads 0200 where pulled byte 3 lies at 0100"),
        ("RTI", 1, False, "reads 0200 where pulled byte 2 lies at 0100"),
    ],
)
def test_a_pulled_word_that_leaves_page_one_is_told_by_its_bytes(
    name: str, before: int, wraps: bool, words: str
) -> None:
    actual = looked_up(quick(), right(), name, pulled_word(before, wraps))
    (cause,) = asked(actual)
    assert (cause.instruction, cause.kind, cause.fields) == (name, "mistake", ("pc",))
    assert cause.cause == words
    assert cause.change.endswith("must wrap within its page")
    assert cause.explains == cause.wrong == np.count_nonzero(actual["pc"] != right()["pc"]) > 0


def test_a_return_whose_whole_word_leaves_page_one_is_the_classic_mistake() -> None:
    (cause,) = [
        cause
        for cause in asked(looked_up(quick(), right(), "RTS", pulled_word(0, wraps=False)))
        if cause.numbers
    ]
    assert cause.numbers == (39,)


def test_an_address_whose_fetch_does_not_leave_its_page_is_told_by_its_bytes() -> None:
    cases = np.concatenate(list(exhaustive_cases(BY_MNEMONIC["JMP"]["absolute"])))
    rows = (cases["pc"] & 0xFF >= 0xFD) | (np.arange(len(cases)) % 16 == 0)
    cases = cases[rows & (cases["pc"] < 0xFF00)]
    expected = Model().execute(cases)

    def emulate(case: Cases, memory: dict[int, int]) -> dict[str, int]:
        page, place = divmod(int(case["pc"]), 256)
        low, high = (memory.get(page * 256 + (place + i) % 256, 0) for i in (1, 2))
        return {"pc": low + 256 * high}

    (cause,) = diagnose(cases, expected, looked_up(cases, expected, "JMP", emulate), "nmos")
    # Both bytes cross in one of these, the high one alone in the others.
    assert re.fullmatch(
        r"reads (..)00 where the high byte of the address lies at (..)00"
        r"|reads (..)00 where the low byte of the address lies at (..)00",
        cause.cause,
    )
    assert cause.change.endswith("must carry into the next page")
    assert cause.explains == cause.wrong > 0


@pytest.mark.parametrize(
    ("place", "words"),
    [
        (lambda low, high: low * 256 + high,
         r"reads (....) where the low byte of the address lies at (....), and \2 where the high "
         r"byte of the address lies"),
        (lambda low, high: low, r"reads elsewhere where the high byte of the address lies at ...."),
        (lambda low, high: high * 256 + low + 1, r"reads elsewhere where the operand lies at ...."),
    ],
)  # fmt: skip
def test_an_operand_looked_up_at_another_address_is_told(
    place: Callable[[int, int], int], words: str
) -> None:
    def emulate(case: Cases, memory: dict[int, int]) -> dict[str, Any]:
        if case["read_value"][0] != BY_MNEMONIC["LDX"]["absolute"].opcode:
            return {}
        address = place(*case["read_value"][1:3].tolist()) % 65536
        x, p = memory.get(address, 0), case["p"] & 0x7D | 0x30
        return {"x": x, "p": p | (x & 0x80) | 2 * (x == 0)}

    causes = asked(looked_up(quick(), right(), "LDX", emulate))
    assert all(cause.kind == "mistake" and cause.explains == cause.wrong > 0 for cause in causes)
    assert re.fullmatch(words, causes[0].cause), causes


# Formulas


RESULT = right()["a"].astype(int)
STORED = right()["write_value"][:, 1]  # of an instruction that writes memory back

FLAG_FORMULAS: list[tuple[str, str, Any, Any, str]] = [
    ("ADC", "v", carry(7, "ADC") ^ carry(6, "ADC"), True, "V = carry 7 XOR carry 6"),
    ("SBC", "v", carry(7, "SBC") ^ carry(6, "SBC"), BINARY, "V = carry 7 XOR carry 6"),
    ("ADC", "v", (A >> 7) & ~(RESULT >> 7) & 1, BINARY,
     "V = bit 7 of A AND NOT bit 7 of the result"),
    ("ADC", "n", RESULT >> 6 & 1, True, "N = bit 6 of the result"),
    ("SBC", "n", carry(8, "SBC") ^ 1, BINARY, "N = NOT carry 8"),
    ("ADC", "c", ~right()["p"] & 1, True, "C is the inverse of what it must be"),
    ("ADC", "c", carry(8, "ADC") ^ 1, BINARY, "C is the inverse of what it must be"),
    ("ADC", "c", carry(7, "ADC"), BINARY, "C = carry 7"),
    ("ADC", "z", RESULT & 127 == 0, True, "Z = bits 0 to 6 of the result = 0"),
    ("LDA", "z", RESULT & 127 == 0, True, "Z = bits 0 to 6 of the result = 0"),
    ("LDX", "v", C, True, "V = C before"),
    ("AND", "n", P >> 7 & 1, True, "N is left as it was"),
    ("EOR", "z", 0, True, "Z is always 0"),
    ("ORA", "v", M >> 6 & 1, True, "V = bit 6 of M"),
    ("BIT", "n", (A >> 7) & (M >> 7) & 1, True, "N = bit 7 of (A AND M)"),
    ("CMP", "c", (A ^ M) >> 7 & 1, True, "C = bit 7 of A XOR bit 7 of M"),
    ("INX", "c", quick()["x"] == 255, True, "C is the carry out of the step"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "flag", "value", "rows", "words"), first_of(FLAG_FORMULAS, 2))
def test_a_wrong_flag_is_told_as_a_formula_beside_the_right_one(
    name: str, flag: str, value: Any, rows: Any, words: str, count_calls: Counter
) -> None:
    actual = with_flag(name, flag, value, rows)
    causes, calls = count_calls(asked, actual)
    assert 500 < calls < 530_000  # in one of up to eight modes; an unbounded search makes millions
    if words == BY_NUMBER[26].cause:
        assert [cause.numbers for cause in causes] == [(26,)]
        return
    (cause,) = causes
    assert (cause.instruction, cause.kind, cause.fields) == (name, "formula", (f"p.{flag}",))
    if (words, cause.cause) != ("C is the inverse of what it must be", "C = NOT carry 8"):
        assert cause.cause == words
    assert cause.change.startswith(f"{flag.upper()} must be ")
    assert cause.explains == cause.wrong == np.count_nonzero(actual["p"] != right()["p"]) > 0
    assert cause.place == ("" if rows is True else "in binary mode")


def test_several_flags_of_one_instruction_are_told_each_by_itself() -> None:
    actual = with_flag("ADC", "v", carry(7, "ADC") ^ carry(6, "ADC"), BINARY)
    for flag, value in (("n", carry(8, "ADC")), ("z", RESULT % 16 == 0)):
        bit = np.uint8(1 << FLAG_BITS[flag])
        other = with_flag("ADC", flag, value, BINARY)["p"]
        actual["p"] = actual["p"] & ~bit | other & bit
    told = {(cause.kind, cause.cause) for cause in asked(actual)}
    assert told == {
        ("mistake", "N is bit 8 of the 9-bit sum"),
        ("formula", "V = carry 7 XOR carry 6"),
        ("formula", "Z = bits 0 to 3 of the result = 0"),
    }


def digits() -> npt.NDArray[Any]:
    """A decimal sum that is corrected without a look at what its digits were."""
    total = A + M + C + 6 * (A % 16 + M % 16 + C > 9)
    return np.where(BINARY, RESULT, (total + 0x60 * (total > 0x99)) % 256)


def writes(*bytes_: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """What is written, one after the other."""
    return np.stack([*bytes_, *[A * 0] * (3 - len(bytes_))], axis=1)


def judged(outcomes: Outcomes, name: str, byte: Any) -> Outcomes:
    """N and Z follow."""
    p = outcomes["p"] & 0x7D | (byte & 0x80) | np.where(byte == 0, 2, 0)
    outcomes["p"] = np.where(of(name), p, outcomes["p"])
    return outcomes


VALUE_FORMULAS: list[tuple[str, Callable[[], Outcomes], str]] = [
    ("LDX", lambda: with_field("LDX", x=M + 1 & 255), "X = M + 1"),
    ("ADC", lambda: with_field("ADC", a=digits()),
     "A = A + M + C, plus 6 where the low digits' sum exceeds 9, plus 60 where that exceeds 99"),
    ("AND", lambda: judged(with_field("AND", a=A & ~M & 255), "AND", A & ~M & 255), ""),
    ("PHP", lambda: with_field("PHP", write_value=writes(P | 0x20)),
     "pushed byte 1 = P with bit 5 set"),
    ("JSR", lambda: with_field("JSR", write_value=writes(PC + 1 >> 8, PC + 1 & 255)),
     "pushed byte 1 = the high byte of PC + 1; pushed byte 2 = the low byte of PC + 1"),
    ("JSR", lambda: with_field("JSR", writes=0), "the number of bytes pushed is always 0"),
    ("BEQ", lambda: with_field("BEQ", cycles=2 + 2 * (right()["cycles"] > 2)),
     "the number of clocks = the table's clocks, 1 more if taken and always 1 for the page"),
    ("ADC", lambda: with_field("ADC", cycles=right()["cycles"] - 1),
     "the number of clocks is 1 less than it must be"),
    ("DEC", lambda: judged(
        with_field("DEC", write_value=writes(M, M - 2 & 255)), "DEC", M - 2 & 255),
     "the byte stored is 1 less than it must be, and N and Z follow from it"),
    ("TAX", lambda: with_field("TAX", x=A ^ 0x40), "X = A with bit 6 inverted"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "emulate", "words"), VALUE_FORMULAS)
def test_a_wrong_number_is_told_as_a_formula(
    name: str, emulate: Callable[[], Outcomes], words: str
) -> None:
    causes = asked(emulate())
    assert {cause.instruction for cause in causes} == {name}
    assert all(cause.explains == cause.wrong > 0 for cause in causes) or not words
    if words:
        assert [(cause.kind, cause.cause) for cause in causes] == [("formula", words)]
        assert "must" in causes[0].change


def test_a_result_with_one_wrong_bit_is_told_by_that_bit() -> None:
    in_a = keys_of(quick()) == BY_MNEMONIC["ROR"]["accumulator"].opcode
    byte = np.where(in_a, A, M)
    byte = byte >> 1 | byte & 0x80
    actual = judged(right().copy(), "ROR", byte)
    actual["a"] = np.where(of("ROR") & in_a, byte, actual["a"])
    actual["write_value"][:, 1] = np.where(of("ROR") & ~in_a, byte, STORED)
    (cause,) = asked(actual)
    assert cause.cause == "bit 7 of the result = bit 7 of the byte, and N and Z follow from it"
    assert cause.fields == ("a", "p.n", "p.z", "write_value")


@pytest.mark.parametrize("spoilt", [0, 1])
def test_a_result_that_is_written_twice_is_told_beside_what_is_wrong_with_it(spoilt: int) -> None:
    byte = STORED ^ spoilt
    actual = with_field("DEC", write_value=writes(byte, byte))
    (cause,) = asked(judged(actual, "DEC", byte))
    first, _, wrong = cause.cause.partition("; ")
    assert first == "the byte stored first = the result it gives"
    assert wrong.startswith("the byte stored ") == bool(spoilt)
    assert cause.change.startswith("the byte stored must be M as it was, then M - 1")
    assert cause.explains == cause.wrong > 0


def test_an_address_is_told_as_a_formula() -> None:
    place = right()["write_address"].astype(int)
    (cause,) = asked(with_field("STY", write_address=place + 1))
    assert cause.cause == "the address stored to is 1 more than it must be"
    # Of the two writes of one byte it is told once.
    (cause,) = asked(with_field("INC", write_address=place & 0xFF))
    assert cause.cause == "the address stored to = the low byte of the right value"
    below = np.where(np.arange(3) == 0, (SP[:, None] - 1) % 256 + 256, place)
    (cause,) = asked(with_field("PHP", write_address=below))
    assert cause.numbers == (37,)
    above = np.where(np.arange(3) == 0, (SP[:, None] + 1) % 256 + 256, place)
    (cause,) = asked(with_field("PHP", write_address=above))
    assert cause.cause == "the address of push 1 is 1 more than it must be, within its page"


def test_a_shift_of_memory_that_also_spoils_a_is_two_causes() -> None:
    in_a = keys_of(quick()) == BY_MNEMONIC["ASL"]["accumulator"].opcode
    random_byte = np.random.default_rng(16).integers(0, 256, len(quick()))
    actual = with_field("ASL", write_value=writes(M, np.where(in_a, 0, STORED | 1)))
    actual = judged(actual, "ASL", np.where(in_a, RESULT | 1, STORED | 1))
    actual["a"] = np.where(of("ASL"), np.where(in_a, RESULT | 1, random_byte), actual["a"])
    told = {(cause.place, cause.kind, "a" in cause.fields) for cause in asked(actual)}
    assert told == {
        ("", "formula", False),
        ("", "none", True),
    }


# What has no explanation


@pytest.mark.parametrize("name", ["ADC", "INX", "RTI", "RESET"])
@pytest.mark.parametrize("flag", ["v", "z"])
def test_nonsense_is_not_explained(name: str, flag: str) -> None:
    value = np.random.default_rng(13).integers(0, 2, len(quick()))
    (cause,) = asked(with_flag(name, flag, value))
    assert (cause.instruction, cause.kind, cause.explains, cause.numbers) == (name, "none", 0, ())
    assert cause.cause == f"no classic mistake and no small formula gives {flag.upper()}"


@pytest.mark.exhaustive
def test_a_single_wrong_case_is_not_taken_for_a_formula() -> None:
    for name in ("ADC", "LSR", "CMP", "STA"):
        for which in (3, 300):
            row = np.arange(len(quick())) == np.flatnonzero(of(name))[which]
            (cause,) = asked(with_flag(name, "n", ~right()["p"] >> 7 & 1, row))
            assert (cause.instruction, cause.kind) == (name, "none")


@pytest.mark.exhaustive
def test_a_formula_that_misses_a_single_case_is_not_claimed() -> None:
    for name, flag, value in (("SBC", "v", carry(6, "SBC")), ("AND", "z", M & 1)):
        for which in (0, 1234):
            odd = value ^ (np.arange(len(quick())) == np.flatnonzero(of(name) & BINARY)[which])
            causes = asked(with_flag(name, flag, odd, BINARY))
            assert {cause.kind for cause in causes} == {"none"}
    numbers = M + 1 & 255
    numbers[np.flatnonzero(of("LDX"))[77]] ^= 8
    assert {cause.kind for cause in asked(with_field("LDX", x=numbers))} == {"none"}


def test_what_all_wrong_cases_have_in_common_is_told() -> None:
    value = np.random.default_rng(14).integers(0, 256, len(quick()))
    (cause,) = asked(with_field("EOR", a=np.where(M == 0x7F, value, RESULT)))
    assert cause.kind == "none"
    assert cause.cause.endswith("; all wrong cases have M = 7F")


@pytest.mark.exhaustive
@pytest.mark.parametrize("what", ["flags", "all"])
def test_nonsense_everywhere_is_bounded(count_calls: Counter, what: str) -> None:
    rng, actual = np.random.default_rng(15), right().copy()
    if what == "flags":
        actual["p"] ^= rng.integers(0, 256, len(actual)).astype(np.uint8)
    else:
        actual = np.frombuffer(rng.bytes(actual.nbytes), OUTCOME)
    causes, calls = count_calls(asked, actual)
    assert 100_000 < calls < 3_200_000  # in 151 opcodes
    assert {cause.kind for cause in causes} == {"none"}
    assert {cause.instruction for cause in causes} == {*BY_MNEMONIC, *EVENTS[1:]}


@pytest.mark.parametrize("variant", USUAL)
def test_nothing_wrong_has_no_cause(variant: str) -> None:
    assert asked(right(variant), variant) == []
    uncounted = right(variant).copy()
    uncounted["cycles"] = 0
    uncounted["p"] &= 0xCF
    assert asked(uncounted, variant) == []
    nothing = np.zeros(0, CASE)
    assert diagnose(nothing, right(variant)[:0], right(variant)[:0], variant) == []


def test_fields_that_are_skipped_are_not_diagnosed() -> None:
    actual = planted(BY_NUMBER[1], BY_NUMBER[41])
    assert [cause.instruction for cause in asked(actual, skip=("p.v",))] == ["RTS"]
    assert asked(actual, skip=("p", "pc")) == []
    # A result that is wrong shows in the flags, too.
    causes = asked(planted(BY_NUMBER[13]), skip=("a",))
    assert [cause.numbers for cause in causes] == [(13,)]
    assert "a" not in causes[0].fields


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"variant": "65"}, "variant '65': expected one of nmos, cmos, binary"),
        ({"skip": ("q",)}, "field 'q': expected one of p, "),
        ({"actual": right()[:-1]}, "expected as many cases as outcomes, in the CASE and OUTCOME"),
        ({"cases": right()}, "expected as many cases as outcomes, in the CASE and OUTCOME layouts"),
    ],
)
def test_wrong_arguments_are_refused(change: dict[str, Any], message: str) -> None:
    arguments = {"cases": quick(), "expected": right(), "actual": right(), "variant": "nmos"}
    with pytest.raises(ValueError, match=re.escape(message)):
        diagnose(**{**arguments, **change})


# Words


def test_lines_say_once_what_instructions_share() -> None:
    assert describe(asked(planted(BY_NUMBER[1]))) == [
        "ADC, SBC: V is the carry out.",
        "  V must be carry 8 XOR carry 7.",
        f"  That explains all {sum(c.wrong for c in asked(planted(BY_NUMBER[1]))):,} wrong cases.",
    ]


@pytest.mark.exhaustive
def test_lines_fit_and_tell_alternatives() -> None:
    lines = describe(asked(right("cmos")))
    assert "or, no different in these cases: an interrupt clears D." in lines
    rng = np.random.default_rng(15)
    garbage, some = right().copy(), np.isin(keys_of(quick()), [0x69, 0x20, 0x100])  # ADC, JSR, IRQ
    garbage[some] = np.frombuffer(rng.bytes(garbage[some].nbytes), OUTCOME)
    for mistaken in (right("cmos"), garbage, with_field("ADC", a=digits())):
        causes = asked(mistaken)
        assert len(describe(causes)) > 2
        for width in (80, 60):
            assert max(map(len, describe(causes, width))) <= width
    assert describe([]) == []


def test_d_after_reset_tells_nothing_on_nmos_where_it_is_not_compared() -> None:
    # The makers leave it open, so a comparison may have put the right one in its place.
    actual, rows = right().copy(), of("RESET")
    actual[rows] = np.zeros((), OUTCOME)
    actual["p"][rows] |= right()["p"][rows] & 8
    assert [cause.cause for cause in asked(actual)] == ["nothing is answered: every field is 0"]


def test_causes_travel_as_json() -> None:
    for cause in asked(planted(BY_NUMBER[1])):
        told = json.loads(json.dumps(cause.to_json()))
        assert {name: told[name] for name in ("instruction", "cause", "change", "explains")} == {
            "instruction": cause.instruction,
            "cause": "V is the carry out",
            "change": "V must be carry 8 XOR carry 7",
            "explains": cause.explains,
        }
        assert (told["kind"], told["numbers"], told["fields"]) == ("mistake", [1], ["p.v"])


# Whatever it claims, that is what the emulator does

SMALL = 6000


@cache
def small() -> tuple[Cases, Outcomes]:
    names = ("ADC", "SBC", "CMP", "ROR", "BIT", "PLP", "JSR", "BRK")
    forms = [form for name in names for form in BY_MNEMONIC[name].values()]
    cases = sampled_cases(SMALL, seed=5, instructions=forms)
    return cases, Model().execute(cases)


def rows_of(cause: Cause, cases: Cases) -> npt.NDArray[np.bool_]:
    """The cases that a cause speaks of."""
    rows: npt.NDArray[np.bool_] = instructions_of(cases) == cause.instruction
    for place in filter(None, cause.place.split(", ")):
        if place in ("in binary mode", "in decimal mode"):
            rows &= (cases["p"] & 8 > 0) == (place == "in decimal mode")
        elif place == "with I set and IRQ low":
            rows &= cases["event"] == 1
        else:
            mode = place.removeprefix("in ").removesuffix(" mode")
            rows &= keys_of(cases) == BY_MNEMONIC[cause.instruction][mode].opcode
    return rows


def holds(cause: Cause, cases: Cases, expected: Outcomes, actual: Outcomes) -> bool:
    """Whether a claim is true, made anew from its words or its mistakes."""
    rows = rows_of(cause, cases)
    few = cases[rows], expected[rows], actual[rows]
    if cause.mistakes or cause.variant:
        variant = cause.variant or "nmos"
        witness = Mistaken(*cause.mistakes, variant=variant) if cause.mistakes else Model(variant)
        missed = differences(witness.execute(few[0]), few[2])
        return not any(missed[name].any() for name in cause.fields)
    left, equals, formula = cause.cause.partition(" = ")
    assert equals, cause.cause
    inputs = AnswerInputs(cause.instruction, *few)
    columns = {name: signal().astype(bool) for name, signal in inputs.signals().items()}
    python, scope = formula, {}
    for i, name in enumerate(sorted(columns, key=len, reverse=True)):
        scope[f"S{i}"] = columns[name]
        python = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", f"S{i}", python)
    for word, sign in (("NOT", "~"), ("AND", "&"), ("XOR", "^"), ("OR", "|")):
        python = re.sub(rf"\b{word}\b", sign, python)
    value = eval(python, scope)
    return bool(np.array_equal(value, few[2]["p"] >> FLAG_BITS[left.lower()] & 1 > 0))


FORMS = [form for mistake in MISTAKES for form in mistake.variations() if "nmos" in form.variants]


@pytest.mark.exhaustive
@settings(max_examples=8, deadline=None, derandomize=True, phases=[Phase.generate])
@given(
    made=st.lists(st.sampled_from(FORMS), min_size=1, max_size=3, unique_by=lambda m: m.number),
    wrong=st.lists(
        st.tuples(
            st.sampled_from(["ADC", "SBC", "CMP", "ROR", "BIT"]),
            st.sampled_from("nvzc"),
            st.sampled_from(["and", "or", "xor", "not", "noise"]),
            st.integers(0, 30),
            st.integers(0, 30),
        ),
        max_size=2,
    ),
    skip=st.lists(st.sampled_from(["a", "p.v", "cycles", "write_value"]), max_size=1),
)
def test_no_claim_is_wrong(
    made: list[Mistake], wrong: list[tuple[str, str, str, int, int]], skip: list[str]
) -> None:
    cases, expected = small()
    actual = Mistaken(*made).execute(cases)
    for name, flag, operator, i, j in wrong:
        rows = rows_of(Cause(name, "", "", 0, "none"), cases)
        inputs = AnswerInputs(name, cases[rows], expected[rows], expected[rows])
        signals = list(inputs.signals().values())
        one, other = (signals[k % len(signals)]().astype(bool) for k in (i, j))
        noise = np.random.default_rng(i).random(len(one)) < 0.3
        value = {
            "and": one & other, "or": one | other, "xor": one ^ other, "not": ~one, "noise": noise,
        }[operator]  # fmt: skip
        bit = np.uint8(1 << FLAG_BITS[flag])
        actual["p"][rows] = actual["p"][rows] & ~bit | np.where(value, bit, 0).astype(np.uint8)
    causes = diagnose(cases, expected, actual, "nmos", skip)
    tallies = Comparison.of(cases, expected, actual, skip).instructions
    assert {c.instruction for c in causes} == {n for n, t in tallies.items() if t.mismatches}
    # Each wrong field is spoken of, and nothing else.
    for name, told in by_instruction(causes).items():
        fields = {field for cause in told for field in cause.fields}
        assert fields == set(tallies[name].fields)
    for cause in causes:
        if cause.kind == "none":
            assert cause.explains == 0
            continue
        assert 0 < cause.explains <= cause.wrong
        of_a_flag = cause.kind == "formula" and cause.fields[0].startswith("p.")
        if (of_a_flag and " = " in cause.cause) or cause.mistakes or cause.variant:
            assert holds(cause, cases, expected, actual), cause
