"""Emulators that touch what is not theirs, and what they start: told with the case, and ended."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from usual import first_of

from carrywave.sim.cases.layout import plain
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.emulator.c_header import header
from carrywave.sim.emulator.called import EmulatorError, Library, PythonFunction
from carrywave.sim.emulator.pipe import Pipe

CASES = sampled_cases(700, seed=4)
AT = 345  # the case in which something happens
PATIENCE = 60  # seconds for what will happen, on a slow and busy machine too


@pytest.fixture(autouse=True)
def mark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """What all processes of the test have in their environment."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CARRYWAVE_MARK", str(tmp_path))
    return f"CARRYWAVE_MARK={tmp_path}"


def marked(mark: str) -> set[int]:
    """The processes of the test that run, but for this one."""
    found = set()
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            ended = (folder / "stat").read_text().rpartition(")")[2].split()[0] == "Z"
            if not ended and mark.encode() in (folder / "environ").read_bytes().split(b"\0"):
                found.add(int(folder.name))
        except OSError:
            continue
    return found - {os.getpid()}


def all_ended(mark: str) -> bool:
    deadline = time.monotonic() + PATIENCE
    while marked(mark) and time.monotonic() < deadline:
        time.sleep(0.01)
    return not marked(mark)


# What is not the emulator's

MINE = """
import os, stat
def files(kind):
    for file in range(3, 64):
        try:
            if kind(os.fstat(file).st_mode):
                yield file
        except OSError:
            pass
def channel(): return next(files(stat.S_ISSOCK))
def memory(): return next(files(stat.S_ISREG))
def execute(case):
    if (case.pc, case.a) == (PC, A):
        WHAT
    return dict(pc=case.pc, a=case.a, x=0, y=0, sp=0, p=0)
"""


def mine(what: str) -> PythonFunction:
    """A function that does something in one case."""
    case = CASES[AT]
    assert np.count_nonzero((CASES["pc"] == case["pc"]) & (CASES["a"] == case["a"])) == 1
    text = MINE.replace("PC", str(case["pc"])).replace("A)", f"{case['a']})")
    Path("mine.py").write_text(text.replace("WHAT", what))
    return PythonFunction("mine.py:execute", timeout=PATIENCE)


CLOSED = "closed descriptors that it has not opened"


@pytest.mark.parametrize(
    ("what", "message"),
    [
        (r"os.write(channel(), b'junk\n')",
         "wrote to a descriptor that it has not opened: 'junk'"),
        (r"os.write(channel(), b'{}\n')", "wrote to a descriptor that it has not opened: '{}'"),
        (r"os.write(channel(), b'[' * 99999 + b'\n')",
         f"wrote to a descriptor that it has not opened: '{'[' * 60}'"),
        (r"os.write(channel(), b'\x1b\xff')", "wrote to a descriptor that it has not opened: "
         "'\\x1b\N{REPLACEMENT CHARACTER}{\"number\": 90, \"outside\": {}}'"),
        ("os.closerange(3, 64)", CLOSED),
        ("os.close(channel())", CLOSED),
        ("os.closerange(3, 64); import time; time.sleep(1)", CLOSED),
        ("os.ftruncate(memory(), 0)", "truncated the memory that it shares with the bench"),
        ("os.ftruncate(memory(), 4096)", "truncated the memory that it shares with the bench"),
    ],
)  # fmt: skip
def test_a_function_that_touches_what_is_not_its_own_is_told_the_case(
    what: str, message: str, mark: str
) -> None:
    with mine(what) as emulator, pytest.raises(EmulatorError) as caught:
        emulator.execute(CASES)
    assert str(caught.value) == f"mine.py:execute: case {AT}: {message}"
    assert caught.value.case is not None
    assert plain(caught.value.case) == plain(CASES[AT])
    assert all_ended(mark)


def test_a_file_that_takes_the_number_of_a_closed_one_is_not_written_to() -> None:
    what = "number = channel(); os.closerange(3, 64)\n        while os.open('own', 66) != number: 0"
    with mine(what) as emulator, pytest.raises(EmulatorError, match=CLOSED):
        emulator.execute(CASES)
    assert Path("own").read_bytes() == b""


def test_a_fork_that_comes_back_answers_nothing(mark: str) -> None:
    with mine("os.fork()") as emulator:
        for _ in range(3):
            assert (emulator.execute(CASES)["pc"] == CASES["pc"]).all()
    assert all_ended(mark)


def test_an_exception_of_any_length_is_a_line() -> None:
    emulator = mine("raise ValueError('x' * 5_000_000)")
    with emulator, pytest.raises(EmulatorError) as caught:
        emulator.execute(CASES)
    assert re.fullmatch(
        rf"mine\.py:execute: case {AT}: ValueError: x{{288}}\.\.\. \(mine\.py, line \d+\)",
        str(caught.value),
    )


SOURCE = """
#include "carrywave.h"
#include <unistd.h>
void carrywave_execute(const struct carrywave_case *cases, struct carrywave_outcome *outcomes,
                       size_t count) {
    for (size_t i = 0; i < count; i++) {
        if (cases[i].pc == PC && cases[i].a == A) { WHAT; }
        outcomes[i].pc = cases[i].pc;
    }
}
"""
BEYOND = "wrote beyond the outcomes of the cases that it was given"


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
@pytest.mark.parametrize(
    ("what", "message"),
    [
        ("outcomes[count].a = 1", BEYOND),
        ("outcomes[count + 99].write_address[2] = 1", BEYOND),
        ("outcomes[-1].pc = 1", BEYOND),
        ("for (int f = 3; f < 64; f++) close(f)", CLOSED),
    ],
)
def test_a_library_that_touches_what_is_not_its_own_is_told_the_case(
    what: str, message: str
) -> None:
    Path("carrywave.h").write_text(header())
    Path("mine.c").write_text(SOURCE)
    case = CASES[AT]
    options = [f"-DPC={case['pc']}", f"-DA={case['a']}", f"-DWHAT={what}"]
    command = ["cc", "-O1", "-shared", "-fPIC", *options, "mine.c", "-o", "mine.so"]
    subprocess.run(command, check=True)
    with Library("./mine.so") as emulator, pytest.raises(EmulatorError) as caught:
        emulator.execute(CASES)
    assert str(caught.value) == f"./mine.so: case {AT}: {message}"


def test_a_neighbour_is_imported_but_none_in_the_place_of_a_library() -> None:
    """Neither by the function's file, nor by what it imports."""
    for name in ("numpy", "struct", "signal", "socket", "pickle", "carrywave", "traceback", "json"):
        Path(f"{name}.py").write_text("open('planted', 'w').close()\n")
    Path("neighbour.py").write_text("here = True\n")
    text = "import neighbour, numpy, pickle, socket, carrywave.sim\n"
    Path("mine.py").write_text(f"{text}def execute(case): raise ValueError(neighbour.here)\n")
    for function in ("mine.py:execute", "mine:execute"):
        emulator = PythonFunction(function)
        with emulator, pytest.raises(EmulatorError, match="ValueError: True"):
            emulator.execute(CASES)
    assert not Path("planted").exists()


def test_who_waits_for_an_answer_when_another_thread_closes_starts_no_search(mark: str) -> None:
    what = "open('begun', 'w').close(); __import__('time').sleep(0.3); os.closerange(3, 64)"
    with mine(what) as emulator, ThreadPoolExecutor(1) as beside:
        answer = beside.submit(emulator.execute, CASES)
        deadline = time.monotonic() + PATIENCE
        while not Path("begun").exists() and time.monotonic() < deadline:
            time.sleep(0.01)
        emulator.close()
        assert str(answer.exception(PATIENCE)) == "mine.py:execute: closed"
    assert all_ended(mark)


# What the emulator starts

FORKS = """
import os, signal, sys, time
def start(*ways):
    if os.fork():
        return
    for way in ways:
        way()
    for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)
    os.closerange(0, 64)
    time.sleep(600)
def again():
    if os.fork():
        os._exit(0)
start()
start(os.setsid)
start(os.setsid, again)
start(again, os.setsid, again)
def execute(case):
    return dict(pc=0, a=0, x=0, y=0, sp=0, p=0)
if sys.argv[1:] == ["pipe"]:
    for line in sys.stdin:
        print('{"pc": 0, "a": 0, "x": 0, "y": 0, "sp": 0, "p": 0}', flush=True)
"""


@pytest.mark.parametrize("end", ["closes", "exits", "aborts", "hangs"])
@pytest.mark.parametrize("kind", ["function", "pipe"])
def test_however_an_emulator_ends_all_that_it_started_ends(kind: str, end: str, mark: str) -> None:
    what = {"closes": "pass", "exits": "os._exit(3)", "aborts": "os.abort()",
            "hangs": "time.sleep(600)"}[end]  # fmt: skip
    text = FORKS.replace("    return dict", f"    {what}\n    return dict")
    Path("forks.py").write_text(text.replace("print(", f"{what}; print("))
    emulator = (
        PythonFunction("forks.py:execute", timeout=2)
        if kind == "function"
        else Pipe([sys.executable, "forks.py", "pipe"], timeout=2)
    )
    with emulator:
        if end == "closes":
            emulator.execute(CASES)
        else:
            with pytest.raises(EmulatorError):
                emulator.execute(CASES)
    assert all_ended(mark)


def kill_one(number: int, after: float | None, kind: str, mark: str) -> int:
    """Starts `compare`, ends it so many seconds after, or once the emulator runs."""
    how = (
        ["--python", "forks.py:execute"]
        if kind == "function"
        else ["--pipe", f"{sys.executable} forks.py pipe"]
    )
    main = "from carrywave.sim.cli.main import main; main()"
    command = [sys.executable, "-c", main, "compare", "--cases", "full", *how]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as bench:
        if after is None:
            deadline = time.monotonic() + PATIENCE
            # Looked at once a round: one that is just starting a program shows no environment.
            while (seen := len(marked(mark))) < 7 and time.monotonic() < deadline:
                time.sleep(0.01)
            assert seen >= 7
        else:
            time.sleep(after)
        bench.send_signal(number)
        try:
            status = bench.wait(PATIENCE)
        finally:
            bench.kill()
    assert all_ended(mark)
    return status


SIGNALS = [signal.SIGTERM, signal.SIGKILL, signal.SIGINT]


@pytest.mark.parametrize("number", first_of(SIGNALS))
def test_when_the_bench_ends_the_emulator_and_all_that_it_started_end(
    number: int, mark: str
) -> None:
    Path("forks.py").write_text(FORKS)
    assert kill_one(number, None, "function", mark) != 0


@pytest.mark.exhaustive
@pytest.mark.parametrize("kind", ["function", "pipe"])
@pytest.mark.parametrize("number", SIGNALS)
def test_at_whatever_moment_the_bench_ends(number: int, kind: str, mark: str) -> None:
    Path("forks.py").write_text(FORKS)
    moments = random.Random(number)
    for _ in range(3):
        kill_one(number, moments.uniform(0, 2), kind, mark)
    assert [path.name for path in Path().iterdir() if path.suffix != ".py"] in (
        [], ["__pycache__"],
    )  # fmt: skip
