"""The readers of traces: what is hostile is refused in one line, and what is text is read alike."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from carrywave.sim.trace.checking import compare_trace
from carrywave.sim.trace.columns import Columns
from carrywave.sim.trace.formats import parts_of, read_part
from carrywave.sim.trace.parts import TraceError
from carrywave.sim.trace.rows import cases_of

HEADER = "pc,a,x,y,sp,p,bytes"
ROW = "512,1,2,3,255,48,EA"
JSON_ROW = '{"pc": 512, "a": 1, "x": 2, "y": 3, "sp": 255, "p": 48, "bytes": [234]}'


def lines(path: Path, *text: str) -> Path:
    path.write_text("".join(f"{line}\n" for line in text))
    return path


def read(path: Path, as_hex: bool = False) -> list[int]:
    """Column a."""
    found = []
    for part in parts_of(path):
        for block in read_part(part, Columns({}, as_hex)):
            found += cases_of(block)[0]["a"].tolist()
    return found


def refused(path: Path) -> str:
    with pytest.raises(TraceError) as error:
        read(path)
    assert str(error.value).startswith(str(path))
    return str(error.value).removeprefix(str(path))


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (
            [f"{HEADER}\r{ROW}\r{ROW}"],
            ", line 1: a CR within the line: lines end with LF or CR LF",
        ),
        (
            [HEADER, ROW, f"{ROW}\r{ROW}", ROW],
            ", line 3: a CR within the line: lines end with LF or CR LF",
        ),
        (
            [HEADER, ROW, "512,1,\r,3,255,48,EA", ROW],
            ", line 3: a CR within the line: lines end with LF or CR LF",
        ),
        ([HEADER, ROW, '512,1,2,3,255,48,"EA', ROW], ", line 3: a quotation that does not end"),
        ([f"{HEADER},{'x' * 131_073}", ROW], ", line 1: field larger than field limit (131072)"),
        ([f"{HEADER}{',x' * 600_000}", ROW], ": the line at byte 0 is longer than 1,048,576 bytes"),
        (
            [HEADER, ROW, f"512,{'9' * 5000},2,3,255,48,EA"],
            f", line 3: column a is '{'9' * 60}...': no number",
        ),
        (
            [HEADER, ROW, "512,\x1b[2J,2,3,255,48,EA"],
            ", line 3: column a is '\\x1b[2J': no number",
        ),
    ],
)
def test_an_odd_csv_is_refused(tmp_path: Path, rows: list[str], message: str) -> None:
    assert refused(lines(tmp_path / "run.csv", *rows)) == message


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (
            [JSON_ROW.replace(": 2,", ": " + "[" * 100_000 + "]" * 100_000 + ",")],
            ", line 1: no JSON object",
        ),
        ([JSON_ROW] * 1000 + ['{"a":' * 100_000], ", line 1001: no JSON object"),
        (
            [JSON_ROW.replace(": 2,", ": " + "9" * 5000 + ",")],
            ", line 1: a number of too many digits",
        ),
        ([JSON_ROW, JSON_ROW.replace("{", '{"x": 2, ')], ", line 2: key 'x' is there 2 times"),
        (
            [JSON_ROW.replace(": 2,", ": NaN,")],
            ", line 1: column x is nan: not in the range 0 to 255",
        ),
        (
            [JSON_ROW.replace(": 2,", ': "2020-01-01",')],
            ", line 1: column x is '2020-01-01': no number",
        ),
        (
            [JSON_ROW, JSON_ROW.replace(": 2,", ': "\\ud800",')],
            ", line 2: column x is '\\\\ud800': no number",
        ),
        (
            [JSON_ROW.replace(": 2,", ": [1, [2]],")],
            ", line 1: column x is [1, [2]], unlike before",
        ),
        (
            [JSON_ROW, JSON_ROW.replace("[234]", "[[234], 1]")],
            ", line 2: column bytes is [[234], 1], unlike before",
        ),
        ([f"{JSON_ROW}\r{JSON_ROW}", JSON_ROW], ", line 1: no JSON object"),
        ([JSON_ROW, "", JSON_ROW * 2], ", line 2: no JSON object"),
        ([JSON_ROW * 2, " ", JSON_ROW], ", line 1: no JSON object"),
        ([JSON_ROW, JSON_ROW.replace(": 2,", ": {},")], ", line 2: column x is '{}': no number"),
    ],
)
def test_odd_json_lines_are_refused(tmp_path: Path, rows: list[str], message: str) -> None:
    assert refused(lines(tmp_path / "run.jsonl", *rows)) == message


@pytest.mark.parametrize("as_hex", [False, True])
@pytest.mark.parametrize(
    "text",
    ["16", " 16\t", "007", "0x1F", "0X1f", "$1F", " $1f ", "0x0005", "1F", "255", "256", "-1", "-0",
     "+5", "5.0", "1e2", "1_0", "0b1", "٣", "\xa05", "true", "nan", "inf", "2020-01-01", "12:30",
     "9" * 30, "9" * 5000, "0x", "-", "null", "\x1b[1m", "x" * 5000],
)  # fmt: skip
def test_text_is_a_number_or_none_alike_in_each_format(
    tmp_path: Path, text: str, as_hex: bool
) -> None:
    def told(path: Path) -> list[Any]:
        try:
            return read(path, as_hex)
        except TraceError as error:
            where, _, what = str(error).partition(": ")
            return [re.sub(r".*(line|row) (\d).*", r"\2", where), what]

    state = json.loads(JSON_ROW) | {"sp": 99, "bytes": "EA"}
    rows = [state | {"a": "1"}, state | {"a": text}]
    # A number of JSON is decimal whatever its neighbours are.
    mixed = [state | {"a": 16}, state | {"a": text}]
    cells = [",".join(map(str, row.values())) for row in ({name: name for name in state}, *rows)]
    of_csv = told(lines(tmp_path / "a.csv", *cells))
    of_json = told(lines(tmp_path / "a.jsonl", *map(json.dumps, rows)))
    of_mixed = told(lines(tmp_path / "b.jsonl", *map(json.dumps, mixed)))
    pq.write_table(pa.Table.from_pylist(rows), tmp_path / "a.parquet")
    of_parquet = told(tmp_path / "a.parquet")
    if isinstance(of_csv[0], int):
        assert of_csv == of_json == of_parquet == [1, of_mixed[1]]
        assert of_mixed[0] == 16
    else:
        assert [of_csv[0], of_json[0], of_mixed[0], of_parquet[0]] == ["3", "2", "2", "1"]
        assert of_csv[1] == of_json[1] == of_mixed[1] == of_parquet[1]


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        ("[]", "[[1, 2]]", ""),
        ("[]", "[]", ""),
        ("null", "[[1, 2]]", ""),
        ("[null]", "[[1, 2]]", ", line 1: column writes has an entry that is no pair"),
        ("[null]", "[null]", ", line 1: column writes has an entry that is no pair"),
        ("[[1, 2]]", "[null, [1, 2]]", ", line 2: column writes has an entry that is no pair"),
        ("[[null, 2]]", "[[1, 2]]", ""),
        ("[[1, null]]", "[[null, null], [1, 2]]", ""),
    ],
)
def test_lists_may_begin_with_nothing(
    tmp_path: Path, first: str, second: str, message: str
) -> None:
    rows = [JSON_ROW.replace("}", f', "writes": {value}}}') for value in (first, second)]
    path = lines(tmp_path / "run.jsonl", *rows)
    if message:
        assert refused(path) == message
    else:
        assert read(path) == [1, 1]


def test_a_list_of_nothing_and_a_list_is_no_number(tmp_path: Path) -> None:
    path = lines(tmp_path / "run.jsonl", JSON_ROW.replace(": 1,", ": [null, []],"))
    assert refused(path).startswith(", line 1: column a has values of type list<")
    path = lines(tmp_path / "run.jsonl", JSON_ROW.replace("[234]", "[null, []]"))
    assert refused(path).startswith(", line 1: column bytes has values of type list<")


def test_a_line_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("run.csv", "run.jsonl"):
        path = tmp_path / name
        with path.open("wb") as file:
            file.truncate(1 << 34)  # it takes no room
        assert refused(path) == ": the line at byte 0 is longer than 1,048,576 bytes"
        path.unlink()
        path.symlink_to("/dev/zero")
        assert refused(path) == ": the file is empty"


def test_many_columns_take_no_longer_than_their_number(tmp_path: Path) -> None:
    many = 200_000  # to compare each with each would take an hour
    path = lines(tmp_path / "run.csv", HEADER + ",x1" * many, *[ROW + "," * many] * 2)
    assert read(path) == [1, 1]
    with pytest.raises(TraceError, match="no column bytes2; did you mean bytes"):
        compare_trace(path, columns={"bytes": "bytes2"})


def test_a_name_in_a_message_shows_what_a_terminal_would_obey(tmp_path: Path) -> None:
    path = lines(tmp_path / "\x1b[2J.csv", HEADER, "x")
    with pytest.raises(TraceError) as error:
        read(path)
    shown = str(path).replace("\x1b", "\\x1b")
    assert str(error.value) == f"{shown}, line 2: 1 fields, but the header has 7"
