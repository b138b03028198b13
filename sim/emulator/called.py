"""The emulator witness: the user's program as a library or a Python function; `pipe` has a third.

Each runs in a child process, so that a crash, an endless loop or an exit there becomes an
EmulatorError here, with the case that did it. POSIX only: it needs process groups.
"""

import os
import shlex
import sys
import tempfile
import time
from contextlib import ExitStack
from threading import RLock
from typing import Final, Self

import numpy as np

from ..cases.kinds import describe_case
from ..cases.layout import CASE_LAYOUT, OUTCOME, OUTCOME_LAYOUT, Cases, Outcomes
from ..system.errors import UnusableError
from . import host
from .child import POLITE, Child, EndedError, StrayError, ToldError

TIMEOUT: Final = 10.0  # seconds
FEW: Final = 1 << 8  # cases in the first call
ROWS: Final = 1 << 16  # cases in a call, at most


class EmulatorError(UnusableError):
    """An emulator that cannot be asked, or did not answer; the message is one line.

    `case` is what it was asked when that is known, as a 0-d array.
    """

    def __init__(self, message: str, case: Cases | None = None) -> None:
        super().__init__(message)
        self.case = case

    @property
    def details(self) -> list[str]:
        """The case in words, and as JSON."""
        return describe_case(self.case)


class Peer:
    """A user's program in a process. Use as a context manager, or close it: none stays behind.

    `name` is what messages call it, `option` what it is on the command line.
    """

    _child: Child | None = None
    _closed = False  # for good: another thread may still wait for an answer

    def __init__(self, name: str, option: str, timeout: float) -> None:
        self.name, self.option, self.timeout = name, option, timeout
        self._lock = RLock()  # held by whoever uses the child's files

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Ends the child process; may be called again."""
        self._closed = True
        child = self._child  # another thread may take it away
        if child is not None:
            child.end()
        with self._lock:
            self._release()

    def _release(self) -> None:
        """Closes what is open."""
        self._end()

    def _end(self, patience: float = POLITE) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.close(patience)


class Emulator(Peer):
    """What all adapters share that answer cases.

    `outside` has, by the number of a case in the last call, the fields whose value they cannot
    have, in words.
    """

    _done = 0  # cases answered in calls before

    def __init__(self, name: str, option: str, timeout: float) -> None:
        super().__init__(name, option, timeout)
        self.outside: host.Outsides = {}

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises EmulatorError; then there is nothing left but to close it."""
        if self._closed or self._child is None:
            raise ValueError(f"{self.name}: closed")
        cases = np.asarray(cases)
        flat = np.ascontiguousarray(cases.reshape(-1))
        self.outside = {}
        with self._lock:
            outcomes = self._execute(flat)
        self._done += len(flat)
        return outcomes.reshape(cases.shape)

    def _execute(self, cases: Cases) -> Outcomes:
        raise NotImplementedError

    def _error(self, what: object, cases: Cases, at: int) -> EmulatorError:
        """An error in one of the present call's cases."""
        message = f"{self.name}: case {self._done + at:,}: {what}"
        return EmulatorError(message, cases[at : at + 1].reshape(()).copy())


class _Called(Emulator):
    """An emulator that the child process calls, over shared memory.

    Here that is read and written as a file: a mapping of it would crash this process too where the
    emulator truncates it.
    """

    _places: Final = host.Places(ROWS, CASE_LAYOUT, OUTCOME_LAYOUT)

    def __init__(self, kind: str, target: str, name: str, option: str, timeout: float) -> None:
        super().__init__(name, option, timeout)
        self._rows = FEW
        with ExitStack() as opened:
            # Without a name: nothing is left behind however the bench ends.
            self._memory = opened.enter_context(tempfile.TemporaryFile()).fileno()
            self._job = {
                "kind": kind, "target": target, "memory": self._memory, "rows": ROWS,
                "case": CASE_LAYOUT, "outcome": OUTCOME_LAYOUT,
            }  # fmt: skip
            opened.callback(self._end)
            self._start()
            self._opened = opened.pop_all()

    def _start(self) -> None:
        os.truncate(self._memory, self._places.size)
        try:
            self._child = Child(self._job, self.timeout, [self._memory])
        except ToldError as told:
            raise EmulatorError(f"{self.name}: {told}") from None
        except EndedError as ended:
            raise EmulatorError(f"{self.name}: {ended} while it was loaded") from None

    def _release(self) -> None:
        super()._release()  # each time: a call that was interrupted may have started another
        self._opened.close()

    def _execute(self, cases: Cases) -> Outcomes:
        outcomes = np.zeros(len(cases), OUTCOME)
        start = 0
        while start < len(cases):
            began = time.monotonic()
            part = slice(start, start + self._rows)
            outcomes[part] = self._call(cases, part)
            start += self._rows
            # As many at a time as a slow emulator can do without being taken for a silent one.
            took = time.monotonic() - began
            if took < self.timeout / 100:
                self._rows = min(2 * self._rows, ROWS)
            elif took > self.timeout / 10:
                self._rows = max(self._rows // 2, 1)
        return outcomes

    def _call(self, cases: Cases, part: slice) -> Outcomes:
        """Answers ROWS cases at most."""
        asked = cases[part]
        try:
            answers, outsides = self._ask(asked)
        except EndedError as ended:
            self._end(patience=0)
            self._go_on()
            begun = self._begun()
            if begun < len(asked) and not isinstance(ended, StrayError):
                raise self._error(ended, cases, part.start + begun) from None
            what = str(ended)
        else:
            self.outside |= {part.start + row: outside for row, outside in outsides.items()}
            return answers
        # It was called for all of them at once: find the one.
        self._start()
        for at in range(part.start, part.start + len(asked)):
            self._go_on()
            try:
                self._ask(cases[at : at + 1])
            except EndedError as ended:
                self._end(patience=0)
                self._go_on()
                raise self._error(ended, cases, at) from None
        first = self._done + part.start
        raise EmulatorError(
            f"{self.name}: {what}, in a call with cases {first:,} to {first + len(asked) - 1:,}; "
            "in calls with one of them each it answers them all"
        )

    def _go_on(self) -> None:
        """Raises EmulatorError if another thread has closed it, and nobody waits for the end."""
        if self._closed:
            raise EmulatorError(f"{self.name}: closed")

    def _ask(self, cases: Cases) -> tuple[Outcomes, host.Outsides]:
        """Has some cases answered in one call. Raises EndedError."""
        places, child, guard = self._places, self._child, host.Places.GUARD
        assert child is not None
        size = len(cases) * OUTCOME.itemsize
        os.pwrite(self._memory, host.NOTHING.to_bytes(8, sys.byteorder), 0)
        os.pwrite(self._memory, cases.tobytes(), places.cases_at)
        os.pwrite(self._memory, guard + bytes(size) + guard, places.outcomes_at - len(guard))
        try:
            outsides = child.order(len(cases), self._begun)
        except EndedError:
            self._hold_whole()
            raise
        self._hold_whole()
        found = os.pread(self._memory, size + 2 * len(guard), places.outcomes_at - len(guard))
        if not (found.startswith(guard) and found.endswith(guard)):
            raise StrayError("wrote beyond the outcomes of the cases that it was given")
        return np.frombuffer(found[len(guard) : -len(guard)], OUTCOME), outsides

    def _hold_whole(self) -> None:
        """Raises StrayError where the memory is not all there any more."""
        if os.fstat(self._memory).st_size < self._places.size:
            raise StrayError("truncated the memory that it shares with the bench")

    def _begun(self) -> int:
        """The case that was begun last, or a number that none has."""
        return int.from_bytes(os.pread(self._memory, 8, 0), sys.byteorder)


class Library(_Called):
    """A shared library with the function that `header` declares, for C, C++, Rust, Zig, Go.

    `timeout` is in seconds for one call, which has as many cases as the library can answer in a
    small part of that. Raises EmulatorError if it cannot be loaded.
    """

    def __init__(self, path: str | os.PathLike[str], timeout: float = TIMEOUT) -> None:
        super().__init__("library", *library_of(path), timeout)


class PythonFunction(_Called):
    """A Python function, named `module:function` or `path.py:function`.

    It takes one case with the attributes event, pc, a, x, y, sp, p and reads, a tuple of pairs, an
    address and the byte that lies there. It returns a mapping or an object with pc, a, x, y, sp
    and p, if it counts them `cycles`, and as `writes` a list of pairs, an address and the byte
    written there, which may be left out where there are none. A value that cannot be, such as an x
    of 256, counts as wrong. With `arrays` it takes a `CASE` array and returns an `OUTCOME` array.

    `timeout` is in seconds for one case, or with `arrays` for one call.
    """

    def __init__(self, function: str, arrays: bool = False, timeout: float = TIMEOUT) -> None:
        super().__init__("arrays" if arrays else "scalar", *python_of(function, arrays), timeout)


def library_of(path: str | os.PathLike[str]) -> tuple[str, str, str]:
    """A library's file, its name in messages, and its option. Raises EmulatorError."""
    if not os.path.exists(path):
        raise EmulatorError(f"{path}: no such file")
    name = str(path)
    # Without a slash it would be sought among the system's libraries.
    return os.path.abspath(path), name, f"--library {shlex.quote(name)}"


def python_of(function: str, arrays: bool) -> tuple[str, str, str]:
    """The same of a Python function."""
    where, _, name = function.rpartition(":")
    if not where or not name:
        raise EmulatorError(f"{function}: expected module:function or path.py:function")
    if where.endswith(".py") and not os.path.exists(where):
        raise EmulatorError(f"{where}: no such file")
    return function, function, f"--python {shlex.quote(function)}" + " --arrays" * arrays
