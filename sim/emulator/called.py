"""The emulator witness: the user's program as a library or a Python function; `pipe` has a third.

Each runs in a child process, so that a crash, an endless loop or an exit there becomes an
EmulatorError here, with the case that did it. POSIX only: it needs process groups.
"""

import json
import os
import select
import shlex
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from typing import Any, Final, Self

import numpy as np

from ..cases.kinds import describe_case
from ..cases.layout import CASE, CASE_LAYOUT, OUTCOME, OUTCOME_LAYOUT, Cases, Outcomes
from ..system.errors import UnusableError
from . import host

TIMEOUT: Final = 10.0  # seconds
LOADING = 10.0  # seconds at least, for what is done only once
FEW: Final = 1 << 8  # cases in the first call
ROWS: Final = 1 << 16  # cases in a call, at most
LOOK: Final = 0.2  # seconds between two looks at a silent process
POLITE: Final = 0.5  # seconds in which a process may end by itself


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


class EndedError(Exception):
    """A child process that gave no answer; it is of no more use."""


class ToldError(EndedError):
    """The same, in the process's own words."""


class Child:
    """A process that runs `host.py`, and the socket to it."""

    def __init__(
        self, job: dict[str, Any], timeout: float, files: Sequence[int] = (), piped: bool = False
    ) -> None:
        """Raises EndedError if the emulator cannot be loaded or started."""
        here, there = socket.socketpair()
        # The package's own folder must not be searched for what the user imports.
        switches = ("-P",) if job["kind"] in ("scalar", "arrays") else ("-I", "-S")
        with there:
            self.process: subprocess.Popen[bytes] = subprocess.Popen(
                [sys.executable, *switches, host.__file__, str(there.fileno())],
                stdin=subprocess.PIPE if piped else subprocess.DEVNULL,
                # What an emulator prints must not mix with the report.
                stdout=subprocess.PIPE if piped else 2,
                pass_fds=[there.fileno(), *files],
                start_new_session=True,
            )
        self._socket, self._timeout = here, timeout
        self._lines = here.makefile("rwb")
        try:
            self.order(job, timeout=max(timeout, LOADING))
        except BaseException:
            self.close(patience=0)
            raise

    def order(
        self, order: Any, shared: host.Shared | None = None, timeout: float | None = None
    ) -> host.Outsides:
        """Gives an order and waits until it is done; progress is a sign of life.

        What comes back are the answers outside their range, by case. Raises EndedError.
        """
        with suppress(OSError):  # its end is seen below
            self._lines.write(json.dumps(order).encode() + b"\n")
            self._lines.flush()
        timeout = timeout or self._timeout
        seen, deadline = host.NOTHING, time.monotonic() + timeout
        while not select.select([self._socket], [], [], min(LOOK, timeout))[0]:
            if self.process.poll() is not None:
                break
            if shared is not None and shared.progress != seen:
                seen, deadline = shared.progress, time.monotonic() + timeout
            elif time.monotonic() > deadline:
                raise EndedError(f"no answer within {timeout:g} s")
        line = b""
        with suppress(OSError):
            line = self._lines.readline()
        if not line:
            raise EndedError(self.ending())
        answer = json.loads(line)
        if "error" in answer:
            raise ToldError(answer["error"])
        return {int(row): outside for row, outside in answer.get("outside", {}).items()}

    def ending(self) -> str:
        """How the process has ended, in words."""
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(POLITE)
        status = self.process.poll()
        if status is None:
            return "closed its output"
        if status < 0:
            return f"crashed with {signal.Signals(-status).name}"
        return f"ended with exit status {status}"

    def close(self, patience: float = POLITE) -> None:
        """Ends the process and all of its group; one that can end by itself has so many seconds."""
        with suppress(OSError, ValueError):
            self._socket.shutdown(socket.SHUT_RDWR)
        if patience:
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(patience)
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        for stream in (self._lines, self.process.stdin, self.process.stdout, self._socket):
            if stream is not None:
                with suppress(OSError):
                    stream.close()


class Emulator:
    """What all adapters share. Use as a context manager, or close it: no process stays behind.

    `name` is what messages call it, `option` what it is on the command line. `outside` has, by the
    number of a case in the last call, the fields whose value they cannot have, in words.
    """

    _child: Child | None = None
    _done = 0  # cases answered in calls before

    def __init__(self, name: str, option: str, timeout: float) -> None:
        self.name, self.option, self.timeout = name, option, timeout
        self.outside: host.Outsides = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Ends the child process; may be called again."""
        self._end()

    def _end(self, patience: float = POLITE) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.close(patience)

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises EmulatorError; then there is nothing left but to close it."""
        if self._child is None:
            raise ValueError(f"{self.name}: closed")
        cases = np.asarray(cases)
        flat = np.ascontiguousarray(cases.reshape(-1))
        self.outside = {}
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
    """An emulator that the child process calls, over shared memory."""

    def __init__(self, kind: str, target: str, name: str, option: str, timeout: float) -> None:
        super().__init__(name, option, timeout)
        self._rows = FEW
        with ExitStack() as opened:
            # Without a name: nothing is left behind however the bench ends.
            self._memory = opened.enter_context(tempfile.TemporaryFile()).fileno()
            os.truncate(self._memory, host.Shared.HEAD + ROWS * (CASE.itemsize + OUTCOME.itemsize))
            self._shared = host.Shared(self._memory, ROWS, CASE_LAYOUT, OUTCOME_LAYOUT)
            self._job = {
                "kind": kind, "target": target, "memory": self._memory, "rows": ROWS,
                "case": CASE_LAYOUT, "outcome": OUTCOME_LAYOUT,
            }  # fmt: skip
            opened.callback(super().close)
            self._start()
            self._opened = opened.pop_all()

    def _start(self) -> None:
        try:
            self._child = Child(self._job, self.timeout, [self._memory])
        except ToldError as told:
            raise EmulatorError(f"{self.name}: {told}") from None
        except EndedError as ended:
            raise EmulatorError(f"{self.name}: {ended} while it was loaded") from None

    def close(self) -> None:
        """Ends the child process; may be called again."""
        super().close()  # each time: a call that was interrupted may have started another
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

    def _call(self, cases: Cases, part: slice, one_by_one: bool = False) -> Outcomes:
        """Answers ROWS cases at most."""
        shared, child = self._shared, self._child
        assert child is not None
        asked = cases[part]
        np.frombuffer(shared.memory, CASE, len(asked), shared.cases_at)[:] = asked
        answers = np.frombuffer(shared.memory, OUTCOME, len(asked), shared.outcomes_at)
        answers[:] = 0
        shared.progress = host.NOTHING
        try:
            outsides = child.order([len(asked), one_by_one], shared)
            self.outside |= {part.start + row: outside for row, outside in outsides.items()}
            return answers.copy()
        except EndedError as ended:
            self._end(patience=0)
            if shared.progress != host.NOTHING:
                raise self._error(ended, cases, part.start + shared.progress) from None
            what = str(ended)
        # It was called for all of them at once: find the one.
        self._start()
        self._call(cases, part, one_by_one=True)
        first = self._done + part.start
        raise EmulatorError(
            f"{self.name}: {what}, in a call with cases {first:,} to {first + len(asked) - 1:,}; "
            "in calls with one of them each it answers them all"
        )


class Library(_Called):
    """A shared library with the function that `header` declares, for C, C++, Rust, Zig, Go.

    `timeout` is in seconds for one call, which has as many cases as the library can answer in a
    small part of that. Raises EmulatorError if it cannot be loaded.
    """

    def __init__(self, path: str | os.PathLike[str], timeout: float = TIMEOUT) -> None:
        if not os.path.exists(path):
            raise EmulatorError(f"{path}: no such file")
        # Without a slash it would be sought among the system's libraries.
        target, name = os.path.abspath(path), str(path)
        super().__init__("library", target, name, f"--library {shlex.quote(name)}", timeout)


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
        where, _, name = function.rpartition(":")
        if not where or not name:
            raise EmulatorError(f"{function}: expected module:function or path.py:function")
        if where.endswith(".py") and not os.path.exists(where):
            raise EmulatorError(f"{where}: no such file")
        option = f"--python {shlex.quote(function)}" + " --arrays" * arrays
        kind = "arrays" if arrays else "scalar"
        super().__init__(kind, function, function, option, timeout)
