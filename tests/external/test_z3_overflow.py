"""SMT-LIB's overflow predicates, as z3 knows them: bvuaddo, bvsaddo, bvusubo, bvssubo.

Source: SMT-LIB 2.7, theory FixedSizeBitVectors; the `z3-solver` package, run here. The predicates
have no carry-in. With one, an addition is two of them, a + m and then + c, and it is signed
overflow if just one of the two overflows (if both do, the second undoes the first), unsigned if
either does.

z3 proves that against ranges of wider numbers. Then its own bit-level circuit of the same formula
is evaluated on all 2^17 inputs beside the model.
"""

from __future__ import annotations

import functools
import operator

import numpy as np
import pytest
import z3

A, M, C = z3.BitVecs("a m c", 8)
FORMULAS = {
    ("ADC", "v"): "(xor (bvsaddo a m) (bvsaddo (bvadd a m) c))",
    ("ADC", "c"): "(or (bvuaddo a m) (bvuaddo (bvadd a m) c))",
    # Subtract what is left of the borrow, 1 - c; C is NOT borrow.
    ("SBC", "v"): "(xor (bvssubo a m) (bvssubo (bvsub a m) (bvsub #x01 c)))",
    ("SBC", "c"): "(not (or (bvusubo a m) (bvusubo (bvsub a m) (bvsub #x01 c))))",
}
EITHER = FORMULAS["ADC", "v"].replace("xor", "or")


def parsed(text):
    (formula,) = z3.parse_smt2_string(f"(assert {text})", decls={"a": A, "m": M, "c": C})
    return formula


def in_range(mnemonic, flag):
    """The same flag from numbers too wide to overflow."""
    widen = z3.SignExt if flag == "v" else z3.ZeroExt
    a, m, c = widen(4, A), widen(4, M), z3.ZeroExt(4, C)
    total = a + m + c if mnemonic == "ADC" else a - m - (1 - c)
    if flag == "v":
        return z3.Or(total < -128, total > 127)
    return total > 255 if mnemonic == "ADC" else total >= 0


def differ(text, other):
    solver = z3.Solver()
    solver.add(z3.ULE(C, 1), parsed(text) != other)
    return solver.check()


@pytest.fixture
def circuit_values(every_input):
    """Has z3 break a formula down to single bits, and evaluates that on all inputs at once."""
    bits = {}

    def spread(name, column, width):
        ones = [z3.Bool(f"{name}{i}") for i in range(width)]
        bits.update({f"{name}{i}": (column >> i & 1).astype(bool) for i in range(width)})
        digits = [z3.If(one, z3.BitVecVal(1, 1), z3.BitVecVal(0, 1)) for one in reversed(ones)]
        return z3.ZeroExt(8 - width, z3.Concat(*digits) if width > 1 else digits[0])

    places = [
        (variable, spread(str(variable), column, width))
        for variable, column, width in zip((A, M, C), every_input, (8, 8, 1), strict=True)
    ]
    gates = {
        z3.Z3_OP_AND: lambda *values: functools.reduce(operator.and_, values),
        z3.Z3_OP_OR: lambda *values: functools.reduce(operator.or_, values),
        z3.Z3_OP_XOR: operator.xor,
        z3.Z3_OP_EQ: operator.eq,
        z3.Z3_OP_NOT: operator.invert,
        z3.Z3_OP_ITE: np.where,
    }

    def evaluate(text):
        goal = z3.Goal()
        goal.add(z3.substitute(parsed(text), *places))
        circuit = z3.Then("simplify", "bit-blast", "simplify")(goal).as_expr()
        known = {}

        def value(node):
            if node.get_id() not in known:
                if z3.is_const(node):
                    known[node.get_id()] = bits[str(node)]
                else:
                    inputs = [value(child) for child in node.children()]
                    known[node.get_id()] = gates[node.decl().kind()](*inputs)
            return known[node.get_id()]

        return value(circuit).astype(int)

    return evaluate


def test_two_predicates_make_one_with_carry_in():
    answers = {key: differ(text, in_range(*key)) for key, text in FORMULAS.items()}
    assert answers == dict.fromkeys(FORMULAS, z3.unsat)
    assert len(answers) == 4


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
@pytest.mark.parametrize("mnemonic", ["ADC", "SBC"])
def test_model_has_their_v_and_c_on_every_input(
    mnemonic, variant, circuit_values, answer, every_input, verdict
):
    v, c = (circuit_values(FORMULAS[mnemonic, flag]) for flag in "vc")
    assert (v.sum(), c.sum()) == (32_768, 65_536)
    outcomes = answer(mnemonic, variant=variant, **every_input._asdict())
    assert verdict(outcomes, v=v, c=c) == (2**17, {})


def test_model_compares_as_subtraction_without_borrow(circuit_values, answer, every_input, verdict):
    a, m, carry = every_input
    c = circuit_values("(not (bvusubo a m))")
    assert verdict(answer("CMP", a=a, m=m, carry=carry), c=c) == (2**17, {})


def test_signed_overflow_by_or_is_found_wrong(circuit_values, answer, every_input, verdict):
    assert differ(EITHER, in_range("ADC", "v")) == z3.sat
    outcomes = answer("ADC", **every_input._asdict())
    assert verdict(outcomes, v=circuit_values(EITHER)) == (2**17, {"v": 128})


def test_a_planted_mistake_is_seen_on_every_input_it_touches(
    circuit_values, answer, every_input, plant, verdict
):
    a, m, _ = every_input
    v = circuit_values(FORMULAS["ADC", "v"])
    outcomes = answer("ADC", **every_input._asdict())
    no_carry_in = plant(outcomes, v=answer("ADC", a=a, m=m, carry=0)["p"] & 64)
    assert verdict(no_carry_in, v=v) == (2**17, {"v": 256})
    assert verdict(plant(outcomes, v=1 - v), v=v) == (2**17, {"v": 2**17})
