"""A run as the terminal shows it."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from usual import first_of

from carrywave.waves.run.listing import run_listing
from carrywave.waves.run.report import draw_run

PROGRAMS = sorted((Path(__file__).parents[3] / "waves" / "programs").glob("*.s"))
WIDTH = 80


def plain(drawing: Any, width: int = WIDTH) -> list[str]:
    """The lines of a drawing without colour."""
    file = io.StringIO()
    Console(width=width, file=file, highlight=False).print(drawing)
    return file.getvalue().splitlines()


@pytest.mark.parametrize("listing", first_of(PROGRAMS, 3), ids=[path.stem for path in PROGRAMS])
def test_no_run_is_wider_than_80_columns(listing: Path) -> None:
    report = run_listing(listing, rows=1000)
    lines = plain(draw_run(report))
    assert max(map(len, lines)) <= WIDTH
    assert len(report.kept.first) + len(report.kept.last) == report.check.instructions
    assert len(lines) >= report.check.instructions + 4
    assert report.check.instructions - report.check.entries == report.run.instructions


def test_a_run_shows_flags_that_changed_and_the_stack_as_it_grows_and_shrinks(
    tmp_path: Path,
) -> None:
    listing = tmp_path / "lock.s"
    listing.write_text(
        "GATE = $20\n .org $0200\nSTART: LDX #$FF\n TXS\n LDA #$80\n PHA\n JSR PART\n PLA\n"
        "DONE: JMP DONE\nPART: SEC\n RTS\n"
    )
    lines = [line.rstrip() for line in plain(draw_run(run_listing(listing, rows=40)))]
    assert lines == [
        "clock  at    instruction      A  X  Y    N V D I Z C  SP  stack",
        "    0  0000  -- RESET --      00 00 00   . . .+I . .  FD",
        "    7  0200  START: LDX #$FF  00 FF 00  +N . . . . .  FD",
        "    9  0202  TXS              00 FF 00   . . . . . .  FF",
        "   11  0203  LDA #$80         80 FF 00   . . . . . .  FF",
        "   13  0205  PHA              80 FF 00   . . . . . .  FE  80",
        "   16  0206  JSR PART         80 FF 00   . . . . . .  FC  80 02 08",
        "   22  020D  PART: SEC        80 FF 00   . . . . .+C  FC  80 02 08",
        "   24  020E  RTS              80 FF 00   . . . . . .  FE  80",
        "   30  0209  PLA              80 FF 00   . . . . . .  FF",
        "   34  020A  DONE: JMP DONE   80 FF 00   . . . . . .  FF",
        "",
        "A dot: the flag is unchanged; +N: it is 1 now; -N: it is 0 now.",
        "Ended by a jump to itself after 37 clocks and 9 instructions.",
        "Left: PC=020A A=80 X=FF Y=00 SP=FF P=B5",
        "P: N=1 V=0 D=0 I=1 Z=0 C=1; no B: in B5 bits 5 and 4 are as PHP pushes them",
        *lines[-2:],
    ]
    told = " ".join(lines[-2:])
    assert told.startswith("agrees with the nmos model: ")
    assert told.endswith(" values in clocks 0 to 37, 9 instructions and 1 entry")


def test_a_long_run_shows_its_first_and_its_last_instructions() -> None:
    report = run_listing(PROGRAMS[0], rows=10)
    lines = plain(draw_run(report), width=100)
    left_out = report.check.instructions - 10
    assert (len(report.kept.first), len(report.kept.last), report.kept.omitted) == (5, 5, left_out)
    assert sum(f"... {left_out} more, --rows shows them" in line for line in lines) == 1
    assert lines[1].split()[:2] == ["0", "0000"]
    assert "DONE:   JMP DONE" in lines[11]


def test_a_run_of_no_rows_shows_how_it_ended_only() -> None:
    lines = plain(draw_run(run_listing(PROGRAMS[0], rows=0)))
    assert lines[0].startswith("Ended by a jump to itself after 415 clocks and 143 instructions.")
    assert lines[1].startswith("Left: PC=")
    assert lines[2].startswith("P: N=")
    assert lines[3].startswith("agrees")
    assert len(lines) == 5
