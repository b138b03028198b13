"""Expressions of claims: what is read, what is refused and where, and that nothing of it is run."""

from __future__ import annotations

import ast
import builtins
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carrywave.sim.claim.expressions import DEEPEST, LONGEST, ExpressionError, Range, read

BYTES, BITS = ("a", "m", "r"), ("carry_in", "n", "v", "z", "c")
NAMES = dict.fromkeys(BYTES, Range(0, 255)) | dict.fromkeys(BITS, Range(0, 1))
CALLED = "signed(x), bit(x, i), carry(i), before(C), valid(x), bcd(x)"
KNOWN = ", ".join(NAMES)
ROWS = 64


def columns(seed=1):
    draw = random.Random(seed)
    found = {name: [draw.randrange(NAMES[name].high + 1) for _ in range(ROWS)] for name in NAMES}
    return found | {"carry": [draw.randrange(512) for _ in range(ROWS)]}


def by_python(text, rows):
    """The values that Python itself gives an expression, of plain integers, row by row."""
    code = compile(text.strip(" \t"), "<test>", "eval")
    found = []
    for row in range(ROWS):
        names = {name: column[row] for name, column in rows.items()}
        carry = names.pop("carry")
        names |= {
            "signed": lambda x: x if x < 128 else x - 256,
            "bit": lambda x, i: x >> i & 1,
            "carry": lambda i, carry=carry: carry >> i & 1,
        }
        found.append(int(eval(code, {"__builtins__": {}}, names)))
    return found


def by_us(expression, rows):
    given_ = {name: np.array(column, np.uint16) for name, column in rows.items()}
    return expression.column(given_, ROWS).tolist()


ACCEPTED = """\
n == (signed(a) < signed(m))
c == carry(8) ^ carry(7)
v == (carry(8) ^ carry(7))
n == signed(a) < signed(m)
0 <= a - m <= 0x0F < 0b11111111
not n or a + m + carry_in > 255
a & m == 0
(a & m == 0) == z
(a & ~m & 0xFF) == r
~a == -a - 1
bit(a, 7) ^ bit(m, 7) | bit(~a, m & 7)
(a << 3) - (m >> 2) >= +r
bit(-1, 31)
not not z and (n or v) and not (c != v)
n ^ v
~c & 1
carry(m & 7) == bit(r, a >> 5)
 \t a == 0
signed(a + m & 255) != signed(r)
1 << 31 > a
""".splitlines()


@pytest.mark.parametrize("text", ACCEPTED)
def test_an_expression_has_the_value_that_python_gives_it(text):
    rows = columns()
    assert by_us(read(text, NAMES), rows) == by_python(text, rows)


def test_the_comparison_sees_another_precedence():
    rows = columns()
    values = by_us(read("c == (carry(8) ^ carry(7))", NAMES), rows)
    assert values != by_python("(c == carry(8)) ^ 1 ^ carry(7) ^ n", rows)


REFUSED = [  # expression, message, place of the caret
    ("", "the expression is empty", 0),
    (" ", "the expression is empty", 0),
    ("n == q", f"no name 'q' here: {KNOWN}", 5),
    ("N == v", "no name 'N' here: did you mean 'n'?", 0),
    ("lambda == 1", f"no name 'lambda' here: {KNOWN}", 0),
    ("x" * 30, f"no name '{'x' * 20}...' here: {KNOWN}", 0),
    ("__import__(1)", f"no function '__import__' here: {CALLED}", 0),
    ("n == exit()", f"no function 'exit' here: {CALLED}", 5),
    ("a(m)", f"no function 'a' here: {CALLED}", 0),
    ("signd(a) < 0", "no function 'signd' here: did you mean 'signed'?", 0),
    ("signed < 0", "'signed' is a function: write signed(x)", 0),
    ("(signed)(a) < 0", "'signed' is a function: write signed(x)", 1),
    ("a.b == 1", "'.' is no part of an expression", 1),
    ("a.__class__", "'.' is no part of an expression", 1),
    ("eval('1')", f"no function 'eval' here: {CALLED}", 0),
    ("a == '1'", '"\'" is no part of an expression', 5),
    ('a == f"{m}"', f"no name 'f' here: {KNOWN}", 5),
    ("2**2**2 == a", "'**' is no part of an expression: there are no powers", 1),
    ("a * m == 1", "'*' is no part of an expression: write a sum", 2),
    ("a / m == 1", "'/' is no part of an expression: write >>", 2),
    ("signed(*a)", "'*' is no part of an expression: write a sum", 7),
    ("signed(a=m)", "'=' is no part of an expression: write ==", 8),
    ("a = 1", "'=' is no part of an expression: write ==", 2),
    ("(a := 1)", "':=' is no part of an expression: write ==", 3),
    ("lambda: 1", f"no name 'lambda' here: {KNOWN}", 0),
    ("a[0]", "'[' is no part of an expression: write bit(x, i)", 1),
    ("[a]", "'[' is no part of an expression: write bit(x, i)", 0),
    ("{a}", "'{' is no part of an expression", 0),
    ("n && v", "'&&' is no part of an expression: write 'and'", 2),
    ("!n", "'!' is no part of an expression: write 'not' or !=", 0),
    ("a == $50", "'$' is no part of an expression: write 0x50", 5),
    ("a == %0101", "'%' is no part of an expression: binary is 0b0101", 5),
    ("a ≥ m", "'\\u2265' is no part of an expression: write >=", 2),
    ("\u0430 == 1", "'\\u0430' is no part of an expression", 0),  # Cyrillic
    ("a == ٣", "'\\u0663' is no part of an expression", 5),  # a digit elsewhere
    ("\U0001d41a == 1", "'\\U0001d41a' is no part of an expression", 0),  # Python takes it for 'a'
    ("a\0", "'\\x00' is no part of an expression", 1),
    ("a ==\n1", "'\\n' is no part of an expression: write one line", 4),
    ("a == 1 # ", "'#' is no part of an expression", 7),
    ("a \\", "'\\\\' is no part of an expression", 2),
    ("\ud800", "'\\ud800' is no part of an expression", 0),
    ("c == True", "'True' is no part of an expression: write 1", 5),
    ("a == 007", "'007' is not a number: write 80, 0x50 or 0b01010000", 5),
    ("a == 0o17", "'0o17' is not a number: write 80, 0x50 or 0b01010000", 5),
    ("a == 1_0", "'1_0' is not a number: write 80, 0x50 or 0b01010000", 5),
    ("a == 1if", "'1if' is not a number: write 80, 0x50 or 0b01010000", 5),
    ("a == 1j", "'1j' is not a number: write 80, 0x50 or 0b01010000", 5),
    ("a == 0" + "9" * 900, f"'0{'9' * 59}...' is not a number: write 80, 0x50 or 0b01010000", 5),
    ("a 0x" + "0" * 900, f"an operator is missing before '0x{'0' * 58}...'", 2),
    ("a == 0x100000000", "the number is too large: at most 4294967295", 5),
    ("a == " + "9" * 900, "the number is too large: at most 4294967295", 5),
    ("a ==", "something is missing at the end", 4),
    ("== a", "something is missing before '=='", 0),
    ("a == == m", "something is missing before '=='", 5),
    ("signed()", "something is missing before ')'", 7),
    ("bit(a,)", "something is missing before ')'", 6),
    ("()", "something is missing before ')'", 1),
    ("a m", "an operator is missing before 'm'", 2),
    ("a if m else r", f"no name 'if' here: {KNOWN}", 2),
    ("a not in m", f"no name 'in' here: {KNOWN}", 6),
    ("a is m", f"no name 'is' here: {KNOWN}", 2),
    ("signed(a)(m)", "an operator is missing before '('", 9),
    ("n == not v", "'not' needs brackets here: (not ...)", 5),
    ("-not v", "'not' needs brackets here: (not ...)", 1),
    ("a, m", "a comma stands only between what a function is given", 1),
    ("(a, m)", "a comma stands only between what a function is given", 2),
    ("n == (a", "this bracket is not closed", 5),
    ("a == 1)", "this bracket closes nothing", 6),
    ("signed(a, m) < 0", "'signed' is given something else: signed(x)", 0),
    ("bit(a) == 1", "'bit' is given something else: bit(x, i)", 0),
    ("carry(9) == 1", "a carry's place must be 0 to 8, and can be 9", 6),
    ("carry(a)", "a carry's place must be 0 to 8, and can be 0 to 255", 6),
    ("bit(a, -1)", "the place of a bit must be 0 to 31, and can be -1", 7),
    ("signed(a - m) < 0", "signed reads a byte; this must be 0 to 255, and can be -255 to 255;"
     " & 0xFF takes the low eight bits", 7),
    ("a << m == 0", "the count of a shift must be 0 to 31, and can be 0 to 255", 5),
    ("a << 32 == 0", "the count of a shift must be 0 to 31, and can be 32", 5),
    ("a << -1 == 0", "the count of a shift must be 0 to 31, and can be -1", 5),
    ("a << 31 << 31 == 0", "this can go past 2 to the 48th", 0),
    ("a + m", "true or false is wanted, and this is a number, 0 to 510: compare it, as in r == 0",
     0),
    ("2", "true or false is wanted, and this is a number, 2: compare it, as in r == 0", 0),
    ("n or a", "'and' and 'or' join truths, and this is a number, 0 to 255: compare it", 5),
    ("not a", "'not' turns a truth, and this is a number, 0 to 255: compare it", 4),
    ("n == ~v", "~ makes -1 and -2 of 0 and 1: write (not ...)", 5),
    ("v == absent", "there is none", 5),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message", "place"), REFUSED)
def test_what_is_refused_and_where(text, message, place):
    with pytest.raises(ExpressionError) as caught:
        read(text, NAMES, {"absent": "there is none"})
    assert (caught.value.message, caught.value.place) == (message, place)
    told, line, caret = str(caught.value).split("\n")
    assert told == message
    assert len(line) <= 80
    assert caret.strip() == "^"
    under = line[len(caret) - 1 : len(caret)]
    here = text[place : place + 1]
    assert under == (here if " " <= here <= "~" else "?" * bool(here))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a" * 10_000, "too long: 10,000 characters, at most 1,000"),
        ("a == 0 or " * 1000 + "z", "too long: 10,001 characters, at most 1,000"),
        ("(" * 400 + "a" + ")" * 400, "nested too deeply: at most 50 levels"),
        ("(" * 999, "nested too deeply: at most 50 levels"),
        ("-" * 990 + "a == 0", "nested too deeply: at most 50 levels"),
        ("not " * 240 + "n", "nested too deeply: at most 50 levels"),
        ("~-+" * 300 + "a == 0", "nested too deeply: at most 50 levels"),
        ("a" + " + a" * 200 + " == 0", "nested too deeply: at most 50 levels"),
        ("bit(" * 60 + "a" + ", 0)" * 60, "nested too deeply: at most 50 levels"),
        ("(-" * 45 + "a" + ")" * 45, "nested too deeply: at most 50 levels"),
    ],
)
def test_length_and_depth_are_limited(text, message):
    if "(-" in text:
        text = text.replace("(-", "(--")
    with pytest.raises(ExpressionError) as caught:
        read(text, NAMES)
    assert caught.value.message == message
    _, line, caret = str(caught.value).split("\n")
    assert max(len(line), len(caret)) <= 80


def test_what_is_just_within_the_limits_is_read():
    assert read(" " * (LONGEST - 1) + "n", NAMES).text == "n"
    brackets = "(" * DEEPEST + "n" + ")" * DEEPEST
    assert read(brackets, NAMES).text == "n"
    rows = columns()
    text = "not " * (DEEPEST - 2) + "n"
    assert by_us(read(text, NAMES), rows) == rows["n"]


WORDS = [*NAMES, "signed(", "bit(", "carry(", "(", ")", ",", "0", "1", "0x7F", "200", " ", "and",
         "or", "not", "==", "!=", "<", "<=", ">", ">=", "&", "|", "^", "~", "+", "-", "<<", ">>",
         "**", "=", "lambda", "if", "else", "is", "in", "await", "yield", ":", "[", "]", "'", '"',
         "f'", "\\", "\n", "\0", "#", ";", "@", "*", "é", "٣", "0b2", "...", "`"]  # fmt: skip


@settings(max_examples=800, deadline=None, derandomize=True)
@given(st.one_of(st.text(max_size=40), st.lists(st.sampled_from(WORDS), max_size=25).map(" ".join),
                 st.lists(st.sampled_from(WORDS[:30]), max_size=12).map(" ".join)))  # fmt: skip
def test_anything_at_all_is_read_or_refused(text):
    try:
        expression = read(text, NAMES)
    except ExpressionError:
        return
    rows = columns(len(text))
    assert by_us(expression, rows) == by_python(text, rows)


@st.composite
def expressions(draw, depth=4):
    """Expressions that are mostly right."""
    if depth == 0 or draw(st.integers(0, 4)) == 0:
        return draw(st.sampled_from([*NAMES, "0", "1", "3", "0xFF", "carry(8)", "signed(a)"]))
    inner = expressions(depth=depth - 1)
    form = draw(st.sampled_from(
        ["({} {} {})", "({} == {})", "(not {})", "-{}", "(~{})", "bit({}, 1)", "({} & 7)",
         "({} << 2)", "({} >> 1)", "({} < {} <= {})", "({} and {})", "({} or {})"]))  # fmt: skip
    if form == "({} {} {})":
        return form.format(draw(inner), draw(st.sampled_from("+-&|^")), draw(inner))
    return form.format(*(draw(inner) for _ in range(form.count("{}"))))


@settings(max_examples=400, deadline=None, derandomize=True)
@given(expressions())
def test_values_are_pythons_and_within_the_range_that_was_foreseen(text):
    try:
        expression = read(f"({text}) == 0", NAMES).parts[0]
    except ExpressionError:
        return
    rows = columns(len(text))
    values = by_us(expression, rows)
    assert values == by_python(text, rows)
    assert expression.range.low <= min(values)
    assert max(values) <= expression.range.high


@pytest.mark.parametrize(
    "text",
    [
        "__import__('os').system('touch {}') == 0",
        "open('{}', 'w') == 0",
        "[open('{}', 'w') for a in '1'] == 0",
        "(lambda: open('{}', 'w'))() == 0",
        "n == (signed(a) < signed(m))",
    ],
)
def test_nothing_of_an_expression_is_run(text, tmp_path, monkeypatch):
    compiled = []

    def only_trees(source, name, mode, flags=0, *rest, **more):
        assert flags & ast.PyCF_ONLY_AST
        compiled.append(source)
        return real(source, name, mode, flags, *rest, **more)

    def never(*_):
        raise AssertionError("code is run")

    real = builtins.compile
    with monkeypatch.context() as patched:
        patched.setattr(builtins, "compile", only_trees)
        patched.setattr(builtins, "eval", never)
        patched.setattr(builtins, "exec", never)
        refused = False
        try:
            by_us(read(text.format(tmp_path / "made"), NAMES), columns())
        except ExpressionError:
            refused = True
    assert refused == ("{}" in text)
    assert len(compiled) == (not refused)  # what is refused does not even reach Python's parser
    assert not (tmp_path / "made").exists()


def test_parts_and_names_of_an_expression():
    expression = read("not (n == (signed(a) < bit(m, carry(3))))", NAMES)
    assert expression.used == {"n", "a", "m", "carry"}
    assert expression.negation
    inner = expression.parts[0]
    assert [part.text for part in inner.parts] == ["n", "signed(a) < bit(m, carry(3))"]
    assert inner.equation
    assert [part.text for part in inner.parts[1].parts] == ["signed(a)", "bit(m, carry(3))"]


def test_a_chain_is_told_as_python_reads_it():
    text = "n == signed(a) < signed(m)"
    assert read(text, NAMES).chain == "(n == signed(a)) and (signed(a) < signed(m))"
    assert read("n != v != z", NAMES).chain == "(n != v) and (v != z)"
    assert read("0 < a < m", NAMES).chain == ""
    assert read("n == (a < m)", NAMES).chain == ""
