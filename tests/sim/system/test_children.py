"""Processes of ours: what lies in their folder is not run, and they go with their parent."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from carrywave.sim.system.children import run_child, temporary_folder


def test_what_lies_in_the_folder_is_not_run(tmp_path: Path) -> None:
    for name in ("json", "ctypes", "struct", "numpy", "carrywave", "sitecustomize"):
        (tmp_path / f"{name}.py").write_text("print('planted')\n")
    program = "import json, numpy, sys, carrywave.sim; print(sys.argv[1:], sys.stdin.read())"
    done = run_child(program, "an argument", folder=str(tmp_path), said="said")
    assert (done.returncode, done.stdout, done.stderr) == (0, "['an argument'] said\n", "")


def test_temporary_files_are_in_the_folder(tmp_path: Path) -> None:
    done = run_child("import tempfile; tempfile.mkdtemp()", folder=str(tmp_path))
    assert (done.returncode, len([*tmp_path.iterdir()])) == (0, 1)


def test_a_temporary_folder_is_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with temporary_folder() as one, temporary_folder() as other:
        assert sorted([one, other]) == sorted(map(str, tmp_path.iterdir()))
        assert os.stat(one).st_mode & 0o777 == 0o700
        Path(one, "file").write_text("")
    assert [*tmp_path.iterdir()] == []


def test_a_temporary_folder_goes_even_if_its_removal_is_interrupted(tmp_path: Path) -> None:
    program = (
        "import shutil, sys\nfrom carrywave.sim.system.children import temporary_folder\n"
        "def interrupted(path):\n    shutil.rmtree = remove\n    sys.exit(143)\n"
        "remove, shutil.rmtree = shutil.rmtree, interrupted\n"
        "with temporary_folder():\n    pass\n"
    )
    done = run_child(program, folder=str(tmp_path))
    assert (done.returncode, done.stderr) == (143, "")
    assert [*tmp_path.iterdir()] == []


PARENT = """
from carrywave.sim.system.children import run_child
run_child("open('pid', 'w').write(f'{os.getpid()}\\\\n'); import time; time.sleep(600)", folder='.')
"""


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere it ends when it has done its work")
def test_a_child_goes_with_a_parent_that_is_killed(tmp_path: Path) -> None:
    parent = subprocess.Popen([sys.executable, "-c", PARENT], cwd=tmp_path)
    pid, until = tmp_path / "pid", time.monotonic() + 60
    while not (pid.exists() and pid.read_text().endswith("\n")):
        assert time.monotonic() < until
        time.sleep(0.02)
    parent.kill()
    parent.wait()
    process = Path(f"/proc/{int(pid.read_text())}/stat")
    while process.exists() and process.read_text().rsplit(") ", 1)[1][0] != "Z":
        assert time.monotonic() < until
        time.sleep(0.02)
