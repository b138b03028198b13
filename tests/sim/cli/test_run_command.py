"""The command `run`: images, where it stops, and what it writes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from carrywave.sim.family.instructions import BY_OPCODE, notation_of
from carrywave.sim.program.assembler import assemble

LISTING = """
COUNT = $10
        .org $0200
START:  LDX #3
LOOP:   STX COUNT
        DEX
        BNE LOOP
DONE:   JMP DONE
"""


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("count.s").write_text(LISTING)


def test_what_was_assembled_is_an_image_that_runs_alike(carrywave: Callable[..., Any]) -> None:
    status, out, _ = carrywave(
        "run", "count.s", "--image", "rom.bin", "--symbols", "names.json", "--json"
    )
    assert status == 0
    assert Path("rom.bin").read_bytes() == assemble(LISTING).memory
    assert json.loads(Path("names.json").read_text()) == {
        "COUNT": 0x10, "START": 0x200, "LOOP": 0x202, "DONE": 0x207,
    }  # fmt: skip
    status, again, _ = carrywave("run", "rom.bin", "--json")
    assert status == 0
    assert json.loads(again) == json.loads(out) | {"listing": "rom.bin"}
    status, shown, _ = carrywave("run", "rom.bin")
    assert status == 0
    assert [line.split()[2:4] for line in shown.splitlines()[2:6]] == [
        ["LDX", "#$03"], ["STX", "$10"], ["DEX", "00"], ["BNE", "$0202"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("options", "ended", "instructions", "how"),
    [
        (("--until", "0x0207"), "address", 10, "the address that was asked for"),
        (("--until", "$0202"), "address", 1, "the address that was asked for"),
        (("--max-instructions", 4), "instruction limit", 4, "the limit of instructions"),
        (("--until", "$3000"), "self-jump", 11, "a jump to itself"),
    ],
)
def test_it_stops_where_it_is_asked_to(
    options: tuple[Any, ...], ended: str, instructions: int, how: str,
    carrywave: Callable[..., Any],
) -> None:  # fmt: skip
    status, out, _ = carrywave("run", "count.s", *options, "--json")
    found = json.loads(out)
    assert (status, found["ended"], found["instructions"]) == (0, ended, instructions)
    assert f"Ended by {how} after " in carrywave("run", "count.s", *options)[1]


def test_images_and_pins_lie_beside(carrywave: Callable[..., Any]) -> None:
    Path("table.bin").write_bytes(b"\x55\xaa")
    Path("a.pins").write_text("at LOOP .nmi\n")
    status, out, _ = carrywave(
        "run", "count.s", "--load", "table.bin@0x4000", "--load", "table.bin@$4002",
        "--pins", "a.pins", "--image", "all.bin", "--max-clocks", 60,
    )  # fmt: skip
    assert status == 0
    assert "-- NMI --" in out
    assert Path("all.bin").read_bytes()[0x4000:0x4004] == b"\x55\xaa\x55\xaa"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("count.s", "--load", "x.bin@70000"),
         "Invalid value for '--load': 70000 does not fit in an address: expected 0 to 65535"),
        (("count.s", "--load", "x.bin@0x4000"), "x.bin: cannot be read: No such file or directory"),
        (("count.s", "--pins", "x.pins"), "x.pins: cannot be read: No such file or directory"),
        (("count.s", "--image", "./count.s"),
         "--image ./count.s would replace count.s, which is read: name another file"),
        (("count.s", "--load", "t.bin@0x4000", "--image", "t.bin"),
         "--image t.bin would replace t.bin, which is read: name another file"),
        (("count.s", "--image", "new", "--symbols", "./new"),
         "--image and --symbols are one file: name two"),
        (("t.bin", "--at", "0x200", "--start", "0x201"),
         "t.bin: opcode 02 at 0201: undocumented on this variant"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_one_line_and_nothing_is_written(
    arguments: tuple[str, ...], message: str, carrywave: Callable[..., Any]
) -> None:
    Path("t.bin").write_bytes(b"\xea\x02")
    there = {path: path.read_bytes() for path in Path().iterdir()}
    assert carrywave("run", *arguments) == (2, "", f"carrywave: {message}\n")
    assert {path: path.read_bytes() for path in Path().iterdir()} == there


def test_bytes_in_a_listing_s_words_are_assembled_to_these_bytes() -> None:
    checked = 0
    for opcode, one in BY_OPCODE.items():
        code = bytes([opcode, 0x12, 0x34][: max(one.mode.length, 1)])
        text = notation_of(code, 0x0400)
        memory = assemble(f" .org $0400\n {text}\n").memory
        assert memory[0x0400 : 0x0400 + one.mode.length] == code, text
        assert notation_of(code[:-1], 0x0400) == ""
        checked += 1
    assert checked == 151
    assert notation_of(b"\x02\x00\x00", 0) == ""


# On the gates, and windows


def test_the_engine_is_told_and_a_window_kept(carrywave: Callable[..., Any]) -> None:
    status, out, _ = carrywave(
        "run", "count.s", "--engine", "gates", "--vcd", "some.vcd", "--clocks", "9..14"
    )
    assert status == 0
    assert [line for line in out.splitlines() if line.startswith(("The gates", "Waveform"))] == [
        "The gates' own run: each sequence began with what the one before it left (1",
        "Waveform: some.vcd, clocks 9 to 14",
    ]
    status, out, _ = carrywave("check", "some.vcd", "--json")
    assert (status, json.loads(out)["checked"]["clocks"]) == (0, 6)
    status, out, _ = carrywave("run", "count.s", "--vcd", "some.vcd", "--around", "LOOP", "--json")
    assert status == 2
    status, out, _ = carrywave(
        "run", "count.s", "--vcd", "some.vcd", "--around", "$0202", "--nth", 3, "--json"
    )
    assert (status, json.loads(out)["window"]) == (0, [0, 125])  # the fetch is in clock 25


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--clocks", "9"), "'9' is no FIRST..LAST, such as 900..1200"),
        (("--clocks", "9..8"), "9..8: the last clock comes before the first"),
        (("--clocks", "1..2"), "--clocks and --around cut a waveform: say where it goes by --vcd"),
        (("--around", 9), "--clocks and --around cut a waveform: say where it goes by --vcd"),
        (("--nth", 2), "--nth goes with --around ADDRESS"),
        (("--vcd", "o.vcd", "--clocks", "1..2", "--around", 9),
         "--clocks and --around both say what to keep: give one of them"),
        (("--vcd", "o.vcd", "--around", "$0300"), "0300: never fetched in this run"),
        (("--vcd", "o.vcd", "--around", "$0202", "--nth", 4),
         "0202 (line 5): fetched 3 times in this run; expected at least 4"),
        (("--vcd", "o.vcd", "--clocks", "60..61"), "--clocks 60..: the run ends in clock 35"),
        (("--engine", "paper"), "'paper' is not one of 'simulator', 'gates', 'auto'"),
    ],
)  # fmt: skip
def test_what_no_window_can_be(
    options: tuple[Any, ...], message: str, carrywave: Callable[..., Any]
) -> None:
    status, out, err = carrywave("run", "count.s", *options, columns=200)
    assert (status, out) == (2, "")
    assert message in err
    assert sorted(path.name for path in Path().iterdir()) == ["count.s"]
