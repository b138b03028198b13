"""The process in which an emulator runs, seen from the bench."""

import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, Final, Self

import numpy as np

from ..cases.layout import Cases, Outcomes
from ..cases.words import describe_case
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
        child, self._child = self._child, None
        if child is not None:
            child.close()

    def _kill(self) -> None:
        """Ends the child process at once: it is not to be trusted any more."""
        child, self._child = self._child, None
        if child is not None:
            child.close(patience=0)

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
