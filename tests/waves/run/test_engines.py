"""A run in the simulator and on the gates: one waveform, whole or a window of it."""

from __future__ import annotations

import random
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from random_programs import random_program
from tracked import tracked
from usual import USUAL, first_of

from carrywave.sim.program import predicted
from carrywave.sim.program.bench import run_program
from carrywave.sim.program.predicted import run_predicted
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.run import listing as bench
from carrywave.waves.run.listing import GATES, SIMULATOR, run_listing
from carrywave.waves.run.window import AFTER, BEFORE, ClockWindow, WindowError
from carrywave.waves.vcd.dump import Dump
from carrywave.waves.vcd.gate_dump import GateDump
from carrywave.waves.vcd.read import read_clocks

PROGRAMS = {path.stem: path for path in tracked("waves/programs/*.s")}
REFERENCE = {path.stem: path for path in tracked("waves/reference/*.vcd")}

# A table is summed up again and again: long, beside what the tests say is few.
LONG = """\
        .org $0200
START:  LDX #0
        LDY #0
SUM:    TXA
        ADC $0200,X
        STA $0400,X
        INX
        CPX #6
        BNE SUM
        LDX #0
        JSR COUNT
        CPY #4
        BNE SUM
DONE:   JMP DONE
COUNT:  INY
        RTS
"""


@pytest.fixture
def long_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(bench, "FEW", 200)
    monkeypatch.setattr(bench, "WHOLE", 400)
    path = tmp_path / "long.s"
    path.write_text(LONG)
    return path


def columns_of(path: Path) -> dict[int, dict[str, Any]]:
    """Every clock of a waveform, by its number."""
    clocks: dict[int, dict[str, Any]] = {}

    def take(columns: Any, first: int) -> None:
        for row in range(len(columns["unit.clk"])):
            clocks[first + row] = {name: column[row] for name, column in columns.items()}

    read_clocks(path, take)
    return clocks


# One waveform


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize("name", first_of([*PROGRAMS], 4))
def test_a_reference(name: str, variant: str, tmp_path: Path) -> None:
    path = tmp_path / "gates.vcd"
    report = run_listing(PROGRAMS[name], str(path), variant, engine=GATES)
    assert (report.agree, report.engine) == (True, GATES)
    # What the simulator writes is kept, of NMOS: `test_reference` has it write that again.
    simulated = REFERENCE[name]
    if variant != "nmos":
        simulated = tmp_path / "simulated.vcd"
        run_listing(PROGRAMS[name], str(simulated), variant, engine=SIMULATOR)
    assert path.read_bytes() == simulated.read_bytes()
    assert len(path.read_bytes()) > 10_000


@pytest.mark.parametrize("variant", USUAL)
def test_random_programs_and_pins(variant: str) -> None:
    seed = random.randrange(10**6)
    print("seed", seed)
    files = [StringIO(), StringIO()]
    with Dump(files[0], variant) as dump:
        run_program(random_program(seed), variant, 400, dump)
    with Dump(files[1], variant) as dump:
        window = GateDump(dump, variant, 0, 400)
        run_predicted(random_program(seed), variant, 400, on_part=window.part)
    assert files[0].getvalue() == files[1].getvalue()


# Windows


def test_a_window_is_the_same_clocks_of_the_whole(tmp_path: Path) -> None:
    run_listing(PROGRAMS["nested_interrupts"], str(tmp_path / "whole.vcd"))
    whole = columns_of(tmp_path / "whole.vcd")
    count = 0
    for engine in (SIMULATOR, GATES):
        for first, last in ((0, 0), (0, 30), (1, 1), (57, 110), (100, 245), (240, 10**6)):
            path = tmp_path / "window.vcd"
            report = run_listing(
                PROGRAMS["nested_interrupts"],
                str(path),
                engine=engine,
                window=ClockWindow(first, last),
            )
            assert report.agree
            some = columns_of(path)
            assert [*some] == list(range(first, min(last, 246) + 1))
            assert all(some[clock] == whole[clock] for clock in some)
            count += len(some)
    assert count == 2 * (1 + 31 + 1 + 54 + 146 + 7)


@pytest.mark.exhaustive
def test_a_window_at_every_place_is_judged_right(tmp_path: Path) -> None:
    """Begun anywhere, with an NMI waiting or IRQ low: no disagreement is made up."""
    path = tmp_path / "window.vcd"
    program = PROGRAMS["nested_interrupts"]
    for first in range(0, 240, 7):
        report = run_listing(
            program, str(path), engine=GATES, window=ClockWindow(first, first + 40)
        )
        assert report.agree, (first, report.check.findings)
    assert check_dump(path).clocks == 246 - 238 + 1


def test_a_window_that_was_tampered_with_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "window.vcd"
    run_listing(PROGRAMS["decimal_count"], str(path), engine=GATES, window=ClockWindow(100, 160))
    text = path.read_text()
    assert text.count("#130000\n") == 1
    head, tail = text.split("#130000\n")
    # A value of A (its code is -) that nobody put there.
    path.write_text(f"{head}#130000\nb10101 -\n{tail}")
    report = check_dump(path)
    assert not report.agree
    assert any(finding.signal == "unit.a" for finding in report.findings)
    assert all(100 <= finding.clock <= 160 for finding in report.findings)


@pytest.mark.parametrize("engine", [SIMULATOR, GATES])
def test_around_an_address(engine: str, tmp_path: Path, long_one: Path) -> None:
    path = tmp_path / "window.vcd"
    for nth in (1, 3):
        report = run_listing(
            long_one, str(path), engine=engine, window=ClockWindow(around=0x021C, nth=nth)
        )
        shown = report.window
        assert shown is not None
        fetch = shown.first + BEFORE
        assert shown.last == fetch + AFTER
        clock = columns_of(path)[fetch]
        assert (clock["unit.mnemonic"], clock["unit.address"], clock["unit.y"]) == (
            "INY", 0x021C, nth - 1,
        )  # fmt: skip


@pytest.mark.parametrize(
    ("window", "message"),
    [
        (ClockWindow(around=0x0300), "0300: never fetched in this run"),
        (ClockWindow(around=0x021C, nth=5), "021C (line 15): fetched 4 times in this run; "
                                       "expected at least 5"),
        (ClockWindow(99_000, 99_001), "--clocks 99000..: the run ends in clock "),
    ],
)  # fmt: skip
@pytest.mark.parametrize("engine", [SIMULATOR, GATES])
def test_a_window_of_nothing(
    window: ClockWindow, message: str, engine: str, tmp_path: Path, long_one: Path
) -> None:
    path = tmp_path / "window.vcd"
    with pytest.raises(WindowError) as caught:
        run_listing(long_one, str(path), engine=engine, window=window)
    assert str(caught.value).startswith(message)
    assert "\n" not in str(caught.value)
    assert not path.exists()


def test_a_long_waveform_is_cut_to_the_end(tmp_path: Path, long_one: Path) -> None:
    path = tmp_path / "window.vcd"
    report = run_listing(long_one, str(path))
    assert (report.engine, report.agree) == (GATES, True)
    assert report.window == ClockWindow(report.run.clocks - BEFORE, report.run.clocks + AFTER)
    assert [*columns_of(path)] == list(range(report.run.clocks - BEFORE, report.run.clocks + 1))


def test_a_long_waveform_is_cut_to_where_the_gates_leave_the_model(
    tmp_path: Path, long_one: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The model is told that INY leaves one more: as if the gates did not."""
    right = predicted.Ahead.run
    asked: list[int] = []

    def wrong(self: Any, most: int, until: int) -> Any:
        guess = right(self, most, until)
        at = np.flatnonzero(guess.states["opcode"][1:] == 0xC8)
        if len(at) and not asked:
            asked.append(int(guess.clocks[at[0] + 1]))
            guess.states["y"][at[0] + 1] += 1
        return guess

    monkeypatch.setattr(predicted.Ahead, "run", wrong)
    monkeypatch.setattr(bench._Asked, "engine", lambda self: GATES)
    report = run_listing(long_one, str(tmp_path / "window.vcd"))
    assert not report.agree
    assert report.window == ClockWindow(asked[0] - BEFORE, asked[0] + AFTER)
    (finding,) = report.check.findings
    assert str(finding) == (
        f"y at {asked[0]}000 ns (clock {asked[0]}), in INY at 021C: is 01, must be 02"
    )


# Which engine


def test_what_is_soon_done_is_simulated(long_one: Path) -> None:
    assert run_listing(PROGRAMS["pointer_wrap"]).engine == SIMULATOR
    assert run_listing(long_one, max_clocks=200).engine == SIMULATOR
    report = run_listing(long_one)
    assert (report.engine, report.agree, report.run.ended) == (GATES, True, "self-jump")
    assert report.to_json()["rounds"] == 1


def test_both_engines_tell_the_same_of_a_run(long_one: Path) -> None:
    one, other = (run_listing(long_one, rows=30, engine=engine) for engine in (SIMULATOR, GATES))
    assert one.kept == other.kept
    values = [report.to_json() for report in (one, other)]
    for value in values:
        for name in ("engine", "rounds", "checked"):
            del value[name]
    assert values[0] == values[1]


def test_a_run_without_end_is_told_by_both(tmp_path: Path) -> None:
    path = tmp_path / "endless.s"
    path.write_text(" .org $0200\nHERE: INX\n JMP HERE\n")
    with pytest.raises(bench.RunError) as caught:
        run_listing(path, str(tmp_path / "out.vcd"), engine=GATES)
    assert str(caught.value).startswith(
        f"{path}: did not end within 100000 clocks, last at 0201 (line 3): end it with"
    )
    assert not (tmp_path / "out.vcd").exists()
