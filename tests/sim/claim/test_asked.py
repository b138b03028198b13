"""Claims about the flags in P, before and after, about pushed bytes and about decimal digits."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from carrywave.sim.claim.asked import IN_P, known, pushes_status
from carrywave.sim.claim.claims import Answers, ClaimError, judge
from carrywave.sim.claim.expressions import ExpressionError
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.netlist.alu_gates import MNEMONICS
from carrywave.sim.op.operation import form_of

# The makers' table of flags (`family/instructions.py` has the source), and what CMOS adds.
SMALL = [
    name for name in BY_MNEMONIC
    if name not in ("ADC", "SBC", "CMP", "CPX", "CPY", "AND", "ORA", "EOR", "BIT")
]  # fmt: skip


def kept_by(mnemonic: str, variant: str) -> set[str]:
    """The flags that are as they were in every row, with each of them 0 and 1 before."""
    columns = Answers(mnemonic, variant, flags=IN_P).columns
    for flag in IN_P:
        assert {0, 1} == {*columns[f"before({flag})"].tolist()} or mnemonic == "IRQ"
    return {flag for flag in IN_P if (columns[flag] == columns[f"before({flag})"]).all()}


@pytest.mark.parametrize(
    ("variant", "some"),
    [
        ("nmos", ["INC", "LDA", "PLP", "BRK", "TXS", "SEC"]),
        pytest.param("nmos", SMALL, marks=pytest.mark.exhaustive),
        pytest.param("cmos", SMALL, marks=pytest.mark.exhaustive),
    ],
    ids=["some", "nmos", "cmos"],
)
def test_what_an_instruction_leaves_alone_is_what_the_makers_table_says(
    variant: str, some: list[str]
) -> None:
    judged = 0
    for mnemonic in some:
        flags = "".join({form.flags for form in BY_MNEMONIC[mnemonic].values()})
        flags += "d" * (mnemonic == "BRK" and variant == "cmos")
        assert kept_by(mnemonic, variant) == {*IN_P} - {*flags.upper()}, mnemonic
        judged += len(IN_P)
    assert judged == len(some) * 6
    assert len(SMALL) == 47


@pytest.mark.exhaustive
@pytest.mark.parametrize("mnemonic", sorted({*BY_MNEMONIC} - {*SMALL}))
def test_what_an_instruction_with_two_operands_leaves_alone(mnemonic: str) -> None:
    flags = form_of(mnemonic).flags.upper()
    for flag in IN_P:
        assert judge(f"{flag} == before({flag})", mnemonic).holds == (flag not in flags)


def test_a_claim_sees_a_flag_that_is_not_left_alone() -> None:
    """The rule of thumb 'INC carries' against 'INC leaves C alone', and the ALU's own c."""
    assert judge("C == before(C)", "INC").holds
    planted = judge("C == (m == 0xFF)", "INC")
    assert (planted.failures, planted.inputs) == (8192, 16384)
    assert judge("c == (m == 0xFF)", "INC").holds
    assert judge("V == before(V)", "CMP").holds
    assert not judge("v == before(V)", "CMP").holds


@pytest.mark.parametrize(
    ("after", "claim", "inputs"),
    [
        ("LDA", "N == bit(m, 7) and Z == (m == 0) and r == m", 1 << 14),
        ("LDX", "n == bit(m, 7) and z == (m == 0)", 1 << 14),
        ("TAX", "N == bit(a, 7) and r == a", 1 << 14),
        ("TXS", "N == before(N) and Z == before(Z) and r == x", 1 << 14),
        ("TSX", "N == bit(sp, 7)", 1 << 14),
        ("STY", "r == y", 1 << 14),
        ("PLA", "N == bit(m, 7) and C == before(C)", 1 << 14),
        ("PLP", "N == bit(m, 7) and V == bit(m, 6) and D == bit(m, 3) and I == bit(m, 2)", 1 << 14),
        ("RTI", "Z == bit(m, 1) and C == bit(m, 0)", 1 << 14),
        ("PHP", "bit(pushed, 4) and bit(pushed, 5) and bit(pushed, 0) == before(C)", 64),
        ("BRK", "bit(pushed, 4) and I and bit(pushed, 2) == before(I)", 64),
        ("IRQ", "not bit(pushed, 4) and I and not bit(pushed, 2)", 32),
        ("NMI", "pushed == (before(N) << 7) + (before(V) << 6) + 0x20 + (before(D) << 3) +"
         " (before(I) << 2) + (before(Z) << 1) + before(C)", 64),
        ("SEC", "C and c", 64),
        ("BNE", "N == before(N) and Z == before(Z)", 1 << 14),
        ("ADC", "Z == z and C == c and V == v and N == n", 1 << 18),
    ],
)  # fmt: skip
def test_what_holds_after_instructions_that_the_alu_has_no_part_in(
    after: str, claim: str, inputs: int
) -> None:
    judged = judge(claim, after)
    assert (judged.failures, judged.inputs) == (0, inputs)


def test_what_is_false_is_shown_on_the_unit_with_its_flags_before() -> None:
    judged = judge("not before(V) or Z", "PLP", "bit(m, 1) == 0 and before(D)")
    example = judged.counterexample
    assert example is not None
    assert example.status == 0x30 | 0x40 | 0x08
    assert example.command == "carrywave op PLP 0x00 --decimal --status 0x70"
    shown = example.operation()
    assert (shown.before["v"], shown.before["d"], shown.after["z"]) == (1, 1, 0)


def test_decimal_digits() -> None:
    """A decimal sum is that of its digits, with 100 for C, for all 20,000 of two digits each."""
    hundred = "(c << 6) + (c << 5) + (c << 2)"
    sum_ = f"bcd(r) + {hundred} == bcd(a) + bcd(m) + carry_in and valid(r)"
    digits = judge(sum_, "ADC", "decimal and valid(a) and valid(m)")
    assert (digits.failures, digits.inputs) == (0, 20_000)
    everything = judge(sum_, "ADC", "decimal")
    assert everything.failures > 0
    (part,) = everything.parts
    assert (part.valid, part.valid_failures) == (20_000, 0)


def test_the_first_failing_input_has_valid_digits_where_there_is_one() -> None:
    judged = judge("z == (r == 0)", "ADC")
    example = judged.counterexample
    assert example is not None
    pairs = [
        (a, m) for carry, a, m in product((0, 1), range(256), range(256))
        if all(n % 16 < 10 and n < 0xA0 for n in (a, m)) and carry == 0
        and (a + m) % 16 + a // 16 + m // 16 and int(f"{a:x}") + int(f"{m:x}") == 100
    ]  # fmt: skip
    assert (example.row["a"], example.row["m"]) == pairs[0] == (0x01, 0x99)
    decimal = judged.parts[1]
    assert (decimal.failures, decimal.valid, decimal.valid_failures) == (1039, 20_000, 230)
    wrong = judge("bcd(r) < 100", "ADC", "decimal")  # fails only on digits above 9
    assert wrong.counterexample is not None
    assert wrong.parts[0].valid_failures == 0


@pytest.mark.parametrize(
    ("claim", "after", "message"),
    [
        ("c", "LDA", "LDA leaves C alone: write C == before(C)"),
        ("r", "CLC", "CLC makes no byte: there is no r"),
        ("a", "PLA", "PLA takes nothing of what a register holds: there is no a"),
        ("m", "TAX", "TAX reads no byte to work with: there is no m"),
        ("carry(8)", "LDA", "LDA does not use the adder: it has no carries"),
        ("carry_in", "LDA", "C before has no part in LDA: before(C) is the flag"),
        ("pushed", "LDA", "LDA pushes no status byte: there is no pushed"),
        ("before(n)", "CMP", "before is of a flag: before(C), or N V D I Z"),
        ("before(1)", "CMP", "before is of a flag: before(C), or N V D I Z"),
        ("valid(a + m)", "ADC", "valid reads a byte; this must be 0 to 255, and can be 0 to 510; "
         "& 0xFF takes the low eight bits"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked(claim: str, after: str, message: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        judge(claim, after)
    assert caught.value.message == message


def test_reset_cannot_be_asked_about() -> None:
    with pytest.raises(ClaimError, match=r"^reset is no instruction"):
        judge("I", "RESET")
    assert not known("RESET")
    assert {m for m in BY_MNEMONIC if pushes_status(form_of(m))} == {"BRK", "PHP"}


def test_small_letters_are_the_same_with_and_without_the_unit() -> None:
    for mnemonic in ("ASL", "DEX", "ROR"):
        alone, both = Answers(mnemonic), Answers(mnemonic, flags="NVZC")
        assert both.rows == alone.rows << (6 - ("carry_in" in alone.names))
        for flag in MNEMONICS[mnemonic].flags:
            assert (both.columns[flag] == both.columns[flag.upper()]).all()
            assert np.array_equal(both.columns[flag][: alone.rows], alone.columns[flag])
