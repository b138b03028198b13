"""A check as the terminal shows it."""

from __future__ import annotations

import io

from rich.console import Console

from carrywave.waves.check.findings import CheckReport, Finding
from carrywave.waves.check.report import draw_check


def plain(report: CheckReport) -> list[str]:
    """The lines of a drawing without colour."""
    file = io.StringIO()
    Console(width=80, file=file, highlight=False).print(draw_check(report))
    return file.getvalue().splitlines()


def test_a_check_that_disagrees_shows_the_first_findings_and_counts_the_others() -> None:
    report = CheckReport("nmos", 9, 3, compared=400, disagreements=5)
    report.findings = [
        Finding(4, "unit.a", "LDA at 0200", "51", "50"),
        Finding(5, "unit.alu.c4", "STA at 0202", "1", "0"),
    ]
    assert [line.rstrip() for line in plain(report)] == [
        "disagrees: 5 of 400 values in clocks 0 to 8, 3 instructions and 0 entries",
        "  unit.a at 4000 ns (clock 4), in LDA at 0200: is 51, must be 50",
        "  unit.alu.c4 at 5000 ns (clock 5), in STA at 0202: is 1, must be 0",
        "  ... and 3 more",
    ]


def test_a_check_of_nothing_says_so() -> None:
    (line,) = plain(CheckReport("nmos"))
    assert line.rstrip() == "nothing was checked: the dump holds no complete clock"
