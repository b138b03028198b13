"""What is told of the stack, of the status byte on it, and of where an operation goes on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from carrywave.sim.op.course import goes_on, stack_of, stack_words, status_byte_of, words_of
from carrywave.sim.op.operation import operate

# From memory, and as `family/status_byte.py` has it: B is 1 in what BRK and PHP push, and 0 in what
# IRQ and NMI push; bit 5 is 1 in each.
B_PUSHED = {"BRK": 1, "PHP": 1, "IRQ": 0, "NMI": 0}
# Flag and value upon which each branch is taken (from memory).
CONDITIONS = {
    "BCC": ("C", 0), "BCS": ("C", 1), "BNE": ("Z", 0), "BEQ": ("Z", 1),
    "BPL": ("N", 0), "BMI": ("N", 1), "BVC": ("V", 0), "BVS": ("V", 1),
}  # fmt: skip
BITS = {"N": 0x80, "V": 0x40, "Z": 0x02, "C": 0x01}


def test_the_pushed_byte_has_a_b_that_says_who_pushed_it() -> None:
    seen = 0
    for mnemonic, b in B_PUSHED.items():
        for p in (0x00, 0xC1, 0xCB):
            op = operate(mnemonic, carry=p & 1, decimal=bool(p & 8), status=p)
            moved = status_byte_of(op)
            assert moved is not None
            assert (moved.byte, moved.pushed) == (p & 0xCF | 0x20 | b << 4, True), mnemonic
            who = "software" if b else "no instruction"
            assert moved.words[0].startswith(f"B is {b} because ")
            assert who in moved.words[0]
            assert mnemonic in moved.words[0]
            seen += 1
    for mnemonic in ("PLP", "RTI"):
        moved = status_byte_of(operate(mnemonic, 0, 0xB5))
        assert moved is not None
        assert (moved.byte, moved.pushed) == (0xB5, False)
    for mnemonic in ("PHA", "PLA", "JSR", "RTS", "LDA", "RESET"):
        assert status_byte_of(operate(mnemonic, 1, 1)) is None
    assert seen == 12


@pytest.mark.parametrize(
    ("given", "words", "cells"),
    [
        (("BRK",), "S $FD before, $FA after: 3 bytes pushed",
         [(0x1FD, 0x02, 0), (0x1FC, 0x02, -1), (0x1FB, 0x30, -2)]),
        (("IRQ",), "S $FD before, $FA after: 3 bytes pushed",
         [(0x1FD, 0x02, 0), (0x1FC, 0x00, -1), (0x1FB, 0x20, -2)]),
        (("RESET",), "S $FD before, $FA after: reset reads where others push", []),
        (("RTS",), "S $FD before, $FF after: 2 bytes pulled", [(0x1FE, 0, 1), (0x1FF, 2, 2)]),
        (("RTI", 0, 0x80), "S $FD before, $00 after: 3 bytes pulled, around the end of its page",
         [(0x1FE, 0x80, 1), (0x1FF, 0x00, 2), (0x100, 0x02, 3)]),
        (("PHA", 7), "S $FD before, $FC after: a byte pushed", [(0x1FD, 7, 0)]),
        (("TXS", 7), "S $FD before, $07 after: X goes there, no byte is moved", []),
        (("TSX", 0xFD), "", []),
        (("LDA", 0, 7), "", []),
    ],
)  # fmt: skip
def test_the_stack_is_told_before_and_after(
    given: tuple[Any, ...], words: str, cells: list[tuple[int, int, int]]
) -> None:
    op = operate(*given)
    assert stack_words(op) == words
    assert [(cell.address, cell.byte, cell.above) for cell in stack_of(op)] == cells


def test_a_branch_says_why_and_where_it_goes_on() -> None:
    told = 0
    for mnemonic, (flag, value) in CONDITIONS.items():
        for bit in (0, 1):
            op = operate(mnemonic, 0, 0x90, status=BITS[flag] * bit, carry=bit * (flag == "C"))
            why, where = goes_on(op)
            taken = bit == value
            so = "taken" if taken else "not taken"
            assert why == f"{so}: {flag} is {bit}, and {mnemonic} goes where {flag} is {value}"
            assert where == (
                "goes on at $0192 = $0202 - 112, in another page: a clock more" if taken
                else "goes on at $0202, the next instruction"
            )  # fmt: skip
            told += 1
    assert told == 16
    assert goes_on(operate("BNE", 0, 0x10))[1] == "goes on at $0212 = $0202 + 16, in the same page"


@pytest.mark.parametrize(
    ("given", "target", "told"),
    [
        ("JSR", 0x4638, ["goes on at $4638",
                         "pushed: $0202, its own last byte; RTS adds 1 to it"]),
        ("RTS", 0x46FF, ["goes on at $4700: 1 past the address pulled, $46FF"]),
        ("RTI", 0x46FF, ["goes on at $46FF: the address pulled; unlike RTS it adds nothing"]),
        ("JMP", 0x0012, ["goes on at $0012"]),
        ("BRK", 0x4638, ["goes on at $4638, which lies in the vector at $FFFE",
                         "pushed: $0202, 2 past its own address: RTI skips a byte"]),
        ("NMI", 0x4638, ["goes on at $4638, which lies in the vector at $FFFA",
                         "pushed: $0200, the instruction that it came before"]),
        ("RESET", None, ["goes on at $0300, which lies in the vector at $FFFC"]),
        ("INX", None, []),
    ],
)  # fmt: skip
def test_it_is_told_where_an_operation_goes_on(
    given: str, target: int | None, told: list[str]
) -> None:
    op = operate(given, target=target)
    assert list(goes_on(op)) == told
    assert words_of(op)[len(words_of(op)) - len(told) :] == told


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("JSR", "$4638"), " goes on at $4638"),
        (("RTI", "-128", "0x4638"), " pulled     1     0"),
        (("irq", "0x1234"), " goes on at $1234,"),
    ],
)
def test_op_takes_the_address_last(
    carrywave: Callable[..., Any], words: tuple[str, ...], told: str
) -> None:
    status, out, err = carrywave("op", *words)
    assert (status, err) == (0, "")
    assert f"\n{told}" in out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("RTI", "0x1234"), "RTI: the address stands last, behind what is a byte"),
        (("JSR", "1", "2"), "JSR takes no number beside the target; 2 given"),
        (("JSR", "0x12345"), "Invalid value for '[MODE] [A] [OPERAND] [ADDRESS]': 0x12345 does not "
         "fit in an address: expected 0 to 65535"),
        (("ADC", "0x150", "1"), "Invalid value for '[MODE] [A] [OPERAND] [ADDRESS]': 0x150 does "
         "not fit in a byte: expected -128 to 255"),
    ],
)  # fmt: skip
def test_an_address_that_cannot_be_is_refused(
    carrywave: Callable[..., Any], words: tuple[str, ...], message: str
) -> None:
    assert carrywave("op", *words) == (2, "", f"carrywave: {message}\n")
