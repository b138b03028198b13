"""The pytest plugin in runs of its own, and the names that the package exports."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from importlib.metadata import entry_points
from operator import attrgetter
from pathlib import Path

import pytest

import carrywave.sim

# Until it is installed anew, an editable install does not know the entry point.
HOME = "carrywave.sim.emulator.fixture"
INSTALLED = [e for e in entry_points(group="pytest11") if e.value == HOME]
PLUGIN = "carrywave" if INSTALLED else HOME

HEAD = """
import numpy as np
from carrywave.sim import CASE, Model
from carrywave.sim.cases.layout import plain
from carrywave.sim.mistakes.catalogue import BY_NUMBER
from carrywave.sim.mistakes.mistake import Mistaken

def one(case, model=Model()):
    row = np.zeros(1, CASE)
    for name in ("event", "pc", "a", "x", "y", "sp", "p"):
        row[name] = getattr(case, name)
    row["reads"] = len(case.reads)
    for i, (address, byte) in enumerate(case.reads):
        row["read_address"][0, i], row["read_value"][0, i] = address, byte
    return plain(model.execute(row)[0])
"""


def session(tmp_path: Path, body: str, *arguments: str) -> tuple[int, str]:
    """The exit status and the output of pytest on a file of tests."""
    (tmp_path / "test_mine.py").write_text(HEAD + body)
    command = [
        sys.executable, "-W", "error", "-m", "pytest", "-p", PLUGIN, "-p", "no:cacheprovider",
        "-p", "no:xdist", *arguments, "test_mine.py",
    ]  # fmt: skip
    environment = {name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"}
    done = subprocess.run(
        command, cwd=tmp_path, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        text=True, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout


def test_a_right_function_passes_by_arrays_and_case_by_case(tmp_path: Path) -> None:
    status, said = session(
        tmp_path,
        """
def test_arrays(carrywave_gates):
    assert carrywave_gates.check(Model().execute, arrays=True) > 90_000

def test_cases(carrywave_gates):
    assert carrywave_gates.check(one, ["tax", "IRQ"]) == 2052

def test_skip(carrywave_gates):
    v = Mistaken(BY_NUMBER[1]).execute
    assert carrywave_gates.check(v, ["ADC"], arrays=True, skip=["p.v"]) > 0
""",
    )
    assert status == 0, said
    assert "3 passed" in said


def test_a_wrong_function_fails_with_the_report_and_no_traceback(tmp_path: Path) -> None:
    status, said = session(
        tmp_path,
        """
def test_mine(carrywave_gates):
    carrywave_gates.check(Mistaken(BY_NUMBER[1]).execute, ["ADC", "TAX"], arrays=True)
""",
    )
    assert status == 1, said
    for words in (
        "Disagree: ", "First wrong case: ADC", "p.v", "To draw it:      carrywave op ADC",
        "V must be carry 8 XOR carry 7", "Covered: 9 of 151 documented opcodes.", "1 failed",
    ):  # fmt: skip
        assert words in said
    assert "fixture.py" not in said
    assert "Traceback" not in said


@pytest.mark.exhaustive
def test_a_value_outside_its_range_is_wrong_and_told(tmp_path: Path) -> None:
    status, said = session(
        tmp_path,
        """
def test_mine(carrywave_gates):
    carrywave_gates.check(lambda case: {**one(case), "x": one(case)["x"] + 256}, ["TAY"])
""",
    )
    assert status == 1, said
    for words in ("Disagree: 1,025 of 1,025 cases.", "x:1,025", ": expected 0 to 255", "  x is "):
        assert words in said


@pytest.mark.exhaustive
def test_the_variant_is_an_option(tmp_path: Path) -> None:
    body = """
def test_mine(carrywave_gates):
    assert carrywave_gates.variant == "cmos"
    carrywave_gates.check(Model("cmos").execute, ["ADC", "BRK"], arrays=True)
"""
    assert session(tmp_path, body, "--carrywave-variant", "cmos")[0] == 0
    assert session(tmp_path, body)[0] == 1
    status, said = session(tmp_path, body, "--carrywave-variant", "other")
    assert status == 4
    assert "invalid choice: 'other'" in said


REFUSED = {
    "lambda case: None, ['TAX']": "returned None: expected an outcome with pc, a, x, y, sp",
    "lambda case: {'pc': 1}, ['TAX']": "the outcome has no a",
    "lambda cases: 1, ['TAX'], arrays=True": "returned int: expected an array of the OUTCOME",
    "lambda case: 1 / 0, ['TAX']": "ZeroDivisionError: division by zero",
    "one, ['XYZ']": "instruction 'XYZ': expected a mnemonic, an opcode in hex, IRQ, NMI or RESET",
    "one, 'TAX'": "names 'TAX': expected a list of names",
    "one, []": "no instruction is left to compare",
    "one, ['TAX'], 'some'": "cases 'some': expected 'quick' or 'full'",
    "one, ['TAX'], skip=['q']": "field 'q': expected one of p",
}


@pytest.mark.exhaustive
def test_what_cannot_be_compared_fails_and_says_why(tmp_path: Path) -> None:
    tests = (
        f"\ndef test_{i}(carrywave_gates):\n    carrywave_gates.check({call})\n"
        for i, call in enumerate(REFUSED)
    )
    status, said = session(tmp_path, "".join(tests))
    assert status == 1, said
    assert f"{len(REFUSED)} failed" in said
    _, *parts = re.split(r"^_+ test_\d _+$", said.partition("short test summary")[0], flags=re.M)
    for part, (call, message) in zip(parts, REFUSED.items(), strict=True):
        assert message in part
        if "case:" in call:
            assert "TAX AA at" in part  # the case that it was asked


def test_a_run_that_does_not_use_it_imports_nothing_heavy(tmp_path: Path) -> None:
    (tmp_path / "test_other.py").write_text(
        "import sys\n\ndef test_other():\n"
        "    gates = 'carrywave.sim.witness.gates'\n"
        "    names = ('numpy', 'amaranth', 'rich.console', 'click', gates)\n"
        f"    assert {HOME!r} in sys.modules\n"
        "    assert [name for name in names if name in sys.modules] == []\n"
    )
    command = [sys.executable, "-W", "error", "-m", "pytest", "-q", "-p", PLUGIN]
    command += ["-p", "no:cacheprovider", "test_other.py"]
    environment = {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    done = subprocess.run(
        command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 passed" in done.stdout


def test_the_package_exports_what_it_documents() -> None:
    names = carrywave.sim.__all__
    assert len(names) == 12
    assert all(f"`{name}" in str(carrywave.sim.__doc__) for name in names)
    code = (
        "import sys, carrywave.sim as s\n"
        "assert 'numpy' not in sys.modules\n"
        "import carrywave.sim.witness.comparison, carrywave.sim.emulator.verdict\n"
        "from carrywave.sim import *\n"
        "assert callable(compare) and s.compare is compare\n"
        "assert compare(Gates(), Model(), sampled_cases(1000, seed=1)).agree\n"
        "from carrywave.sim.family.instructions import ENTRIES\n"
        "assert sum(len(c) for c in exhaustive_cases(ENTRIES['RESET'])) > 65536\n"
        "print(*(name for name in s.__all__ if getattr(s, name) is not None))\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == names
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        attrgetter("nothing")(carrywave.sim)
