"""Recorded traces: every field, every format, every seam, and every way to be unusable."""

from __future__ import annotations

import importlib.util
import io
import json
import sys
from collections.abc import Callable, Mapping
from functools import cache, reduce
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console
from usual import USUAL, first_of

from carrywave.sim.cases.kinds import BY_KEY, keys_of
from carrywave.sim.cases.layout import READS, WRITES
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.diagnose import diagnosis
from carrywave.sim.family.instructions import BY_MNEMONIC, BY_OPCODE
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.trace import partial, parts, rows
from carrywave.sim.trace.checking import check_part, compare_trace
from carrywave.sim.trace.columns import COLUMNS, LISTS
from carrywave.sim.trace.formats import header_of, parts_of, read_lines
from carrywave.sim.trace.partial import Partial
from carrywave.sim.trace.parts import Part, TraceError
from carrywave.sim.trace.report import TraceReport, draw_trace
from carrywave.sim.witness.comparison import FIELDS, Comparison, differences
from carrywave.sim.witness.model import Model

TRACES = Path(__file__).parents[2] / "examples/traces"
ROWS, STEPS = 8000, 20
COMPARED = ROWS - ROWS // STEPS
STATE = ("pc", "a", "x", "y", "sp", "p")
Columns = dict[str, Any]


def maker() -> Any:
    spec = importlib.util.spec_from_file_location("make_trace", TRACES / "make_trace.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@cache
def recorded(variant: str = "nmos") -> Columns:
    return maker().make_trace(ROWS, STEPS, seed=7, variant=variant)


def copied(rows: int = ROWS) -> Columns:
    """The right trace, to be spoiled; what no trace needs is left out."""
    right = recorded()
    return {name: right[name][:rows].copy() for name in COLUMNS if name in right}


def with_bytes(rows: int = ROWS) -> Columns:
    """The same with the instructions' own bytes instead of all that was read."""
    columns = {name: values for name, values in copied(rows).items() if name[:5] != "read_"}
    return columns | {f"bytes_{i}": values for i, values in enumerate(code(rows).T)}


def code(rows: int = ROWS) -> Any:
    """Each row's own bytes; 0 behind them, and where an event comes."""
    right, found = recorded(), np.zeros((rows, 3), "u1")
    for row, name in enumerate(names_of(rows)):
        if name not in EVENTS:
            length = BY_OPCODE[int(right["read_value_0"][row])].mode.length
            found[row, :length] = [right[f"read_value_{i}"][row] for i in range(length)]
    return found


def names_of(rows: int = ROWS) -> list[str]:
    """What each row counts as."""
    right = recorded()
    three = zip(right["event"], right["p"], right["read_value_0"], strict=True)
    return [
        EVENTS[event] if event > 1 or (event == 1 and not p & 4) else BY_OPCODE[opcode].mnemonic
        for (event, p, opcode), _ in zip(three, range(rows), strict=False)
    ]


def written(path: Path, columns: Mapping[str, Any], **options: Any) -> Path:
    if path.suffix == ".parquet":
        pq.write_table(pa.table(dict(columns)), path, **options)
    else:
        maker().write_trace(columns, str(path))
    return path


def lines(path: Path, *text: str) -> Path:
    path.write_text("".join(f"{line}\n" for line in text), encoding="utf-8")
    return path


def seen(report: TraceReport) -> dict[str, Any]:
    """All but the names of files."""
    told = report.to_json()
    return {name: value for name, value in told.items() if name != "first_wrong"}


def lacking(*absent: int, own: bool = False) -> dict[str, set[str]]:
    """The instructions that lack these bytes, or all but their own ones, by the first in words."""
    words = {"m": "operand", "pull": "pulled byte", "vector": "vector", "address": "pointer"}
    found: dict[str, set[str]] = {}
    for one in BY_KEY.values():
        for place, name in enumerate(one.reads):
            if place in absent or (own and place >= one.mode.length):
                word = words.get(name.partition(".")[0].rstrip("012"), "")
                word = f"bytes_{place}" if place < one.mode.length else word
                found.setdefault(word, set()).add(one.mnemonic)
                break
    return found


def balance(report: TraceReport) -> None:
    """Every row is in one of three heaps."""
    unchecked = sum(sum(shares.values()) for shares in report.unchecked.values())
    assert report.comparison.cases + unchecked + report.unpaired == report.rows


@pytest.fixture(autouse=True)
def unsearched(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """No causes are searched for, which takes longer than all else, but where a test asks."""
    if "searched" not in request.fixturenames:
        monkeypatch.setattr(diagnosis, "diagnose", lambda *evidence: [])


@pytest.fixture
def searched() -> None:
    """Causes are searched for."""


# A right trace, and one wrong bit


@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".parquet"])
def test_a_right_trace_agrees(tmp_path: Path, suffix: str) -> None:
    report = compare_trace(written(tmp_path / f"run{suffix}", copied()))
    assert report.agree
    assert (report.rows, report.comparison.cases, report.unpaired) == (ROWS, COMPARED, ROWS // 20)
    assert set(report.comparison.instructions) == {*BY_MNEMONIC, *EVENTS[1:]}
    assert (report.missing, report.unchecked, report.comparison.skipped) == ((), {}, ())
    assert report.first_wrong is None
    assert len(report.evidence()[0]) == 0


@pytest.mark.parametrize("variant", USUAL)
def test_the_trace_of_each_variant_is_its_own(tmp_path: Path, variant: str) -> None:
    path = written(tmp_path / "run.parquet", recorded(variant))
    agree = {one: compare_trace(path, one).agree for one in VARIANTS}
    assert agree == {one: one == variant for one in VARIANTS}


def spoil(columns: Columns, field: str) -> int:
    """Makes one field wrong in one row, the last but one of its run: no other row is concerned."""
    ends = np.arange(STEPS - 2, ROWS, STEPS)
    if field in ("write_value", "write_address"):
        ends = ends[columns["writes"][ends] > 0]
    row = int(ends[len(ends) // 2])
    if field[:2] == "p.":
        columns["p"][row + 1] ^= 1 << FLAG_BITS[field[2]]
    elif field in STATE:
        columns[field][row + 1] ^= 0x10
    elif field in ("write_value", "write_address"):
        columns[f"{field}_0"][row] ^= 0x80
    elif field == "cycles":
        columns[field][row] += 1
    else:
        columns[field][row] ^= 1
    return row


@pytest.mark.parametrize("field", first_of(FIELDS, 6))
def test_one_wrong_bit_is_found_with_its_row(tmp_path: Path, field: str) -> None:
    suffix = (".csv", ".parquet")[FIELDS.index(field) % 2]
    columns = copied()
    row = spoil(columns, field)
    path = written(tmp_path / f"run{suffix}", columns)
    report = compare_trace(path)
    place = f"row {row} counted from 0" if suffix == ".parquet" else f"line {row + 2}"
    assert report.first_wrong == f"{path}, {place}"
    assert not report.agree
    comparison = report.comparison
    assert (comparison.cases, comparison.mismatches) == (COMPARED, 1)
    assert [tally.fields for tally in comparison.instructions.values() if tally.mismatches] == [
        {field: 1}
    ]
    assert comparison.first is not None
    assert comparison.first.index == row
    assert comparison.first.case["pc"] == columns["pc"][row]


def test_bits_4_and_5_of_p_are_no_flags(tmp_path: Path) -> None:
    columns = copied()
    columns["p"] ^= np.where(np.arange(ROWS) % 3, 0x30, 0x10).astype("u1")
    assert compare_trace(written(tmp_path / "run.parquet", columns)).agree


def test_d_after_reset_is_open_but_on_cmos(tmp_path: Path) -> None:
    for variant in ("nmos", "cmos"):
        columns = {name: values.copy() for name, values in recorded(variant).items()}
        rows = np.flatnonzero(columns["event"] == 3)
        rows = rows[rows % STEPS == STEPS - 2]  # no other row is concerned
        assert len(rows) > 10
        columns["p"][rows + 1] ^= 8
        report = compare_trace(written(tmp_path / "run.parquet", columns), variant)
        said = "D after RESET is unknown on NMOS: not compared." in drawn(report)
        assert report.agree == said == (variant == "nmos")
        assert report.to_json()["unknown"] == ({"RESET": ["p.d"]} if said else {})
        assert report.comparison.mismatches == (0 if said else len(rows))


def test_fields_can_be_skipped(tmp_path: Path) -> None:
    columns = copied()
    spoil(columns, "cycles")
    path = written(tmp_path / "run.parquet", columns)
    report = compare_trace(path, skip=("cycles",))
    assert report.agree
    assert report.comparison.skipped == ("cycles",)
    with pytest.raises(ValueError, match="field 'clocks': expected one of p, pc"):
        compare_trace(path, skip=("clocks",))
    with pytest.raises(TraceError, match="nothing could be compared: every field is skipped"):
        compare_trace(path, skip=FIELDS)


# Parts and seams


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """Sets how many rows a part has."""
    return lambda rows: monkeypatch.setattr(parts, "ROWS", rows)


@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".parquet"])
@pytest.mark.parametrize("rows", first_of([1370, 4999]))
def test_a_file_in_parts_says_the_same(
    tmp_path: Path,
    small: Callable[[int], None],
    suffix: str,
    rows: int,
) -> None:
    columns = copied()
    columns["a"][np.arange(97, ROWS, 101)] ^= 1
    options = {"row_group_size": rows} if suffix == ".parquet" else {}
    path = written(tmp_path / f"run{suffix}", columns, **options)
    whole = compare_trace(path)
    assert whole.comparison.mismatches > 75
    small(rows)
    parts = parts_of(path)
    assert len(parts) >= ROWS // rows - 1
    told: list[int] = []
    report = compare_trace(path, progress=told.append, processes=1)
    assert report.to_json() == whole.to_json()
    for mine, other in zip(report.evidence(), whole.evidence(), strict=True):
        assert len(mine) > 1000
        assert mine.tobytes() == other.tobytes()
    assert told == [*range(1, len(parts) + 1)]
    balance(report)


def in_folder(folder: Path, columns: Columns, edges: list[int]) -> Path:
    """One trace in a folder of parts; numbers without leading zeros."""
    folder.mkdir()
    for i, (start, stop) in enumerate(zip([0, *edges], [*edges, ROWS], strict=True)):
        part = {name: values[start:stop] for name, values in columns.items()}
        written(folder / f"part.{i}.parquet", part)
    (folder / "_SUCCESS.parquet").touch()
    return folder


def test_a_folder_of_parts_is_one_trace(tmp_path: Path) -> None:
    columns = copied()
    columns["p"][np.arange(50, ROWS, 51)] ^= 0x40
    # Seams within a run and between runs, an empty part, and parts of a single row.
    edges = [1000, 1003, 1003, 1004, 2000, 2001, 3111, 3999, 4001, 4002, 7777]
    folder = in_folder(tmp_path / "run", columns, edges)
    report = compare_trace(folder)
    whole = compare_trace(written(tmp_path / "run.parquet", columns))
    assert seen(report) == seen(whole)
    assert whole.comparison.mismatches > 100
    assert report.first_wrong == f"{folder}/part.0.parquet, row 49 counted from 0"
    assert [Path(part.path).name for part in parts_of(folder)][:3] == [
        f"part.{i}.parquet" for i in range(3)
    ]
    assert Path(parts_of(folder)[-1].path).name == "part.11.parquet"


@pytest.mark.parametrize("edge", [1000, 1007, 7999])
def test_the_pair_at_a_seam_is_judged(tmp_path: Path, edge: int) -> None:
    columns = copied()
    columns["x"][edge] ^= 4
    report = compare_trace(in_folder(tmp_path / "run", columns, [edge]))
    if edge % STEPS == 0:  # another run: what came before it does not lead there
        assert report.first_wrong != f"{tmp_path}/run/part.0.parquet, row {edge - 1} counted from 0"
    else:
        assert report.first_wrong == f"{tmp_path}/run/part.0.parquet, row {edge - 1} counted from 0"
        assert report.comparison.first is not None
        assert report.comparison.first.index == edge - 1
        cases, expected, actual = report.evidence()
        assert Comparison.of(cases, expected, actual).mismatches == report.comparison.mismatches


@pytest.mark.exhaustive
def test_several_processes_say_the_same(tmp_path: Path, small: Callable[[int], None]) -> None:
    columns = copied()
    row = spoil(columns, "p.v")
    path = written(tmp_path / "run.csv", columns)
    small(1000)
    assert len(parts_of(path)) > 5
    report = compare_trace(path, processes=2)
    assert report.to_json() == compare_trace(path, processes=1).to_json()
    assert report.first_wrong == f"{path}, line {row + 2}"
    text = path.read_bytes().replace(b"\n", b"\nx", ROWS - 10).replace(b"\nx", b"\n", ROWS - 11)
    path.write_bytes(text)
    with pytest.raises(TraceError) as error:
        compare_trace(path, processes=2)
    assert str(error.value).startswith(f"{path}, line {ROWS - 9}: column ")


@cache
def pieces(folder: Path) -> list[Partial]:
    """Partials of a trace with wrong, unchecked and undocumented rows, cut in odd places."""
    columns = copied(2000)
    columns["a"][np.arange(5, 2000, 77)] ^= 1
    columns["event"][np.arange(9, 2000, 140)] = 0
    columns["read_value_0"][np.arange(9, 2000, 140)] = 0x02
    for name in ("read_value_3", "read_value_4", "write_value_0"):
        del columns[name]
    edges = [0, 1, 2, 2, 5, 6, 140, 141, 150, 151, 400, 1000, 1001, 1999, 2000]
    table = pa.table(columns)
    found = []
    for i, (start, stop) in enumerate(pairwise(edges)):
        # The pieces of one file, and of several.
        path = folder / f"{i // 3}.{i}.parquet"
        pq.write_table(table.slice(start, stop - start), path)
        found.append(check_part(path, skip=("y",)))
    return found


def told(piece: Partial) -> tuple[Any, ...]:
    return (
        piece.comparison.to_json(), piece.files, piece.columns, piece.unchecked,
        piece.unpaired, piece.opcodes, piece.one_write, piece.first_wrong, piece.first_unbuilt,
        piece.head, piece.tail, piece.recalled, piece.entries, piece.asks,
        piece.memory.to_json(), [one.tobytes() for one in piece.memory.known()],
        {name: rows.tobytes() for name, rows in piece.examples.items()},
    )  # fmt: skip


@pytest.fixture(scope="module")
def partials(tmp_path_factory: pytest.TempPathFactory) -> list[Partial]:
    return pieces(tmp_path_factory.mktemp("pieces"))


@settings(max_examples=20, deadline=None)
@given(data=st.data())
def test_pieces_merge_in_any_grouping(partials: list[Partial], data: st.DataObject) -> None:
    one_by_one = reduce(Partial.merge, partials)
    assert one_by_one.rows == 2000
    assert one_by_one.comparison.mismatches > 20
    assert one_by_one.first_unbuilt == 9
    assert one_by_one.memory.compared > 100
    left = [*partials]
    for _ in range(data.draw(st.integers(0, 2))):
        left.insert(data.draw(st.integers(0, len(left))), Partial())
    while len(left) > 1:
        at = data.draw(st.integers(0, len(left) - 2))
        left[at : at + 2] = [left[at].merge(left[at + 1])]
    assert told(left[0]) == told(one_by_one)


def test_nothing_merged_is_no_agreement() -> None:
    with pytest.raises(TraceError, match=r"^trace: nothing could be compared: no rows$"):
        reduce(Partial.merge, [], Partial()).report()


def test_a_part_can_be_checked_anywhere(tmp_path: Path, small: Callable[[int], None]) -> None:
    columns = copied()
    columns["sp"][5003] ^= 1
    path = written(tmp_path / "run.csv", columns)
    small(3000)
    partials = [check_part(part, "nmos") for part in parts_of(path)]
    report = reduce(Partial.merge, partials).report("nmos")
    assert report.to_json() == compare_trace(path).to_json()
    assert report.first_wrong == f"{path}, line 5004"
    assert check_part(path).report().to_json() == report.to_json()


def test_parts_must_have_the_same_columns(tmp_path: Path) -> None:
    folder = in_folder(tmp_path / "run", copied(), [500])
    columns = {name: values[500:] for name, values in copied().items() if name != "read_value_3"}
    written(folder / "part.1.parquet", columns)
    with pytest.raises(TraceError) as error:
        compare_trace(folder)
    one, two = (f"{folder}/part.{i}.parquet" for i in range(2))
    assert str(error.value) == f"{two}: not the columns that {one} has: only one has read_value_3"


def test_every_line_is_in_one_part(tmp_path: Path) -> None:
    path = written(tmp_path / "run.csv", copied(40))
    content, first = path.read_bytes(), header_of(str(path))[1]
    assert content[:first].count(b"\n") == 1
    for cut in range(first, len(content) + 1):
        edges = [(first, cut), (cut, len(content))]
        blocks = [read_lines(Part(str(path), *both), first) for both in edges]
        assert b"".join(data for data, _ in blocks) == content[first:]
        assert blocks[1][1]() == blocks[0][0].count(b"\n")


# What is missing is not compared


@pytest.mark.parametrize(
    ("absent", "skipped", "unchecked"),
    [
        (("cycles",), ("cycles",), {}),
        (("writes",), ("writes",), {}),
        (("write_value_1",), ("write_value",), {}),
        (("write_address_2",), ("write_address",), {}),
        (("writes", "write_value_0"), ("writes", "write_value"), {}),
        (LISTS["read_address"], (), {}),
        (("read_value_4",), (), lacking(4)),
        (("read_value_3",), (), lacking(3)),
        (("read_value_2",), (), lacking(2)),
        (("read_value_1", "read_value_2"), (), lacking(1, 2)),
    ],
)
def test_what_is_not_recorded_is_not_compared(
    tmp_path: Path, absent: tuple[str, ...], skipped: tuple[str, ...], unchecked: dict[str, Any]
) -> None:
    columns = {name: values for name, values in copied().items() if name not in absent}
    report = compare_trace(written(tmp_path / "run.parquet", columns))
    assert report.agree
    assert set(report.missing) == {*absent}
    assert report.comparison.skipped == skipped
    for why, names in unchecked.items():
        assert names <= set(report.unchecked[why])
    # Memory has told some of them, but not what they lead to.
    assert sum(map(len, report.unchecked.values())) - sum(map(len, unchecked.values())) < 8
    balance(report)
    assert (report.comparison.cases < COMPARED) == bool(unchecked)


@pytest.mark.parametrize(
    ("absent", "unchecked"),
    [
        ((), lacking(own=True)),
        (("bytes_2",), lacking(2, own=True)),
        (("bytes_1", "bytes_2"), lacking(1, 2, own=True)),
    ],
)
def test_the_own_bytes_lack_what_is_read_elsewhere(
    tmp_path: Path, absent: tuple[str, ...], unchecked: dict[str, Any]
) -> None:
    columns = {name: values for name, values in with_bytes().items() if name not in absent}
    report = compare_trace(written(tmp_path / "run.parquet", columns))
    assert report.agree
    assert set(report.missing) == {*absent, *LISTS["read_value"], *LISTS["read_address"]}
    for why, names in unchecked.items():
        assert names <= set(report.unchecked[why])
    # Memory has told some of the own bytes, but not what they lead to.
    assert sum(map(len, report.unchecked.values())) - sum(map(len, unchecked.values())) < 8
    balance(report)
    assert report.comparison.cases < COMPARED


def test_the_state_and_the_opcode_are_enough(tmp_path: Path) -> None:
    columns = {name: with_bytes()[name] for name in (*STATE, "bytes_0", "run", "event")}
    report = compare_trace(written(tmp_path / "run.parquet", columns))
    assert report.agree
    assert {"CLC", "TAX", "ASL", "PHA", "INX"} <= set(report.comparison.instructions)
    assert not {"LDA", "BNE", "NMI"} & set(report.comparison.instructions)
    balance(report)


@pytest.mark.parametrize("variant", VARIANTS)
def test_a_row_needs_what_the_model_reads_and_nothing_else(variant: str) -> None:
    cases = sampled_cases(60_000, seed=5, variant=variant)
    key = keys_of(cases)
    right = Model(variant).execute(cases)
    for i in range(1, READS):
        column = cases["read_value"][:, i]
        column ^= 0x41
        differs = np.zeros(len(cases), bool)
        for mask in differences(right, Model(variant).execute(cases)).values():
            differs |= mask
        column ^= 0x41
        needed = rows.NEEDED[key] > i
        assert not (differs & ~needed).any()
        # An operand's address is no part of an outcome, unless it is written to.
        beyond = needed & (rows.OWN[key] <= i)
        readers, used = ({*key[chosen].tolist()} for chosen in (beyond, differs & beyond))
        assert used
        assert used <= readers
        for one in (BY_KEY[unused] for unused in readers - used):
            assert (one.access, one.reads[i][:7]) == ("read", "address")


@pytest.mark.parametrize(
    ("opcode", "variant", "reason", "name"),
    [
        (0x02, "nmos", "undocumented on this variant", "02"),
        (0x02, "cmos", "undocumented on NMOS, and what CMOS adds is not built", "02"),
    ],
)
def test_opcodes_that_are_not_built_are_counted_and_named(
    tmp_path: Path, opcode: int, variant: str, reason: str, name: str
) -> None:
    columns = {one: values.copy() for one, values in recorded(variant).items()}
    wrong = [int(row) for row in np.flatnonzero(columns["event"] == 0)[[50, 70, 90, 900]]]
    wrong = [row for row in wrong if row % STEPS != STEPS - 1]
    columns["read_value_0"][wrong] = opcode
    report = compare_trace(written(tmp_path / "run.csv", columns), variant)
    assert report.comparison.agree
    assert report.unchecked == {reason: {name: len(wrong)}}
    assert report.first_unbuilt == f"{tmp_path}/run.csv, line {wrong[0] + 2}"
    assert f"Not checked, {reason}: {name} {len(wrong)}." in drawn(report)
    balance(report)


def test_an_empty_cell_is_unknown_only_where_it_is_read(tmp_path: Path) -> None:
    columns: Columns = {name: values.astype(object) for name, values in copied().items()}
    right, names = recorded(), names_of()
    for row in range(ROWS):
        for i in range(int(right["reads"][row]), READS):
            columns[f"read_value_{i}"][row] = columns[f"read_address_{i}"][row] = None
        for i in range(int(right["writes"][row]), WRITES):
            columns[f"write_value_{i}"][row] = columns[f"write_address_{i}"][row] = None
        if not right["event"][row]:
            columns["event"][row] = None
    first = next(
        row for row, name in enumerate(names)
        if name == "LDA" and right["reads"][row] == 3 and right["read_value_2"][row]
    )  # fmt: skip
    columns["read_value_2"][first] = None
    for suffix in (".csv", ".jsonl", ".parquet"):
        report = compare_trace(written(tmp_path / f"run{suffix}", columns))
        assert report.agree
        assert report.unchecked == {"operand": {"LDA": 1}}
        balance(report)


@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".parquet"])
def test_either_name_will_do_for_the_own_bytes(tmp_path: Path, suffix: str) -> None:
    """Where one has no value the other may have it; where both have one it is the same."""
    columns: Columns = {name: values.astype(object) for name, values in copied(2000).items()}
    own = code(2000)
    names = names_of(2000)
    for i in range(3):
        columns[f"bytes_{i}"] = own[:, i].astype(object)
        for row in range(i, 2000, 2):
            if names[row] in EVENTS or i >= BY_OPCODE[int(own[row, 0])].mode.length:
                columns[f"bytes_{i}"][row] = 0xA5  # is no byte of this one
            else:
                columns[f"read_value_{i}"][row] = None
    path = written(tmp_path / f"run{suffix}", columns)
    report = compare_trace(path)
    assert report.agree
    assert (report.unchecked, report.comparison.cases) == ({}, 1900)
    row = next(row for row in range(1001, 2000, 2) if names[row] == "PHA")
    columns["bytes_0"][row] = 0x08
    with pytest.raises(TraceError) as error:
        compare_trace(written(path, columns))
    place = f"row {row} counted from 0" if suffix == ".parquet" else (
        f"line {row + (2 if suffix == '.csv' else 1)}"
    )  # fmt: skip
    assert str(error.value) == f"{path}, {place}: bytes_0 is not read_value_0"


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_a_byte_that_was_looked_up_at_the_wrong_address_shows(tmp_path: Path, suffix: str) -> None:
    columns, names = copied(), names_of()
    wrong = [row for row in range(ROWS - 1) if names[row] == "RTS" and row % STEPS < STEPS - 1]
    assert len(wrong) > 30
    columns["read_address_2"][wrong] ^= 0x0100
    report = compare_trace(written(tmp_path / f"run{suffix}", columns))
    assert report.comparison.mismatches == len(wrong)
    assert report.comparison.instructions["RTS"].fields == {"pc": len(wrong)}
    without = {name: values for name, values in columns.items() if name[:12] != "read_address"}
    assert compare_trace(written(tmp_path / f"run{suffix}", without)).agree


def without_first_writes(columns: Columns, runs: slice = slice(None)) -> list[int]:
    """Leaves out the unmodified bytes that NMOS writes first."""
    chosen = [
        row for row in range(*runs.indices(len(columns["pc"])))
        if columns["writes"][row] == 2
        and columns["write_address_0"][row] == columns["write_address_1"][row]
    ]  # fmt: skip
    for name in ("write_value", "write_address"):
        columns[f"{name}_0"][chosen] = columns[f"{name}_1"][chosen]
        columns[f"{name}_1"][chosen] = 0
    columns["writes"][chosen] = 1
    return chosen


@pytest.mark.parametrize(
    "absent", [(), ("writes",), ("write_value_0",), ("writes", "write_value_0")]
)
def test_the_first_write_of_a_modify_may_be_left_out(
    tmp_path: Path, absent: tuple[str, ...]
) -> None:
    columns = copied()
    chosen = without_first_writes(columns, slice(None, None, 2))
    assert len(chosen) > 300
    there = {name: values for name, values in columns.items() if name not in absent}
    path = written(tmp_path / "run.parquet", there)
    report = compare_trace(path)
    assert report.agree
    seen = sum(row % STEPS < STEPS - 1 for row in chosen)
    assert report.one_write == (0 if "writes" in absent else seen)
    said = f"Not counted: NMOS's write of the unmodified byte, left out in {seen} cases."
    assert (said in drawn(report)) == ("writes" not in absent)
    row = next(row for row in chosen if row % STEPS < STEPS - 1)
    for name, field in (("write_value_0", "write_value"), ("write_address_0", "write_address")):
        if name not in absent:
            there[name][row] ^= 0x40
            report = compare_trace(written(path, there))
            there[name][row] ^= 0x40
            assert report.comparison.mismatches == 1
            (tally,) = (t for t in report.comparison.instructions.values() if t.mismatches)
            assert field in tally.fields
            assert report.comparison.first is not None
            assert report.comparison.first.index == row


# Columns and numbers


def hexadecimal(values: Any, prefix: str = "") -> list[str]:
    return [f"{prefix}{value:02X}" for value in values.tolist()]


@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".parquet"])
@pytest.mark.parametrize("prefix", first_of(["$", "", "0x", "\t $"]))
def test_numbers_may_be_hexadecimal(tmp_path: Path, suffix: str, prefix: str) -> None:
    columns = copied(2000)
    row = 401
    columns["y"][row] ^= 2
    decimal = compare_trace(written(tmp_path / f"decimal{suffix}", columns))
    columns = {
        name: values if name == "run" else hexadecimal(values, prefix)
        for name, values in columns.items()
    }
    report = compare_trace(written(tmp_path / f"run{suffix}", columns), hex=not prefix)
    assert seen(report) == seen(decimal)
    assert report.comparison.first is not None
    assert report.comparison.first.index == row - 1


@pytest.mark.parametrize("dtype", ["i8", "u4", "f8"])
def test_wider_numbers_are_the_same(tmp_path: Path, dtype: str) -> None:
    columns = {name: values.astype(dtype) for name, values in copied(2000).items()}
    there = columns["event"] <= 1  # a Boolean has no more
    columns["run"] = columns["run"] + 1000 * np.cumsum(~there)
    columns = {name: values[there] for name, values in columns.items()}
    columns["event"] = columns["event"] > 0
    assert compare_trace(written(tmp_path / "run.parquet", columns)).agree


def test_columns_may_be_mapped(tmp_path: Path) -> None:
    columns = copied(2000)
    columns["S"] = columns.pop("sp")
    columns["p"], columns["flags"] = columns["a"], columns["p"]
    path = written(tmp_path / "run.csv", columns)
    report = compare_trace(path, columns={"sp": "S", "p": "flags"})
    assert report.agree
    assert report.missing == ()


def test_columns_are_found_in_either_case(tmp_path: Path) -> None:
    columns = {name.upper(): values for name, values in copied(2000).items()}
    report = compare_trace(written(tmp_path / "run.csv", columns))
    assert report.agree
    assert report.missing == ()


def test_other_columns_are_no_harm(tmp_path: Path) -> None:
    columns: Columns = {"note": ["LDA, é", "x"] * 1000, **copied(2000), "1": [[1]] * 2000}
    assert compare_trace(written(tmp_path / "run.parquet", columns)).agree
    text = "\n".join(
        f'{line},"LDA, {i}",7' if i else f"{line},note,note"
        for i, line in enumerate(written(tmp_path / "a.csv", copied(50)).read_text().splitlines())
    )
    path = tmp_path / "run.csv"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode("latin-1") + b"\r\n\r\n")
    report = compare_trace(path)
    assert report.agree
    assert report.rows == 50


def test_bytes_may_be_one_column(tmp_path: Path) -> None:
    columns = with_bytes(2000)
    three = np.stack([columns.pop(f"bytes_{i}") for i in range(3)], axis=1).tolist()
    names = names_of(2000)
    lists = [
        one[: 0 if name in EVENTS else BY_OPCODE[one[0]].mode.length]
        for one, name in zip(three, names, strict=True)
    ]
    whole = compare_trace(written(tmp_path / "a.parquet", with_bytes(2000)))
    for i, values in enumerate((
        [bytes(one).hex() for one in lists],
        [bytes(one).hex(" ").upper() for one in lists],
        pa.array([bytes(one).hex(" ") for one in lists]).dictionary_encode(),
        lists,
        three,
    )):  # fmt: skip
        for suffix in (".parquet", ".jsonl", ".csv") if i < 2 else (".parquet", ".jsonl"):
            if suffix == ".jsonl" and i == 2:
                continue
            path = written(tmp_path / f"run{suffix}", {**columns, "bytes": values})
            report = compare_trace(path)
            assert seen(report) == seen(whole)
    row = next(row for row, one in enumerate(lists) if len(one) > 1 and row % STEPS < STEPS - 1)
    lists[row] = lists[row][:1]
    report = compare_trace(written(tmp_path / "b.parquet", {**columns, "bytes": lists}))
    assert report.rows == 2000
    assert report.unchecked["bytes_1"] == {names[row]: 1}


def listed(rows: int) -> dict[str, list[list[int]]]:
    """What was read and written, of each row a list."""
    right = recorded()
    return {
        name: [
            [int(right[f"{name}_{i}"][row]) for i in range(int(right[count][row]))]
            for row in range(rows)
        ]
        for count, each in (("reads", "read"), ("writes", "write"))
        for name in (f"{each}_value", f"{each}_address")
    }


@pytest.mark.parametrize("form", first_of(["lists", "hex digits", "pairs"]))
@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".parquet"])
def test_what_was_read_and_written_may_be_one_column(
    tmp_path: Path, form: str, suffix: str
) -> None:
    """How many writes there were follows: it takes no column of its own."""
    if suffix == ".csv" and form != "hex digits":
        return  # a cell has no list
    columns: Columns = {name: values for name, values in copied(2000).items() if name[-2:-1] != "_"}
    del columns["writes"]
    lists: dict[str, Any] = listed(2000)
    if form == "hex digits":
        lists = {
            name: ["".join(f"{one:0{4 if 'address' in name else 2}X}" for one in row)
                   for row in rows]
            for name, rows in lists.items()
        }  # fmt: skip
    elif form == "pairs":
        lists = {
            f"{each}s": [
                [list(pair) for pair in zip(*both, strict=True)]
                for both in zip(lists[f"{each}_address"], lists[f"{each}_value"], strict=True)
            ]
            for each in ("read", "write")
        }
    path = written(tmp_path / f"run{suffix}", {**columns, **lists})
    report = compare_trace(path)
    assert report.agree
    assert (report.missing, report.unchecked, report.comparison.skipped) == ((), {}, ())
    assert report.comparison.cases == 1900
    # One write more than there is, and one byte read elsewhere.
    counts = recorded()["writes"][:2000]
    row = next(row for row in range(2000) if counts[row] == 1 and row % STEPS < STEPS - 1)
    last = "writes" if form == "pairs" else "write_value"
    lists[last][row] += lists[last][row]
    report = compare_trace(written(path, {**columns, **lists}))
    assert report.comparison.mismatches == 1
    assert report.comparison.first is not None
    assert report.comparison.first.index == row
    assert report.comparison.first.actual["writes"] == 2


def test_one_form_of_a_column_is_enough(tmp_path: Path) -> None:
    row = json.loads(JSON_ROW)
    for more, told in (
        ({"reads": [[512, 234]], "read_value": [234]}, "reads stands for read_address, read_value"),
        ({"bytes_0": 234}, "bytes stands for bytes_0, bytes_1, bytes_2"),
        ({"writes": [], "write_address": [1]}, "writes stands for write_address, write_value"),
    ):
        path = lines(tmp_path / "run.jsonl", *[json.dumps({**row, **more})] * 2)
        with pytest.raises(TraceError) as error:
            compare_trace(path)
        assert str(error.value) == f"{path}: column {told}: not for both"


@pytest.mark.parametrize("leave_out", [False, True])
def test_json_lines_may_leave_keys_out(
    tmp_path: Path, small: Callable[[int], None], leave_out: bool
) -> None:
    right, lists, own = recorded(), listed(160), code()
    names, objects = names_of(), []
    for row in range(160):
        one = {name: int(right[name][row]) for name in (*STATE, "run")}
        length = 0 if names[row] in EVENTS else BY_OPCODE[own[row, 0]].mode.length
        one["bytes"] = own[row, :length].tolist()
        if len(lists["read_value"][row]) > length:
            one["read_value"] = lists["read_value"][row]
        if right["event"][row]:
            one["event"] = EVENTS[right["event"][row]]
        pairs = zip(lists["write_address"][row], map(hex, lists["write_value"][row]), strict=True)
        one["writes"] = [list(pair) for pair in pairs]
        objects.append({name: value for name, value in one.items() if value or not leave_out})
        if leave_out:
            objects[-1] |= {name: one[name] for name in (*STATE, "run")}
    path = lines(tmp_path / "run.jsonl", *map(json.dumps, objects))
    report = compare_trace(path)
    assert report.agree
    assert report.comparison.skipped == ("cycles",)
    assert report.unchecked == {}
    assert report.comparison.cases == 152
    small(3)  # in many a part nothing is written
    assert compare_trace(path, processes=1).to_json() == report.to_json()


# Unusable traces

HEADER = "pc,a,x,y,sp,p,bytes"
ROW = "512,1,2,3,255,48,EA"


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([], ": the file is empty"),
        ([HEADER], ": nothing could be compared: no rows"),
        ([HEADER, ROW], ": nothing could be compared: without a next row 1"),
        (["pc,a,x,y,bytes", ROW], ": no column sp, p; it has pc, a, x, y, bytes"),
        (["pc,a,x,y,sp,p", ROW], ": no column bytes_0; it has pc, a, x, y, sp, p"),
        (["one;two", ROW], ": no column pc, a, x, y, sp, p, bytes_0; it has one;two"),
        ([HEADER, ROW, ROW[:5]], ", line 3: 2 fields, but the header has 7"),
        ([HEADER, ROW, "", ROW], ", line 3: no pc"),
        ([HEADER, ROW, f"{ROW},9", ROW], ", line 3: 8 fields, but the header has 7"),
        (
            [HEADER, ROW, "512,1,2,256,255,48,EA"],
            ", line 3: column y is '256': not in the range 0 to 255",
        ),
        (
            [HEADER, "512,1,2,-1,255,48,EA", ROW],
            ", line 2: column y is '-1': not in the range 0 to 255",
        ),
        (
            [HEADER, ROW, "99999,1,2,3,4,48,EA"],
            ", line 3: column pc is '99999': not in the range 0 to 65535",
        ),
        ([HEADER, ROW, "512,0x1F,2,x3,255,48,EA"], ", line 3: column y is 'x3': no number"),
        ([HEADER, ROW, "512,1F,2,3,255,48,EA"], ", line 3: column a is '1F': no number"),
        ([HEADER, ROW, "512,1.0,2,3,255,48,EA"], ", line 3: column a is '1.0': no number"),
        ([HEADER, ROW, "512,1,2,,255,48,EA"], ", line 3: no y"),
        ([HEADER, ROW, "512,1,2,3,255,48,"], ", line 3: no bytes_0"),
        (
            [HEADER, ROW, "512,1,2,3,255,48,EAE"],
            ", line 3: column bytes is 'EAE': expected bytes in hex, 3 at most",
        ),
        (
            [HEADER, ROW, "512,1,2,3,255,48,EA000000"],
            ", line 3: column bytes is 'EA000000': expected bytes in hex, 3 at most",
        ),
        (
            [HEADER, ROW, "x,1,2,3,255,48,EA", "1,x,2,3,255,48,EA"],
            ", line 3: column pc is 'x': no number",
        ),
        (
            [HEADER, ROW, "1,1,2,3,255,x,EA", "x,2,2,3,255,48,EA"],
            ", line 3: column p is 'x': no number",
        ),
        (
            [f"{HEADER},event", f"{ROW},NMO", f"{ROW},0"],
            ", line 2: column event is 'NMO': no number",
        ),
        (
            [f"{HEADER},event", f"{ROW},4", f"{ROW},0"],
            ", line 2: column event is '4': not in the range 0 to 3",
        ),
        (
            [f"{HEADER},bytes_0", f"{ROW},0"],
            ": column bytes stands for bytes_0, bytes_1, bytes_2: not for both",
        ),
        ([f"{HEADER},a", f"{ROW},0"], ": column a is there 2 times"),
        (
            [f"{HEADER},cycles", *[f"{ROW[:-2]}A5 10,"] * 3],
            ": nothing could be compared: without operand 2 (LDA); without a next row 1",
        ),
        (
            [HEADER, *[f"{ROW[:-2]}02"] * 3],
            ": nothing could be compared: undocumented on this variant 2 (02);"
            " without a next row 1",
        ),
        (
            [HEADER, *[f"{ROW[:-2]}B110"] * 2],
            ": nothing could be compared: without pointer 1 (LDA); without a next row 1",
        ),
        (
            [HEADER.replace("bytes", "read_value"), *[f"{ROW[:-2]}A9"] * 2],
            ": nothing could be compared: without bytes_1 1 (LDA); without a next row 1",
        ),
        (
            [HEADER.replace("bytes", "read_value"), ROW, f"{ROW}0102030405"],
            ", line 3: column read_value is 'EA0102030405': expected bytes in hex, 5 at most",
        ),
        (
            [f"{HEADER},read_address", f"{ROW},0200", f"{ROW},200"],
            ", line 3: column read_address is '200': expected addresses in hex, 5 at most",
        ),
        (
            [f"{HEADER},run", f"{ROW},1", f"{ROW},2"],
            ": nothing could be compared: without a next row 2",
        ),
    ],
)
def test_an_unusable_csv_is_one_line(tmp_path: Path, rows: list[str], message: str) -> None:
    path = lines(tmp_path / "run.csv", *rows)
    with pytest.raises(TraceError) as error:
        compare_trace(path)
    assert str(error.value) == f"{path}{message}"


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ({"sp": "S1"}, "{}: no column S1; did you mean S?"),
        ({"sp": "stack"}, "{}: no column stack: one of pc, a, x, y, S, p, bytes"),
        ({"cycle": "S"}, "column cycle: no such column; did you mean cycles?"),
    ],
)
def test_a_mapped_column_must_be_there(
    tmp_path: Path, columns: dict[str, str], message: str
) -> None:
    path = lines(tmp_path / "run.csv", HEADER.replace("sp", "S"), ROW, ROW)
    with pytest.raises(TraceError) as error:
        compare_trace(path, columns=columns)
    assert str(error.value) == message.format(path)


@pytest.mark.parametrize("cut", [1, 4, 12])
def test_a_torn_last_line_is_told(tmp_path: Path, cut: int) -> None:
    path = lines(tmp_path / "run.csv", HEADER, ROW, ROW, ROW)
    path.write_bytes(path.read_bytes()[:-cut])
    with pytest.raises(TraceError) as error:
        compare_trace(path)
    assert str(error.value) == f"{path}, line 4: the last line is torn, or lacks its line end"


JSON_ROW = '{"pc": 512, "a": 1, "x": 2, "y": 3, "sp": 255, "p": 48, "bytes": [234]}'


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([JSON_ROW, JSON_ROW[:20]], ", line 2: no JSON object"),
        ([JSON_ROW, "[1]"], ", line 2: no JSON object"),
        ([JSON_ROW, "", JSON_ROW], ", line 2: no JSON object"),
        (
            [JSON_ROW, JSON_ROW.replace(": 2,", ": " + "300,")],
            ", line 2: column x is 300: not in the range 0 to 255",
        ),
        (
            [JSON_ROW, JSON_ROW.replace(": 2,", ": " + '"q",')],
            ", line 2: column x is 'q': no number",
        ),
        (
            [JSON_ROW, JSON_ROW.replace(": 2,", ": " + "2.5,")],
            ", line 2: column x is 2.5: not in the range 0 to 255",
        ),
        (
            [JSON_ROW, JSON_ROW.replace("234", "234,1,2,3")],
            ", line 2: column bytes has 4 entries: expected 3 at most",
        ),
        (
            [JSON_ROW, JSON_ROW.replace("234", "234,256")],
            ", line 2: column bytes is 256: not in the range 0 to 255",
        ),
        (
            [JSON_ROW, JSON_ROW.replace("[234]", "7")],
            ", line 2: column bytes is 7, unlike before",
        ),
        (
            [JSON_ROW.replace("[234]", "7")],
            ", line 1: column bytes has values of type int64: expected lists",
        ),
        (
            [JSON_ROW.replace("}", ', "reads": [[512, 234], [513]]}')],
            ", line 1: column reads has an entry that is no pair",
        ),
        (
            [
                JSON_ROW.replace("}", ', "writes": [[1, 2]]}'),
                JSON_ROW.replace("}", ', "writes": [[1, 2], [3, 256]]}'),
            ],
            ", line 2: column writes has a second number above 255",
        ),
        (
            [JSON_ROW.replace("}", ', "writes": [[65536, 2]]}')],
            ", line 1: column writes is 65536: not in the range 0 to 65535",
        ),
        (
            [JSON_ROW.replace("}", ', "writes": [[1, 2], [1, 2], [1, 2], [1, 2]]}')],
            ", line 1: column writes has 4 entries: expected 3 at most",
        ),
        (
            [JSON_ROW.replace(": 2,", ": " + "[2],")],
            ", line 1: column x has values of type list<item: int64>: expected numbers",
        ),
        (
            [JSON_ROW.replace(": 2,", ": " + "9" * 30 + ",")],
            ", line 1: column x is 1e+30: not in the range 0 to 255",
        ),
    ],
)
def test_unusable_json_lines_are_one_line(tmp_path: Path, rows: list[str], message: str) -> None:
    path = lines(tmp_path / "run.jsonl", *rows)
    with pytest.raises(TraceError) as error:
        compare_trace(path)
    assert str(error.value) == f"{path}{message}"


def test_unusable_parquet_is_one_line(tmp_path: Path) -> None:
    columns: Columns = {name: values.astype("i4") for name, values in copied().items()}
    columns["x"][7000] = 256
    path = written(tmp_path / "run.parquet", columns, row_group_size=1999)
    with pytest.raises(TraceError) as error:
        compare_trace(path)
    assert str(error.value) == (
        f"{path}, row 7000 counted from 0: column x is 256: not in the range 0 to 255"
    )
    path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(TraceError) as error:
        compare_trace(path)
    assert str(error.value).startswith(f"{path}: no Parquet file, or cut off: Parquet magic bytes")
    assert "\n" not in str(error.value)
    path = written(tmp_path / "run.parquet", columns, compression="zstd", row_group_size=1999)
    damaged = bytearray(path.read_bytes())
    damaged[len(damaged) // 2 :][:3000] = bytes(3000)
    damaged[len(damaged) // 2 : len(damaged) // 2 + 3000] = bytes(3000)
    path.write_bytes(damaged)
    with pytest.raises(TraceError, match=r"run\.parquet, row \d+ .* or later: unreadable: "):
        check_part(Part(str(path), 4, 8))


@pytest.mark.parametrize("suffix", [".csv", ".jsonl"])
def test_one_bad_value_among_many_rows_is_named(
    tmp_path: Path, small: Callable[[int], None], suffix: str
) -> None:
    columns = copied()
    columns["sp"] = columns["sp"].astype(str).astype(object)
    columns["sp"][6_789] = "1O"
    path = written(tmp_path / f"run{suffix}", columns)
    small(666)
    assert len(parts_of(path)) > 10
    with pytest.raises(TraceError) as error:
        compare_trace(path, processes=1)
    line = 6_789 + (2 if suffix == ".csv" else 1)
    assert str(error.value) == f"{path}, line {line}: column sp is '1O': no number"


def test_what_is_no_trace_at_all_is_told(tmp_path: Path) -> None:
    (tmp_path / "run.log").write_text("x")
    (tmp_path / "empty").mkdir()
    for name, message in (
        ("none.csv", "no such file or folder"),
        ("run.log", "the suffix must be one of .csv, .jsonl, .parquet, or this be a folder"),
        ("empty", "no .parquet file in this folder"),
    ):
        with pytest.raises(TraceError) as error:
            compare_trace(tmp_path / name)
        assert str(error.value) == f"{tmp_path / name}: {message}"
    with pytest.raises(ValueError, match="variant 'pmos': expected one of nmos"):
        compare_trace(lines(tmp_path / "run.csv", HEADER, ROW, ROW), "pmos")


def test_without_pyarrow_one_line_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = lines(tmp_path / "run.csv", HEADER, ROW, ROW)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(TraceError) as error:
        compare_trace(path)
    assert str(error.value) == (
        "traces are read by pyarrow, which is not installed: pip install 'carrywave[trace]'"
    )


# The report


def drawn(report: TraceReport) -> list[str]:
    console = Console(file=io.StringIO(), width=100, color_system=None)
    draw_trace(report, console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


def test_the_report_says_what_was_not_compared(tmp_path: Path) -> None:
    columns = copied()
    columns["event"][3], columns["read_value_0"][3] = 0, 0x02
    for name in ("cycles", "read_value_3", *LISTS["read_address"], *LISTS["write_value"]):
        del columns[name]
    reads = recorded()["reads"]
    row = next(row for row in range(STEPS * 99 - 2, ROWS, STEPS) if reads[row] <= 3)
    columns["p"][row + 1] ^= 1
    path = written(tmp_path / "run.csv", columns)
    report = compare_trace(path)
    text = drawn(report)
    assert text[:2] == [
        "nmos, a trace of 8,000 rows.",
        "Not recorded: read_value_3, read_address, cycles, write_value.",
    ]
    for i, reason in ((2, "operand"), (3, "pointer"), (4, "pulled byte")):
        shares = report.unchecked[reason].items()
        listed = ", ".join(f"{name} {count:,}" for name, count in shares)
        assert text[i] == f"Not checked, without {reason}: {listed}."
    assert text[5:7] == [
        "Not checked, undocumented on this variant: 02 1.",
        f"The first opcode that is not built: {path}, line 5.",
    ]
    assert text[7:9] == [
        "Not checked, without a next row: 400.",
        f"The first wrong row: {path}, line {row + 2}.",
    ]
    assert text[9].startswith("Not recorded, but shown by memory before: pointer of ")
    assert text[10].startswith("Memory: ")
    assert text[11].startswith("Disagree: 1 of 5,")
    assert text[12] == "Not compared: cycles, write_value."
    assert any(line.startswith("First wrong case: ") for line in text)
    assert f"Covered: {len(report.coverage.opcodes)} of 151 documented opcodes." in text
    assert 90 < len(report.coverage.opcodes) < len(BY_OPCODE)


def test_a_wrong_instruction_leaves_evidence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(partial, "EXAMPLES", 5)
    columns = copied()
    right = recorded()
    adding = (right["event"] == 0) & np.isin(right["read_value_0"], [0x69, 0x65, 0x6D])
    rows = np.flatnonzero(adding[:-1] & (np.arange(ROWS - 1) % STEPS != STEPS - 1))
    # What comes next must change V or not look at it, or the row after that is wrong too.
    rows = rows[np.isin(columns["read_value_0"][rows + 1], [0xB8, 0x69, 0xE9, 0x24, 0x2C, 0x28])]
    rows = rows[columns["event"][rows + 1] == 0]
    assert len(rows) > 5
    columns["p"][rows + 1] ^= 0x40
    report = compare_trace(written(tmp_path / "run.parquet", columns))
    cases, expected, actual = report.evidence()
    found = Comparison.of(cases, expected, actual)
    assert set(found.instructions) == {"ADC"}
    assert found.instructions["ADC"].fields == {"p.v": 5}
    assert found.cases == 10
    assert report.comparison.instructions["ADC"].fields == {"p.v": len(rows)}


@pytest.mark.usefixtures("searched")
def test_json_of_a_report_is_plain(tmp_path: Path) -> None:
    columns = copied()
    spoil(columns, "a")
    report = compare_trace(written(tmp_path / "run.csv", columns))
    told = json.loads(json.dumps(report.to_json()))
    assert told == report.to_json()
    assert not told["agree"]
    assert told["variant"] == "nmos"
    assert told["mismatches"] == 1
    assert told["first_wrong"].startswith(str(tmp_path))
    assert told["first"]["index"] + 2 == int(told["first_wrong"].split()[-1])


# The examples


@pytest.mark.usefixtures("searched")
def test_the_example_traces_show_one_mistake() -> None:
    right = compare_trace(TRACES / "right.csv", hex=True)
    assert right.agree
    assert right.comparison.cases == 15
    wrong = compare_trace(TRACES / "wrong.csv", hex=True)
    assert wrong.first_wrong == f"{TRACES / 'wrong.csv'}, line 3"
    assert wrong.comparison.instructions["ADC"].fields == {"p.v": 2}
    assert wrong.comparison.mismatches == 2
    told = wrong.to_json()
    assert [cause["instruction"] for cause in told["likely"]] == ["ADC"]
    assert told["first"]["command"] == "carrywave op ADC 0x50 0x50"
    assert right.to_json()["likely"] == []
