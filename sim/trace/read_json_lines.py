"""JSON Lines: one object a line."""

import json
from collections.abc import Callable
from functools import partial
from typing import Any, Final

from .columns import Columns, resolved
from .lines import read_lines, split_lines
from .parts import Part, Read, TraceError, arrow, place

_LINES: Final = 1 << 16  # that are kept as Python's objects
_HEAD: Final = 1000  # lines in which every key is found


def split_json_lines(path: str) -> list[Part]:
    """All lines."""
    return split_lines(path, 0)


def read_json_lines(part: Part, columns: Columns) -> Read:
    """The rows of a part. A key that is left out is an empty cell."""
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
        ahead = partial(_ahead, before, start)
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


def _ahead(before: Callable[[], int], more: int) -> int:
    return before() + more


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
