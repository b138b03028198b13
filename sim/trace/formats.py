"""Columns of numbers out of CSV, JSON Lines and Parquet files, in blocks of constant memory.

Whatever is no number is named by its file, line and column. Read by pyarrow, which is an extra.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from importlib import import_module
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Block", "Columns", "Part", "TraceError", "parts_of", "place", "read_part"]

ROWS: Final = 1 << 20  # at a time: many of each opcode for the gates, in some 200 MB
_LONGEST: Final = 1 << 28  # bytes of text at a time
_LINES: Final = 1 << 16  # that are kept as Python's objects
_HEAD: Final = 1000  # JSON Lines in which every key is found
_EMPTY: Final = -(1 << 60)
_UNREADABLE: Final = -(1 << 61)

Column = npt.NDArray[Any]


class TraceError(Exception):
    """A trace that cannot be used; the message is one line and says where."""


@dataclass(frozen=True)
class Part:
    """A piece of a trace: bytes of a text file, or row groups of a Parquet file, `start` to `stop`.

    A line belongs to the part in which it begins.
    """

    path: str
    start: int
    stop: int


class Columns(NamedTuple):
    """What to look for. `numbers` gives the largest value of each column.

    A name of `triples` may stand for its three columns, as a list or as hex digits. `mapped` gives
    the file's own names. Without a prefix digits are decimal, or `hexadecimal`. `words` are names
    of numbers that the column of that name may have.
    """

    numbers: Mapping[str, int]
    triples: Mapping[str, tuple[str, ...]]
    required: Sequence[str]
    words: Mapping[str, Sequence[str]]
    mapped: Mapping[str, str]
    hexadecimal: bool


class Block(NamedTuple):
    """Rows of one file: columns of numbers by name, and of those with empty cells where these are.

    An empty cell is a 0. `place` says where a row is.
    """

    rows: int
    values: dict[str, Column]
    empty: dict[str, npt.NDArray[np.bool_]]
    place: Callable[[int], str]


def parts_of(path: str | os.PathLike[str]) -> list[Part]:
    """The pieces of a trace, in order, of about `ROWS` rows each. Raises TraceError.

    A folder has Parquet parts, which go by name, numbers in it by their value. What begins with "_"
    or "." is something else.
    """
    whole = Path(path)
    if not whole.exists():
        raise TraceError(f"{whole}: no such file or folder")
    files = [whole]
    if whole.is_dir():
        files = [file for file in whole.glob("*.parquet") if file.name[0] not in "_."]
        files.sort(key=_by_number)
        if not files:
            raise TraceError(f"{whole}: no .parquet file in this folder")
    return [part for file in files for part in _split(file)]


def read_part(part: Part, columns: Columns) -> Iterator[Block]:
    """The rows of a part, in order. Raises TraceError."""
    read = _FORMATS[_suffix(part.path)][1]
    for arrays, rows, before in read(part, columns):
        yield _block(part.path, arrays, rows, before, columns)


def place(path: str, row: int) -> str:
    """A row as one looks it up: the line of a text file, the row of a table."""
    if _suffix(path) == ".parquet":
        return f"{path}, row {row} counted from 0"
    return f"{path}, line {row + (2 if _suffix(path) == '.csv' else 1)}"


def _by_number(file: Path) -> list[str | int]:
    words = re.split(r"(\d+)", file.name)  # every second one is digits
    return [int(word) if i % 2 else word for i, word in enumerate(words)]


def _suffix(path: str) -> str:
    return Path(path).suffix.lower()


def _arrow(name: str = "pyarrow") -> Any:
    try:
        return import_module(name)
    except ImportError:
        raise TraceError(
            "traces are read by pyarrow, which is not installed: pip install 'carrywave[trace]'"
        ) from None


def _line(error: BaseException) -> str:
    return " ".join(str(error).split())


# Names


def _resolved(names: Sequence[str], columns: Columns, path: str) -> dict[str, str]:
    """The file's name of each column that is used: as mapped, or the same in either case."""
    known = (*columns.numbers, *columns.triples)
    for name, mapped in columns.mapped.items():
        if name not in known:
            raise TraceError(f"column {name}: no such column{_nearest(name, known)}")
        if mapped not in names:
            raise TraceError(f"{path}: no column {mapped}{_nearest(mapped, names)}")
    found: dict[str, str] = {}
    for name in known:
        alike = [name, *(one for one in names if one.lower() == name)]
        its = columns.mapped.get(name) or next((one for one in alike if one in names), None)
        if its is not None:
            found[name] = its
            if names.count(its) > 1:
                raise TraceError(f"{path}: column {its} is there {names.count(its)} times")
    for name, three in columns.triples.items():
        if name in found and any(one in found for one in three):
            raise TraceError(f"{path}: column {name} stands for {', '.join(three)}: not for both")
    there = {
        *found,
        *(one for name in columns.triples if name in found for one in columns.triples[name]),
    }
    missing = [name for name in columns.required if name not in there]
    if missing:
        has = ", ".join(names) or "none"
        raise TraceError(f"{path}: no column {', '.join(missing)}; it has {has}")
    return found


def _nearest(name: str, names: Iterable[str]) -> str:
    import difflib

    near = difflib.get_close_matches(name, list(names), 1, 0.4)
    return f"; did you mean {near[0]}?" if near else f": one of {', '.join(names)}"


# Numbers


class _BadError(Exception):
    def __init__(self, row: int, what: str) -> None:
        super().__init__(what)
        self.row = row


def _block(
    path: str, arrays: Mapping[str, Any], rows: int, before: Callable[[], int], columns: Columns
) -> Block:
    """Arrow's columns as NumPy's. The first bad row is told, not the first bad column."""
    values: dict[str, Column] = {}
    empty: dict[str, npt.NDArray[np.bool_]] = {}
    bad: list[tuple[int, str]] = []
    for name, array in arrays.items():
        three = columns.triples.get(name)
        try:
            if three:
                numbers, nothing = _triples(array, columns.numbers[three[0]], columns.hexadecimal)
                for i, one in enumerate(three):
                    values[one], empty[one] = numbers[:, i], nothing[:, i]
            else:
                words = tuple(columns.words.get(name, ()))
                limit = columns.numbers[name]
                values[name], gaps = _numbers(array, limit, columns.hexadecimal, words)
                if gaps is not None:
                    empty[name] = gaps
        except _BadError as error:
            bad.append((error.row, f"column {name} {error}"))
    if bad:
        row, what = min(bad, key=lambda one: one[0])
        raise TraceError(f"{place(path, before() + row)}: {what}")
    return Block(rows, values, empty, lambda row: place(path, before() + row))


def _numbers(
    array: Any, limit: int, hexadecimal: bool, words: tuple[str, ...] = ()
) -> tuple[Column, npt.NDArray[np.bool_] | None]:
    """A column of numbers or of text, and where it is empty, if anywhere."""
    types, target = _arrow().types, np.min_scalar_type(limit)
    empty = array.is_null().to_numpy(zero_copy_only=False) if array.null_count else None
    kind, texts = array.type, None
    if types.is_dictionary(kind) and not _is_text(kind):
        array = array.dictionary_decode()
        kind = array.type
    if types.is_null(kind):
        values = np.zeros(len(array), target)
    elif _is_text(kind):
        texts, where = _texts(array)
        parsed = [_number(text, hexadecimal, words) for text in texts]
        values = np.array([*parsed, _EMPTY], np.int64)[where]
        empty = values == _EMPTY
        values[empty] = 0
    elif types.is_integer(kind) or types.is_floating(kind) or types.is_boolean(kind):
        array = array.cast(_arrow().uint8()) if types.is_boolean(kind) else array
        values = array.fill_null(0).to_numpy(zero_copy_only=False)
    else:
        raise _BadError(0, f"has values of type {kind}: expected numbers")
    if values.dtype != target or limit != np.iinfo(target).max:
        right = (values >= 0) & (values <= limit) & (values == np.floor(values))
        if not right.all():
            row = int(right.argmin())
            shown = repr(values[row].item() if texts is None else texts[where[row]])
            what = "no number" if values[row] == _UNREADABLE else f"not in the range 0 to {limit}"
            raise _BadError(row, f"is {shown}: {what}")
    return values.astype(target, copy=False), empty


def _triples(array: Any, limit: int, hexadecimal: bool) -> tuple[Column, npt.NDArray[np.bool_]]:
    """A column of lists, or of bytes in hex digits: three numbers a row, and which are empty."""
    arrow, kind = _arrow(), array.type
    if _is_text(kind) and limit == 255:
        texts, where = _texts(array)
        lists = [_octets(text) for text in texts]
        if None in lists:
            row = int(np.isin(where, [i for i, one in enumerate(lists) if one is None]).argmax())
            raise _BadError(row, f"is {texts[where[row]]!r}: expected bytes in hex, 3 at most")
        array = arrow.array([*lists, None], arrow.list_(arrow.uint8())).take(arrow.array(where))
    elif arrow.types.is_null(kind):
        array = array.cast(arrow.list_(arrow.uint8()))
    elif not (arrow.types.is_list(kind) or arrow.types.is_large_list(kind)):
        raise _BadError(0, f"has values of type {kind}: expected lists")
    compute = _arrow("pyarrow.compute")
    lengths = compute.list_value_length(array).fill_null(0).to_numpy(zero_copy_only=False)
    if lengths.max(initial=0) > 3:
        row = int((lengths > 3).argmax())
        raise _BadError(row, f"has {lengths[row]} entries: expected 3 at most")
    padded = compute.list_slice(array, 0, 3, return_fixed_size_list=True)
    try:
        values, empty = _numbers(padded.values, limit, hexadecimal)
    except _BadError as error:
        raise _BadError(error.row // 3, str(error)) from None
    empty = np.zeros(len(values), np.bool_) if empty is None else empty
    return values.reshape(-1, 3), empty.reshape(-1, 3)


def _is_text(kind: Any) -> bool:
    types = _arrow().types
    kind = kind.value_type if types.is_dictionary(kind) else kind
    tests = (types.is_string, types.is_large_string, types.is_binary, types.is_large_binary)
    return any(test(kind) for test in tests)


def _texts(array: Any) -> tuple[list[str], npt.NDArray[np.int64]]:
    """The different texts of a column, and which stands where; one past the last is no text."""
    if not _arrow().types.is_dictionary(array.type):
        array = array.dictionary_encode()
    texts = [
        text.decode(errors="replace") if isinstance(text, bytes) else text or ""
        for text in array.dictionary.to_pylist()
    ]
    where = array.indices.cast(_arrow().int64()).fill_null(len(texts))
    return texts, where.to_numpy(zero_copy_only=False)


@lru_cache(1 << 18)
def _number(text: str, hexadecimal: bool, words: tuple[str, ...]) -> int:
    word = text.strip().lower()
    if not word:
        return _EMPTY
    if word in words:
        return words.index(word)
    match = re.fullmatch(r"(-?)(0x|\$)?([0-9a-f]+)", word)
    try:
        value = int(match[3], 16 if match[2] or hexadecimal else 10) if match else _UNREADABLE
    except ValueError:
        return _UNREADABLE
    return -1 if match and match[1] else min(value, 1 << 59)


def _octets(text: str) -> list[int] | None:
    digits = "".join(text.split())
    return [*bytes.fromhex(digits)] if re.fullmatch("([0-9A-Fa-f]{2}){0,3}", digits) else None


# Files. A format has a function that splits a file, and one that gives Arrow's columns, how many
# rows they have, and how many rows of the file lie before: that costs, and only an error asks.

_Read = Iterator[tuple[dict[str, Any], int, Callable[[], int]]]


def _split(file: Path) -> list[Part]:
    if file.suffix.lower() not in _FORMATS:
        known = ", ".join(_FORMATS)
        raise TraceError(f"{file}: the suffix must be one of {known}, or this be a folder")
    try:
        if not file.stat().st_size:
            raise TraceError(f"{file}: the file is empty")
        parts: list[Part] = _FORMATS[file.suffix.lower()][0](str(file))
        return parts
    except OSError as error:
        raise TraceError(f"{file}: {error.strerror or error}") from error


def _split_parquet(path: str) -> list[Part]:
    about = _open_parquet(path).metadata
    parts, start, rows = [], 0, 0
    for group in range(about.num_row_groups):
        rows += about.row_group(group).num_rows
        if rows >= ROWS or group == about.num_row_groups - 1:
            parts.append(Part(path, start, group + 1))
            start, rows = group + 1, 0
    return parts or [Part(path, 0, 0)]


def _open_parquet(path: str) -> Any:
    parquet, arrow = _arrow("pyarrow.parquet"), _arrow()
    try:
        return parquet.ParquetFile(path)
    except (arrow.ArrowException, OSError) as error:
        raise TraceError(f"{path}: no Parquet file, or cut off: {_line(error)}") from error


def _read_parquet(part: Part, columns: Columns) -> _Read:
    arrow, file = _arrow(), _open_parquet(part.path)
    chosen = _resolved(file.schema_arrow.names, columns, part.path)
    before = sum(file.metadata.row_group(group).num_rows for group in range(part.start))
    groups = list(range(part.start, part.stop))
    batches = file.iter_batches(ROWS, groups, [*chosen.values()], use_threads=False)
    while True:
        try:
            batch = next(batches, None)
        except (arrow.ArrowException, OSError) as error:
            where = place(part.path, before)
            raise TraceError(f"{where} or later: unreadable: {_line(error)}") from error
        if batch is None:
            return
        arrays = {name: batch.column(its) for name, its in chosen.items()}
        yield arrays, batch.num_rows, partial(int, before)
        before += batch.num_rows


def _split_text(path: str) -> list[Part]:
    first, size = _first_row(path), os.path.getsize(path)
    with open(path, "rb") as file:
        file.seek(first)
        sample = file.read(1 << 16)
    length = max(1, len(sample)) / max(1, sample.count(b"\n"))
    count = max(1, round((size - first) / min(_LONGEST, ROWS * length)))
    edges = [first + (size - first) * i // count for i in range(count + 1)]
    return [Part(path, *edges[i : i + 2]) for i in range(count)]


def _first_row(path: str) -> int:
    """Where the lines after the header begin."""
    return _csv_header(path)[1] if _suffix(path) == ".csv" else 0


def _read_text(part: Part) -> tuple[bytes, Callable[[], int]]:
    """The lines that begin in a part; at the end of the file without empty ones."""
    path, first = part.path, _first_row(part.path)
    with open(path, "rb") as file:
        file.seek(max(part.start - 1, first))
        if part.start > first:
            file.readline()
        begin = file.tell()
        data = file.read(max(0, part.stop - begin))
        if data and not data.endswith(b"\n"):
            data += file.readline()
        at_end = not file.read(1)

    def before() -> int:
        with open(path, "rb") as file:
            file.seek(first)
            left, count = begin - first, 0
            while left > 0 and (lines := file.read(min(left, 1 << 24))):
                left, count = left - len(lines), count + lines.count(b"\n")
        return count

    if at_end and data.strip():
        if _suffix(path) == ".csv" and not data.endswith(b"\n"):
            where = place(path, before() + data.count(b"\n"))
            raise TraceError(f"{where}: the last line is torn, or lacks its line end")
        data = data.rstrip(b"\r\n") + b"\n"
    return data, before


def _csv_header(path: str) -> tuple[list[str], int]:
    with open(path, "rb") as file:
        line = file.readline()
    words = next(csv.reader([line.decode("utf-8-sig", "replace")]), [])
    return [word.strip() for word in words], len(line)


def _read_csv(part: Part, columns: Columns) -> _Read:
    arrow, reader, path = _arrow(), _arrow("pyarrow.csv"), part.path
    names = _csv_header(path)[0]
    chosen = _resolved(names, columns, path)
    data, before = _read_text(part)
    # Columns of the same name that nobody asks for are no harm.
    unique = [name if names.count(name) == 1 else f"{name} {i}" for i, name in enumerate(names)]
    text = arrow.dictionary(arrow.int32(), arrow.binary())
    of_limit = {255: arrow.uint8(), 65535: arrow.uint16(), 2**32 - 1: arrow.uint32()}
    plain = {its: of_limit.get(columns.numbers.get(name, 0), text) for name, its in chosen.items()}
    as_text = dict.fromkeys(plain, text)
    if not data:
        return

    def read(types: dict[str, Any]) -> Any:
        return reader.read_csv(
            arrow.BufferReader(data),
            reader.ReadOptions(use_threads=False, column_names=unique, block_size=len(data) + 1),
            reader.ParseOptions(ignore_empty_lines=False),
            reader.ConvertOptions(
                include_columns=[*types], column_types=types, null_values=[""],
                strings_can_be_null=True,
            ),
        )  # fmt: skip

    try:
        table = read(as_text if columns.hexadecimal else plain)
    except arrow.ArrowInvalid:
        try:
            table = read(as_text)  # a value that is not plain will be told by its row
        except arrow.ArrowInvalid as error:
            lines = csv.reader(io.StringIO(data.decode("utf-8", "replace")))
            for row, fields in enumerate(lines):
                if len(fields) != len(names):
                    where = place(path, before() + row)
                    count = f"{len(fields)} fields, but the header has {len(names)}"
                    raise TraceError(f"{where}: {count}") from None
            raise TraceError(f"{place(path, before())} or later: {_line(error)}") from error
    arrays = {name: table.column(its).combine_chunks() for name, its in chosen.items()}
    yield arrays, table.num_rows, before


def _read_json_lines(part: Part, columns: Columns) -> _Read:
    """A key that is left out is an empty cell."""
    arrow, reader, path = _arrow(), _arrow("pyarrow.json"), part.path
    names: dict[str, None] = {}
    with open(path, "rb") as file:
        for row, line in zip(range(_HEAD), file, strict=False):
            names |= dict.fromkeys(_object(line, path, row, int))
    chosen = _resolved([*names], columns, path)
    data, before = _read_text(part)
    rows = data.count(b"\n")
    try:
        options = reader.ReadOptions(use_threads=False, block_size=len(data) + 1)
        table = reader.read_json(arrow.BufferReader(data), options)
    except arrow.ArrowInvalid:
        table = None
    if table is not None and table.num_rows == rows:
        there = table.column_names
        yield (
            {
                name: table.column(its).combine_chunks() if its in there else arrow.nulls(rows)
                for name, its in chosen.items()
            },
            rows,
            before,
        )
        return
    # Numbers among text, or a line that is no object: line by line, which takes ten times as long.
    lines = data.splitlines()
    for start in range(0, rows, _LINES):
        some = lines[start : start + _LINES]
        ahead = partial(_ahead, before, start)
        objects = [_object(line, path, row, ahead) for row, line in enumerate(some)]
        arrays = {
            name: _array([one.get(its) for one in objects], name, path, ahead)
            for name, its in chosen.items()
        }
        yield arrays, len(some), ahead


def _ahead(before: Callable[[], int], more: int) -> int:
    return before() + more


def _array(values: list[Any], name: str, path: str, before: Callable[[], int]) -> Any:
    """Arrow's column of what JSON has; numbers among text become text."""
    arrow = _arrow()
    try:
        return arrow.array(values)
    except (arrow.ArrowException, OverflowError):
        pass
    lists = {row: isinstance(one, list) for row, one in enumerate(values) if one is not None}
    odd = next((row for row in lists if lists[row] != lists[next(iter(lists))]), None)
    if odd is not None:
        where, shown = place(path, before() + odd), json.dumps(values[odd])
        raise TraceError(f"{where}: column {name} is {shown}, unlike before")
    return arrow.array([one if one is None else _words(one) for one in values])


def _words(value: Any) -> str | list[str]:
    return [str(one) for one in value] if isinstance(value, list) else str(value)


def _object(line: bytes, path: str, row: int, before: Callable[[], int]) -> dict[str, Any]:
    try:
        value = json.loads(line)
    except ValueError:
        value = None
    if not isinstance(value, dict):
        raise TraceError(f"{place(path, before() + row)}: no JSON object")
    return value


_FORMATS: Final[dict[str, Any]] = {
    ".csv": (_split_text, _read_csv),
    ".jsonl": (_split_text, _read_json_lines),
    ".parquet": (_split_parquet, _read_parquet),
}
