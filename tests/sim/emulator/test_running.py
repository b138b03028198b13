"""Emulators that run on their own and go wrong: one line, with the row."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shipped import EXAMPLES, needs_compiler

from carrywave.sim.emulator.c_header import header
from carrywave.sim.emulator.called import EmulatorError
from carrywave.sim.emulator.own_run import PIN, ROW, START
from carrywave.sim.emulator.running import LibraryRunner, PipeRunner, PythonRunner, Runner

MEMORY = bytes([0xEA]) * 65536
PINS = np.array([(3, 1, 0), (90, 1, 1)], PIN)
COUNT = 40
ROW_TEXT = "dict(clock=7 + 2 * i, pc=513 + i, a=0, x=0, y=0, sp=253, p=52, cycles=2)"


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def start() -> Any:
    begin = np.zeros((), START)
    begin["clock"], begin["pc"], begin["sp"], begin["p"] = 7, 512, 253, 52
    return begin


def said(runner: Runner, before: int = 100) -> str:
    # One row too many may come late, and is seen when it is closed.
    with pytest.raises(EmulatorError) as caught, runner:
        runner.run(start(), MEMORY, PINS, COUNT, before)
    return str(caught.value)


def python(body: str) -> PythonRunner:
    Path("mine.py").write_text(f"""
def run(start, memory, pins, count):
    assert memory[0xFFFC] == 0xEA and len(memory) == 65536
    assert pins == [(3, 1, 0), (90, 1, 1)] and count == {COUNT}
    assert start.clock == 7 and start.pc == 512 and start.event == start.nmi == 0
    for i in range(count):
        row = {ROW_TEXT}
        {body}
        yield row
""")
    return PythonRunner("mine.py:run")


def test_rows_are_what_it_tells() -> None:
    with python("row['writes'] = [(0x1FD, i)]; row['event'] = 2 * (i == 5)") as runner:
        rows = runner.run(start(), MEMORY, PINS, COUNT)
        again = runner.run(start(), MEMORY, PINS, COUNT)
    assert rows.dtype == ROW
    assert rows.tobytes() == again.tobytes()
    assert rows["after"]["pc"].tolist() == list(range(513, 553))
    assert rows["event"].tolist() == [2 * (i == 5) for i in range(40)]
    assert rows["after"]["write_value"][:, 0].tolist() == list(range(40))
    with pytest.raises(ValueError, match=r"mine\.py:run: closed$"):
        runner.run(start(), MEMORY, PINS, COUNT)


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("if i == 5: return", "row 106: it stopped there, 40 were asked for"),
        ("if i == 5: raise KeyError('ea')", "row 106: KeyError: 'ea' (mine.py, line 8)"),
        ("row['x'] = 256 * (i == 5)", "row 106: x is 256: expected 0 to 255"),
        ("if i == 5: del row['clock']", "row 106: the row has no clock"),
        ("if i == 5: row['event'] = 'IRQ'", "row 106: the row has clock 17, event IRQ"),
        ("if i == 5: row = 1", "row 106: returned 1: expected an outcome with pc, a, x, y, sp, p"),
        ("row['cycles'] = 2 * (i != 5)",
         "row 106: it has 0 cycles: in a run they are counted"),
        ("row['clock'] += 4 * (i == 5) - 2 * (i == 6)",
         "row 106: it begins in clock 21, and the one before it ends in 17: rows come in the order "
         "in which they run"),
        ("if i == 5: __import__('os')._exit(3)", "row 106: ended with exit status 3"),
    ],
)  # fmt: skip
def test_a_function_that_goes_wrong_names_the_row(body: str, message: str) -> None:
    assert said(python(body)) == f"mine.py:run: {message}"


def test_what_is_no_function_of_rows_is_told() -> None:
    Path("mine.py").write_text("def run(*given): return 5\nten = 10\n")
    assert said(PythonRunner("mine.py:run"), 0) == "mine.py:run: row 1: returned 5: expected rows"
    assert said(PythonRunner("mine.py:run", arrays=True), 0) == (
        "mine.py:run: row 1: returned int: expected an array of the ROW dtype"
    )
    with pytest.raises(EmulatorError, match=r"^mine\.py:ten: ten is 10: expected a function$"):
        PythonRunner("mine.py:ten")


@needs_compiler
@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("return count - 5;", "row 136: it stopped there, 40 were asked for"),
        ("return count + 5;", None),
        ("rows[count].clock = 1; return count;", None),
        ("*(volatile int *)0 = 1; return count;", "row 101: crashed with SIGSEGV"),
    ],
)
def test_a_library_that_goes_wrong_is_told(body: str, message: str | None) -> None:
    Path("carrywave.h").write_text(header())
    Path("mine.c").write_text(f"""
#include "carrywave.h"
size_t carrywave_run(const struct carrywave_start *start, const uint8_t *memory,
                     const struct carrywave_pin *pins, size_t pin_count,
                     struct carrywave_row *rows, size_t count) {{
    if (memory[5] != 0xEA || pin_count != 2 || pins[1].clock != 90 || start->pc != 512) return 0;
    for (size_t i = 0; i < count; i++) {{
        rows[i].clock = start->clock + 2 * i;
        rows[i].after.cycles = 2;
    }}
    {body}
}}
""")
    subprocess.run(["cc", "-shared", "-fPIC", "mine.c", "-o", "mine.so"], check=True)
    expected = message or "filled more rows than the 40 it was asked for"
    assert said(LibraryRunner("./mine.so")) == f"./mine.so: {expected}"


@needs_compiler
def test_a_library_without_the_function_is_refused() -> None:
    Path("mine.c").write_text("int nothing;")
    subprocess.run(["cc", "-shared", "-fPIC", "mine.c", "-o", "mine.so"], check=True)
    with pytest.raises(EmulatorError) as caught:
        LibraryRunner("./mine.so")
    assert str(caught.value) == (
        "./mine.so: has no function carrywave_run: "
        "include the header that 'carrywave header' prints"
    )


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("if i == 5: sys.exit(4)", "row 106: ended with exit status 4"),
        ("if i == 5: print('[]'); continue", "row 106: not an object: '[]'"),
        ("if i == 5: print('{'); continue", "row 106: not JSON: '{'"),
        ("if i == 5: row['flags'] = 1", None),
        (
            "if i == 39: print(json.dumps(row), json.dumps(row), sep=chr(10), flush=True)",
            "more rows than were asked for",
        ),
    ],
)
def test_a_peer_that_goes_wrong_names_the_row(body: str, message: str | None) -> None:
    Path("peer.py").write_text(f"""
import base64, json, sys
asked = json.loads(sys.stdin.readline())
assert base64.b64decode(asked["memory"]) == bytes([0xEA]) * 65536
assert asked["pins"] == [[3, 1, 0], [90, 1, 1]] and asked["start"]["pc"] == 512
for i in range(asked["count"]):
    row = {ROW_TEXT}
    {body}
    print(json.dumps(row), flush=i < 39)
""")
    text = said(PipeRunner([sys.executable, "peer.py"]))
    if message is None:
        assert "row 106: unknown key 'flags': '{" in text
    else:
        assert text.endswith(f"peer.py: {message}")


def test_one_that_says_nothing_is_not_waited_for() -> None:
    peer = PipeRunner([sys.executable, "-c", "input(); input()"], timeout=0.5)
    assert said(peer).endswith("row 101: no row within 0.5 s: does it flush its output?")


@pytest.mark.parametrize("name", ["runner.c", "runner.py", "runner.js"])
def test_a_runner_is_short(name: str) -> None:
    lines = [line for line in (EXAMPLES / name).read_text().splitlines() if line.strip()]
    assert len(lines) < 80
