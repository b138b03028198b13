"""The pictures: never wider than the terminal, plain where colour is not wanted, and true."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from rich.console import Console
from usual import USUAL

from carrywave.sim.cli.terminal import console
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.op.operation import Operation, operate
from carrywave.sim.op.reasons import reasons_of
from carrywave.sim.op.report import draw_operation

WIDTH = 80
FLAGS = ("N", "V", "Z", "C", "D", "I")
# Those whose bus does more than read their own two bytes; with all flags clear, branches taken.
BUSY = {
    "BCC", "BNE", "BPL", "BVC", "BIT", "INC", "DEC", "STA", "STX", "STY", "JMP",
    "PHA", "PHP", "PLA", "PLP", "JSR", "RTS", "RTI", "BRK",
}  # fmt: skip

# Register, operand, carry, decimal, status: both ends of a byte, -128 with -128, every flag.
EXTREMES = (
    (0x00, 0x00, 0, False, 0x30),
    (0x80, 0x80, 0, False, 0xFF),
    (0x80, 0x80, 1, True, 0xFF),
    (0xFF, 0xFF, 1, True, 0x30),
    (0x7F, 0x80, 0, False, 0x30),
    (0x99, 0x01, 1, True, 0xC2),
)


def plain(drawing: Any, width: int = WIDTH) -> list[str]:
    """The lines of a drawing without colour."""
    file = io.StringIO()
    Console(width=width, file=file, highlight=False).print(drawing)
    return file.getvalue().splitlines()


@cache
def pictures(mnemonic: str, variant: str) -> list[tuple[Operation, list[str]]]:
    ops = [
        operate(mnemonic, a, operand, carry, decimal, variant, status)
        for a, operand, carry, decimal, status in EXTREMES
    ]
    return [(op, plain(draw_operation(op))) for op in ops]


# One operation


@pytest.mark.parametrize("variant", USUAL)
def test_no_picture_is_wider_than_80_columns_or_has_escape_codes(variant: str) -> None:
    drawn = 0
    for mnemonic in BY_MNEMONIC:
        for _, lines in pictures(mnemonic, variant):
            assert max(map(len, lines)) <= WIDTH
            assert "\x1b" not in "".join(lines)
            assert lines[0].startswith(f"{mnemonic}  ")
            assert lines[0].rstrip().endswith(("binary", "decimal", "connected"))
            drawn += 1
    assert drawn == len(BY_MNEMONIC) * len(EXTREMES) == 336


@pytest.mark.parametrize("variant", USUAL)
def test_the_rows_of_a_chain_show_what_the_hardware_s_wires_hold(variant: str) -> None:
    """The carries from c8 down; whether each bit makes, passes or stops one; the sum."""
    rows = 0
    for mnemonic in BY_MNEMONIC:
        for op, lines in pictures(mnemonic, variant):
            shown = {line.split()[0]: line.split() for line in lines if line.strip()}
            if op.carries is None:
                assert "carry" not in shown
                continue
            carries = [int(cell.removeprefix("◄─")) for cell in shown["carry"][1:]]
            assert carries == op.carries[::-1]
            bits = range(7, -1, -1)
            assert [int(bit) for bit in shown["sum"][1:9]] == [op.alu["sum"] >> i & 1 for i in bits]
            assert shown["sum"][9] == f"${op.alu['sum']:02X}"
            words = [
                "make" if op.alu["generate"] >> i & 1
                else "pass" if op.alu["propagate"] >> i & 1
                else "stop"
                for i in bits
            ]  # fmt: skip
            assert shown["each"][2:10] == words
            rows += 1
    # ADC SBC CMP CPX CPY ASL ROL INC INX INY DEC DEX DEY always; a branch where it is taken.
    assert rows >= 13 * len(EXTREMES)


@pytest.mark.parametrize("variant", USUAL)
def test_the_flags_shown_are_those_updated_as_the_hardware_left_them(variant: str) -> None:
    flags = 0
    for mnemonic in BY_MNEMONIC:
        for op, lines in pictures(mnemonic, variant):
            shown = {
                words[0].lower(): (int(words[1]), int(words[2]))
                for words in map(str.split, lines)
                if len(words) > 3 and words[0] in FLAGS
            }
            assert shown == {flag: (op.before[flag], op.after[flag]) for flag in op.updated}
            kept = [flag.upper() for flag in "nvzcdi" if flag not in op.updated]
            last = lines[-1].strip()
            if not op.updated:
                assert last == "no flag is updated"
            elif kept:
                assert last == f"left alone: {' '.join(kept)}"
            flags += len(shown)
    assert flags > 500


ADC_50_50 = """\
ADC  A + M + C   nmos, binary

 bit        7     6     5     4     3     2     1     0      hex  dec   +/-
 A          0     1     0     1     0     0     0     0      $50   80   +80
 M          0     1     0     1     0     0     0     0      $50   80   +80
 each bit  stop  make  stop  make  stop  stop  stop  stop    a carry
 carry   0   ◄─1     0   ◄─1     0     0     0     0     0
         c8    c7    c6    c5    c4    c3    c2    c1    c0
 sum        1     0     1     0     0     0     0     0      $A0  160   -96

 flag  was  is  because              which says
  N    0    1   bit 7 of sum is 1    signed: -96 is negative
  V    0    1   c8 XOR c7 = 0 XOR 1  signed: 80 + 80 = 160, past 127
  Z    0    0   a bit of sum is 1    the sum is not zero
  C    0    0   c8 is 0              unsigned: 80 + 80 = 160, within 255
  left alone: D I"""


def test_the_picture_of_an_overflow() -> None:
    lines = plain(draw_operation(operate("ADC", 0x50, 0x50)))
    assert [line.rstrip() for line in lines] == ADC_50_50.splitlines()


NO_MEANING = "the makers call it invalid in decimal"


@pytest.mark.parametrize(
    ("mnemonic", "inputs", "variant", "reasons"),
    [
        ("SBC", (0x50, 0xF0, 1), "nmos", {
            "n": ("bit 7 of sum is 0", "signed: 96 is not negative"),
            "v": ("c8 XOR c7 = 0 XOR 0", "signed: 80 - (-16) = 96, in range"),
            "z": ("a bit of sum is 1", "the sum is not zero"),
            "c": ("c8 is 0", "unsigned: 80 - 240 needs a borrow"),
        }),
        ("SBC", (0x80, 0x01, 0), "nmos", {
            "n": ("bit 7 of sum is 0", "signed: 126 is not negative"),
            "v": ("c8 XOR c7 = 1 XOR 0", "signed: -128 - 1 - 1 = -130, below -128"),
            "z": ("a bit of sum is 1", "the sum is not zero"),
            "c": ("c8 is 1", "unsigned: 128 - 1 - 1 needs no borrow"),
        }),
        ("CMP", (0x80, 0x01, 0), "nmos", {
            "n": ("bit 7 of sum is 0", "signed: the sum reads 127, yet -128 < 1"),
            "z": ("a bit of sum is 1", "the sum is not zero"),
            "c": ("c8 is 1", "unsigned: 128 >= 1"),
        }),
        ("CPX", (0x01, 0x01, 0), "nmos", {
            "n": ("bit 7 of sum is 0", "signed: 0 is not negative"),
            "z": ("no bit of sum is 1", "the sum is zero"),
            "c": ("c8 is 1", "unsigned: 1 >= 1"),
        }),
        ("ADC", (0x58, 0x46, 1, True), "nmos", {
            "n": ("bit 7 of sum is 1", NO_MEANING),
            "v": ("c8 XOR c7 = 0 XOR 1", NO_MEANING),
            "z": ("a bit of sum is 1", NO_MEANING),
            "c": ("high digit of sum > 9", "58 + 46 + 1 = 105: by the correction"),
        }),
        ("ADC", (0x58, 0x46, 1, True), "cmos", {
            "n": ("bit 7 of result is 0", ""),
            "v": ("c8 XOR c7 = 0 XOR 1", "of the sum before correction, as on NMOS"),
            "z": ("a bit of result is 1", ""),
            "c": ("high digit of sum > 9", "58 + 46 + 1 = 105: by the correction"),
        }),
        ("ADC", (0x58, 0x46, 1, True), "binary", {
            "n": ("bit 7 of sum is 1", "signed: -97 is negative"),
            "v": ("c8 XOR c7 = 0 XOR 1", "signed: 88 + 70 + 1 = 159, past 127"),
            "z": ("a bit of sum is 1", "the sum is not zero"),
            "c": ("c8 is 0", "unsigned: 88 + 70 + 1 = 159, within 255"),
        }),
        ("ADC", (0x1B, 0x0F, 0, True), "nmos", {
            "n": ("bit 7 of sum is 0", NO_MEANING),
            "v": ("c8 XOR c7 = 0 XOR 0", NO_MEANING),
            "z": ("a bit of sum is 1", NO_MEANING),
            "c": ("c8 is 0, high digit <= 9", "a digit is above 9"),
        }),
        ("SBC", (0x12, 0x21, 0, True), "nmos", {
            "n": ("bit 7 of sum is 1", NO_MEANING),
            "v": ("c8 XOR c7 = 0 XOR 0", NO_MEANING),
            "z": ("a bit of sum is 1", NO_MEANING),
            "c": ("c8 is 0", "12 - 21 - 1 = -10, needs a borrow"),
        }),
        ("BIT", (0x0F, 0xC0), "nmos", {
            "n": ("bit 7 of M", "the flag is M's, whatever A is"),
            "v": ("bit 6 of M", "the flag is M's, whatever A is"),
            "z": ("no bit of result is 1", "the result is zero"),
        }),
        ("ASL", (0x81, 0), "nmos", {
            "n": ("bit 7 of sum is 0", "signed: 2 is not negative"),
            "z": ("a bit of sum is 1", "the sum is not zero"),
            "c": ("c8 is 1", "bit 7 that fell out: 129 x 2 is over 255"),
        }),
        ("ROR", (0x81, 0, 1), "nmos", {
            "n": ("bit 7 of result is 1", "signed: -64 is negative"),
            "z": ("a bit of result is 1", "the result is not zero"),
            "c": ("bit 0 that fell out", "the remainder of 129 / 2"),
        }),
        ("ADC", (0x99, 0x98, 1, True), "nmos", {
            "n": ("bit 7 of sum is 0", NO_MEANING),
            "v": ("c8 XOR c7 = 1 XOR 0", NO_MEANING),
            "z": ("a bit of sum is 1", NO_MEANING),
            "c": ("c8 is 1", "99 + 98 + 1 = 198: by the binary carry"),
        }),
        ("ADC", (0x04, 0x05, 0, True), "cmos", {
            "n": ("bit 7 of result is 0", ""),
            "v": ("c8 XOR c7 = 0 XOR 0", "of the sum before correction, as on NMOS"),
            "z": ("a bit of result is 1", ""),
            "c": ("c8 is 0, high digit <= 9", "04 + 05 = 09, within 99"),
        }),
        ("SED", (), "nmos", {"d": ("the instruction itself", "set")}),
        ("BRK", (), "nmos", {"i": ("the instruction itself", "set")}),
    ],
)  # fmt: skip
def test_the_reasons_of_the_flags(
    mnemonic: str, inputs: tuple[Any, ...], variant: str, reasons: dict[str, tuple[str, str]]
) -> None:
    op = operate(mnemonic, *inputs, variant=variant)
    given = reasons_of(op)
    assert {flag: given[flag] for flag in op.updated} == reasons


def test_the_reasons_speak_of_the_true_numbers() -> None:
    """What is said of the sum as a number, against the flag the hardware left."""
    said = 0
    values = (0x00, 0x01, 0x0F, 0x7F, 0x80, 0x81, 0xF0, 0xFF)
    for mnemonic, sign in (("ADC", 1), ("SBC", -1)):
        for a in values:
            for m in values:
                for carry in (0, 1):
                    op = operate(mnemonic, a, m, carry)
                    reasons = reasons_of(op)
                    one = carry if sign == 1 else carry - 1
                    signed = (a ^ 0x80) - 0x80 + sign * ((m ^ 0x80) - 0x80) + one
                    fits = "past 127" if signed > 127 else "below -128" if signed < -128 else ""
                    assert reasons["v"][1].endswith(f" = {signed}, {fits or 'in range'}")
                    assert op.after["v"] == bool(fits)
                    total = a + sign * m + one
                    carried = total > 255 if sign == 1 else total >= 0
                    words = {
                        (1, True): "over 255", (1, False): "within 255",
                        (-1, True): "needs no borrow", (-1, False): "needs a borrow",
                    }[sign, carried]  # fmt: skip
                    assert reasons["c"][1].endswith(words)
                    assert op.after["c"] == carried
                    said += 1
    assert said == 256


def test_the_low_digit_s_carry_is_explained_where_ten_made_it() -> None:
    explained = 0
    for a, m, carry in ((0x05, 0x05, 0), (0x09, 0x00, 1), (0x08, 0x08, 0), (0x04, 0x05, 0)):
        lines = plain(draw_operation(operate("ADC", a, m, carry, decimal=True)))
        low = a % 16 + m % 16 + carry
        line = f" c4 is 1 because the low digits make {low}: ten or more"
        assert (line in lines) == (10 <= low < 16)
        explained += line in lines
    assert explained == 2


def test_the_byte_that_the_adder_has_no_part_in_is_shown_with_where_it_goes() -> None:
    rows = {
        "LDA": "M to A", "LDY": "M to Y", "PLA": "A", "STX": "X", "PHA": "A", "TAX": "A to X",
        "TYA": "Y to A", "TSX": "SP to X", "TXS": "X to SP",
    }  # fmt: skip
    for mnemonic, label in rows.items():
        lines = plain(draw_operation(operate(mnemonic, 0xA5, 0xA5)))
        row = next(line for line in lines if line.startswith(f" {label} "))
        assert row.split()[-11:] == [*"10100101", "$A5", "165", "-91"], mnemonic
    for mnemonic in ("CLC", "NOP", "JSR", "PHP"):
        assert not [line for line in plain(draw_operation(operate(mnemonic))) if "$30 " in line]


def test_the_bus_is_shown_where_it_does_more_than_read_the_instruction() -> None:
    lines = [line.rstrip() for line in plain(draw_operation(operate("INC", 0, 0x7F)))]
    at = lines.index(" clock  bus     address  byte  what it is")
    assert lines[at + 1 : at + 6] == [
        "   0    reads   0200     E6    opcode",
        "   1    reads   0201     10    address, low byte",
        "   2    reads   0010     7F    operand",
        "   3    writes  0010     7F    operand",
        "   4    writes  0010     80    result",
    ]
    shown = [
        mnemonic
        for mnemonic in BY_MNEMONIC
        if any("what it is" in line for line in plain(draw_operation(operate(mnemonic, 1, 1))))
    ]
    assert set(shown) == BUSY


# Colour


def test_colour_is_used_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    drawing = draw_operation(operate("ADC", 0x50, 0x50))
    seen: dict[str, bool] = {}
    for name, out, no_color in (
        ("terminal", Terminal(), ""), ("NO_COLOR", Terminal(), "1"), ("pipe", io.StringIO(), ""),
    ):  # fmt: skip
        for variable in ("FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE"):
            monkeypatch.delenv(variable, raising=False)
        monkeypatch.setenv("NO_COLOR", no_color)
        monkeypatch.setenv("TERM", "xterm-256color")
        monkeypatch.setattr(sys, "stdout", out)
        console().print(drawing)
        seen[name] = "\x1b" in out.getvalue()
        assert "signed: 80 + 80 = 160, past 127" in out.getvalue()
    assert seen == {"terminal": True, "NO_COLOR": False, "pipe": False}


def test_an_output_that_lacks_a_character_shows_another(monkeypatch: pytest.MonkeyPatch) -> None:
    data = io.BytesIO()
    out = io.TextIOWrapper(data, encoding="ascii")
    monkeypatch.setattr(sys, "stdout", out)
    console().print(draw_operation(operate("ADC", 0x50, 0x50)))
    out.flush()
    assert b" carry   0   ??1     0   ??1     0" in data.getvalue()


def test_the_command_draws_the_same_picture(carrywave: Callable[..., Any]) -> None:
    status, out, err = carrywave("op", "adc", "0x50", "$50")
    assert (status, err) == (0, "")
    assert [line.rstrip() for line in out.splitlines()] == ADC_50_50.splitlines()
