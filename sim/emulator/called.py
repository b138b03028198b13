"""The emulator witness: the user's program as a library or a Python function; `pipe` has a third.

Each runs in a child process, so that a crash, an endless loop or an exit there becomes an
EmulatorError here, with the case that did it. POSIX only: it needs process groups.
"""

import os
import shlex
import tempfile
import time
from contextlib import ExitStack

import numpy as np

from ..cases.layout import CASE, CASE_LAYOUT, OUTCOME, OUTCOME_LAYOUT, Cases, Outcomes
from . import host
from .child import FEW, ROWS, TIMEOUT, Child, Emulator, EmulatorError, EndedError, ToldError


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
            self._kill()
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
