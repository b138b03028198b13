"""One operation settling, drawn and as a waveform that three readers open and that holds it all."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from carrywave.sim.netlist.alu_gates import MNEMONICS
from carrywave.sim.settle.report import draw_settling
from carrywave.sim.settle.settling import Settling, settle
from carrywave.sim.system.files import written_beside
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.figures.timing import timing_figure
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
def settling() -> Settling:
    return settle("ADC", [0xFF, 1])


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
        assert last[name].to_bytes(width, "big").decode() == text.rjust(width)


def test_the_file_says_what_its_time_is(dump: Path) -> None:
    text = dump.read_text()
    assert text.startswith(
        "$comment 1 ns is one gate delay. ripple adder, settled at A=$00 M=$00 C=0; "
        "from 0 on A=$FF M=$01 C=0 $end\n$timescale 1 ns $end\n"
    )
    assert text.endswith("#29\n$comment settled after 24 gate delays $end\n")
    assert "$date" not in text


def test_check_and_draw_say_that_they_need_clocks(dump: Path) -> None:
    for use in (check_dump, timing_figure):
        with pytest.raises(DumpError) as refused:
            use(dump)
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


def drawn(settling: Settling, color: bool = False) -> list[str]:
    console = Console(
        width=80, record=True, file=StringIO(), force_terminal=color,
        color_system="standard" if color else None,
    )  # fmt: skip
    console.print(draw_settling(settling))
    return [line.rstrip() for line in console.export_text(styles=color).splitlines()]


def test_a_row_shows_what_changes_in_a_gate_delay(settling: Settling) -> None:
    lines = drawn(settling)
    assert lines[:7] == [
        "ADC  A=$FF M=$01 C=0  after A=$00 M=$00 C=0   nmos, ripple",
        "",
        "  step  operand   c8 .. c0   sum       result    N V Z C  gates",
        "before  00000000  000000000  00000000  00000000  0 0 1 0",
        "     1  .......1  .........  ........  ........  . . . .     26",
        "     2  ........  .........  11111111  ........  . . . .     10",
        "     3  ........  .......1.  .......0  ........  . . . .     18",
    ]
    rows = [line for line in lines if re.match(r" +\d+  [.01]", line)]
    assert [int(row.split()[0]) for row in rows] == list(range(1, 25))
    assert rows[17] == "    18  ........  1........  ........  ........  . 1 . .      7"
    assert lines[28] == " final  00000001  111111110  00000000  00000000  0 0 1 1"
    text = " ".join(" ".join(lines[29:]).split())
    assert text == (
        "A dot: as it was. The inputs change in step 0; 'gates' is how many of the 377 change in a "
        "step. Settled after 24 gate delays. Glitches, wires that change more than once, and how "
        "often: sum, result: every bit 2; N V Z: 2."
    )
    assert max(map(len, lines)) <= 80


def read_glitches(text: str) -> dict[str, int]:
    """How often each wire changes, out of what the drawing says of glitches."""
    found: dict[str, int] = {}
    widths = {"operand": 8, "carry": 9, "sum": 8, "result": 8}
    for part in text.split("; "):
        names, _, said = part.partition(": ")
        if names[0] in "NVZC":
            found |= {flag.lower(): int(said) for flag in names.split()}
            continue
        for port in names.split(", "):
            name = "c{}" if port == "carry" else port + "[{}]"
            if said.startswith("every bit "):
                times = int(said.removeprefix("every bit "))
                found |= {name.format(bit): times for bit in range(widths[port])}
                continue
            for group in said.split(", "):
                bits, _, times_ = group.partition(": ")
                found |= {name.format(bit): int(times_) for bit in bits.split()[1:]}
    return found


def test_glitches_are_told_in_groups_and_exactly() -> None:
    assert read_glitches("carry, sum: bits 0 3: 2, bit 5: 4; N V: 2; C: 3") == {
        "c0": 2, "c3": 2, "c5": 4, "sum[0]": 2, "sum[3]": 2, "sum[5]": 4, "n": 2, "v": 2, "c": 3,
    }  # fmt: skip
    rng, told = random.Random("glitches"), 0
    for _ in range(60):
        mnemonic = rng.choice(["ADC", "SBC", "CMP", "AND", "ASL", "INX"])
        numbers = [rng.randrange(256) for _ in range(1 + MNEMONICS[mnemonic].operand)]
        start = rng.randrange(256), rng.randrange(256), rng.randrange(2)
        found = settle(mnemonic, numbers, rng.randrange(2), bool(rng.randrange(2)), start, "cmos")
        text = " ".join(" ".join(drawn(found)).split())
        _, shown, said = text.partition("how often: ")
        assert bool(shown) == bool(found.glitches)
        if shown:
            wanted = {name: len(steps) for name, steps in found.glitches.items()}
            assert read_glitches(said.removesuffix(".")) == wanted
            told += len(wanted)
    assert told > 300


def test_colour_only_adds_to_what_the_signs_say(settling: Settling) -> None:
    colored = re.sub(r"\x1b\[[0-9;]*m", "", "\n".join(drawn(settling, color=True)))
    assert colored.splitlines() == drawn(settling)


@pytest.mark.parametrize(
    ("given", "title"),
    [
        (("INC", [5]), "INC  M=$05  after M=$00   nmos, ripple"),
        (("CPX", [5, 6]), "CPX  X=$05 M=$06  after X=$00 M=$00   nmos, ripple"),
        (("ROL", [5], 1), "ROL  A=$05 C=1  after A=$00 C=0   nmos, ripple"),
        (("SBC", [9, 1], 1, True),
         "SBC  A=$09 M=$01 C=1 D=1  after A=$00 M=$00 C=0 D=1   nmos, ripple"),
    ],
)  # fmt: skip
def test_a_title_names_the_inputs_that_count(given: tuple[str, list[int]], title: str) -> None:
    assert drawn(settle(*given))[0] == title


def test_a_drawing_says_so_if_nothing_changes() -> None:
    lines = drawn(settle("ADC", [5, 6], start=(5, 6, 0)))
    assert lines[-1] == " No output changes."
    assert [line.split()[0] for line in lines[2:5]] == ["step", "before", "final"]
