"""One operation: the hardware's result, flags and carries against plain arithmetic."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from usual import USUAL

from carrywave.sim.cases.layout import CASE
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.op.operation import (
    CHAIN,
    Operation,
    UsageError,
    arrange,
    form_of,
    operate,
    takes,
)
from carrywave.sim.witness.model import Model

SAMPLES = 12
# The chain's two operands and the carry that enters, by the mnemonic; r is the register, or the
# operand where the instruction works on memory.
ADDENDS = {
    "ADC": lambda r, m, c: (r, m, c), "SBC": lambda r, m, c: (r, 255 - m, c),
    "CMP": lambda r, m, c: (r, 255 - m, 1), "CPX": lambda r, m, c: (r, 255 - m, 1),
    "CPY": lambda r, m, c: (r, 255 - m, 1), "ASL": lambda r, m, c: (r, r, 0),
    "ROL": lambda r, m, c: (r, r, c), "INC": lambda r, m, c: (r, 0, 1),
    "INX": lambda r, m, c: (r, 0, 1), "INY": lambda r, m, c: (r, 0, 1),
    "DEC": lambda r, m, c: (r, 255, 0), "DEX": lambda r, m, c: (r, 255, 0),
    "DEY": lambda r, m, c: (r, 255, 0),
}  # fmt: skip
# The register that keeps the result.
KEPT_IN = {
    **dict.fromkeys(("ADC", "SBC", "AND", "ORA", "EOR", "ASL", "LSR", "ROL", "ROR"), "a"),
    **dict.fromkeys(("LDA", "PLA", "TXA", "TYA"), "a"), "TXS": "sp",
    **dict.fromkeys(("LDX", "INX", "DEX", "TAX", "TSX"), "x"),
    **dict.fromkeys(("LDY", "INY", "DEY", "TAY"), "y"),
}  # fmt: skip
BRANCHES = ("BCC", "BCS", "BEQ", "BMI", "BNE", "BPL", "BVC", "BVS")


@cache
def samples(mnemonic: str, variant: str) -> list[Operation]:
    """Operations on random inputs, the same each time, with both ends of a byte among them."""
    rng = np.random.default_rng(list(mnemonic.encode()))
    inputs = rng.integers(0, 256, (SAMPLES, 3)).tolist()
    inputs[:3] = [[0x80, 0x80, 0x00], [0xFF, 0xFF, 0xFF], [0x00, 0x00, 0x00]]
    return [
        operate(mnemonic, a, m, i & 1, bool(i >> 1 & 1), variant, status)
        for i, (a, m, status) in enumerate(inputs)
    ]


def model_s_answer(op: Operation) -> tuple[int | None, Any]:
    """The result and the outcome that the model gives for the same operation."""
    form, m = op.instruction, op.operand or 0
    case = np.zeros(1, CASE)
    case["pc"], case["sp"] = 0x0200, 0xFD
    where = 0x0010 if form.access else 0x0300
    memory = {
        "opcode": (0x0200, form.opcode), "offset": (0x0201, m),
        "m": (where if form.access else 0x0201, m),
        "address.low": (0x0201, where % 256), "address.high": (0x0202, where // 256),
        "vector.low": (0xFFFE, 0x00), "vector.high": (0xFFFF, 0x03),
    }  # fmt: skip
    pulled = (0x00, 0x02) if op.mnemonic == "RTS" else (m, 0x00, 0x02)
    memory |= {f"pull{i}": ((0x01FE, 0x01FF, 0x0100)[i], byte) for i, byte in enumerate(pulled)}
    case["reads"] = len(form.reads)
    for i, name in enumerate(form.reads):
        case["read_address"][0, i], case["read_value"][0, i] = memory[name]
    case["p"] = sum(value << FLAG_BITS[flag] for flag, value in op.before.items())
    if op.register:
        case[op.register] = op.a
    (outcome,) = Model(op.variant).execute(case)

    a, name = op.a or 0, op.mnemonic
    if name in ("CMP", "CPX", "CPY"):
        return (a - m) % 256, outcome
    if name == "BIT":
        return a & m, outcome
    if name in ("STA", "STX", "STY", "INC", "DEC"):
        return int(outcome["write_value"][outcome["writes"] - 1]), outcome
    if name in ("PHA", "PHP"):
        return int(outcome["write_value"][0]), outcome
    if name in BRANCHES:
        return (2 + m) % 256 if op.uses_chain else None, outcome
    return int(outcome[KEPT_IN[name]]) if name in KEPT_IN else None, outcome


@pytest.mark.parametrize("variant", USUAL)
def test_result_and_flags_are_the_model_s(variant: str) -> None:
    compared = results = 0
    for mnemonic in BY_MNEMONIC:
        for op in samples(mnemonic, variant):
            result, outcome = model_s_answer(op)
            after = {flag: int(outcome["p"]) >> bit & 1 for flag, bit in FLAG_BITS.items()}
            assert (op.result, op.after, op.pc, op.sp) == (
                result, after, int(outcome["pc"]), int(outcome["sp"]),
            ), op  # fmt: skip
            compared += 1
            results += result is not None
    assert compared == 56 * SAMPLES
    assert results > 35 * SAMPLES


@pytest.mark.parametrize("variant", USUAL)
def test_flags_that_are_left_alone_are_null(variant: str) -> None:
    compared = 0
    for mnemonic, modes in BY_MNEMONIC.items():
        updates = set(next(iter(modes.values())).flags)
        if variant == "cmos" and mnemonic == "BRK":
            updates.add("d")
        for op in samples(mnemonic, variant):
            flags = op.to_json()["flags"]
            assert list(flags) == list("nvzcdi")
            assert {flag for flag, value in flags.items() if value is not None} == updates, op
            kept = {flag: op.before[flag] for flag in op.before if flag not in updates}
            assert {flag: op.after[flag] for flag in kept} == kept
            compared += 1
    assert compared == 56 * SAMPLES


@pytest.mark.parametrize("variant", USUAL)
def test_each_carry_is_what_the_bits_below_it_are_too_large_by(variant: str) -> None:
    carries = 0
    for mnemonic, addends in ADDENDS.items():
        for op in samples(mnemonic, variant):
            r, m = op.operand if op.a is None else op.a, op.operand
            one, other, carry_in = addends(r, m, op.carry_in)
            wanted = [(one % 2**i + other % 2**i + carry_in) >> i for i in range(9)]
            if mnemonic == "ADC" and op.decimal and variant != "binary":
                low = one % 16 + other % 16 + carry_in
                wanted[4] = int(low > 9)
                wanted[5:] = [
                    (one // 16 % 2**i + other // 16 % 2**i + wanted[4]) >> i for i in range(1, 5)
                ]
            assert op.carries == wanted, op
            assert op.to_json()["carries"] == wanted
            carries += 9
    assert carries == len(ADDENDS) * SAMPLES * 9 == 1404


@pytest.mark.parametrize("mnemonic", BRANCHES)
def test_a_branch_shows_the_sum_of_its_target_s_low_byte_if_it_is_taken(mnemonic: str) -> None:
    taken = 0
    for op in samples(mnemonic, "nmos"):
        if not op.uses_chain:
            assert (op.carries, op.result, op.pc) == (None, None, 0x0202)
            continue
        assert op.operand is not None
        assert op.carries == [(2 % 2**i + op.operand % 2**i) >> i for i in range(9)]
        assert op.pc == (0x0202 + (op.operand ^ 0x80) - 0x80)
        assert len(op.bus) == 3 + (op.pc >> 8 != 2)
        taken += 1
    assert 0 < taken < SAMPLES


def test_what_does_not_use_the_chain_has_no_carries() -> None:
    without = set(BY_MNEMONIC) - set(ADDENDS) - set(BRANCHES)
    for mnemonic in without:
        op = operate(mnemonic, 0x80, 0x80, 1)
        assert (op.uses_chain, op.carries, op.to_json()["carries"]) == (False, None, None)
    assert len(without) == 35
    assert len(CHAIN) == 9


def test_known_examples() -> None:
    """Clark, 'Decimal Mode' and 'The Overflow (V) Flag Explained', from memory."""
    plain = operate("ADC", 0x50, 0x50)
    assert (plain.result, plain.to_json()["flags"]) == (
        0xA0, {"n": 1, "v": 1, "z": 0, "c": 0, "d": None, "i": None},
    )  # fmt: skip
    assert plain.carries == [0, 0, 0, 0, 0, 1, 0, 1, 0]
    digits = operate("ADC", 0x58, 0x46, 1, decimal=True)
    assert (digits.result, digits.after["c"], digits.decimal) == (0x05, 1, 1)
    assert operate("ADC", 0x58, 0x46, 1, decimal=True, variant="binary").result == 0x9F
    borrow = operate("SBC", 0x12, 0x21, 1, decimal=True)
    assert (borrow.result, borrow.after["c"]) == (0x91, 0)


def test_the_status_gives_the_flags_that_carry_and_decimal_do_not() -> None:
    op = operate("NOP", status=0xFF)
    assert op.before == {"n": 1, "v": 1, "d": 0, "i": 1, "z": 1, "c": 0}
    op = operate("NOP", carry=1, decimal=True, status=0x00)
    assert op.before == {"n": 0, "v": 0, "d": 1, "i": 0, "z": 0, "c": 1}


def test_the_bus_is_the_instruction_s_own_clocks() -> None:
    op = operate("PHA", 0x5A)
    assert [(clock.kind, clock.address, clock.byte) for clock in op.bus] == [
        ("R", 0x0200, 0x48), ("R", 0x0201, 0xFF - 0x48), ("W", 0x01FD, 0x5A),
    ]  # fmt: skip
    assert op.to_json()["bus"][2] == ["W", 0x01FD, 0x5A]
    for mnemonic in BY_MNEMONIC:
        clocks = form_of(mnemonic).clocks
        assert clocks <= len(operate(mnemonic, status=0xFF, carry=1).bus) <= clocks + 2
        assert len(operate(mnemonic, status=0x00).bus) >= clocks


def test_json_has_plain_values() -> None:
    value = operate("SBC", 0x50, 0xF0, 1, variant="cmos").to_json()
    assert list(value) == [
        "mnemonic", "mode", "variant", "a", "operand", "carry_in", "decimal", "result", "carries",
        "flags", "alu", "bus", "pc", "sp", "written", "address_sums",
    ]  # fmt: skip
    assert (value["mnemonic"], value["mode"], value["variant"]) == ("SBC", "immediate", "cmos")
    assert (value["a"], value["operand"], value["carry_in"], value["decimal"]) == (
        80,
        240,
        1,
        False,
    )
    assert value["result"] == 0x60
    assert value["alu"]["operation"] == "SUBTRACT"
    assert {type(item) for item in value["alu"].values()} == {str, int}
    inc = operate("INC", 0x11, 0x22).to_json()
    assert (inc["a"], inc["operand"], inc["result"]) == (None, 0x22, 0x23)


def test_an_unknown_mnemonic_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        operate("XYZ")


# Numbers given to a mnemonic


@pytest.mark.parametrize(
    ("mnemonic", "numbers", "arranged"),
    [
        ("ADC", (1, 2), (1, 2)), ("CPX", (3, 4), (3, 4)), ("LDA", (5, 6), (5, 6)),
        ("LDA", (6,), (0, 6)), ("PLA", (7,), (0, 7)), ("STA", (8,), (8, 0)), ("ASL", (9,), (9, 0)),
        ("INC", (10,), (0, 10)), ("BEQ", (11,), (0, 11)), ("TXS", (12,), (12, 0)),
        ("PLP", (13,), (0, 13)), ("NOP", (), (0, 0)), ("JSR", (), (0, 0)), ("PHP", (), (0, 0)),
    ],
)  # fmt: skip
def test_numbers_go_to_the_register_and_the_operand(
    mnemonic: str, numbers: tuple[int, ...], arranged: tuple[int, int]
) -> None:
    assert arrange(mnemonic, numbers) == arranged


@pytest.mark.parametrize(
    ("mnemonic", "count", "message"),
    [
        ("ADC", 0, "ADC takes two numbers, A and the operand; 0 given"),
        ("ADC", 1, "ADC takes two numbers, A and the operand; 1 given"),
        ("ADC", 3, "ADC takes two numbers, A and the operand; 3 given"),
        ("CPY", 1, "CPY takes two numbers, Y and the operand; 1 given"),
        ("LDX", 0, "LDX takes two numbers, X and the operand; 0 given"),
        ("ASL", 2, "ASL takes one number, A; 2 given"),
        ("DEX", 0, "DEX takes one number, X; 0 given"),
        ("TSX", 0, "TSX takes one number, SP; 0 given"),
        ("INC", 2, "INC takes one number, the operand; 2 given"),
        ("BNE", 0, "BNE takes one number, the operand; 0 given"),
        ("RTI", 0, "RTI takes one number, the operand beside the address pulled; 0 given"),
        ("CLC", 1, "CLC takes no number; 1 given"),
        ("JMP", 1, "JMP takes no number beside the target; 1 given"),
        ("BRK", 2, "BRK takes no number beside what the vector holds; 2 given"),
    ],
)
def test_too_few_or_too_many_numbers_are_refused(mnemonic: str, count: int, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        arrange(mnemonic, [1] * count)
    assert str(caught.value) == message


def test_every_mnemonic_says_what_it_takes() -> None:
    """A register, or none, and a byte or none, as one reads it off the instruction."""
    groups: dict[tuple[str, bool], set[str]] = {}
    for mnemonic in BY_MNEMONIC:
        groups.setdefault(takes(mnemonic), set()).add(mnemonic)
    assert groups == {
        ("a", True): {"ADC", "SBC", "CMP", "AND", "ORA", "EOR", "BIT", "LDA", "PLA"},
        ("x", True): {"CPX", "LDX"},
        ("y", True): {"CPY", "LDY"},
        ("a", False): {"ASL", "LSR", "ROL", "ROR", "STA", "PHA", "TAX", "TAY"},
        ("x", False): {"INX", "DEX", "STX", "TXA", "TXS"},
        ("y", False): {"INY", "DEY", "STY", "TYA"},
        ("sp", False): {"TSX"},
        ("", True): {"INC", "DEC", "PLP", "RTI", *BRANCHES},
        ("", False): {
            "BRK", "CLC", "CLD", "CLI", "CLV", "JMP", "JSR", "NOP", "PHP", "RTS",
            "SEC", "SED", "SEI",
        },
    }  # fmt: skip
    assert sum(map(len, groups.values())) == 56
