"""CSV: lines of cells below a header."""

import csv
import io
from typing import Any

from .columns import Columns, resolved
from .lines import read_lines, split_lines
from .parts import Part, Read, TraceError, arrow, one_line, place


def split_csv(path: str) -> list[Part]:
    """The lines below the header."""
    return split_lines(path, header_of(path)[1])


def header_of(path: str) -> tuple[list[str], int]:
    """The names, and where the lines below begin."""
    with open(path, "rb") as file:
        line = file.readline()
    words = next(csv.reader([line.decode("utf-8-sig", "replace")]), [])
    return [word.strip() for word in words], len(line)


def read_csv(part: Part, columns: Columns) -> Read:
    """The rows of a part."""
    reader, path = arrow("pyarrow.csv"), part.path
    names, first = header_of(path)
    chosen = resolved(names, columns._replace(pairs={}), path)  # a cell has no list of pairs
    data, before = read_lines(part, first)
    # Columns of the same name that nobody asks for are no harm.
    unique = [name if names.count(name) == 1 else f"{name} {i}" for i, name in enumerate(names)]
    text = arrow().dictionary(arrow().int32(), arrow().binary())
    of_limit = {255: arrow().uint8(), 65535: arrow().uint16(), 2**32 - 1: arrow().uint32()}
    plain = {its: of_limit.get(columns.numbers.get(name, 0), text) for name, its in chosen.items()}
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
