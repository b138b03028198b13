"""The process in which a user's emulator runs: whatever happens there ends nothing but this.

It is the child of `supervisor.py`, which ends it. Orders and answers are JSON lines on one socket,
answers with the number of their order; cases and outcomes lie in shared memory.
"""

from __future__ import annotations

import functools
import io
import json
import mmap
import os
import signal
import struct
import sys
from collections import namedtuple
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from itertools import islice

TYPE_CHECKING = False  # `typing` would take its time
if TYPE_CHECKING:
    from typing import Any

    Call = Callable[[Any], "Outsides"]  # answers an order: so many cases, or rows and pins

#: A field of a packed record: its name, its type as `struct` spells it, and how many there are.
Layout = Sequence[tuple[str, str, int]]
#: By field, a value that it cannot have, in words; and which cases have such, by number.
Outside = dict[str, str]
Outsides = dict[int, Outside]

REGISTERS = 6  # the first fields of an outcome
NOTHING = 2**64 - 1  # no case yet
LONGEST = 300  # characters of what is told of an exception
CLOSED = 179  # the exit status of a host that cannot answer any more


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


class Places:
    """Where things lie in the memory that bench and host share: progress, cases, outcomes.

    On both sides of the outcomes that are asked for stands GUARD, which nobody may write over.
    """

    GUARD = b"\xa5\x5a\xc3" * 1024

    def __init__(self, rows: int, case: Layout, outcome: Layout) -> None:
        self.case_size = struct.calcsize(format_of(case))
        self.outcome_size = struct.calcsize(format_of(outcome))
        self.cases_at = 64
        self.outcomes_at = self.cases_at + rows * self.case_size + len(self.GUARD)
        self.size = self.outcomes_at + rows * self.outcome_size + len(self.GUARD)


class Mapped:
    """Such a memory, as the host has it."""

    def __init__(self, file: int, size: int) -> None:
        self.memory = mmap.mmap(file, size)
        os.close(file)

    def begin(self, case: int) -> None:
        """Says which case is begun, or how many rows are done."""
        struct.pack_into("=Q", self.memory, 0, case)


class Shared(Places, Mapped):
    """That memory, mapped."""

    def __init__(self, job: dict[str, Any]) -> None:
        Places.__init__(self, job["rows"], job["case"], job["outcome"])
        Mapped.__init__(self, job["memory"], self.size)


class RunPlaces:
    """The same for an emulator's own run: progress, its start, its memory, pins, rows."""

    GUARD = Places.GUARD
    MEMORY = 1 << 16  # bytes
    PINS = 1 << 16  # changes, at most

    def __init__(self, rows: int, start: Layout, pin: Layout, row: Layout) -> None:
        self.pin_size, self.row_size = (struct.calcsize(format_of(one)) for one in (pin, row))
        self.start_at = 64
        self.memory_at = self.start_at + struct.calcsize(format_of(start))
        self.pins_at = self.memory_at + self.MEMORY
        self.rows_at = self.pins_at + self.PINS * self.pin_size + len(self.GUARD)
        self.size = self.rows_at + rows * self.row_size + len(self.GUARD)


class SharedRun(RunPlaces, Mapped):
    """That memory, mapped."""

    def __init__(self, job: dict[str, Any]) -> None:
        RunPlaces.__init__(self, job["rows"], job["start"], job["pin"], job["row"])
        Mapped.__init__(self, job["memory"], self.size)


def _symbol(job: dict[str, Any], name: str) -> Any:
    """A function of the library."""
    import ctypes

    try:
        library = ctypes.CDLL(job["target"])
    except OSError as error:
        reason = str(error).removeprefix(f"{job['target']}: ")
        raise BadAnswerError(f"cannot be loaded: {reason}") from None
    try:
        return getattr(library, name)
    except AttributeError:
        raise BadAnswerError(
            f"has no function {name}: include the header that 'carrywave header' prints"
        ) from None


def _library(job: dict[str, Any], shared: Shared) -> Call:
    import ctypes

    function = _symbol(job, "carrywave_execute")
    function.restype = None
    function.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t)
    base = ctypes.addressof(ctypes.c_char.from_buffer(shared.memory))
    cases, outcomes = base + shared.cases_at, base + shared.outcomes_at

    def call(count: int) -> Outsides:
        function(cases, outcomes, count)
        return {}

    return call


def _function(target: str) -> Callable[..., Any]:
    """The function that `module:function` or `path.py:function` names."""
    import importlib.machinery
    import importlib.util

    where, _, name = target.rpartition(":")
    is_file = where.endswith(".py")
    folder = os.path.dirname(os.path.abspath(where)) if is_file else os.getcwd()
    # Its neighbours can be imported, but none of them in the place of a library; nor of this one,
    # which is not on the path where it is installed for developing.
    importlib.import_module("carrywave")
    sys.path.append(folder)
    first = os.path.basename(where)[:-3] if is_file else where.partition(".")[0]
    if is_file:
        spec = importlib.util.spec_from_file_location(first, os.path.abspath(where))
    else:
        spec = importlib.machinery.PathFinder.find_spec(first, [folder])
    if spec is not None and spec.loader is not None:
        module = importlib.util.module_from_spec(spec)
        sys.modules[first] = module
        spec.loader.exec_module(module)
    if not is_file:
        module = importlib.import_module(where)
    try:
        function = functools.reduce(getattr, name.split("."), module)
    except AttributeError:
        raise BadAnswerError(f"{where} has no {name}") from None
    if not callable(function):
        raise BadAnswerError(f"{name} is {_short(function)}: expected a function")
    found: Callable[..., Any] = function
    return found


def _end_copies(process: int) -> None:
    """Ends a fork that came back: it would go on with cases that are others by then."""
    if os.getpid() != process:
        os._exit(0)


def _scalar(job: dict[str, Any], shared: Shared) -> Call:
    function = _function(job["target"])
    case_of, packed = case_maker(job["case"]), packer(job["outcome"])
    unpack, memory = struct.Struct(format_of(job["case"])).unpack_from, shared.memory
    process = os.getpid()

    def call(count: int) -> Outsides:
        outsides = {}
        for i in range(count):
            shared.begin(i)
            case = case_of(unpack(memory, shared.cases_at + i * shared.case_size))
            answer = function(case)
            _end_copies(process)
            record, outside = packed(answer)
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
    process = os.getpid()

    def call(count: int) -> Outsides:
        begin = shared.cases_at
        # A copy: the function may keep it, or write to it.
        cases = np.frombuffer(shared.memory[begin : begin + count * case.itemsize], case).copy()
        found = function(cases)
        _end_copies(process)
        answer = array_of(found, outcome, (count,))
        begin = shared.outcomes_at
        shared.memory[begin : begin + count * outcome.itemsize] = answer.tobytes()
        return {}

    return call


def _library_run(job: dict[str, Any], shared: SharedRun) -> Call:
    import ctypes

    function = _symbol(job, "carrywave_run")
    function.restype = ctypes.c_size_t
    function.argtypes = (*(ctypes.c_void_p,) * 3, ctypes.c_size_t, ctypes.c_void_p, ctypes.c_size_t)
    base = ctypes.addressof(ctypes.c_char.from_buffer(shared.memory))
    start, memory, pins, rows = (
        base + at for at in (shared.start_at, shared.memory_at, shared.pins_at, shared.rows_at)
    )

    def call(order: Any) -> Outsides:
        count, changes = order
        shared.begin(function(start, memory, pins, changes, rows, count))
        return {}

    return call


def row_packer(layout: Layout) -> Callable[[Any], bytes]:
    """What packs a row, an outcome with `clock` and, unless it is an instruction's, `event`.

    Raises BadAnswerError for what is none, and for a value that its field cannot have.
    """
    packed, head = packer(layout), struct.Struct("<QB").pack

    def packed_row(row: Any) -> bytes:
        record, outside = packed(row)
        if outside:
            raise BadAnswerError(next(iter(outside.values())))
        reader = _reader(row)
        clock, event = reader("clock", None), reader("event", 0)
        try:
            return head(clock, event) + record
        except struct.error:
            what = "has no clock" if clock is None else f"has clock {_short(clock)}, event {event}"
            raise BadAnswerError(f"the row {what}") from None

    return packed_row


def _scalar_run(job: dict[str, Any], shared: SharedRun) -> Call:
    function, memory = _function(job["target"]), shared.memory
    packed = row_packer(job["outcome"])
    record: Any = namedtuple  # as in `case_maker`
    start_of = record("Start", [name for name, _, _ in job["start"]])._make
    head, pin = (struct.Struct(format_of(job[name])) for name in ("start", "pin"))
    process = os.getpid()

    def call(order: Any) -> Outsides:
        count, changes = order
        shared.begin(0)
        start = start_of(head.unpack_from(memory, shared.start_at))
        bytes_ = memory[shared.memory_at : shared.memory_at + shared.MEMORY]
        end = shared.pins_at + changes * pin.size
        pins = [*pin.iter_unpack(memory[shared.pins_at : end])]
        rows = function(start, bytes_, pins, count)
        try:
            rows = iter(rows)
        except TypeError:
            raise BadAnswerError(f"returned {_short(rows)}: expected rows") from None
        for at, row in enumerate(islice(rows, count)):
            _end_copies(process)
            place = shared.rows_at + at * shared.row_size
            memory[place : place + shared.row_size] = packed(row)
            shared.begin(at + 1)
        return {}

    return call


def _arrays_run(job: dict[str, Any], shared: SharedRun) -> Call:
    function, memory = _function(job["target"]), shared.memory
    import numpy as np

    from carrywave.sim.emulator.own_run import PIN, ROW, START

    process = os.getpid()

    def call(order: Any) -> Outsides:
        count, changes = order
        shared.begin(0)
        start = np.frombuffer(memory[shared.start_at : shared.memory_at], START)[0]
        bytes_ = np.frombuffer(memory[shared.memory_at : shared.pins_at], np.uint8).copy()
        end = shared.pins_at + changes * shared.pin_size
        pins = np.frombuffer(memory[shared.pins_at : end], PIN)
        rows = function(start, bytes_, pins, count)
        _end_copies(process)
        kind = getattr(rows, "dtype", None)
        if kind is None or kind != ROW or rows.ndim != 1:
            found = type(rows).__name__ if kind is None else _short(kind)
            raise BadAnswerError(f"returned {found}: expected an array of the ROW dtype")
        done = min(len(rows), count)
        memory[shared.rows_at : shared.rows_at + done * shared.row_size] = rows[:done].tobytes()
        shared.begin(len(rows))
        return {}

    return call


_CALLS: dict[tuple[bool, str], Callable[[dict[str, Any], Any], Call]] = {
    (False, "library"): _library, (False, "scalar"): _scalar, (False, "arrays"): _arrays,
    (True, "library"): _library_run, (True, "scalar"): _scalar_run, (True, "arrays"): _arrays_run,
}  # fmt: skip


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
        what = what if len(what) <= LONGEST else f"{what[:LONGEST]}..."
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
    """Orders in, answers out."""

    def __init__(self, file: int) -> None:
        os.set_inheritable(file, False)
        self._file, self._socket, self._process = file, os.fstat(file), os.getpid()
        self._lines = io.BufferedReader(io.FileIO(file, closefd=False))
        self._number = -1

    def order(self) -> Any:
        """The next one; None if there is none any more."""
        self._number += 1
        with suppress(OSError, ValueError):
            return json.loads(self._lines.readline())
        return None

    def say(self, **answer: Any) -> None:
        """Answers the last order."""
        if os.getpid() != self._process:
            os._exit(0)  # a fork of the emulator's that came back from the call
        line = json.dumps({"number": self._number, **answer}).encode() + b"\n"
        with suppress(OSError):
            # If the emulator has closed it, the number may be that of a file of the user's.
            if os.path.samestat(os.fstat(self._file), self._socket):
                with open(self._file, "wb", closefd=False) as lines:
                    lines.write(line)
                return
        os._exit(CLOSED)


def _serve(job: dict[str, Any], channel: _Channel) -> None:
    """Answers orders."""
    try:
        runs = "row" in job
        shared: Any = SharedRun(job) if runs else Shared(job)  # mapped as long as it is held here
        call = _CALLS[runs, job["kind"]](job, shared)
    except BadAnswerError as error:
        channel.say(error=str(error))
        return
    except BaseException as error:
        channel.say(error=f"cannot be loaded: {_blame(error)}")
        return
    channel.say()
    while (order := channel.order()) is not None:
        try:
            outsides = call(order)
        except BaseException as error:
            channel.say(error=_blame(error))
        else:
            channel.say(outside=outsides)


def _become(command: list[str], channel: _Channel) -> None:
    """Runs a command in this process: the channel's end says that it runs."""
    for name in ("SIGPIPE", "SIGXFSZ"):  # which Python ignores, but a program need not
        signal.signal(getattr(signal, name), signal.SIG_DFL)
    try:
        os.execvp(command[0], command)
    except OSError as error:
        channel.say(error=f"cannot be started: {error.strerror}")


def main() -> None:
    """The only argument is the socket."""
    channel = _Channel(int(sys.argv[1]))
    job = channel.order()
    if job is None:
        return
    if job["kind"] == "pipe":
        _become(job["command"], channel)
    else:
        _serve(job, channel)


if __name__ == "__main__":
    main()
