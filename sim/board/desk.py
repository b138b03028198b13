"""A board that is simulated, behind a pseudo-terminal: what a serial port is to other programs."""

from __future__ import annotations

import os
import select
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from ..system.errors import UnusableError
from .frames import Splitter

if TYPE_CHECKING:
    from .simulated import Line

IDLE: Final = 400  # clocks after which a board that owes nothing is left alone
LOST: Final = 1 << 23  # and one that owes something, be it a block's checksum
BITS: Final = 10  # of a byte: start, eight, stop


class Desk:
    """A line on a pseudo-terminal. `path` is the port's; use as a context manager."""

    def __init__(self, line: Line, divisor: int) -> None:
        """Raises UnusableError where the system has no pseudo-terminals."""
        try:
            import pty
            import tty

            self._master, self._slave = pty.openpty()
            tty.setraw(self._slave)
        except (ImportError, OSError) as error:
            raise UnusableError(f"no pseudo-terminal can be had here: {error}") from None
        self.path = os.ttyname(self._slave)
        self.cases = 0
        self._line, self._divisor = line, divisor
        self._heard = Hearing(divisor)

    def __enter__(self) -> Desk:
        return self

    def __exit__(self, *_: object) -> None:
        # The other end is kept open till now: a program that closes its own does not end it.
        os.close(self._master)
        os.close(self._slave)

    def serve(self, patience: float | None = None) -> bool:
        """Lets the board answer what is asked; False if nothing was within `patience` seconds."""
        if not select.select([self._master], [], [], patience)[0]:
            return False
        asked, answered, owed, quiet = Splitter(), Splitter(), 0, 0
        while quiet < (LOST if owed > 0 else IDLE):
            told = b""
            if select.select([self._master], [], [], 0)[0]:
                told = os.read(self._master, 64)
            owed += sum(1 for _ in asked.frames(told))
            bits = levels(told, self._divisor) if told else np.ones(IDLE, np.uint8)
            said = bytes(self._heard.bytes_of(self._line.run(bits)))
            quiet = 0 if told or said else quiet + len(bits)
            frames = sum(1 for _ in answered.frames(said))
            self.cases += frames
            owed -= frames
            while said:
                said = said[os.write(self._master, said) :]
        return True


def levels(told: bytes, divisor: int) -> npt.NDArray[np.uint8]:
    """A line, clock by clock, on which these bytes are sent."""
    bits = np.ones((len(told), BITS), np.uint8)
    bits[:, 0] = 0
    octets = np.frombuffer(told, np.uint8)
    bits[:, 1:9] = np.unpackbits(octets[:, None], axis=1, bitorder="little")
    return np.repeat(bits.reshape(-1), divisor)


class Hearing:
    """Takes bytes off a line whose levels come in pieces."""

    def __init__(self, divisor: int) -> None:
        self._divisor = divisor
        self._rest = np.zeros(0, np.uint8)

    def bytes_of(self, piece: npt.NDArray[Any]) -> Iterator[int]:
        """The bytes that are whole by now."""
        line, at = np.concatenate([self._rest, piece]), 0
        while True:
            starts = np.flatnonzero(line[at:] == 0)
            if not len(starts):
                at = len(line)
                break
            at += int(starts[0])
            if at + BITS * self._divisor > len(line):
                break
            middles = line[at + self._divisor // 2 :: self._divisor][1:9]
            yield int(np.packbits(middles, bitorder="little")[0])
            at += 9 * self._divisor  # into the stop bit
        self._rest = line[at:]
