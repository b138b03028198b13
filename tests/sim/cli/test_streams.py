"""Standard input, output and error: what is said there, and that it can be closed or full."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from carrywave.sim.cli.streams import LONGEST, tell

PROGRAM = "from carrywave.sim.cli.main import main; main()"


def shell(redirected: str, *arguments: object, folder: Path) -> tuple[int, str, str]:
    """The command line as a shell starts it, with something redirected."""
    done = subprocess.run(
        ["sh", "-c", f'exec "$@" {redirected}', "sh", sys.executable, "-c", PROGRAM,
         *map(str, arguments)],
        cwd=folder, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["header"], ["bogus"]])
def test_an_answer_that_nobody_can_hear_is_refused(arguments: list[str], tmp_path: Path) -> None:
    message = "carrywave: the output cannot be written: it is closed\n"
    assert shell(">&-", *arguments, folder=tmp_path) == (2, "", message)


def test_what_is_closed_is_not_opened_as_something_else(tmp_path: Path) -> None:
    """The file would be standard error, for the library that says something there."""
    status, out, err = shell("<&- 2>&-", "flags", "-o", "f.svg", "--json", folder=tmp_path)
    assert (status, err) == (0, "")
    assert out.startswith("{")
    assert (tmp_path / "f.svg").read_text().startswith("<svg")


@pytest.mark.parametrize("redirected", ["2>&-", "2>&- <&-", "2>&1 | true; exit 2"])
def test_a_refusal_that_nobody_can_hear_is_one(redirected: str, tmp_path: Path) -> None:
    assert shell(redirected, "bogus", folder=tmp_path) == (2, "", "")


def test_a_refusal_for_which_there_is_no_room_is_one(tmp_path: Path) -> None:
    limited = "ulimit -f 0; trap '' XFSZ; exec \"$@\" 2>said"
    done = subprocess.run(
        ["sh", "-c", limited, "sh", sys.executable, "-c", PROGRAM, "bogus"],
        cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (2, "", "")
    assert (tmp_path / "said").read_text() == ""


def test_what_is_told_steers_no_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    tell("a\x1b[31mb\nc\udc80: no\rsuch", "more\n", 7)
    said = "carrywave: a\\x1b[31mb\\nc\\udc80: no\\rsuch\n  more\\n\n  7\n"
    assert capsys.readouterr() == ("", said)


def test_what_is_told_is_cut_in_the_middle(capsys: pytest.CaptureFixture[str]) -> None:
    half = LONGEST // 2 - 3
    tell("a" * 5_000_000 + "b" * 5_000_000)
    assert capsys.readouterr().err == f"carrywave: {'a' * half} ... {'b' * half}\n"
