"""Parquet: row groups of a file."""

from functools import partial
from typing import Any

from . import parts
from .columns import Columns, resolved
from .parts import Part, Read, TraceError, arrow, one_line, place


def split_parquet(path: str) -> list[Part]:
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


def read_parquet(part: Part, columns: Columns) -> Read:
    """The rows of a part."""
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
