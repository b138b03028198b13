"""A dump opens in three readers that know nothing of the bench, and all find the same in it."""

from __future__ import annotations

import re
from bisect import bisect
from collections.abc import Callable
from operator import itemgetter
from pathlib import Path
from typing import Any

import pytest
import pywellen
from vcd.reader import TokenKind, tokenize

from carrywave.waves.vcd.signals import PERIOD, SIGNALS

DUMP = Path(__file__).parents[3] / "waves" / "reference" / "decimal_count.vcd"
CLOCKS = 416
TIMES = range(0, CLOCKS * PERIOD, PERIOD)

# IEEE Std 1364-2005, clause 18 (value change dump): the variable types. From memory.
VAR_TYPES = {
    "event", "integer", "parameter", "real", "realtime", "reg", "supply0", "supply1", "time",
    "tri", "triand", "trior", "trireg", "tri0", "tri1", "wand", "wire", "wor",
}  # fmt: skip

WIDTHS = {
    "unit.variant": 48, "unit.clk": 1, "unit.reset_n": 1, "unit.irq_n": 1, "unit.nmi_n": 1,
    "unit.address": 16, "unit.data_in": 8, "unit.data_out": 8, "unit.write": 1, "unit.sync": 1,
    "unit.mnemonic": 40, "unit.pc": 16, "unit.a": 8, "unit.x": 8, "unit.y": 8,
    "unit.control.opcode": 8, "unit.control.clock_number": 3, "unit.alu.operation": 96,
    "unit.alu.a": 8, "unit.alu.b": 8, "unit.alu.operand": 8, "unit.alu.propagate": 8,
    "unit.alu.generate": 8, "unit.alu.sum": 8, "unit.alu.result": 8, "unit.alu.carry": 9,
    **{f"unit.alu.c{i}": 1 for i in range(9)}, **{f"unit.alu.{flag}": 1 for flag in "nvzc"},
    **{f"unit.status.{flag}": 1 for flag in "nvdizc"}, "unit.status.update": 6,
    "unit.stack.sp": 8, "unit.stack.push": 1, "unit.stack.pull": 1,
}  # fmt: skip

Found = tuple[dict[str, int], dict[str, list[int]]]  # widths, and a value a clock
Readers = dict[str, Callable[[Path], tuple[dict[str, int], dict[str, list[tuple[int, int]]]]]]


@pytest.fixture(scope="module")
def found(dump_readers: Readers) -> dict[str, Found]:
    return {name: by_clock(*read(DUMP)) for name, read in dump_readers.items()}


def by_clock(widths: dict[str, int], changes: dict[str, list[tuple[int, int]]]) -> Found:
    """Changes in a clock stand at its first edge; its second changes clk alone."""
    return widths, {
        path: [moves[bisect(moves, time, key=itemgetter(0)) - 1][1] for time in TIMES]
        for path, moves in changes.items()
    }


@pytest.mark.parametrize("reader", ["vcdvcd", "pyvcd", "pywellen"])
def test_a_reader_finds_every_signal_with_its_width(found: dict[str, Found], reader: str) -> None:
    assert found[reader][0] == WIDTHS == {spec.path: spec.width for spec in SIGNALS}
    assert len(WIDTHS) == len(SIGNALS) == 49


def test_readers_agree_on_every_signal_in_every_clock(found: dict[str, Found]) -> None:
    compared = 0
    reference = found["pywellen"][1]
    for reader in ("vcdvcd", "pyvcd"):
        for path, values in found[reader][1].items():
            assert values == reference[path], (reader, path)
            compared += len(values)
    assert compared == 2 * len(WIDTHS) * CLOCKS


def test_readers_see_clk_fall_in_the_middle_of_each_clock() -> None:
    variables = {var.full_name: var for var in pywellen.Waveform(str(DUMP)).all_vars()}
    clk = variables["unit.clk"].signal.value_at
    halves = [(clk(clock * PERIOD), clk(clock * PERIOD + PERIOD // 2)) for clock in range(CLOCKS)]
    assert halves == [(1, 0)] * CLOCKS


def test_types_are_those_of_the_standard() -> None:
    with DUMP.open("rb") as file:
        declared = [
            token.var.type_.value for token in tokenize(file) if token.kind is TokenKind.VAR
        ]
    assert len(declared) == 49
    assert set(declared) == {"wire", "reg"} < VAR_TYPES
    assert len(VAR_TYPES) == 18


def test_names_are_plain_and_lie_in_the_hardware_s_scopes() -> None:
    with DUMP.open("rb") as file:
        tokens = list(tokenize(file))
    scopes = [token.scope for token in tokens if token.kind is TokenKind.SCOPE]
    names = [token.var for token in tokens if token.kind is TokenKind.VAR]
    assert [scope.ident for scope in scopes] == ["unit", "alu", "control", "stack", "status"]
    assert {scope.type_.value for scope in scopes} == {"module"}
    plain = re.compile(r"[a-z][a-z0-9_]*")
    assert sum(bool(plain.fullmatch(name.reference)) for name in names) == len(names) == 49
    assert [name.reference for name in names if name.bit_index is not None] == []


def test_the_timescale_is_real() -> None:
    timescale = pywellen.Waveform(str(DUMP)).timescale
    assert (timescale.factor, timescale.unit.to_exponent()) == (1, -9)
    # The family's customary clock of 1 MHz.
    assert timescale.factor * 10.0 ** timescale.unit.to_exponent() * PERIOD == pytest.approx(1e-6)


def test_names_read_as_ascii_text_padded_in_front(found: dict[str, Found]) -> None:
    def texts(path: str) -> list[str]:
        values = found["pywellen"][1][path]
        characters = [value.to_bytes(WIDTHS[path] // 8, "big").decode("ascii") for value in values]
        return [text.lstrip("\0") for text in characters]

    mnemonics, operations = texts("unit.mnemonic"), texts("unit.alu.operation")
    # START: LDX #$FF, TXS and CLV, two clocks each.
    assert mnemonics[:13] == ["RESET"] * 7 + ["LDX"] * 2 + ["TXS"] * 2 + ["CLV"] * 2
    assert set(texts("unit.variant")) == {"nmos"}
    assert {"ADD", "SUBTRACT", "DECREMENT", "PASS"} < set(operations)
    assert len(mnemonics) == len(operations) == CLOCKS


def test_the_same_run_gives_the_same_bytes(run_text: Any) -> None:
    listing = " .org $0200\nSTART: LDA #$50\n ADC #$50\nDONE: JMP DONE\n"
    first, again = run_text(listing), run_text(listing)
    assert first.text == again.text
    assert first.clocks == 15
    assert "$date" not in first.text
