"""A run written as a trace: read back, it agrees, and a wrong row is named."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from tracked import tracked
from usual import first_of

from carrywave.sim.trace.checking import compare_trace
from carrywave.sim.trace.parts import TraceError
from carrywave.waves.run.listing import GATES, run_listing

PROGRAMS = tracked("waves/programs/*.s")


@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".parquet"])
@pytest.mark.parametrize("listing", first_of(PROGRAMS, 2), ids=lambda path: path.stem)
def test_it_is_read_back_and_agrees(listing: Path, suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"run{suffix}"
    report = run_listing(listing, engine=GATES, trace=str(path))
    checked = compare_trace(path)
    assert checked.agree
    # Each row but the last of a run is compared with the next one; reset is none.
    assert report.run.instructions - 3 <= checked.comparison.cases <= report.check.instructions
    assert checked.memory is None or checked.agree


def test_interrupts_have_rows_and_a_gap_begins_another_run(tmp_path: Path) -> None:
    (listing,) = (path for path in PROGRAMS if path.stem == "nested_interrupts")
    path = tmp_path / "run.jsonl"
    run_listing(listing, engine=GATES, trace=str(path))
    rows = [json.loads(line) for line in path.read_text().splitlines()]
    assert {row["event"] for row in rows} == {0, 1, 2}
    assert [row["run"] for row in rows] == sorted(row["run"] for row in rows)
    assert rows[0] == {
        "run": 0, "event": 0, "pc": 512, "a": 0, "x": 0, "y": 0, "sp": 253, "p": 52, "cycles": 2,
        "reads": rows[0]["reads"], "writes": [],
    }  # fmt: skip
    for row, after in pairwise(rows):
        if row["event"]:
            assert after["run"] == row["run"]
            assert len(row["writes"]) == 3


def test_a_row_that_is_changed_is_named(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    run_listing(PROGRAMS[0], engine=GATES, trace=str(path))
    lines = path.read_text().splitlines()
    row = json.loads(lines[40])
    row["a"] ^= 16
    lines[40] = json.dumps(row)
    path.write_text("\n".join(lines) + "\n")
    checked = compare_trace(path)
    assert not checked.agree
    assert checked.first_wrong in {f"{path}, line {line}" for line in (40, 41)}


def test_what_is_no_trace_s_name(tmp_path: Path, carrywave: Callable[..., Any]) -> None:
    path = tmp_path / "run.txt"
    with pytest.raises(TraceError) as caught:
        run_listing(PROGRAMS[0], engine=GATES, trace=str(path))
    assert str(caught.value) == f"{path}: expected a name that ends in .csv, .jsonl, .parquet"
    assert not path.exists()
    status, *_ = carrywave("run", PROGRAMS[0], "--trace", path.with_suffix(".csv"))
    assert status == 0
    header = path.with_suffix(".csv").read_text().splitlines()[0]
    assert header.replace('"', "").split(",")[:4] == ["run", "event", "pc", "a"]
