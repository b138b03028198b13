"""Lines of text: where a part of a file begins and ends."""

import os
from collections.abc import Callable
from typing import Final

from . import parts
from .parts import Part, TraceError, place, suffix_of

_LONGEST: Final = 1 << 28  # bytes at a time


def split_lines(path: str, first: int) -> list[Part]:
    """A file from byte `first` on, in parts of about `ROWS` lines."""
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        file.seek(first)
        sample = file.read(1 << 16)
    length = max(1, len(sample)) / max(1, sample.count(b"\n"))
    count = max(1, round((size - first) / min(_LONGEST, parts.ROWS * length)))
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
