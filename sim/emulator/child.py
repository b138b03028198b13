"""A child process of the bench's: how it is started, ordered to answer, and ended."""

import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, Final

from . import host, supervisor

LOADING: Final = 10.0  # seconds at least, for what is done only once
LOOK: Final = 0.2  # seconds between two looks at a silent process
POLITE: Final = 0.5  # seconds in which a process may end by itself
ENDING: Final = 10.0  # seconds in which its supervisor has ended it
TELLING: Final = 1 << 26  # bytes of an answer at most
SHOWN: Final = 60  # characters of what was told, in a message


class EndedError(Exception):
    """A child process that gave no answer; it is of no more use."""


class ToldError(EndedError):
    """The same, in the process's own words."""


class StrayError(EndedError):
    """The same, of one that has touched what is not its own: at which case, it cannot say."""


class Child:
    """A process that runs `host.py` or a command, its supervisor, and the lines to both."""

    def __init__(
        self, job: dict[str, Any], timeout: float, files: Sequence[int] = (), piped: bool = False
    ) -> None:
        """Raises EndedError if the emulator cannot be loaded or started."""
        here, there = socket.socketpair()
        self._line, line = socket.socketpair()  # whose end says that this process has ended
        # Nothing of the present folder is imported but what the user names.
        switches = ("-P",) if job["kind"] in ("scalar", "arrays") else ("-I", "-S")
        ends = [str(there.fileno()), str(line.fileno()), str(os.getpid())]
        with there, line:
            self.process: subprocess.Popen[bytes] = subprocess.Popen(
                [sys.executable, *switches, supervisor.__file__, *ends],
                stdin=subprocess.PIPE if piped else subprocess.DEVNULL,
                # What an emulator prints must not mix with the report.
                stdout=subprocess.PIPE if piped else 2,
                pass_fds=[there.fileno(), line.fileno(), *files],
                start_new_session=True,
            )
        self._socket, self._timeout, self._piped = here, timeout, piped
        self._number = -1  # of the last order
        try:
            self.order(job, timeout=max(timeout, LOADING))
        except BaseException:
            self.close(patience=0)
            raise

    def order(
        self, order: Any, progress: Callable[[], int] | None = None, timeout: float | None = None
    ) -> host.Outsides:
        """Gives an order and waits until it is done; progress is a sign of life.

        What comes back are the answers outside their range, by case. Raises EndedError.
        """
        self._number += 1
        with suppress(OSError):  # its end is seen below
            self._socket.sendall(json.dumps(order).encode() + b"\n")
        told = self._told(progress, timeout or self._timeout)
        if not told and self._piped:
            return {}  # the command runs, and knows nothing of the channel
        if not told:
            raise self._lost()
        with suppress(ValueError, RecursionError):
            answer = json.loads(told)
            if isinstance(answer, dict) and answer.get("number") == self._number:
                if "error" in answer:
                    raise ToldError(answer["error"])
                return {int(row): outside for row, outside in answer.get("outside", {}).items()}
        text = told[:SHOWN].split(b"\n")[0].decode("utf-8", "replace")
        raise StrayError(f"wrote to a descriptor that it has not opened: {text!r}")

    def _told(self, progress: Callable[[], int] | None, timeout: float) -> bytes:
        """A line; it lacks its end, or is empty, where the process can tell no more."""
        told = bytearray()
        seen, deadline = host.NOTHING, time.monotonic() + timeout
        while not told.endswith(b"\n") and len(told) < TELLING:
            if select.select([self._socket], [], [], min(LOOK, timeout))[0]:
                try:
                    more = self._socket.recv(1 << 16)
                except OSError:
                    break
                if not more:
                    break
                told += more
            elif self.process.poll() is not None:
                break
            elif progress is not None and (now := progress()) != seen:
                seen, deadline = now, time.monotonic() + timeout
            elif time.monotonic() > deadline:
                raise EndedError(f"no answer within {timeout:g} s")
        return bytes(told)

    def _lost(self) -> EndedError:
        """How a process has ended that told nothing; it may only have closed the channel."""
        ending = self.ending(closed := "closed descriptors that it has not opened")
        if ending == closed or self.process.returncode == host.CLOSED:
            return StrayError(closed)
        return EndedError(ending)

    def ending(self, otherwise: str = "closed its output") -> str:
        """How the process has ended, in words; what else it did if it has not."""
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(POLITE)
        status = self.process.poll()
        if status is None:
            return otherwise
        if status < 0:
            return f"crashed with {signal.Signals(-status).name}"
        return f"ended with exit status {status}"

    def end(self, patience: float = POLITE) -> None:
        """Ends the process and all that it started; it has so many seconds to end by itself.

        A thread that waits for an answer raises EndedError.
        """
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        if patience:
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(patience)
        with suppress(OSError):
            self._line.send(b".")  # the supervisor ends the others, then itself
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(ENDING)
        self.process.kill()
        self.process.wait()

    def close(self, patience: float = POLITE) -> None:
        """The same where no thread waits: the lines are closed too."""
        self.end(patience)
        for stream in (self.process.stdin, self.process.stdout, self._socket, self._line):
            if stream is not None:
                with suppress(OSError):
                    stream.close()
