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
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from queue import SimpleQueue

TYPE_CHECKING = False  # `typing` would take its time
if TYPE_CHECKING:
    from typing import Any

#: A field of a packed record: its name, its type as `struct` spells it, and how many there are.
Layout = Sequence[tuple[str, str, int]]
#: By field, a value that it cannot have, in words; and which cases have such, by number.
Outside = dict[str, str]
Outsides = dict[int, Outside]
Call = Callable[[int, int], Outsides]  # answers cases: the number of the first, and how many

REGISTERS = 6  # the first fields of an outcome
GRACE = 1.0  # seconds
NOTHING = 2**64 - 1  # no case yet


class BadAnswerError(Exception):
    """What an emulator returned is no outcome; the message is one line."""


def format_of(layout: Layout) -> str:
    """The layout for `struct`."""
    return "<" + "".join(f"{count}{kind}" for _, kind, count in layout)


def case_maker(layout: Layout) -> Callable[[Sequence[int]], Any]:
    """What makes a case of its record's numbers.

    Its attributes have the layout's names; `reads` are pairs of an address and the byte there.
    """
    names = [name for name, _, count in layout if count == 1]
    reads, values, addresses = names.index("reads"), len(names), len(names) + layout[-1][2]
    # mypy knows a named tuple only where its names are written out; here they are the layout's.
    record: Any = namedtuple
    make = record("Case", names)._make

    def case_of(numbers: Sequence[int]) -> Any:
        fields: list[Any] = [*numbers[:values]]
        end = addresses + fields[reads]
        fields[reads] = tuple(zip(numbers[addresses:end], numbers[values:addresses], strict=False))
        return make(fields)

    return case_of


def packer(layout: Layout) -> Callable[[Any], tuple[bytes, Outside]]:
    """What packs an outcome, a mapping or an object with attributes, into its record.

    `pc a x y sp p` must be there. `cycles` may be missing, and `writes`, pairs of an address and
    the byte written there. What is no outcome raises BadAnswerError. A value that its field cannot
    have is cut to fit, and told beside the record.
    """
    registers, most = [name for name, _, _ in layout[:REGISTERS]], layout[-1][2]
    pack = struct.Struct(format_of(layout)).pack

    def packed(outcome: Any) -> tuple[bytes, Outside]:
        reader = _reader(outcome)
        numbers = [reader(name, None) for name in registers]
        cycles, writes = reader("cycles", None), reader("writes", None)
        cycles, writes = 0 if cycles is None else cycles, () if writes is None else writes
        try:
            spare = ((0, 0),) * (most - len(writes))
            addresses, values = zip(*writes, *spare, strict=True)
            return pack(*numbers, cycles, len(writes), *values, *addresses), {}
        except (TypeError, ValueError, struct.error):
            missing = [name for name in registers if reader(name, None) is None]
        if len(missing) == REGISTERS:
            what = f"returned {_short(outcome)}: expected an outcome with {', '.join(registers)}"
            raise BadAnswerError(what)
        if missing:
            raise BadAnswerError(f"the outcome has no {missing[0]}")
        try:
            pairs = [(address, byte) for address, byte in writes]
        except (TypeError, ValueError):
            what = f"writes is {_short(writes)}: expected a list of [address, byte] pairs"
            raise BadAnswerError(what) from None
        outside: Outside = {}
        if len(pairs) > most:
            outside["writes"] = f"there are {len(pairs)} writes: expected at most {most}"
        numbers = [
            _cut(value, 65535 if name == "pc" else 255, name, outside, name)
            for name, value in zip(registers, numbers, strict=True)
        ]
        numbers += [_cut(cycles, 255, "cycles", outside, "cycles"), min(len(pairs), 255)]
        pairs = (pairs + [(0, 0)] * most)[:most]
        for at, top, what in ((1, 255, "byte"), (0, 65535, "address")):
            field = "write_value" if at else "write_address"
            for i, pair in enumerate(pairs, 1):
                numbers.append(_cut(pair[at], top, f"the {what} of write {i}", outside, field))
        return pack(*numbers), outside

    return packed


def _cut(value: Any, top: int, what: str, outside: Outside, field: str) -> int:
    """A value that fits; what does not is told in `outside`."""
    whole = hasattr(value, "__index__")
    if whole and 0 <= value <= top:
        return int(value)
    expected = f"0 to {top}" if whole else "a whole number"
    outside.setdefault(field, f"{what} is {_short(value)}: expected {expected}")
    return int(value) & top if whole else 0


def _reader(outcome: Any) -> Callable[[str, Any], Any]:
    if type(outcome) is dict or isinstance(outcome, Mapping):
        get: Callable[[str, Any], Any] = outcome.get
        return get
    return functools.partial(getattr, outcome)


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

    def call(first: int, count: int) -> Outsides:
        function(cases + first * shared.case_size, outcomes + first * shared.outcome_size, count)
        return {}

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


def _scalar(job: dict[str, Any], shared: Shared) -> Call:
    function = _function(job["target"])
    case_of, packed = case_maker(job["case"]), packer(job["outcome"])
    unpack, memory = struct.Struct(format_of(job["case"])).unpack_from, shared.memory

    def call(first: int, count: int) -> Outsides:
        outsides = {}
        for i in range(first, first + count):
            shared.progress = i
            case = case_of(unpack(memory, shared.cases_at + i * shared.case_size))
            record, outside = packed(function(case))
            place = shared.outcomes_at + i * shared.outcome_size
            memory[place : place + shared.outcome_size] = record
            if outside:
                outsides[i] = outside
        return outsides

    return call


def array_of(answer: Any, dtype: Any, shape: tuple[int, ...]) -> Any:
    """An answer that is an array of outcomes. Raises BadAnswerError if it is not, or too short."""
    kind = getattr(answer, "dtype", None)
    if kind is None or kind != dtype:
        found = type(answer).__name__ if kind is None else _short(kind)
        raise BadAnswerError(f"returned {found}: expected an array of the OUTCOME dtype")
    if answer.shape != shape:
        raise BadAnswerError(f"returned shape {answer.shape} for {shape[0]} cases")
    return answer


def _arrays(job: dict[str, Any], shared: Shared) -> Call:
    function = _function(job["target"])
    import numpy as np

    case, outcome = (
        np.dtype([(n, {"B": "u1", "H": "<u2"}[kind], *([count] * (count > 1)))
                  for n, kind, count in job[which]])
        for which in ("case", "outcome")
    )  # fmt: skip

    def call(first: int, count: int) -> Outsides:
        begin = shared.cases_at + first * case.itemsize
        # A copy: the function may keep it, or write to it.
        cases = np.frombuffer(shared.memory[begin : begin + count * case.itemsize], case).copy()
        answer = array_of(function(cases), outcome, (count,))
        begin = shared.outcomes_at + first * outcome.itemsize
        shared.memory[begin : begin + count * outcome.itemsize] = answer.tobytes()
        return {}

    return call


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
        call = {"library": _library, "scalar": _scalar, "arrays": _arrays}[job["kind"]](job, shared)
    except BadAnswerError as error:
        channel.say(error=str(error))
        return
    except BaseException as error:
        channel.say(error=f"cannot be loaded: {_blame(error)}")
        return
    channel.say()
    while (order := channel.orders.get()) is not None:
        count, one_by_one = order
        outsides: Outsides = {}
        try:
            if one_by_one:
                for i in range(count):
                    shared.progress = i
                    call(i, 1)
            else:
                outsides = call(0, count)
        except BaseException as error:
            channel.say(error=_blame(error))
        else:
            channel.say(outside=outsides)


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
