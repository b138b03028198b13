"""The files of a trace: the parts that each format splits a file into, and what is in a part."""

import csv
import io
import json
import os
import re
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, Final

from . import parts
from .columns import COLUMNS, Block, Columns, block_of, resolved
from .parts import Part, Read, TraceError, arrow, one_line, place, suffix_of

_BYTES: Final = 1 << 28  # of text at a time
_LINES: Final = 1 << 16  # of JSON that are kept as Python's objects
_HEAD: Final = 1000  # lines of JSON in which every key is found


def parts_of(path: str | os.PathLike[str]) -> list[Part]:
    """The pieces of a trace, in order, of about `parts.ROWS` rows each. Raises TraceError.

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
    for arrays, rows, before in _FORMATS[suffix_of(part.path)][1](part, columns):
        yield block_of(part.path, arrays, rows, before, columns)


def _by_number(file: Path) -> list[str | int]:
    words = re.split(r"(\d+)", file.name)  # every second one is digits
    return [int(word) if i % 2 else word for i, word in enumerate(words)]


def _split(file: Path) -> list[Part]:
    suffix = suffix_of(str(file))
    if suffix not in _FORMATS:
        known = ", ".join(_FORMATS)
        raise TraceError(f"{file}: the suffix must be one of {known}, or this be a folder")
    try:
        if not file.stat().st_size:
            raise TraceError(f"{file}: the file is empty")
        parts: list[Part] = _FORMATS[suffix][0](str(file))
        return parts
    except OSError as error:
        raise TraceError(f"{file}: {error.strerror or error}") from error


# Lines of text


def _split_lines(path: str, first: int) -> list[Part]:
    """A file from byte `first` on, in parts of about `ROWS` lines."""
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        file.seek(first)
        sample = file.read(1 << 16)
    length = max(1, len(sample)) / max(1, sample.count(b"\n"))
    count = max(1, round((size - first) / min(_BYTES, parts.ROWS * length)))
    edges = [first + (size - first) * i // count for i in range(count + 1)]
    return [Part(path, *edges[i : i + 2]) for i in range(count)]


def read_lines(part: Part, first: int) -> tuple[bytes, Callable[[], int]]:
    """The lines that begin in a part, at the end of the file without empty ones; those before."""
    path = part.path
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
        if suffix_of(path) == ".csv" and not data.endswith(b"\n"):
            where = place(path, before() + data.count(b"\n"))
            raise TraceError(f"{where}: the last line is torn, or lacks its line end")
        data = data.rstrip(b"\r\n") + b"\n"
    return data, before


# CSV


def header_of(path: str) -> tuple[list[str], int]:
    """The names, and where the lines below begin."""
    with open(path, "rb") as file:
        line = file.readline()
    words = next(csv.reader([line.decode("utf-8-sig", "replace")]), [])
    return [word.strip() for word in words], len(line)


def _read_csv(part: Part, columns: Columns) -> Read:
    reader, path = arrow("pyarrow.csv"), part.path
    names, first = header_of(path)
    chosen = resolved(names, columns, path, pairs={})  # a cell has no list of pairs
    data, before = read_lines(part, first)
    # Columns of the same name that nobody asks for are no harm.
    unique = [name if names.count(name) == 1 else f"{name} {i}" for i, name in enumerate(names)]
    text = arrow().dictionary(arrow().int32(), arrow().binary())
    of_limit = {255: arrow().uint8(), 65535: arrow().uint16(), 2**32 - 1: arrow().uint32()}
    plain = {its: of_limit.get(COLUMNS.get(name, 0), text) for name, its in chosen.items()}
    as_text = dict.fromkeys(plain, text)
    if not data:
        return

    def read(types: dict[str, Any]) -> Any:
        return reader.read_csv(
            arrow().BufferReader(data),
            reader.ReadOptions(use_threads=False, column_names=unique, block_size=len(data) + 1),
            reader.ParseOptions(ignore_empty_lines=False),
            reader.ConvertOptions(
                include_columns=[*types], column_types=types, null_values=[""],
                strings_can_be_null=True,
            ),
        )  # fmt: skip

    try:
        table = read(as_text if columns.hexadecimal else plain)
    except arrow().ArrowInvalid:
        try:
            table = read(as_text)  # a value that is not plain will be told by its row
        except arrow().ArrowInvalid as error:
            lines = csv.reader(io.StringIO(data.decode("utf-8", "replace")))
            for row, fields in enumerate(lines):
                if len(fields) != len(names):
                    where = place(path, before() + row)
                    count = f"{len(fields)} fields, but the header has {len(names)}"
                    raise TraceError(f"{where}: {count}") from None
            raise TraceError(f"{place(path, before())} or later: {one_line(error)}") from error
    arrays = {name: table.column(its).combine_chunks() for name, its in chosen.items()}
    yield arrays, table.num_rows, before


# JSON Lines


def _read_json_lines(part: Part, columns: Columns) -> Read:
    """A key that is left out is an empty cell."""
    reader, path = arrow("pyarrow.json"), part.path
    names: dict[str, bool] = {}  # whether it has lists
    with open(path, "rb") as file:
        for row, line in zip(range(_HEAD), file, strict=False):
            for name, value in _object(line, path, row, int).items():
                names[name] = names.get(name, False) or isinstance(value, list)
    chosen = resolved([*names], columns, path)
    data, before = read_lines(part, 0)
    rows = data.count(b"\n")
    try:
        options = reader.ReadOptions(use_threads=False, block_size=len(data) + 1)
        table = reader.read_json(arrow().BufferReader(data), options)
    except arrow().ArrowInvalid:
        table = None
    if table is not None and table.num_rows == rows:
        there = table.column_names
        arrays = {
            name: table.column(its).combine_chunks() if its in there else arrow().nulls(rows)
            for name, its in chosen.items()
        }
        yield {name: _listed(a, names[chosen[name]]) for name, a in arrays.items()}, rows, before
        return
    # Numbers among text, or a line that is no object: line by line, which takes ten times as long.
    lines = data.splitlines()
    for start in range(0, rows, _LINES):
        some = lines[start : start + _LINES]

        def ahead(start: int = start) -> int:
            return before() + start

        objects = [_object(line, path, row, ahead) for row, line in enumerate(some)]
        arrays = {
            name: _listed(_array([one.get(its) for one in objects], name, path, ahead), names[its])
            for name, its in chosen.items()
        }
        yield arrays, len(some), ahead


def _listed(array: Any, lists: bool) -> Any:
    """Where a part has no value, it has the type that other parts have."""
    if lists and arrow().types.is_null(array.type):
        return array.cast(arrow().list_(arrow().null()))
    return array


def _array(values: list[Any], name: str, path: str, before: Callable[[], int]) -> Any:
    """Arrow's column of what JSON has; numbers among text become text."""
    try:
        return arrow().array(values)
    except (arrow().ArrowException, OverflowError):
        pass
    lists = {row: isinstance(one, list) for row, one in enumerate(values) if one is not None}
    odd = next((row for row in lists if lists[row] != lists[next(iter(lists))]), None)
    if odd is not None:
        where, shown = place(path, before() + odd), json.dumps(values[odd])
        raise TraceError(f"{where}: column {name} is {shown}, unlike before")
    return arrow().array([one if one is None else _words(one) for one in values])


def _words(value: Any) -> Any:
    return [_words(one) for one in value] if isinstance(value, list) else str(value)


def _object(line: bytes, path: str, row: int, before: Callable[[], int]) -> dict[str, Any]:
    try:
        value = json.loads(line)
    except ValueError:
        value = None
    if not isinstance(value, dict):
        raise TraceError(f"{place(path, before() + row)}: no JSON object")
    return value


# Parquet


def _split_parquet(path: str) -> list[Part]:
    """Its row groups, of about `ROWS` rows together."""
    about = _opened(path).metadata
    found, start, rows = [], 0, 0
    for group in range(about.num_row_groups):
        rows += about.row_group(group).num_rows
        if rows >= parts.ROWS or group == about.num_row_groups - 1:
            found.append(Part(path, start, group + 1))
            start, rows = group + 1, 0
    return found or [Part(path, 0, 0)]


def _opened(path: str) -> Any:
    parquet = arrow("pyarrow.parquet")
    try:
        return parquet.ParquetFile(path)
    except (arrow().ArrowException, OSError) as error:
        raise TraceError(f"{path}: no Parquet file, or cut off: {one_line(error)}") from error


def _read_parquet(part: Part, columns: Columns) -> Read:
    file = _opened(part.path)
    chosen = resolved(file.schema_arrow.names, columns, part.path)
    before = sum(file.metadata.row_group(group).num_rows for group in range(part.start))
    groups = list(range(part.start, part.stop))
    batches = file.iter_batches(parts.ROWS, groups, [*chosen.values()], use_threads=False)
    while True:
        try:
            batch = next(batches, None)
        except (arrow().ArrowException, OSError) as error:
            where = place(part.path, before)
            raise TraceError(f"{where} or later: unreadable: {one_line(error)}") from error
        if batch is None:
            return
        arrays = {name: batch.column(its) for name, its in chosen.items()}
        yield arrays, batch.num_rows, partial(int, before)
        before += batch.num_rows


# How a file is split into parts, and how a part is read.
_FORMATS: Final[dict[str, Any]] = {
    ".csv": (lambda path: _split_lines(path, header_of(path)[1]), _read_csv),
    ".jsonl": (lambda path: _split_lines(path, 0), _read_json_lines),
    ".parquet": (_split_parquet, _read_parquet),
}
