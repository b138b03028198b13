"""Memory followed through a trace: what contradicts it, whole and in pieces."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from emulated import (
    ROWS,
    Checked,
    drawn,
    emulated,
    interrupted,
    without,
    written,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from usual import first_of

from carrywave.sim.trace import parts
from carrywave.sim.trace.accesses import ASKED, CHANGED, READ, SLOTS, UNKNOWN, WRITTEN, Accesses
from carrywave.sim.trace.checking import check_part, compare_trace
from carrywave.sim.trace.formats import parts_of
from carrywave.sim.trace.memory import KEPT, Memory
from carrywave.sim.trace.partial import Partial

# Contradictions


def test_what_was_stored_is_what_is_read(checked: Checked) -> None:
    report = checked(ROWS)
    assert report.agree
    assert (report.unchecked, report.recalled) == ({}, {})
    assert (report.memory.compared > 1000, report.memory.wrong) == (True, 0)
    said = f"Memory: {report.memory.compared:,} bytes read, each what was there before."
    assert said in drawn(report)


def test_a_byte_that_was_not_stored_is_named_with_both_rows(checked: Checked) -> None:
    """The emulator stores elsewhere than it says: each row by itself is right."""
    rows = [{**row, "reads": [list(pair) for pair in row["reads"]]} for row in ROWS]
    load = next(row for row in range(200, 400) if rows[row]["bytes"] == [0xB1, 0x10])
    store = next(row for row in reversed(range(load)) if rows[row]["bytes"] == [0x91, 0x10])
    address, value = rows[load]["reads"][-1]
    assert rows[store]["writes"] == [[address, value]]
    rows[load]["reads"][-1][1] = rows[load + 1]["a"] = 0x77
    rows[load + 1]["p"] &= 0x7D
    report = checked(rows, skip=["a", "p", "write_value"])
    assert report.comparison.agree
    assert not report.agree
    (found,) = report.memory.contradictions
    assert str(found) == (
        f"row {load:,} read 77 at {address:04X}, row {store:,} wrote {value:02X} there"
    )
    told = report.to_json()
    assert told["agree"] is False
    assert told["memory"]["wrong"] == 1
    assert told["memory"]["contradictions"] == [{
        "row": load, "address": address, "value": 0x77, "before": value, "origin": store,
        "written": True, "text": str(found),
    }]  # fmt: skip
    assert told["first_contradiction"].endswith(f"run.parquet, row {load} counted from 0")
    text = drawn(report)
    compared = report.memory.compared
    assert (
        f"Memory disagrees: 1 of {compared:,} bytes read are not what was there before."
        " Rows counted from 0:" in text
    )
    assert f"  {found}" in text
    assert f"The first row that read another byte: {told['first_contradiction']}." in text
    assert checked(rows, skip=["a", "p", "write_value"], devices=[(0x3000, 0x3FFF)]).agree


def test_a_byte_that_changes_by_itself_is_named_with_the_first_row_that_read_it(
    checked: Checked,
) -> None:
    code = {0x0200: "A5 80 A5 80 A5 80 4C 00 02"}
    rows = [
        {**row, "reads": [list(pair) for pair in row["reads"]]} for row in emulated(9, code=code)
    ]
    rows[5]["reads"][-1][1] = 0x41
    report = checked(rows, skip=["a", "p"])
    assert [str(one) for one in report.memory.contradictions] == [
        "row 5 read 41 at 0080, row 0 read 00 there",
        "row 6 read 00 at 0080, row 5 read 41 there",
    ]
    for row in rows[5:]:
        row["run"] = 1
    assert checked(rows, skip=["a", "p"]).memory.wrong == 1
    for row in rows[6:]:
        row["run"] = 2
    assert checked(rows, skip=["a", "p"]).agree


def test_a_program_that_changes_itself_is_right(checked: Checked) -> None:
    code = {0x0200: "EE 04 02 A2 00 4C 00 02"}  # INC of the operand behind it
    rows = emulated(60, code=code)
    assert [row["bytes"] for row in rows[1::3]][:3] == [[0xA2, 1], [0xA2, 2], [0xA2, 3]]
    for some in (rows, without(rows, "writes"), without(rows, "reads", "writes")):
        report = checked(some)
        assert report.agree
        assert report.memory.compared > 100
    rows[31] = {**rows[31], "bytes": [0xA2, 0x70], "reads": [[0x0203, 0xA2], [0x0204, 0x70]]}
    rows[32:] = [{**row, "run": 1} for row in rows[32:]]
    for some in (rows, without(rows, "writes")):
        assert [str(one) for one in checked(some).memory.contradictions] == [
            "row 31 read 70 at 0204, row 30 wrote 0B there"
        ]
    # Without the operand of INC what it has stored follows from the bytes that were shown.
    (one,) = checked(without(rows, "reads", "writes")).memory.contradictions
    assert str(one) == "row 31 read 70 at 0204, row 30 wrote 0B there"


def test_only_the_first_contradictions_are_listed(checked: Checked) -> None:
    rows = emulated(60, code={0x0200: "A5 80 4C 00 02"})
    for count, row in enumerate(rows):
        row["reads"] = [[at, count % 4 // 2 if at == 0x80 else value] for at, value in row["reads"]]
    report = checked(rows, skip=["a", "p"])
    assert report.memory.wrong == 29
    assert len(report.memory.contradictions) == KEPT
    assert [one.row for one in report.memory.contradictions] == [2, 4, 6, 8, 10]
    assert "  and 24 more" in drawn(report)


@pytest.mark.parametrize("devices", [(0x100, 0xFF), (0, 0x10000), (-1, 5)])
def test_devices_have_addresses(checked: Checked, devices: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="expected addresses, the lower first"):
        checked(ROWS, devices=[devices])


# Parts


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wrong trace with all that is told, in folders of many parts."""
    folder = tmp_path_factory.mktemp("cut")
    rows = [{**row, "reads": [list(pair) for pair in row["reads"]]} for row in interrupted(400)]
    for row in range(5, 400, 7):
        if len(rows[row]["reads"]) > len(rows[row]["bytes"]) > 0:
            rows[row]["reads"][-1][1] ^= 4
    rows[200:] = [{**row, "run": 1} for row in rows[200:]]
    for name, some in (("full", rows), ("bare", without(rows, "reads", "writes"))):
        (folder / name).mkdir()
        for i, start in enumerate(range(0, len(rows), 67)):
            written(folder / name / f"{i}.parquet", some[start : start + 67])
        written(folder / f"{name}.parquet", some)
        singles = folder / f"{name} singly"
        singles.mkdir()
        for i, row in enumerate(some[:40]):
            written(singles / f"{i}.parquet", [row])
        written(folder / f"{name} singly.parquet", some[:40])
    return folder


@pytest.mark.parametrize("name", first_of(["full", "bare singly", "bare", "full singly"], 2))
def test_parts_tell_what_the_whole_does(cut: Path, name: str) -> None:
    whole = compare_trace(cut / f"{name}.parquet")
    apart = compare_trace(cut / name, processes=1)
    assert whole.memory.wrong or "bare" in name
    assert bool(whole.recalled) == ("bare" in name)
    places = ("first_wrong", "first_contradiction", "first_unbuilt")
    one, two = ({**r.to_json(), **dict.fromkeys(places)} for r in (whole, apart))
    assert one == two


@pytest.mark.exhaustive
def test_processes_tell_the_same_even_if_parts_wait_for_memory(
    cut: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [dict(row) for row in ROWS]
    for row in rows[150:]:  # from here on nothing is recorded of what is read
        row["reads"] = []
    path = written(tmp_path / "run.parquet", rows, row_group_size=60)
    whole = compare_trace(path)
    assert whole.recalled
    assert whole.unchecked == {}
    monkeypatch.setattr(parts, "ROWS", 60)
    assert len(parts_of(path)) == 7
    for processes in (1, 2):
        assert compare_trace(path, processes=processes).to_json() == whole.to_json()
    after = Partial()
    for part in parts_of(path):
        after = after.merge(check_part(part, after=after))
    assert after.report().to_json() == whole.to_json()


# Random accesses, against a loop over them


def followed(accesses: Accesses) -> tuple[int, list[str], dict[int, int]]:
    """The same, one access after the other: compared, contradictions, what is known at the end."""
    known: dict[int, tuple[int, int, str]] = {}
    compared, found, resets = 0, [], accesses.resets.tolist()
    for time, address, value, kind in zip(*(one.tolist() for one in accesses[:4]), strict=True):
        while resets and resets[0] <= time:
            resets.pop(0)
            known = {}
        if kind in (UNKNOWN, CHANGED):
            known.pop(address, None)
        if kind == READ and address in known:
            compared += 1
            before, row, how = known[address]
            if before == value:
                continue
            found.append(
                f"row {time // SLOTS:,} read {value:02X} at {address:04X},"
                f" row {row:,} {how} {before:02X} there"
            )
        if kind in (READ, WRITTEN):
            known[address] = value, time // SLOTS, "wrote" if kind == WRITTEN else "read"
    if resets:
        known = {}
    return compared, found, {address: value for address, (value, _, _) in known.items()}


def accesses(seed: int, rows: int, resets: int) -> Accesses:
    """Random ones, to few addresses and of few values."""
    rng = np.random.default_rng(seed)
    kind = rng.choice([0, 0, 0, READ, READ, READ, WRITTEN, UNKNOWN, ASKED, CHANGED], rows * SLOTS)
    time = np.flatnonzero(kind)
    some = len(time)
    return Accesses(
        time, rng.choice([0, 1, 0x1FF, 0xFFFE, 0xFFFF], some).astype(np.uint16),
        rng.integers(0, 2, some).astype(np.uint8), kind[time].astype(np.uint8),
        np.sort(rng.integers(0, rows * SLOTS + 1, resets)),
    )  # fmt: skip


def piece(whole: Accesses, first: int, last: int) -> Memory:
    """What rows from one to another show; a reset at a border is what comes before the next row."""
    low, high = first * SLOTS, last * SLOTS
    some = (whole.time >= low) & (whole.time < high)
    resets = whole.resets[(whole.resets > low) & (whole.resets <= high)]
    four = (one[some] for one in whole[1:4])
    return Memory.of(Accesses(whole.time[some] - low, *four, resets - low))


@settings(max_examples=80, deadline=None)
@given(seed=st.integers(0, 1 << 30), resets=st.integers(0, 3), data=st.data())
def test_pieces_of_memory_merge_as_a_loop_tells(
    seed: int, resets: int, data: st.DataObject
) -> None:
    rows = data.draw(st.integers(1, 12))
    whole = accesses(seed, rows, resets)
    whole = whole._replace(resets=whole.resets[whole.resets > 0])
    edges = sorted(data.draw(st.sets(st.integers(0, rows), max_size=6)) | {0, rows})
    left = [(b - a, piece(whole, a, b)) for a, b in pairwise(edges)]
    while len(left) > 1:
        at = data.draw(st.integers(0, len(left) - 2))
        (some, one), (more, two) = left[at : at + 2]
        left[at : at + 2] = [(some + more, one.merge(two, some))]
    compared, found, known = followed(whole)
    memory = left[0][1]
    assert (memory.compared, memory.wrong) == (compared, len(found))
    assert [str(one) for one in memory.contradictions] == found[:KEPT]
    assert dict(zip(*(one.tolist() for one in memory.known()), strict=True)) == known
