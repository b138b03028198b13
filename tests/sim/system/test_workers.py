"""Processes: what they answer, that none is waited for in vain, and where they look for modules."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from carrywave.sim.system import workers as module
from carrywave.sim.system.workers import WorkerError, workers

LARGE = b"x" * 10_000_000  # more than a pipe holds
DEAD = r"^a process has ended before its time$"


def test_tasks_are_done_in_other_processes() -> None:
    with workers(2) as work:
        assert set(work([(pow, 2, i) for i in range(9)])) == {2**i for i in range(9)}
        here = os.getpid()
        others = set(work([(os.getpid,)] * 8))
        assert here not in others
        assert 1 <= len(others) <= 2
        with pytest.raises(ZeroDivisionError):
            list(work([(divmod, 1, 0)]))


def test_what_is_shared_stands_before_the_arguments() -> None:
    with workers(2, LARGE) as work:
        assert sorted(work([(bytes.count, b"x"), (bytes.count, b"y")])) == [0, len(LARGE)]


def test_one_process_is_this_one() -> None:
    with workers(1) as work:
        assert list(work([(os.getpid,), (pow, 2, 3)])) == [os.getpid(), 8]


def test_what_a_task_prints_and_reads_is_not_mixed_with_its_answer(
    capfd: pytest.CaptureFixture[str],
) -> None:
    with workers(2) as work:
        assert list(work([(print, "seen")])) == [None]
        assert list(work([(os.read, 0, 1)])) == [b""]
    assert capfd.readouterr() == ("", "seen\n")


def test_a_process_that_dies_in_a_task_is_told() -> None:
    with pytest.raises(WorkerError, match=DEAD), workers(2) as work:
        list(work([(os._exit, 3)]))


def test_an_exit_in_a_task_is_told_too() -> None:
    with pytest.raises(WorkerError, match=DEAD), workers(2) as work:
        list(work([(sys.exit, 3)]))


class Deadly:
    """Ends the process that it is sent to."""

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[int]]:
        return os._exit, (1,)


def test_a_process_that_dies_of_what_is_shared_is_told() -> None:
    """It comes first: the rest of what is shared is more than a pipe holds."""
    with pytest.raises(WorkerError, match=DEAD), workers(2, Deadly(), LARGE) as work:
        list(work([(len,)]))


@pytest.mark.parametrize(
    "program",
    ["import os; os._exit(1)", "import os; os.read(0, 100); os._exit(1)", "not Python"],
)
def test_a_process_that_dies_while_it_starts_is_told(
    program: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(module, "START", program)
    with pytest.raises(WorkerError, match=DEAD), workers(2, LARGE) as work:
        list(work([(len,)]))


def run(script: Path, text: str, folder: Path) -> subprocess.CompletedProcess[str]:
    script.parent.mkdir(exist_ok=True)
    script.write_text(text)
    folder.mkdir(exist_ok=True)
    return subprocess.run(
        [sys.executable, script], cwd=folder, capture_output=True, text=True, timeout=120,
        check=False,
    )  # fmt: skip


WORK = """
from carrywave.sim.system.workers import workers

class Mine(int):
    pass

print("main")
GUARD
    with workers(2, WHAT(3)) as work:
        print(*work([(pow, 2)] * 2))
"""


def test_a_script_without_a_guard_is_not_run_again(tmp_path: Path) -> None:
    text = WORK.replace("GUARD", "if True:").replace("WHAT", "int")
    done = run(tmp_path / "script.py", text, tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, "main\n9 9\n", "")


def test_a_script_s_own_classes_are_known_to_the_processes(tmp_path: Path) -> None:
    text = WORK.replace("GUARD", 'if __name__ == "__main__":').replace("WHAT", "Mine")
    done = run(tmp_path / "script.py", text, tmp_path)
    assert (done.returncode, done.stdout) == (0, "main\n9 9\n")
    assert re.fullmatch(r"(main|\n)+", done.stderr)  # imported: what it prints is no report


def test_a_script_that_needs_a_guard_is_told_so(tmp_path: Path) -> None:
    text = WORK.replace("GUARD", "if True:").replace("WHAT", "Mine")
    done = run(tmp_path / "script.py", text, tmp_path)
    assert (done.returncode, done.stdout) == (1, "main\n")
    assert done.stderr.splitlines()[-1] == (
        "carrywave.sim.system.workers.WorkerError: the main script asks for processes while one "
        "of these imports it: let it do so under if __name__ == '__main__':"
    )
    assert done.stderr.count("Traceback") == 1


PLANTED = (
    "struct", "signal", "socket", "pickle", "numpy", "carrywave", "multiprocessing", "threading",
    "queue", "io", "json", "subprocess", "sitecustomize",
)  # fmt: skip


@pytest.mark.parametrize("searched", [False, True])
def test_no_process_imports_what_lies_in_the_current_folder(searched: bool, tmp_path: Path) -> None:
    """Not even where an interactive session would: what is installed comes first."""
    planted = tmp_path / "planted"
    planted.mkdir()
    for name in PLANTED:
        (planted / f"{name}.py").write_text("open(__file__ + '.ran', 'w')\n")
    text = (
        "import multiprocessing.spawn, sys, numpy\n"
        "from carrywave.sim.system.workers import workers\n"
        f"sys.path[:0] = [''] * {searched}\n"
        "with workers(2, numpy.uint8(3)) as work:\n    print(*work([(numpy.add, 4)] * 2))\n"
    )
    done = run(tmp_path / "elsewhere" / "script.py", text, planted)
    assert (done.returncode, done.stdout, done.stderr) == (0, "7 7\n", "")
    assert [path.name for path in planted.glob("*.ran")] == []


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_a_process_ends_with_its_parent_in_the_middle_of_a_task(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(
        "import os, time\nfrom carrywave.sim.system.workers import workers\n"
        "with workers(2) as work:\n"
        "    print(*work([(os.getpid,)]), flush=True)\n    list(work([(time.sleep, 600)] * 2))\n"
    )
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        process = Path(f"/proc/{int(parent.stdout.readline())}/stat")
        assert process.exists()
        parent.kill()
    until = time.monotonic() + 60
    while process.exists() and process.read_text().rsplit(") ", 1)[1][0] != "Z":
        assert time.monotonic() < until
        time.sleep(0.02)
