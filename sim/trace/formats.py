"""The files of a trace: what parts they have, and what is in a part.

A format has a function that splits a file into parts, and one that reads a part.
"""

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from .columns import Block, Columns, block_of
from .parts import Part, TraceError, suffix_of
from .read_csv import read_csv, split_csv
from .read_json_lines import read_json_lines, split_json_lines
from .read_parquet import read_parquet, split_parquet

_FORMATS: Final[dict[str, Any]] = {
    ".csv": (split_csv, read_csv),
    ".jsonl": (split_json_lines, read_json_lines),
    ".parquet": (split_parquet, read_parquet),
}


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
