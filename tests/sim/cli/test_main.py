"""How the command line ends: by a mistake of ours, by a signal; no verdict by mistake."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click.decorators
import pytest

from carrywave.sim.cli import commands
from carrywave.sim.cli.main import run

Answer = tuple[int, str, str]


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[], list[Path]]:
    """The temporary files there are."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return lambda: [*tmp_path.iterdir()]


def fail(*_: Any, **__: Any) -> Any:
    raise RecursionError("too\ndeep \udc80" + "x" * 5_000_000)


@pytest.mark.parametrize(
    ("where", "name", "arguments"),
    [
        (commands.Commands, "format_commands", ["--help"]),
        (commands.Commands, "get_command", ["op", "ADC", "1", "1"]),
        (click.Context, "invoke", ["flags"]),
        (click.decorators, "echo", ["--version"]),  # what the version is, is found out but once
        (commands, "_complete", ["--version"]),
        (commands, "unusable", ["bogus"]),
    ],
)
def test_a_mistake_of_ours_is_no_verdict(
    where: Any, name: str, arguments: list[str], kept: Callable[[], list[Path]],
    carrywave: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(where, name, fail)
    if name == "_complete":
        monkeypatch.setenv("_CARRYWAVE_COMPLETE", "bash_source")
    status, out, err = carrywave(*arguments)
    (details,) = kept()
    assert (status, out, err) == (
        70, "", "carrywave: a mistake of Carrywave (RecursionError), and no verdict; the details "
        f"are in {details}: please report it with them\n",
    )  # fmt: skip
    text = details.read_text()
    assert text.startswith(f"carrywave {arguments}\nPython {sys.version}, ")
    assert "Traceback (most recent call last):\n" in text
    assert details.stat().st_mode & 0o777 == 0o600


def test_a_file_of_ours_that_cannot_be_imported_is_a_mistake_too(
    kept: Callable[[], list[Path]], carrywave: Callable[..., Answer],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    for lost in ("carrywave.sim.cli.op", "carrywave.sim.cli.commands"):
        monkeypatch.setitem(sys.modules, lost, None)
        status, out, err = carrywave("op", "ADC", 1, 1)
        assert (status, out, err.count("\n")) == (70, "", 1)
        assert err.startswith("carrywave: a mistake of Carrywave (ModuleNotFoundError), and no ")
    assert len(kept()) == 2


def test_details_for_which_there_is_no_file_are_told(
    carrywave: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(**_: Any) -> Any:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tempfile, "mkstemp", refused)
    monkeypatch.setattr(commands, "unusable", lambda message: 1 // 0)
    status, out, err = carrywave("bogus")
    first, *more = err.splitlines()
    assert (status, out) == (70, "")
    assert first == (
        "carrywave: a mistake of Carrywave (ZeroDivisionError), and no verdict; please report "
        "these details, for which there is no file: [Errno 28] No space left on device"
    )
    assert more[-1] == "ZeroDivisionError: integer division or modulo by zero"


def test_what_a_library_ends_with_is_no_verdict_unless_it_is_a_number(
    kept: Callable[[], list[Path]], carrywave: Callable[..., Answer],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(commands, "answer", lambda arguments: sys.exit("cannot go on"))
    assert carrywave("flags")[0] == 70
    assert "SystemExit: cannot go on" in kept()[0].read_text()


@pytest.mark.parametrize("asked", ["tcsh_source", "bash", "bash_" + "x" * 1000])
def test_a_completion_that_there_is_not_does_not_disagree(
    asked: str, carrywave: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("_CARRYWAVE_COMPLETE", asked)
    status, out, err = carrywave()
    assert (status, out) == (2, "")
    expected = r"carrywave: _CARRYWAVE_COMPLETE is '.{1,59}: expected bash_source, zsh_source or "
    assert re.fullmatch(rf"{expected}fish_source\n", err)


def test_a_completion_is_told(
    carrywave: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("_CARRYWAVE_COMPLETE", "zsh_source")
    assert carrywave()[0] == 0
    for name, value in (("_CARRYWAVE_COMPLETE", "bash_complete"), ("COMP_WORDS", "carrywave sw"),
                        ("COMP_CWORD", "1")):  # fmt: skip
        monkeypatch.setenv(name, value)
    assert carrywave() == (0, "plain,sweep\n", "")


def test_an_interrupt_is_quiet(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(arguments: list[str]) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(commands, "answer", interrupted)
    assert (run(), *capfd.readouterr()) == (130, "", "")


# Signals. What the command does is to wait, and to say that it has tidied up.

# Where the tests are in the background, it would be ignored.
HEARD = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
WAITING = """
import os, signal, sys, time
from carrywave.sim.cli import commands, main

class Freed:
    def __del__(self):
        wait()

def wait():
    print("ready", flush=True)
    time.sleep(100)

def answer(arguments):
    try:
        HOW
    finally:
        time.sleep(0.2)
        print("tidied", flush=True)

commands.answer = answer
main.main()
"""


def end(how: str, *numbers: int, before: str = "") -> Answer:
    """What it ends with that is sent these signals, one at once after the other."""
    with subprocess.Popen(
        [sys.executable, "-c", HEARD + before + WAITING.replace("HOW", how)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        out = ""
        while not out.endswith("ready\n"):
            out += process.stdout.readline()
            assert process.poll() is None
        for number in numbers:
            process.send_signal(number)
            time.sleep(0.05)
        rest, err = process.communicate(timeout=60)
    return process.returncode, out + rest, err


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)]
)
def test_a_signal_is_quiet_and_leaves_time_to_tidy_up(number: int, status: int) -> None:
    assert end("wait()", number, number) == (status, "ready\ntidied\n", "")


def test_a_signal_is_not_lost_where_python_drops_exceptions() -> None:
    assert end("Freed(); wait()", signal.SIGTERM) == (143, "ready\nready\ntidied\n", "")


def test_a_signal_is_not_lost_where_a_library_drops_exceptions() -> None:
    before = "from carrywave.sim.cli import main; main.TIDYING = 0.5\n"
    how = "wait()\n    except BaseException: pass\n    try: wait()"
    told = end(how, signal.SIGTERM, before=before)
    assert told == (143, "ready\nready\ntidied\n", "")


def test_what_is_left_half_done_does_not_complain() -> None:
    how = "import warnings; wait()\n    except SystemExit: warnings.warn('half'); raise"
    assert end(how, signal.SIGINT) == (130, "ready\ntidied\n", "")


def test_a_signal_that_is_to_be_ignored_is_ignored() -> None:
    """As of what a shell's script starts in the background, or `nohup`."""
    before = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)\n"
    told = end("wait()", signal.SIGINT, signal.SIGTERM, before=before)
    assert told == (143, "ready\ntidied\n", "")


def test_a_signal_after_the_answer_is_quiet_too() -> None:
    assert end("import atexit; atexit.register(wait)", signal.SIGINT)[0] == 130
