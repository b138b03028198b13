"""The process in which a user's emulator runs: whatever happens there ends nothing but this.

It is started as a file and imports next to nothing, so that it is there in some 30 ms. Orders and
answers are JSON lines on one socket; cases and outcomes lie in shared memory. Where the socket
ends, the bench has ended: then the whole process group goes, whatever the emulator is doing.
"""

from __future__ import annotations

import functools
import json
import mmap
import os
import signal
import struct
import sys
import threading
import time
from collections import namedtuple
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from queue import SimpleQueue

TYPE_CHECKING = False  # `typing` would take its time
if TYPE_CHECKING:
    from typing import Any

__all__ = ["BadAnswerError", "Shared", "format_of", "packed"]

TYPE_CHECKING = False  # `typing` would take its time

#: A field of a packed record: its name, its type as `struct` spells it, and how many there are.
Layout = Sequence[tuple[str, str, int]]
Call = Callable[[int, int], None]  # answers cases: the number of the first, and how many

REQUIRED = 6  # the registers: the first fields of an outcome
GRACE = 1.0  # seconds
NOTHING = 2**64 - 1  # no case yet


class BadAnswerError(Exception):
    """What an emulator returned is no outcome; the message is one line."""


def format_of(layout: Layout, together: bool = False) -> str:
    """The layout for `struct`; `together` gives several bytes as one `bytes`."""
    return "<" + "".join(
        f"{count}{'s' if together and kind == 'B' and count > 1 else kind}"
        for _, kind, count in layout
    )


def case_maker(layout: Layout) -> Callable[[Iterable[Any]], Any]:
    """What makes a case, with the layout's names as attributes, of the values in their order."""
    # mypy knows a named tuple only where its names are written out; here they are the layout's.
    record: Any = namedtuple
    maker: Callable[[Iterable[Any]], Any] = record("Case", [name for name, _, _ in layout])._make
    return maker


def packed(outcome: Any, layout: Layout, pack: Callable[..., bytes]) -> bytes:
    """An outcome as its record, from a mapping or from an object's attributes.

    `pc a x y sp p` must be there. What else is missing or None is 0, but for `pushes`, which is the
    number of bytes in `pushed`, and `stores`, which is 1 if there is a `stored`. `pack` is that of
    the layout. Raises BadAnswerError.
    """
    reader = _reader(outcome)
    numbers: list[Any] = []
    try:
        for name, _, count in layout:
            value = reader(name, None)
            if count > 1:
                several = () if value is None else value
                numbers += [*several, *(0,) * (count - len(several))]
            elif value is not None:
                numbers.append(value)
            elif name == "pushes":
                numbers.append(len(reader("pushed", None) or ()))
            elif name == "stores":
                numbers.append(reader("stored", None) is not None)
            else:
                numbers.append(None if len(numbers) < REQUIRED else 0)
        return pack(*numbers)
    except (TypeError, ValueError, struct.error):
        raise BadAnswerError(_complaint(outcome, layout)) from None


def _reader(outcome: Any) -> Callable[[str, Any], Any]:
    if type(outcome) is dict or isinstance(outcome, Mapping):
        get: Callable[[str, Any], Any] = outcome.get
        return get
    return functools.partial(getattr, outcome)


def _complaint(outcome: Any, layout: Layout) -> str:
    """What is wrong with an outcome that cannot be packed."""
    reader = _reader(outcome)
    required = [name for name, _, _ in layout[:REQUIRED]]
    missing = [name for name in required if reader(name, None) is None]
    if len(missing) == REQUIRED:
        return f"returned {_short(outcome)}: expected an outcome with {', '.join(required)}"
    if missing:
        return f"the outcome has no {missing[0]}"
    for name, kind, count in layout:
        value = reader(name, None)
        if value is None:
            continue
        if count > 1 and (isinstance(value, str | Mapping) or not hasattr(value, "__len__")):
            return f"{name} is {_short(value)}: expected a list of numbers"
        if count > 1 and len(value) > count:
            return f"{name} is {_short(value)}: expected at most {count} numbers"
        for number in value if count > 1 else [value]:
            top = 255 if kind == "B" else 65535
            if not hasattr(number, "__index__"):
                return f"{name} is {_short(number)}: expected a whole number"
            if not 0 <= number <= top:
                return f"{name} is {number}: expected 0 to {top}"
    return f"returned {_short(outcome)}: expected an outcome"


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


class Shared:
    """The memory that bench and child share: progress, cases, outcomes."""

    HEAD = 64

    def __init__(self, file: int, rows: int, case: Layout, outcome: Layout) -> None:
        self.case_size = struct.calcsize(format_of(case))
        self.outcome_size = struct.calcsize(format_of(outcome))
        self.cases_at = self.HEAD
        self.outcomes_at = self.HEAD + rows * self.case_size
        self.memory = mmap.mmap(file, self.outcomes_at + rows * self.outcome_size)

    @property
    def progress(self) -> int:
        """The case that was begun last, or NOTHING."""
        return int(struct.unpack_from("=Q", self.memory)[0])

    @progress.setter
    def progress(self, value: int) -> None:
        struct.pack_into("=Q", self.memory, 0, value)


def _library(job: dict[str, Any], shared: Shared) -> Call:
    import ctypes

    try:
        library = ctypes.CDLL(job["target"])
    except OSError as error:
        reason = str(error).removeprefix(f"{job['target']}: ")
        raise BadAnswerError(f"cannot be loaded: {reason}") from None
    try:
        function = library.carrywave_execute
    except AttributeError:
        raise BadAnswerError(
            "has no function carrywave_execute: include the header that 'carrywave header' prints"
        ) from None
    function.restype = None
    function.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t)
    base = ctypes.addressof(ctypes.c_char.from_buffer(shared.memory))
    cases, outcomes = base + shared.cases_at, base + shared.outcomes_at

    def call(first: int, count: int) -> None:
        function(
            cases + first * shared.case_size, outcomes + first * shared.outcome_size, count
        )  # fmt: skip

    return call


def _function(target: str) -> Callable[[Any], Any]:
    """The function that `module:function` or `path.py:function` names."""
    import importlib.util

    where, _, name = target.rpartition(":")
    if where.endswith(".py"):
        # As if the file had been run: its neighbours can be imported.
        sys.path.insert(0, os.path.dirname(os.path.abspath(where)))
        stem = os.path.basename(where)[:-3]
        spec = importlib.util.spec_from_file_location(stem, os.path.abspath(where))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[stem] = module
        spec.loader.exec_module(module)
    else:
        sys.path.insert(0, os.getcwd())
        module = importlib.import_module(where)
    try:
        function = functools.reduce(getattr, name.split("."), module)
    except AttributeError:
        raise BadAnswerError(f"{where} has no {name}") from None
    if not callable(function):
        raise BadAnswerError(f"{name} is {_short(function)}: expected a function")
    found: Callable[[Any], Any] = function
    return found


def _scalar(job: dict[str, Any], shared: Shared, function: Callable[[Any], Any]) -> Call:
    make = case_maker(job["case"])
    unpack = struct.Struct(format_of(job["case"], together=True)).unpack_from
    layout = job["outcome"]
    record = struct.Struct(format_of(layout))
    memory, pack, size = shared.memory, record.pack, record.size

    def call(first: int, count: int) -> None:
        for i in range(first, first + count):
            shared.progress = i
            case = make(unpack(memory, shared.cases_at + i * shared.case_size))
            place = shared.outcomes_at + i * size
            memory[place : place + size] = packed(function(case), layout, pack)

    return call


def _arrays(job: dict[str, Any], shared: Shared, function: Callable[[Any], Any]) -> Call:
    import numpy as np

    case, outcome = (
        np.dtype([(n, {"B": "u1", "H": "<u2"}[kind], *([count] * (count > 1)))
                  for n, kind, count in job[which]])
        for which in ("case", "outcome")
    )  # fmt: skip

    def call(first: int, count: int) -> None:
        begin = shared.cases_at + first * case.itemsize
        # A copy: the function may keep it, or write to it.
        cases = np.frombuffer(shared.memory[begin : begin + count * case.itemsize], case).copy()
        answer = function(cases)
        if not isinstance(answer, np.ndarray) or answer.dtype != outcome:
            kind = answer.dtype if isinstance(answer, np.ndarray) else type(answer).__name__
            raise BadAnswerError(f"returned {_short(kind)}: expected an array of the OUTCOME dtype")
        if answer.shape != (count,):
            raise BadAnswerError(f"returned shape {answer.shape} for {count} cases")
        begin = shared.outcomes_at + first * outcome.itemsize
        shared.memory[begin : begin + count * outcome.itemsize] = answer.tobytes()

    return call


def _loaded(job: dict[str, Any], shared: Shared) -> Call:
    if job["kind"] == "library":
        return _library(job, shared)
    function = _function(job["target"])
    return (_arrays if job["kind"] == "arrays" else _scalar)(job, shared, function)


def _blame(error: BaseException) -> str:
    """An exception in a line, with the innermost line of the user's own."""
    import traceback

    if isinstance(error, BadAnswerError):
        return str(error)
    if isinstance(error, SystemExit):
        what = f"called sys.exit({'' if error.code is None else repr(error.code)})"
    else:
        what = traceback.format_exception_only(error)[-1].strip()
        what = " ".join(what.split())
    if isinstance(error, SyntaxError) and error.filename:
        return f"{what} ({os.path.relpath(error.filename)}, line {error.lineno})"
    places = [
        (frame.f_code.co_filename, line) for frame, line in traceback.walk_tb(error.__traceback__)
    ]
    users = [place for place in places if _is_users(place[0])]
    return f"{what} ({os.path.relpath(users[-1][0])}, line {users[-1][1]})" if users else what


def _is_users(path: str) -> bool:
    """Whether a file is neither this one, nor of a library."""
    library = os.path.dirname(os.__file__)
    ours = path == __file__ or path.startswith(("<", library))
    return not ours and "site-packages" not in path


class _Channel:
    """Orders in, answers out; the group's end when the bench has gone."""

    def __init__(self, file: int) -> None:
        self.file = file
        self.orders: SimpleQueue[Any] = SimpleQueue()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        with open(self.file, "rb", closefd=False) as lines, suppress(OSError, ValueError):
            for line in lines:
                self.orders.put(json.loads(line))
        self.orders.put(None)
        time.sleep(GRACE)  # for what ends by itself
        os.killpg(0, signal.SIGKILL)

    def say(self, **answer: Any) -> None:
        with suppress(OSError):  # nobody is left to hear it
            os.write(self.file, json.dumps(answer).encode() + b"\n")


def _serve(job: dict[str, Any], channel: _Channel) -> None:
    """Answers orders, each a number of cases and whether to go one by one."""
    shared = Shared(job["memory"], job["rows"], job["case"], job["outcome"])
    try:
        call = _loaded(job, shared)
    except BadAnswerError as error:
        channel.say(error=str(error))
        return
    except BaseException as error:
        channel.say(error=f"cannot be loaded: {_blame(error)}")
        return
    channel.say()
    while (order := channel.orders.get()) is not None:
        count, one_by_one = order
        try:
            if one_by_one:
                for i in range(count):
                    shared.progress = i
                    call(i, 1)
            else:
                call(0, count)
        except BaseException as error:
            channel.say(error=_blame(error))
        else:
            channel.say()


def _supervise(command: list[str], channel: _Channel) -> None:
    """Runs a command on this process's own standard input and output, and ends as it does."""
    import subprocess

    try:
        peer = subprocess.Popen(command)
    except OSError as error:
        channel.say(error=f"cannot be started: {error.strerror}")
        return
    for file in (0, 1):  # the peer alone holds them: its end is seen at the other side
        os.dup2(2, file)
    channel.say()
    status = peer.wait()
    if status < 0:
        with suppress(OSError):  # SIGKILL's cannot be set
            signal.signal(-status, signal.SIG_DFL)
        os.kill(os.getpid(), -status)
    sys.exit(status)


def main() -> None:
    """The child: its only argument is the socket."""
    import resource

    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # a crash leaves no file behind
    file = int(sys.argv[1])
    os.set_inheritable(file, False)
    channel = _Channel(file)
    job = channel.orders.get()
    if job is None:
        return
    if job["kind"] == "pipe":
        _supervise(job["command"], channel)
    else:
        os.set_inheritable(job["memory"], False)
        _serve(job, channel)


if __name__ == "__main__":
    main()
