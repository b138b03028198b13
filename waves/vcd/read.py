"""Reads a dump back, clock by clock, in memory that does not grow with the file."""

import contextlib
import os
import re
import signal
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from carrywave.sim.system.errors import UnusableError
from carrywave.sim.system.quoting import quoted

from .signals import CLK, CLOSING, HALF, PERIOD, SETTLED, SIGNALS, SignalSpec, text_of

#: A column a signal, by its path; a row a clock. A text signal's column holds strings.
Columns = dict[str, npt.NDArray[Any]]

CHUNK: Final = 4096  # clocks; what is kept in memory at a time
LONGEST: Final = 1 << 16  # bytes of a line
DEEPEST: Final = 100  # scopes in each other, and lines of a declaration
TAIL: Final = 256  # bytes, enough for the closing comment
TYPES: Final = ("wire", "reg")


class DumpError(UnusableError):
    """The file is not a whole dump of this bench; the message is one line and names the file."""


def read_clocks(
    path: str | os.PathLike[str], consume: Callable[[Columns, int], None], chunk: int = CHUNK,
    beside: Sequence[SignalSpec] = (),
) -> int:  # fmt: skip
    """Calls ``consume(columns, first clock)`` for each `chunk` clocks of the file, in order.

    `beside` gives signals that get a column too if the file has them. Returns the number of
    clocks. Raises DumpError if the file is missing, cut off, no dump, or not a dump of this bench's
    signals.
    """
    clocks = closing_count(path)
    reader = _ClockReader(path, consume, chunk, beside)
    parsed(path, reader)
    reader.flush()
    if reader.clock != clocks:
        raise DumpError(f"{path}: holds {reader.clock} clocks, but closes with {clocks}")
    return clocks


def parsed(path: str | os.PathLike[str], reader: Any = None) -> Any:
    """What the reader package makes of a file, which must close with a comment.

    With a `reader` the values of the signals are told to that alone. Raises DumpError.
    """
    _held_in_bounds(path)
    handler = signal.getsignal(signal.SIGPIPE)
    from vcdvcd import VCDVCD

    # Importing vcdvcd changes this handler for the whole process: it is put back.
    signal.signal(signal.SIGPIPE, handler)
    try:
        return VCDVCD(os.fspath(path), callbacks=reader, store_tvs=reader is None)
    except Exception as error:  # the package raises Exception itself, too
        # vcdvcd leaves its file open after an error: its frames hold it, so they are cleared.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            traceback.clear_frames(error.__traceback__)
        if reader is not None and (isinstance(error, DumpError) or reader.consuming):
            raise
        where = "" if reader is None else " in the declarations"
        if reader is not None and reader.last_time >= 0:
            where = f" after {reader.last_time} ns"
        raise DumpError(f"{path}: not a value change dump: unreadable{where} ({error})") from error


class _EnoughError(Exception):
    """Nothing more of the file is wanted."""


def first_clocks(
    path: str | os.PathLike[str], count: int = 64, beside: Sequence[SignalSpec] = ()
) -> tuple[Columns, int, int]:
    """The columns of the first `count` clocks, which clock is the first, and how many there are.

    Raises DumpError, also for a file without a clock.
    """
    found: list[tuple[Columns, int]] = []

    def take(columns: Columns, first: int) -> None:
        found.append((columns, first))
        raise _EnoughError

    with contextlib.suppress(_EnoughError):
        read_clocks(path, take, count, beside)
    if not found:
        raise DumpError(f"{path}: holds no complete clock")
    return *found[0], closing_count(path)


def closing_count(path: str | os.PathLike[str]) -> int:
    """The number of clocks that the file's last line states. Raises DumpError without one."""
    tail = tail_of(path)
    if last_line(SETTLED, tail):
        raise DumpError(
            f"{path}: shows gates settling, in gate delays; expected clocks, as 'op' and 'run' "
            "write them"
        )
    match = last_line(CLOSING, tail)
    if not match:
        raise DumpError(
            f"{path}: cut off, or not written by this bench: expected a last line like "
            f"'{CLOSING.format(24).strip()}'"
        )
    return int(match[1])


def tail_of(path: str | os.PathLike[str]) -> bytes:
    """The end of a file that begins like a dump. Raises DumpError for any other."""
    try:
        with open(path, "rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - TAIL))
            tail = file.read(TAIL)
            file.seek(0)
            head = file.read(TAIL)
    except OSError as error:
        raise DumpError(f"{path}: {error.strerror or error}") from error
    if not size:
        raise DumpError(f"{path}: empty; expected a value change dump")
    if b"\0" in head or not head.lstrip().startswith(b"$"):
        wanted = "a first line that begins with '$'"
        raise DumpError(f"{path}: not a value change dump: expected {wanted}")
    return tail


def _held_in_bounds(path: str | os.PathLike[str]) -> None:
    """Raises DumpError for what would take the reader package more time or room than the file has.

    It joins the lines of a timescale again with each, and the names of all scopes for each signal.
    """
    scopes = lines = 0
    with open(path, "rb") as file:
        while line := file.readline(LONGEST + 1):
            if len(line) > LONGEST:
                raise DumpError(f"{path}: a line is longer than {LONGEST:,} bytes")
            if lines or b"$" in line:
                scopes += (b"$scope" in line) - (b"$upscope" in line)
                opened = lines or b"$timescale" in line
                lines = lines + 1 if opened and b"$end" not in line else 0
                if max(scopes, lines) > DEEPEST:
                    what = "a timescale" if lines else "scopes"
                    raise DumpError(f"{path}: not a value change dump: {what} without end")


def last_line(line: str, tail: bytes) -> re.Match[bytes] | None:
    """The number in a closing comment, if the file ends with it."""
    pattern = re.escape(line.format("#")).replace(r"\#", r"(\d+)").encode()
    return re.search(rb"(?:^|\n)" + pattern + rb"\Z", tail)


class _ClockReader:
    """The reader package's callbacks: gathers the values of each clock into a row."""

    def __init__(
        self, path: str | os.PathLike[str], consume: Callable[[Columns, int], None], chunk: int,
        beside: Sequence[SignalSpec],
    ) -> None:  # fmt: skip
        self.path, self.consume, self.chunk = path, consume, chunk
        self.specs, self.beside = SIGNALS, beside
        self.index: dict[str, int] = {}  # of the signal, by the file's identifier code
        self.current: list[Any] = [None] * len(SIGNALS)
        self.rows: list[tuple[Any, ...]] = []
        self.first, self.clock = 0, 0  # a file may hold a later part of a run
        self.last_time = -1
        self.changed_between = ""
        self.consuming = False  # what is raised meanwhile is no fault of the file's form

    def enddefinitions(self, vcd: Any, signals: Any, cur_sig_vals: Any) -> None:
        """Finds this bench's signals among those of the file."""
        if self.index:
            raise DumpError(f"{self.path}: the declarations end twice")
        names = [re.sub(r"\[\d+:\d+\]$", "", name) for name in vcd.signals]
        found = dict(zip(names, map(vcd.references_to_ids.get, vcd.signals), strict=True))
        often = Counter(names)
        self.specs += tuple(spec for spec in self.beside if spec.path in found)
        self.current += [None] * (len(self.specs) - len(SIGNALS))
        for i, spec in enumerate(self.specs):
            code = found.get(spec.path)
            if code is None:
                raise DumpError(f"{self.path}: no signal {spec.path}: not a dump of this bench")
            if often[spec.path] > 1:
                raise DumpError(f"{self.path}: {spec.path} is declared {often[spec.path]} times")
            declared = vcd.data[code]
            if int(declared.size) != spec.width or declared.var_type not in TYPES:
                raise DumpError(
                    f"{self.path}: {spec.path} is a {declared.var_type} of {declared.size} bits; "
                    f"expected a {spec.kind} of {spec.width}"
                )
            self.index[code] = i
        scale = vcd.timescale
        if not scale or (scale["magnitude"], scale["unit"]) != (1, "ns"):
            found_scale = f"{scale['magnitude']} {scale['unit']}" if scale else "not given"
            raise DumpError(f"{self.path}: the timescale is {found_scale}; expected 1 ns")

    def value(
        self, vcd: Any, time: int, value: str, identifier_code: str, cur_sig_vals: Any
    ) -> None:
        """Notes one change."""
        i = self.index.get(identifier_code)
        if i is None:
            return
        spec = self.specs[i]
        if value.strip("01"):
            found = f"{spec.path} at {time} ns is {quoted(value)}"
            raise DumpError(f"{self.path}: {found}; expected 0s and 1s")
        if len(value) > spec.width:
            found = f"{spec.path} at {time} ns has {len(value)} bits"
            raise DumpError(f"{self.path}: {found}; expected {spec.width}")
        number = int(value, 2)
        self.current[i] = text_of(number, spec.width) if spec.text else number
        if i != CLK and time % PERIOD:
            self.changed_between = spec.path

    def time(self, vcd: Any, time: int, cur_sig_vals: Any) -> None:
        """Ends the changes of one time; those of a rising edge make a row."""
        if not self.index or self.current[CLK] is None:
            return
        if not self.clock and self.current[CLK] and time % PERIOD == 0:
            self.first = time // PERIOD
        now = self.first + self.clock
        expected = now * PERIOD if self.current[CLK] else (now - 1) * PERIOD + HALF
        closing = not self.current[CLK] and time == now * PERIOD
        if (time != expected and not closing) or self.changed_between:
            what = self.changed_between or "unit.clk"
            raise DumpError(f"{self.path}: {what} changes at {time} ns, between the edges of clk")
        self.last_time = time
        if self.current[CLK] and not closing:
            if None in self.current:
                missing = self.specs[self.current.index(None)].path
                raise DumpError(f"{self.path}: {missing} has no value at {time} ns")
            self.rows.append(tuple(self.current))
            self.clock += 1
            if len(self.rows) == self.chunk:
                self.flush()

    def flush(self) -> None:
        """Hands on the rows gathered so far."""
        if not self.rows:
            return
        columns = {
            spec.path: np.array(column, dtype=object if spec.text else np.int64)
            for spec, column in zip(self.specs, zip(*self.rows, strict=True), strict=True)
        }
        first = self.first + self.clock - len(self.rows)
        self.rows, self.consuming = [], True
        self.consume(columns, first)
        self.consuming = False
