"""One operation settling as a waveform that three readers open and that holds it all."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from carrywave.sim.settle.settling import Settling, settle
from carrywave.sim.system.files import written_beside
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.vcd.delays import write_settling
from carrywave.waves.vcd.read import DumpError

WIDTHS = {
    "unit.variant": 48, "unit.mnemonic": 40, "unit.alu.operation": 96,
    "unit.alu.a": 8, "unit.alu.b": 8, "unit.alu.carry_in": 1, "unit.alu.decimal": 1,
    "unit.alu.operand": 8, "unit.alu.carry": 9, "unit.alu.sum": 8, "unit.alu.result": 8,
    **{f"unit.alu.c{i}": 1 for i in range(9)}, **{f"unit.alu.{flag}": 1 for flag in "nvzc"},
}  # fmt: skip

Changes = dict[str, list[tuple[int, int]]]  # times and values by path, the first at 0
Readers = dict[str, Callable[[Path], tuple[dict[str, int], Changes]]]


@pytest.fixture(scope="module")
def dump(settling: Settling, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("settling") / "settle.vcd"
    with written_beside(path) as file:
        write_settling(settling, file)
    return path


@pytest.mark.parametrize("reader", ["vcdvcd", "pyvcd", "pywellen"])
def test_a_reader_finds_each_change_in_its_gate_delay(
    settling: Settling, dump: Path, dump_readers: Readers, reader: str
) -> None:
    widths, changes = dump_readers[reader](dump)
    assert widths == WIDTHS
    compared = 0
    for path, found in changes.items():
        name = path.rpartition(".")[2]
        if re.fullmatch("c[0-8]|[nvzc]", name):
            assert [time for time, _ in found[1:]] == settling.changes[name]
            port, bit = ("carry", int(name[1])) if name[1:] else (name, 0)
            assert [value for _, value in found] == [
                settling.steps[time][port] >> bit & 1 for time, _ in found
            ]
        elif name in settling.steps[0]:
            values = [step[name] for step in settling.steps]
            moves = [i for i in range(1, len(values)) if values[i] != values[i - 1]]
            assert found == [(time, values[time]) for time in (0, *moves)]
        else:
            assert [time for time, _ in found] == [0]
        compared += len(found)
    assert compared > 60


def test_glitches_and_last_values_are_in_the_file(
    settling: Settling, dump: Path, dump_readers: Readers
) -> None:
    changes = dump_readers["pyvcd"](dump)[1]
    # V shows an overflow for two gate delays that is none.
    assert changes["unit.alu.v"] == [(0, 0), (18, 1), (20, 0)]
    assert max(found[-1][0] for found in changes.values()) == settling.settled
    last = {path.rpartition(".")[2]: found[-1][1] for path, found in changes.items()}
    assert {name: last[name] for name in settling.steps[-1]} == settling.steps[-1]
    assert (last["a"], last["b"], last["sum"], last["c"]) == (0xFF, 1, 0, 1)
    for name, text in (("variant", "nmos"), ("mnemonic", "ADC"), ("operation", "ADD")):
        width = WIDTHS[f"unit.{'alu.' * (name == 'operation')}{name}"] // 8
        assert last[name].to_bytes(width, "big").decode() == text.rjust(width, "\0")


def test_the_file_says_what_its_time_is(dump: Path) -> None:
    text = dump.read_text()
    assert text.startswith(
        "$comment 1 ns is one gate delay. ripple adder, settled at A=$00 M=$00 C=0; "
        "from 0 on A=$FF M=$01 C=0 $end\n$timescale 1 ns $end\n"
    )
    assert text.endswith("#29\n$comment settled after 24 gate delays $end\n")
    assert "$date" not in text


def test_check_says_that_it_needs_clocks(dump: Path) -> None:
    with pytest.raises(DumpError) as refused:
        check_dump(dump)
    assert str(refused.value) == (
        f"{dump}: shows gates settling, in gate delays; expected clocks, as 'op' and 'run' "
        "write them"
    )


def test_an_operation_without_the_chain_has_no_carries_in_the_file(
    tmp_path: Path, dump_readers: Readers
) -> None:
    path = tmp_path / "and.vcd"
    with path.open("w") as file:
        write_settling(settle("AND", [5, 4]), file)
    widths, _ = dump_readers["pyvcd"](path)
    assert "unit.alu.result" in widths
    assert "unit.alu.carry" not in widths
