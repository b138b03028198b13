"""The page says of an operation, and of a claim, what the bench says, word for word."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from usual import first_of

from carrywave.sim.claim.asked import vocabulary
from carrywave.sim.claim.claims import judge
from carrywave.sim.claim.expressions import ExpressionError, read
from carrywave.sim.netlist.alu_gates import MNEMONICS, AluGates, Inputs
from carrywave.sim.op.operation import Operation, arrange, command_of, form_of, takes
from carrywave.sim.op.reasons import digit_note, headings_of, kinds_of, reasons_of

Runner = Callable[..., Any]
Asked = tuple[str, int, int, int, int]

WORDS = """
const alu = new Alu(VARIANT);
told(GIVEN.map(([mnemonic, left, m, c, d]) => {
  const op = operate(alu, {mnemonic, variant: VARIANT, left, m, c, d});
  const reasons = Object.fromEntries(Object.entries(reasonsOf(op))
    .filter(([flag]) => op.use.flags.includes(flag)));
  return [reasons, meaningOf(op), digitNote(op), [0, 1, 2, 3, 4, 5, 6, 7].map(i => kindOf(op, i)),
          commandOf(op)];
}));
"""


def told(asked: Asked, variant: str, alu: AluGates) -> list[Any]:
    """The same by the bench, whose gates answer instead of a run."""
    name, left, m, c, d = asked
    use = MNEMONICS[name]
    m, c = m * use.operand, c * use.carry
    inputs = Inputs(*(np.array([value], np.uint8) for value in (left, m, c, d)))
    ports = {port: int(column[0]) for port, column in alu.evaluate(use.operation, inputs).items()}
    ports |= {"a": left, "b": m, "generate": left & ports["operand"]}
    ports["propagate"] = left ^ ports["operand"]
    register, byte = takes(name)
    op = Operation(
        form_of(name), variant, register, left if register else None, m if byte else None,
        asked[3], d, ports["result"], {"operation": use.operation.name} | ports, use.flags,
        after={flag: ports[flag] for flag in "nvzc"},
    )  # fmt: skip
    reasons = {flag: list(both) for flag, both in reasons_of(op).items() if flag in use.flags}
    numbers = [left, m][: 1 + use.operand]
    p = 0x30 | c | (d * use.decimal) << 3
    return [reasons, list(headings_of(op)), digit_note(op), kinds_of(ports),
            command_of(name, numbers, p, variant)]  # fmt: skip


@pytest.mark.parametrize("variant", first_of(["nmos", "cmos"]))
def test_an_operation_is_told_in_the_benchs_words(run_script: Runner, variant: str) -> None:
    rng = random.Random(5)
    bytes_ = (0, 1, 9, 0x50, 0x58, 0x7F, 0x80, 0x99, 0xF0, 0xFF)
    asked = [
        (name, rng.choice(bytes_), rng.choice(bytes_), c, d)
        for name in MNEMONICS for _ in range(8) for c in (0, 1) for d in (0, 1)
        if not d or MNEMONICS[name].decimal
    ]  # fmt: skip
    assert len(asked) > 300
    for one in asked[:3]:
        arrange(one[0], [one[1], one[2]][: 1 + MNEMONICS[one[0]].operand])
    alu = AluGates(variant)
    found = run_script(f"const VARIANT = '{variant}';{WORDS}", variant, asked)
    for one, words in zip(asked, found, strict=True):
        assert words == told(one, variant, alu), one


READ = """
told(GIVEN.map(([text, mnemonic]) => {
  try { new ClaimReader(text, vocabularyOf(mnemonic, "nmos")).read(); return ["", 0]; }
  catch (error) {
    if (!(error instanceof ClaimError)) return [error.stack, -1];
    return [error.message, error.place];
  }
}));
"""
PIECES = (
    "a", "m", "r", "n", "v", "z", "c", "x", "carry_in", "decimal", "signed(a)", "signed(", "bit(",
    "carry(", "(", ")", ",", "and", "or", "not", "==", "!=", "<", "<=", ">", ">=", "&", "|", "^",
    "~", "+", "-", "<<", ">>", "0", "1", "7", "31", "32", "255", "256", "0x50", "0b1", "08", "1a",
    "valid(a)", "bcd(m)", "valid(", "before(C)", "before(", "N", "C", "pushed", "sined", "True",
    "=", "&&", "*", "é", "≥", "4294967295", "4294967296", "[", "'", "\\", "\n",
)  # fmt: skip
SENTENCES = (
    "n == (signed(a) < signed(m))", "c == (a >= m)", "not (n and v)", "-128 <= signed(a) <= 127",
    "a + m + carry_in == r", "(a + m) & 0xFF == r", "bit(r, 7) == n", "carry(8) == c", "a", "a + 1",
    "signed(a + m) == 0", "~n & 1 == 0", "~n == 0", "a << 40 == 0", "bit(a, 32)", "carry(9)",
    "a == not c", "(a < m", "a < m)", "a,m", "signed(a, m) == 0", "signed == 1", "1", "2",
    "a << 31 << 31 == 0", "n == carry(7) ^ carry(8)", "((((a == m))))", "", " ", "a m", "a ==",
    "(" * 51 + "n" + ")" * 51, "(" * 50 + "n" + ")" * 50, "not " * 60 + "n", "-" * 49 + "a == 0",
    "-" * 60 + "a == 0", "n" * 1001, "valid(a) and valid(m)", "bcd(r) == bcd(a) + bcd(m)",
    "before(C) == C", "before(c) == c", "before(r) == 0", "valid(a + m)", "bcd(a, m)",
    "before(C, D)",
)  # fmt: skip


def claims(count: int, seed: int) -> list[tuple[str, str]]:
    """Claims that are read, and many more that are not."""
    rng, names = random.Random(seed), [*MNEMONICS]
    found = [(text, "ADC") for text in SENTENCES]
    while len(found) < count:
        text = " ".join(rng.choice(PIECES) for _ in range(rng.randint(1, 6)))
        if rng.random() < 0.5:  # a sentence with one piece changed
            words = rng.choice(SENTENCES[:14]).replace("(", "( ").replace(")", " )").split()
            words[rng.randrange(len(words))] = rng.choice(PIECES)
            text = " ".join(words)
        found.append((text, rng.choice(names)))
    return found


def refusal(text: str, mnemonic: str) -> list[Any]:
    """What the bench says of it, and where; nothing if it is read."""
    try:
        read(text, *vocabulary(mnemonic))
    except ExpressionError as error:
        return [error.message, error.place]
    return ["", 0]


@pytest.mark.parametrize("count", first_of([400, 10_000]))
def test_a_claim_is_read_or_refused_as_by_the_bench(run_script: Runner, count: int) -> None:
    given = claims(count, count)
    found = run_script(READ, given=given)
    wanted = [refusal(*one) for one in given]
    differ = [trio for trio in zip(given, found, wanted, strict=True) if trio[1] != trio[2]]
    assert differ == []
    assert 15 < sum(message == "" for message, _ in wanted) < count / 2


#: A claim, the instruction, and in a third place the condition.
JUDGED: tuple[tuple[str, ...], ...] = (
    ("n == (signed(a) < signed(m))", "CMP"), ("c == (a >= m)", "CMP"),
    ("v == (not -128 <= signed(a) + signed(m) + carry_in <= 127)", "ADC"),
    ("n == (signed(a) <= signed(m))", "CMP"), ("c == (a > m)", "CMP"),
    ("z == (a == 255)", "INX"), ("v == (signed(a) > signed(m))", "SBC"),
    ("r == (a ^ m) and n == bit(r, 7)", "EOR"), ("a << 30 ^ m << 31 != 5", "CMP"),
    ("n == (valid(a) and bcd(m) < 20)", "CMP"),
    ("carry(4) == ((a & 15) + (m & 15) + carry_in > 15)", "ADC"), ("n == (m > 126)", "INC"),
    ("c == (a >= m)", "SBC", "carry_in and not decimal"), ("c == (a >= m)", "SBC", "not carry_in"),
    ("v == n", "ADC", "valid(a) and valid(m)"), ("z == (a == 255)", "INX", "a > 100"),
    ("n == (signed(a) < signed(m))", "CMP", "(a ^ m) < 128"),
)  # fmt: skip
JUDGE = """
told(GIVEN.map(([text, mnemonic, given]) => {
  const alu = new Alu(VARIANT);
  const found = judgeClaim(text, mnemonic, VARIANT, (c, d) =>
    columnsOf(alu.every(DATA.uses[mnemonic], c, d), mnemonic, {c, d}), given);
  return [found.failures, found.inputs, found.relation ?? null, found.rule && found.rule.formula,
          found.rule ? found.rule.unwritten : []];
}));
"""


@pytest.mark.exhaustive
def test_a_claim_is_judged_as_by_the_bench(run_script: Runner) -> None:
    given = JUDGED
    found = run_script(f"const VARIANT = 'nmos';{JUDGE}", given=given)
    for asked, verdict in zip(given, found, strict=True):
        text = asked[0]
        claim = judge(*asked)
        rule = claim.rule
        assert verdict[:2] == [claim.failures, claim.inputs], text
        if rule is None:
            assert verdict[3] is None, text
        else:
            assert verdict[2:] == [rule.relation, rule.formula, [*rule.unwritten]], text
    assert sum(failures > 0 for failures, *_ in found) > 5
