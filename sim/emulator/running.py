"""An emulator that runs a program on its own: told where it begins, it answers row by row."""

from __future__ import annotations

import base64
import json
import os
import select
import sys
import tempfile
import time
from contextlib import ExitStack
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.layout import OUTCOME, OUTCOME_LAYOUT, REGISTERS
from ..system.quoting import quoted
from ..system.strict_json import UnreadableError, decoded
from . import host
from .called import TIMEOUT, EmulatorError, Peer, library_of, python_of
from .child import LOOK, Child, EndedError
from .own_run import MEMORY, PIN, PIN_LAYOUT, ROW, START, START_LAYOUT
from .pipe import LONGEST, PipePeer

ROWS: Final = (1 << 17) + 1  # in a call, at most
ROW_LAYOUT: Final = [("clock", "Q", 1), ("event", "B", 1), *OUTCOME_LAYOUT]


class Runner(Peer):
    """What all of them share. Use as a context manager, or close it: no process stays behind."""

    def run(
        self, start: npt.NDArray[Any], memory: bytes, pins: npt.NDArray[Any], count: int,
        before: int = 0,
    ) -> npt.NDArray[Any]:  # fmt: skip
        """So many rows (`ROW`, at most `ROWS`) from a `START` with 65,536 bytes and `PIN` changes.

        The pins are the first 65,536 changes at most. `before` rows ran already, for messages.
        Raises EmulatorError; rows that do not follow each other are one.
        """
        if self._closed or self._child is None:
            raise ValueError(f"{self.name}: closed")
        assert len(memory) == MEMORY
        with self._lock:
            rows = self._run(start, memory, pins[: host.RunPlaces.PINS], count, before)
        if len(rows) < count:
            raise self._at(before + len(rows), f"it stopped there, {count:,} were asked for")
        self._hold_order(rows, int(start["clock"]), before)
        return rows

    def _run(
        self, start: npt.NDArray[Any], memory: bytes, pins: npt.NDArray[Any], count: int,
        before: int,
    ) -> npt.NDArray[Any]:  # fmt: skip
        raise NotImplementedError

    def _at(self, row: int, what: object) -> EmulatorError:
        return EmulatorError(f"{self.name}: row {row + 1:,}: {what}")

    def _hold_order(self, rows: npt.NDArray[Any], begun: int, before: int) -> None:
        """Raises EmulatorError where a row does not begin when the one before it has ended."""
        clocks, taken = rows["clock"].astype(np.int64), rows["after"]["cycles"].astype(np.int64)
        ends = np.concatenate([[begun], clocks + taken])
        wrong = np.flatnonzero((clocks != ends[:-1]) | (taken == 0))
        if not len(wrong):
            return
        at = int(wrong[0])
        if clocks[at] == ends[at]:
            raise self._at(before + at, "it has 0 cycles: in a run they are counted")
        what = f"it begins in clock {clocks[at]:,}, and the one before it ends in {ends[at]:,}"
        raise self._at(before + at, f"{what}: rows come in the order in which they run")


class _CalledRunner(Runner):
    """One that the child process calls, over shared memory."""

    _places: Final = host.RunPlaces(ROWS, START_LAYOUT, PIN_LAYOUT, ROW_LAYOUT)

    def __init__(self, kind: str, target: str, name: str, option: str, timeout: float) -> None:
        super().__init__(name, option, timeout)
        with ExitStack() as opened:
            self._memory = opened.enter_context(tempfile.TemporaryFile()).fileno()
            os.truncate(self._memory, self._places.size)
            job = {
                "kind": kind, "target": target, "memory": self._memory, "rows": ROWS,
                "start": START_LAYOUT, "pin": PIN_LAYOUT, "row": ROW_LAYOUT,
                "outcome": OUTCOME_LAYOUT,
            }  # fmt: skip
            opened.callback(self._end)
            try:
                self._child = Child(job, timeout, [self._memory])
            except EndedError as ended:
                raise EmulatorError(f"{name}: {ended}") from None
            self._opened = opened.pop_all()

    def _release(self) -> None:
        super()._release()
        self._opened.close()

    def _run(
        self, start: npt.NDArray[Any], memory: bytes, pins: npt.NDArray[Any], count: int,
        before: int,
    ) -> npt.NDArray[Any]:  # fmt: skip
        places, child, guard = self._places, self._child, host.Places.GUARD
        assert child is not None
        size = count * ROW.itemsize
        os.pwrite(self._memory, host.NOTHING.to_bytes(8, sys.byteorder), 0)
        os.pwrite(self._memory, start.tobytes() + memory + pins.tobytes(), places.start_at)
        os.pwritev(self._memory, [guard, bytes(size), guard], places.rows_at - len(guard))
        try:
            child.order([count, len(pins)], self._done)
        except EndedError as ended:
            self._end(patience=0)
            done = self._done()
            raise self._at(before + (0 if done == host.NOTHING else done), ended) from None
        if os.fstat(self._memory).st_size < places.size:
            raise EmulatorError(f"{self.name}: truncated the memory that it shares with the bench")
        found = os.pread(self._memory, size + 2 * len(guard), places.rows_at - len(guard))
        done = self._done()
        if not (found.startswith(guard) and found.endswith(guard)) or done > count:
            raise EmulatorError(
                f"{self.name}: filled more rows than the {count:,} it was asked for"
            )
        return np.frombuffer(found, ROW, done, len(guard))

    def _done(self) -> int:
        """The rows that are filled."""
        return int.from_bytes(os.pread(self._memory, 8, 0), sys.byteorder)


class LibraryRunner(_CalledRunner):
    """A shared library with the function `carrywave_run` that `header` declares."""

    def __init__(self, path: str | os.PathLike[str], timeout: float = TIMEOUT) -> None:
        super().__init__("library", *library_of(path), timeout)


class PythonRunner(_CalledRunner):
    """A Python function, named `module:function` or `path.py:function`: ``(start, memory, pins,
    count)`` to rows.

    `start` has the attributes clock, event, nmi, pc, a, x, y, sp and p, `memory` is bytes, `pins`
    are triples: a clock, an event (1 IRQ, 2 NMI) and a level. A row is what `PythonFunction`
    returns, with `clock` and, unless it is an instruction, `event`; a generator will do. With
    `arrays` it takes a `START`, a uint8 array and a `PIN` array, and returns a `ROW` array.
    """

    def __init__(self, function: str, arrays: bool = False, timeout: float = TIMEOUT) -> None:
        super().__init__("arrays" if arrays else "scalar", *python_of(function, arrays), timeout)


class PipeRunner(PipePeer, Runner):
    """A command that reads an object a line and writes `count` rows for it, an object a line.

    The object has `start`, an object; `memory`, the bytes in base 64; `pins`, triples as
    `PythonRunner` has them; and `count`.
    """

    def _run(
        self, start: npt.NDArray[Any], memory: bytes, pins: npt.NDArray[Any], count: int,
        before: int,
    ) -> npt.NDArray[Any]:  # fmt: skip
        assert START.names is not None
        asked = {
            "start": {name: int(start[name]) for name in START.names},
            "memory": base64.b64encode(memory).decode(), "pins": pins.tolist(), "count": count,
        }  # fmt: skip
        waiting = memoryview(json.dumps(asked, separators=(",", ":")).encode() + b"\n")
        rows, rest = list[bytes](), b""
        heard = time.monotonic()
        while len(rows) < count:
            readable, writable, _ = select.select(
                [self._from], [self._to] if waiting else [], [], min(LOOK, self.timeout)
            )
            if writable:
                try:
                    waiting = waiting[os.write(self._to, waiting) :]
                except BrokenPipeError:
                    waiting = memoryview(b"")
            if readable:
                data = os.read(self._from, 1 << 18)
                if not data:
                    assert self._child is not None
                    raise self._broken(before + len(rows), self._child.ending())
                heard = time.monotonic()
                *lines, rest = (rest + data).split(b"\n")
                if len(rest) > LONGEST:
                    raise self._broken(before + len(rows), "a line without end")
                for line in lines:
                    if len(rows) == count:
                        raise self._surplus(line)
                    rows.append(self._packed(line, before + len(rows)))
            if len(rows) < count and time.monotonic() - heard > self.timeout:
                what = f"no row within {self.timeout:g} s: does it flush its output?"
                raise self._broken(before + len(rows), what)
        if rest:
            raise self._surplus(rest)
        return np.frombuffer(b"".join(rows), ROW)

    def _surplus(self, text: bytes) -> EmulatorError:
        self._end(patience=0)
        return EmulatorError(f"{self.name}: more rows than were asked for")

    def _broken(self, row: int, what: object) -> EmulatorError:
        self._end(patience=0)
        return self._at(row, what)

    def _packed(self, line: bytes, row: int) -> bytes:
        try:
            told = decoded(line)
            if not isinstance(told, dict):
                raise host.BadAnswerError("not an object")
            if not told.keys() <= _KEYS:  # a field, misspelled, would not be compared
                name = next(name for name in told if name not in _KEYS)
                raise host.BadAnswerError(f"unknown key {quoted(name)}")
            return _PACKED(told)
        except (UnreadableError, host.BadAnswerError) as error:
            text = quoted(line.decode("utf-8", "replace").rstrip("\r"))
            raise self._broken(row, f"{str(error) or 'not JSON'}: {text}") from None


_KEYS: Final = frozenset((*REGISTERS, "cycles", "writes", "clock", "event"))
_PACKED: Final = host.row_packer(OUTCOME_LAYOUT)
assert ROW.itemsize == OUTCOME.itemsize + 9
assert PIN.itemsize == 10
