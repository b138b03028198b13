"""The commands where someone has planted files, and where they are ended at any moment."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

PLANTED = (
    "struct", "signal", "socket", "pickle", "numpy", "carrywave", "json", "multiprocessing",
    "threading", "subprocess", "tempfile", "click", "rich", "amaranth", "pyosys", "vcdvcd",
    "sitecustomize",
)  # fmt: skip
LISTING = "        .org $0200\nSTART:  INC $20\n        JMP START\n"
PROGRAM = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # where the tests are in the background
from carrywave.sim.sweep import sweeping
sweeping.processors, sweeping.SMALL = lambda: 2, 0
from carrywave.sim.cli import main
"""
FEW = """
from carrywave.sim.grade import faults
from carrywave.sim.vectors import compact as vectors
all_of_them = vectors.fault_sites, vectors._targets
vectors.fault_sites = lambda netlist: faults.Sites(all_of_them[0](netlist).faults[::96], 0)
vectors._targets = lambda variant: all_of_them[1](variant)[::8]
"""
ALL = "for words in sys.argv[1:]: sys.argv[1:] = words.split(); assert main.run() < 2, words\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where the commands are given, with a listing, and an emulator in another folder."""
    for name in ("here", "elsewhere", "temporary"):
        (tmp_path / name).mkdir()
    (tmp_path / "here" / "g.s").write_text(LISTING)
    (tmp_path / "elsewhere" / "mine.py").write_text(
        "import json, numpy, struct\n\ndef execute(case):\n"
        "    return {**case._asdict(), 'pc': case.pc + 1, 'cycles': 2, 'writes': ()}\n"
    )
    (tmp_path / "elsewhere" / "all.py").write_text(PROGRAM + FEW + ALL)
    (tmp_path / "elsewhere" / "one.py").write_text(PROGRAM + "main.main()\n")
    return tmp_path


def environment(folder: Path) -> dict[str, str]:
    """With nothing in the cache yet, and nothing among the temporary files."""
    temporary = str(folder / "temporary")
    return {**os.environ, "CARRYWAVE_CACHE": str(folder / "cache"), "TMPDIR": temporary}


@pytest.mark.parametrize(
    "commands",
    [
        ["--help", "compare NOP --python ../elsewhere/mine.py:execute"],
        pytest.param(
            ["op NOP", "run g.s --max-clocks 50 --vcd a.vcd", "check a.vcd", "sweep CLC",
             "draw a.vcd -o a.svg", "settle ADC 1 1", "prove NOP", "flags", "netlist",
             "claim n --after CMP", "vectors -o v.jsonl", "header", "netlist -o n.v"],
            marks=pytest.mark.exhaustive,
        ),
    ],
)  # fmt: skip
def test_nothing_that_lies_in_the_current_folder_is_run(folder: Path, commands: list[str]) -> None:
    here = folder / "here"
    for name in PLANTED:
        (here / f"{name}.py").write_text("open(__file__ + '.ran', 'w')\n")
    done = subprocess.run(
        [sys.executable, "../elsewhere/all.py", *commands], cwd=here, env=environment(folder),
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert [path.name for path in here.glob("*.ran")] == []


def heeds(pid: int) -> bool:
    """Whether a process has come to where it hears SIGTERM itself."""
    status = Path(f"/proc/{pid}/status").read_text()
    (caught,) = (line.split()[1] for line in status.splitlines() if line.startswith("SigCgt"))
    return bool(int(caught, 16) >> signal.SIGTERM - 1 & 1)


LATE = """
import os, signal

class Late:
    def __del__(self, kill=os.kill, pid=os.getpid(), number=signal.SIGINT):
        kill(pid, number)

signal.late = Late()
"""


def test_a_signal_while_python_itself_ends_changes_no_status(folder: Path) -> None:
    (folder / "elsewhere" / "late.py").write_text(PROGRAM + LATE + "main.main()\n")
    done = subprocess.run(
        [sys.executable, "../elsewhere/late.py", "--version"], cwd=folder / "here",
        env=environment(folder), capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("carrywave, version ")


def left(folder: Path) -> Iterator[str]:
    """The processes that were started for this folder and are there, by their command lines."""
    mark = f"TMPDIR={folder / 'temporary'}".encode()
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if mark in (process / "environ").read_bytes():
                yield (process / "cmdline").read_text()
        except OSError:
            pass


@pytest.mark.exhaustive
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs /proc")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL, signal.SIGINT])
@pytest.mark.parametrize("words", ["run g.s --max-clocks 9000 --vcd a.vcd", "sweep", "netlist"])
def test_a_command_that_is_ended_leaves_nothing(
    folder: Path, number: signal.Signals, words: str
) -> None:
    seed = random.randrange(1 << 32)
    print("seed", seed)
    for moment in [0, *(random.Random(seed).uniform(0, 2) for _ in range(2))]:
        process = subprocess.Popen(
            [sys.executable, "../elsewhere/one.py", *words.split()], cwd=folder / "here",
            env=environment(folder), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            start_new_session=True,
        )  # fmt: skip
        while process.poll() is None and not heeds(process.pid):
            time.sleep(0.001)
        time.sleep(moment)
        os.killpg(process.pid, number)
        err = process.communicate(timeout=60)[1]
        status = {signal.SIGKILL: -9, signal.SIGTERM: 143, signal.SIGINT: 130}[number]
        assert (process.returncode, err) in [(status, ""), (0, "")]
        until = time.monotonic() + 60
        while found := [*left(folder)]:
            assert time.monotonic() < until, found
            time.sleep(0.02)
        if number != signal.SIGKILL:  # of which nothing can be heard
            names = {path.name for path in folder.glob("*/*") if path.parent.name != "elsewhere"}
            assert {name for name in names if not name.endswith(".json")} <= {"g.s", "a.vcd"}
            assert process.returncode == 0 or not (folder / "here" / "a.vcd").exists()
        (folder / "here" / "a.vcd").unlink(missing_ok=True)
