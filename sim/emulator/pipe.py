"""The emulator witness over a pipe: any command that reads and writes JSON Lines."""

import os
import select
import shlex
import shutil
import struct
import time
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, Final

import numpy as np

from ..cases.layout import CASE_LAYOUT, OUTCOME, OUTCOME_LAYOUT, REGISTERS, Cases, Outcomes
from ..system.quoting import quoted
from ..system.strict_json import UnreadableError, decoded
from . import host
from .called import TIMEOUT, Emulator, EmulatorError, Peer
from .child import LOOK, POLITE, Child, EndedError

LINES: Final = 1 << 12  # at a time, as text
LONGEST: Final = 1 << 16  # bytes in a line

_CASE_OF: Final = host.case_maker(CASE_LAYOUT)
_NUMBERS: Final = struct.Struct(host.format_of(CASE_LAYOUT))
_PACKED: Final = host.packer(OUTCOME_LAYOUT)
_FIELDS: Final = (*REGISTERS, "cycles", "writes")
_NAMES: Final = [name for name, _, count in CASE_LAYOUT if count == 1]
_KEYS: Final = frozenset((*_FIELDS, *_NAMES))  # an answer may be the case, changed
_LINE: Final = "{" + ",".join(f'"{name}":%s' for name in _NAMES) + "}\n"


def _line_of(numbers: Sequence[int]) -> str:
    """A case as a line, in a third of the time that an encoder of JSON takes."""
    event, reads, *registers = _CASE_OF(numbers)
    return _LINE % (event, [list(pair) for pair in reads], *registers)


def _packed(answer: Any) -> tuple[bytes, host.Outside]:
    """Its record. Raises BadAnswerError."""
    if not isinstance(answer, dict):
        raise host.BadAnswerError("not an object")
    if not answer.keys() <= _KEYS:  # a field, misspelled, would not be compared
        name = next(name for name in answer if name not in _KEYS)
        raise host.BadAnswerError(f"unknown key {quoted(name)}: expected {', '.join(_FIELDS)}")
    return _PACKED(answer)


def answer_of(line: bytes) -> tuple[bytes, host.Outside]:
    """The record that a line tells, and what its fields cannot have. Raises EmulatorError."""
    try:
        return _packed(decoded(line))
    except (UnreadableError, host.BadAnswerError) as error:
        raise EmulatorError(f"{str(error) or 'not JSON'}: {_quoted(line)}") from None


class PipePeer(Peer):
    """A command in a process, and the files to and from it."""

    _rest = b""  # an answer that has no end yet

    def __init__(self, command: str | Sequence[str], timeout: float = TIMEOUT) -> None:
        name = command if isinstance(command, str) else shlex.join(command)
        super().__init__(name, f"--pipe {shlex.quote(name)}", timeout)
        try:
            words = shlex.split(command) if isinstance(command, str) else list(command)
        except ValueError as error:
            raise EmulatorError(f"{name}: {str(error).lower()}") from None
        if not words:
            raise EmulatorError("an empty command")
        if shutil.which(words[0]) is None:
            raise EmulatorError(f"{name}: {words[0]}: command not found")
        try:
            self._child = Child({"kind": "pipe", "command": words}, timeout, piped=True)
        except EndedError as ended:
            raise EmulatorError(f"{name}: {ended}") from None
        process = self._child.process
        assert process.stdin is not None
        assert process.stdout is not None
        self._to, self._from = process.stdin.fileno(), process.stdout.fileno()
        os.set_blocking(self._to, False)

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        """Closes it. Raises EmulatorError if it goes on answering when all has been answered."""
        try:
            if kind is None and self._child is not None:
                self._drain(self._child)
        finally:
            self.close()

    def _drain(self, child: Child) -> None:
        """Ends the peer's input and reads on until it ends."""
        assert child.process.stdin is not None
        child.process.stdin.close()
        deadline = time.monotonic() + POLITE
        while (left := deadline - time.monotonic()) > 0:
            if select.select([self._from], [], [], left)[0]:
                data = os.read(self._from, 1 << 16)
                if not data:
                    break
                self._rest += data
                if b"\n" in self._rest:
                    break
        if self._rest:
            raise self._surplus(self._rest)

    def _surplus(self, text: bytes) -> EmulatorError:
        """What is said of an answer that nobody asked for."""
        return EmulatorError(f"{self.name}: more answers than were asked for: {_quoted(text)}")


class Pipe(PipePeer, Emulator):
    """A command that reads cases from its standard input and writes outcomes to its output.

    Both are JSON Lines: an object a line, with the names that PythonFunction has and lists for
    pairs, `"reads": [[address, value], ...]`; an answer for each case in order. It has no keys but
    an outcome's and a case's, and none twice. The command is split into words as a shell does, but
    runs without one. It must flush its output at the latest when there is no more input for it, and
    what it has to say to people belongs on standard error.

    `timeout` is in seconds without an answer.
    """

    def _execute(self, cases: Cases) -> Outcomes:
        try:
            return self._converse(cases)
        except EmulatorError:
            self._end(patience=0)
            raise

    def _converse(self, cases: Cases) -> Outcomes:
        """Tells the cases and hears the outcomes."""
        outcomes = np.zeros(len(cases), OUTCOME)
        sent = done = 0
        waiting = memoryview(b"")
        heard = time.monotonic()
        while done < len(cases):
            if not waiting and sent < len(cases):
                numbers = _NUMBERS.iter_unpack(cases[sent : sent + LINES].tobytes())
                waiting = memoryview("".join(map(_line_of, numbers)).encode())
                sent += LINES
            # Both directions flow at once: a peer that answers while it is told more never blocks.
            readable, writable, _ = select.select(
                [self._from], [self._to] if waiting else [], [], min(LOOK, self.timeout)
            )
            if writable:
                try:
                    waiting = waiting[os.write(self._to, waiting) :]
                except BrokenPipeError:  # what it still says is to be heard
                    waiting, sent = memoryview(b""), len(cases)
            if readable:
                data = os.read(self._from, 1 << 18)
                if not data:
                    raise self._ended(cases, done)
                *lines, self._rest = (self._rest + data).split(b"\n")
                if len(self._rest) > LONGEST:
                    at = min(done + len(lines), len(cases) - 1)
                    raise self._error_in_line(
                        f"a line without end: {_quoted(self._rest)}", cases, at
                    )
                wanted, more = lines[: len(cases) - done], lines[len(cases) - done :]
                if wanted:
                    outcomes[done : done + len(wanted)] = self._read(wanted, cases, done)
                    done += len(wanted)
                    heard = time.monotonic()
                if more:
                    raise self._too_much(more[0], len(cases))
            if done < len(cases) and time.monotonic() - heard > self.timeout:
                what = f"no answer within {self.timeout:g} s: does it flush its output?"
                raise self._error(what, cases, done)
        if self._rest:
            raise self._too_much(self._rest, len(cases))
        return outcomes

    def _read(self, lines: list[bytes], cases: Cases, done: int) -> Outcomes:
        """The outcomes that these lines tell."""
        # One text is read faster than many; any line that is not one whole value breaks it.
        with suppress(UnreadableError, host.BadAnswerError):
            answers = decoded(b"[%b]" % b",".join(lines))
            if len(answers) == len(lines):
                return self._kept([*map(_packed, answers)], done)
        packed = []
        for i, line in enumerate(lines):
            try:
                packed.append(answer_of(line))
            except EmulatorError as error:
                raise self._error_in_line(error, cases, done + i) from None
        return self._kept(packed, done)

    def _kept(self, packed: list[tuple[bytes, host.Outside]], done: int) -> Outcomes:
        self.outside |= {i: outside for i, (_, outside) in enumerate(packed, done) if outside}
        return np.frombuffer(b"".join(record for record, _ in packed), OUTCOME)

    def _error_in_line(self, what: object, cases: Cases, at: int) -> EmulatorError:
        message = f"{self.name}: line {self._done + at + 1:,}: {what}"
        return EmulatorError(message, self._error("", cases, at).case)

    def _ended(self, cases: Cases, at: int) -> EmulatorError:
        assert self._child is not None
        torn = f" in the middle of a line: {_quoted(self._rest)}" if self._rest else ""
        return self._error(self._child.ending() + torn, cases, at)

    def _surplus(self, text: bytes) -> EmulatorError:
        return self._too_much(text)

    def _too_much(self, text: bytes, answered: int = 0) -> EmulatorError:
        number = self._done + answered + 1
        return EmulatorError(
            f"{self.name}: line {number:,}: more than an answer for each case: {_quoted(text)}"
        )


def _quoted(line: bytes) -> str:
    return quoted(line.split(b"\n")[0].decode("utf-8", "replace").rstrip("\r"))
