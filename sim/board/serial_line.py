"""The board as a witness: many cases in flight on a serial line, and each asked until answered."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final, Protocol, Self

import numpy as np

from ..cases.layout import OUTCOME, Cases, Outcomes
from ..emulator.called import TIMEOUT, EmulatorError
from ..system.errors import UnusableError
from .frames import (
    ANSWER,
    BLOCK_KIND,
    CASE_KIND,
    FLAG,
    HELLO,
    Facts,
    NoEndError,
    Splitter,
    block_payload,
    case_payload,
    framed,
    outcome_of,
)

BAUD: Final = 1_000_000
FLIGHT: Final = 64  # frames; a tag means one frame as long as these are not a quarter of all tags
SPARE: Final = 16  # bytes of the board's room that are left empty
GREETINGS: Final = 5
PATIENCE: Final = 0.3  # seconds of silence after which all is asked again, at least
SLOWER: Final = 20  # and at least so many times as long as a board took to greet


class Port(Protocol):
    """What is asked of a line; pyserial's has it."""

    timeout: float | None

    def read(self, size: int) -> bytes:
        """At most so many bytes; fewer, or none, after `timeout` seconds."""
        ...

    def write(self, data: bytes) -> object:
        """Puts all of it on the line."""
        ...

    def close(self) -> None:
        """Gives it up."""
        ...


def open_port(name: str, baud: int = BAUD) -> Port:
    """A serial port. Raises UnusableError where there is none."""
    try:
        import serial
    except ModuleNotFoundError:
        raise UnusableError("--serial needs pyserial: pip install 'carrywave[board]'") from None
    try:
        port: Port = serial.Serial(name, baud, exclusive=True if os.name == "posix" else None)
    except (serial.SerialException, OSError, ValueError) as error:
        number = getattr(error, "errno", None)
        why = os.strerror(number) if number else str(error)
        raise UnusableError(f"{name}: the port cannot be opened: {why}") from None
    return port


class _Sent:
    """A frame that is not answered yet."""

    __slots__ = ("frame", "index", "order")

    def __init__(self, index: int, frame: bytes) -> None:
        self.index, self.frame, self.order = index, frame, 0


class Board:
    """A board that plays cases. Use as a context manager, or close it.

    The board answers frames in the order in which they reach it. So an answer says that a frame
    which was sent before, and has none, is lost: it is sent again, under its own tag. Tags go round
    only when all frames of that tag are answered: no answer is taken for another.

    `answered` is told of each case that is answered, `repeated` counts frames sent again.
    """

    complements = True  # what is not listed, as `case_memory` has it

    def __init__(self, port: Port, name: str, timeout: float = TIMEOUT) -> None:
        """Raises EmulatorError where no board answers."""
        self.name, self.option, self.timeout = name, f"--serial {name}", timeout
        self.answered: Callable[[int], object] | None = None
        self.done = self.repeated = 0
        self.seconds = 0.0  # in which cases were answered
        self._port, self._splitter = port, Splitter()
        self._number = random.randrange(256)
        try:
            self.facts = self._greet()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Gives the port up; may be called again."""
        self._port.close()

    def _greet(self) -> Facts:
        """Asks who is there until there is an answer to that very question."""
        self._patience = min(1.0, self.timeout / GREETINGS)
        for _ in range(GREETINGS):
            self._number += 1
            began = time.monotonic()
            self._write(bytes([FLAG]) + framed(b"", HELLO, self._number & 255))
            while time.monotonic() - began < self._patience:
                for payload, kind, tag in self._read():
                    if kind == HELLO | ANSWER and tag == self._number & 255:
                        facts = Facts.of(payload, self.name)
                        took = time.monotonic() - began
                        self._patience = min(self.timeout / 2, max(PATIENCE, SLOWER * took))
                        return facts
        raise EmulatorError(f"{self.name}: no board of ours answers there (see --baud)")

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises EmulatorError, then there is nothing left but to close it."""
        cases = np.asarray(cases)
        flat = cases.reshape(-1)
        outcomes = np.zeros(len(flat), OUTCOME)
        frames = ((case_payload(np.asarray(case)), CASE_KIND) for case in flat)
        began = time.monotonic()
        for index, payload in self._ask(frames, len(flat), self.timeout):
            try:
                outcomes[index] = outcome_of(payload)
            except (ValueError, NoEndError) as error:
                raise self._error(str(error), flat[index]) from None
            self.done += 1
            if self.answered is not None:
                self.answered(self.done)
        self.seconds += time.monotonic() - began
        return outcomes.reshape(cases.shape)

    def signature(self, case: Cases, first: int, count: int, timeout: float = 60.0) -> int:
        """The CRC-32 of the answers to cases that the board makes itself: see `made_cases`."""
        frames = iter([(block_payload(case, first, count), BLOCK_KIND)])
        ((_, payload),) = self._ask(frames, 1, timeout, timeout / 2)
        return int.from_bytes(payload, "big")

    def _ask(
        self, frames: Iterator[tuple[bytes, int]], count: int, timeout: float, patience: float = 0.0
    ) -> Iterator[tuple[int, bytes]]:
        """The answers to payloads of some kind, each with its number, in any order."""
        patience = max(patience, self._patience)
        waiting: dict[int, _Sent] = {}  # by its number, whose lowest byte is the tag
        again: list[_Sent] = []
        told = answered = order = bytes_out = 0
        kind = 0
        ready: _Sent | None = None
        room = self.facts.room - SPARE
        heard = tried = time.monotonic()
        while answered < count:
            out = b""
            while again or told < count:
                if again:
                    one = again.pop(0)
                    self.repeated += 1
                else:
                    if ready is None:
                        self._number += 1
                        payload, kind = next(frames)
                        ready = _Sent(told, framed(payload, kind, self._number & 255))
                    far = self._number - next(iter(waiting), self._number) >= FLIGHT
                    if far or (waiting and bytes_out + len(ready.frame) > room):
                        break
                    one = waiting[self._number] = ready
                    ready = None
                    bytes_out += len(one.frame)
                    told += 1
                order += 1
                one.order = order
                out += one.frame
            if out:
                self._write(bytes([FLAG]) + out)
            for payload, answer, tag in self._read():
                number = self._number - (self._number - tag & 255)
                if number not in waiting or answer != kind | ANSWER:
                    continue  # the answer to a frame that was sent again, and is answered
                one = waiting.pop(number)
                answered += 1
                bytes_out -= len(one.frame)
                heard = tried = time.monotonic()
                again += [other for other in waiting.values()
                          if other.order < one.order and other not in again]  # fmt: skip
                yield one.index, payload
            now = time.monotonic()
            if now - heard > timeout:
                raise EmulatorError(f"{self.name}: the board has not answered for {timeout:g} s")
            if now - tried > patience:  # what its answer shows to be lost is asked again then
                again, tried = [next(iter(waiting.values()))], now

    def _write(self, data: bytes) -> None:
        with self._told():
            self._port.write(data)

    def _read(self) -> Iterator[tuple[bytes, int, int]]:
        """The whole frames that came; waits for a byte, but not long."""
        with self._told():
            self._port.timeout = min(0.05, self._patience / 4)
            data = self._port.read(1)
            if data:
                data += self._port.read(getattr(self._port, "in_waiting", 0))
        yield from self._splitter.frames(data)

    @contextmanager
    def _told(self) -> Iterator[None]:
        """What a port raises that was pulled out."""
        try:
            yield
        except (OSError, TypeError) as error:  # pyserial's are OSErrors, or what close() leaves
            raise EmulatorError(f"{self.name}: the line was lost: {error}") from None

    def _error(self, what: str, case: Any) -> EmulatorError:
        return EmulatorError(f"{self.name}: case {self.done:,}: {what}", np.asarray(case).copy())
