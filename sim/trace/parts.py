"""What reading a trace has in common: its pieces, its places, and its errors."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from ..system.errors import UnusableError
from ..system.quoting import visible

ROWS: Final = 1 << 20  # at a time: many of each opcode for the gates, in some 200 MB

#: What a format reads: Arrow's columns by name, how many rows they have, and how many rows of the
#: file lie before: that costs, and only an error asks.
Read = Iterator[tuple[dict[str, Any], int, Callable[[], int]]]


class TraceError(UnusableError):
    """A trace that cannot be used; the message is one line and says where."""


@dataclass(frozen=True)
class Part:
    """A piece of a trace: bytes of a text file, or row groups of a Parquet file, `start` to `stop`.

    A line belongs to the part in which it begins.
    """

    path: str
    start: int
    stop: int


def suffix_of(path: str) -> str:
    """The suffix, which tells the format."""
    return Path(path).suffix.lower()


def place(path: str, row: int) -> str:
    """A row as one looks it up: the line of a text file, the row of a table."""
    shown = visible(path)
    if suffix_of(path) == ".parquet":
        return f"{shown}, row {row} counted from 0"
    return f"{shown}, line {row + (2 if suffix_of(path) == '.csv' else 1)}"


def arrow(name: str = "pyarrow") -> Any:
    """A module of pyarrow, which is an extra. Raises TraceError."""
    try:
        return import_module(name)
    except ImportError:
        raise TraceError(
            "traces are read by pyarrow, which is not installed: pip install 'carrywave[trace]'"
        ) from None


def unreadable() -> tuple[type[Exception], ...]:
    """What Arrow raises at what it cannot read; the last where its own message quotes that."""
    return arrow().ArrowException, OSError, UnicodeDecodeError


def unbroken(error: BaseException) -> str:
    """Its message without line ends."""
    return " ".join(str(error).split())
