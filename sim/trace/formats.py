"""The files of a trace: the parts that each format splits a file into, and what is in a part."""

import csv
import json
import os
import re
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import IO, Any, Final

from ..system.quoting import quoted
from ..system.strict_json import UnreadableError, decoded
from . import parts
from .columns import COLUMNS, Block, Columns, block_of, resolved
from .parts import Part, Read, TraceError, arrow, place, suffix_of, unbroken, unreadable

_BYTES: Final = 1 << 28  # of text at a time
_LONGEST: Final = 1 << 20  # bytes of a line that parts are cut at; a device may have no end
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


def _line(file: IO[bytes], path: str) -> bytes:
    """The next line. Raises TraceError for one that does not end."""
    line = file.readline(_LONGEST + 1)
    if len(line) > _LONGEST:
        begin = file.tell() - len(line)
        raise TraceError(f"{path}: the line at byte {begin} is longer than {_LONGEST:,} bytes")
    return line


def read_lines(part: Part, first: int) -> tuple[bytes, Callable[[], int]]:
    """The lines that begin in a part, at the end of the file without empty ones; those before."""
    path = part.path
    with open(path, "rb") as file:
        file.seek(max(part.start - 1, first))
        if part.start > first:
            _line(file, path)
        begin = file.tell()
        data = file.read(max(0, part.stop - begin))
        if data and not data.endswith(b"\n"):
            data += _line(file, path)
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
    """The names, and where the lines below begin. Raises TraceError."""
    with open(path, "rb") as file:
        line = _line(file, path)
    try:
        words = next(csv.reader([line.decode("utf-8-sig", "replace")]), [])
    except csv.Error as error:
        told = _CR if b"\r" in line.rstrip(b"\r\n") else unbroken(error)
        raise TraceError(f"{path}, line 1: {told}") from error
    return [word.strip() for word in words], len(line)


def _read_csv(part: Part, columns: Columns) -> Read:
    reader, path = arrow("pyarrow.csv"), part.path
    names, first = header_of(path)
    chosen = resolved(names, columns, path, pairs={})  # a cell has no list of pairs
    data, before = read_lines(part, first)
    # By their places: columns of the same name that nobody asks for are no harm.
    place_of = {name: str(names.index(its)) for name, its in chosen.items()}
    text = arrow().dictionary(arrow().int32(), arrow().binary())
    of_limit = {255: arrow().uint8(), 65535: arrow().uint16(), 2**32 - 1: arrow().uint32()}
    plain = {its: of_limit.get(COLUMNS.get(name, 0), text) for name, its in place_of.items()}
    as_text = dict.fromkeys(plain, text)
    if not data:
        return
    places = [*map(str, range(len(names)))]

    def read(types: dict[str, Any]) -> Any:
        return reader.read_csv(
            arrow().BufferReader(data),
            reader.ReadOptions(use_threads=False, column_names=places, block_size=len(data) + 1),
            reader.ParseOptions(ignore_empty_lines=False),
            reader.ConvertOptions(
                include_columns=[*types], column_types=types, null_values=[""],
                strings_can_be_null=True,
            ),
        )  # fmt: skip

    try:
        table = read(as_text if columns.hexadecimal else plain)
    except unreadable():
        try:
            table = read(as_text)  # a value that is not plain will be told by its row
        except unreadable() as error:
            row, told = _wrong_line(data, len(names))
            raise TraceError(f"{place(path, before() + row)}: {told or unbroken(error)}") from error
    if table.num_rows != data.count(b"\n"):
        row, told = _wrong_line(data, len(names))
        raise TraceError(f"{place(path, before() + row)}: {told or 'lines cannot be told apart'}")
    arrays = {name: table.column(its).combine_chunks() for name, its in place_of.items()}
    yield arrays, table.num_rows, before


_CR: Final = "a CR within the line: lines end with LF or CR LF"


def _wrong_line(data: bytes, count: int) -> tuple[int, str]:
    """The first line that has not so many fields, and what is wrong with it; else an empty text.

    Each line is read by itself, so that a quotation mark that nothing closes is told where it is.
    """
    open_quotation = None
    for row, line in enumerate(data.split(b"\n")[:-1]):
        text = line.removesuffix(b"\r").decode("utf-8", "replace")
        if "\r" in text:
            return row, _CR
        try:
            fields = next(csv.reader([text]), [""])
        except csv.Error as error:
            return row, unbroken(error)
        if len(fields) != count:
            return row, f"{len(fields)} fields, but the header has {count}"
        if open_quotation is None and text.count('"') % 2:
            open_quotation = row
    return open_quotation or 0, "" if open_quotation is None else "a quotation that does not end"


# JSON Lines


def _read_json_lines(part: Part, columns: Columns) -> Read:
    """A key that is left out is an empty cell."""
    path, names = part.path, dict[str, bool]()  # whether it has lists
    with open(path, "rb") as file:
        for row in range(_HEAD):
            if not (line := _line(file, path)):
                break
            for name, value in _object(line, path, row, int).items():
                names[name] = names.get(name, False) or isinstance(value, list)
    chosen = resolved([*names], columns, path)
    data, before = read_lines(part, 0)
    rows = data.count(b"\n")
    table = _table_of(data, [*chosen.values()])
    # As many objects as lines that begin with one: none holds two, beside one that is empty.
    if table is not None and table.num_rows == rows == data.startswith(b"{") + data.count(b"\n{"):
        there = table.column_names
        arrays = {
            name: table.column(its).combine_chunks() if its in there else arrow().nulls(rows)
            for name, its in chosen.items()
        }
        yield {name: _listed(a, names[chosen[name]]) for name, a in arrays.items()}, rows, before
        return
    # Numbers among text, or a line that is no object: line by line, which takes ten times as long.
    lines = data.split(b"\n")
    for start in range(0, rows, _LINES):
        some = lines[start : min(start + _LINES, rows)]

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


_BRACKETS: Final = b"[]{}"
_OTHERS: Final = bytes({*range(256)} - {*_BRACKETS})
_DEEPEST: Final = 8


def _table_of(data: bytes, names: Sequence[str]) -> Any:
    """What Arrow makes of lines; None where it fails, or is not to be trusted with some of them."""
    left = data.translate(None, _OTHERS)
    for _ in range(_DEEPEST):
        left = left.replace(b"[]", b"").replace(b"{}", b"")
    if left:  # it follows brackets by calls, until there is no more room for these
        return None
    options = arrow("pyarrow.json").ReadOptions(use_threads=False, block_size=len(data) + 1)
    with suppress(*unreadable()):
        table = arrow("pyarrow.json").read_json(arrow().BufferReader(data), options)
        used = table.select([name for name in names if name in table.column_names])
        used.validate(full=True)  # of nulls that follow each other in a list it may lose some
        # What looks like a date is a text in the other formats.
        return None if any(map(arrow().types.is_temporal, used.schema.types)) else table
    return None


def _array(values: list[Any], name: str, path: str, before: Callable[[], int]) -> Any:
    """Arrow's column of what JSON has; numbers among text become text."""
    with suppress(arrow().ArrowException, OverflowError, UnicodeError):
        return arrow().array(values)
    words = [_words(one) for one in values]

    def unlike(count: int) -> bool:
        try:
            arrow().array(words[:count])
        except arrow().ArrowException:
            return True
        return False

    # The first of them that are too many for one column.
    count = bisect_left(range(len(words) + 1), True, key=unlike)
    if count <= len(words):
        where, shown = place(path, before() + count - 1), quoted(json.dumps(values[count - 1]))
        raise TraceError(f"{where}: column {name} is {shown[1:-1]}, unlike before")
    return arrow().array(words)


def _words(value: Any) -> Any:
    """The same in text, which --hex leaves alone; lists stay such."""
    if isinstance(value, list):
        return [_words(one) for one in value]
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, int) and not isinstance(value, bool):
        return hex(value)
    # A lone surrogate is no text to Arrow.
    return value if value is None else str(value).encode(errors="backslashreplace").decode()


def _object(line: bytes, path: str, row: int, before: Callable[[], int]) -> dict[str, Any]:
    value, told = None, ""
    try:
        value = decoded(line)
    except UnreadableError as error:
        told = str(error)
    if not isinstance(value, dict):
        raise TraceError(f"{place(path, before() + row)}: {told or 'no JSON object'}")
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
    except unreadable() as error:
        raise TraceError(f"{path}: no Parquet file, or cut off: {unbroken(error)}") from error


def _read_parquet(part: Part, columns: Columns) -> Read:
    file = _opened(part.path)
    chosen = resolved(file.schema_arrow.names, columns, part.path)
    before = sum(file.metadata.row_group(group).num_rows for group in range(part.start))
    groups = list(range(part.start, part.stop))
    batches = file.iter_batches(parts.ROWS, groups, [*chosen.values()], use_threads=False)
    while True:
        try:
            batch = next(batches, None)
        except unreadable() as error:
            where = place(part.path, before)
            raise TraceError(f"{where} or later: unreadable: {unbroken(error)}") from error
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
