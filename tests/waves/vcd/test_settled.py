"""A waveform of gates settling, read back: what was written, or a line that says what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pytest

from carrywave.sim.settle.settling import Settling
from carrywave.waves.vcd.delays import write_settling
from carrywave.waves.vcd.read import DumpError
from carrywave.waves.vcd.settled import read_settling, settled_after

Save = Callable[[str], Path]


@pytest.fixture(scope="module")
def text(settling: Settling) -> str:
    file = StringIO()
    write_settling(settling, file)
    return file.getvalue()


def test_each_gate_delay_has_its_values(settling: Settling, text: str, save: Save) -> None:
    columns, compared = read_settling(save(text)), 0
    steps = [*settling.steps, settling.steps[-1]]
    for name in ("operand", "carry", "sum", "result", *"nvzc"):
        assert columns[f"unit.alu.{name}"].tolist() == [step[name] for step in steps]
        compared += len(steps)
    for i in range(9):
        assert columns[f"unit.alu.c{i}"].tolist() == [step["carry"] >> i & 1 for step in steps]
    assert (columns["unit.mnemonic"][0], columns["unit.alu.operation"][-1]) == ("ADC", "ADD")
    assert [columns[f"unit.alu.{name}"][0] for name in ("a", "b", "carry_in")] == [0xFF, 1, 0]
    assert settled_after(save(text)) == settling.settled == len(steps) - 2
    assert compared == 8 * (settling.settled + 2)


@pytest.mark.parametrize(
    ("old", "new", "wrong"),
    [
        ("settled after 24 gate", "settled after 1001 gate",
         "more than 'settle' writes; expected at most 1,000 gate delays and 1,048,576 bytes"),
        (" mnemonic ", " mnemonics ", "no signal unit.mnemonic: not a waveform of this bench"),
        ("b11111111 $\n", "", "unit.alu.a has no value at 0 ns"),
        ("b11111111 $\n", "b1x111111 $\n", "unit.alu.a at 0 ns is no value of 8 bits"),
        ("b11111111 $\n", "b111111110 $\n", "unit.alu.a at 0 ns is no value of 8 bits"),
        ("#24\n", "#0\n", "unit.alu.z at 0 ns is no value of 1 bits"),
        ("#24\n", "#x\n", "not a value change dump: unreadable (invalid literal for int() with "
         "base 10: 'x')"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_told(text: str, save: Save, old: str, new: str, wrong: str) -> None:
    assert text.count(old) == 1
    path = save(text.replace(old, new))
    with pytest.raises(DumpError) as refused:
        read_settling(path)
    assert str(refused.value) == f"{path}: {wrong}"


def test_clocks_are_no_gate_delays(save: Save) -> None:
    path = save("$comment 24 clocks $end\n")
    assert settled_after(path) is None
    with pytest.raises(DumpError, match=r": shows no gates settling$"):
        read_settling(path)
