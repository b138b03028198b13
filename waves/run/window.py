"""The clocks of a run that its waveform shows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from carrywave.sim.system.errors import UnusableError

#: Clocks of a waveform that nobody has cut: it takes some 60 MB, and a viewer some seconds.
WHOLE: Final = 100_000
BEFORE, AFTER = 50, 100  # clocks around what a window is about


@dataclass(frozen=True)
class ClockWindow:
    """From the clock `first` to the clock `last`, or around the `nth` fetch at an address.

    `about` is the clock that a window is around, once that is known.
    """

    first: int = 0
    last: int = WHOLE - 1
    around: int | None = None
    nth: int = 1
    about: int | None = field(default=None, compare=False)

    def at(self, clock: int) -> ClockWindow:
        """The window around a clock."""
        return ClockWindow(max(0, clock - BEFORE), clock + AFTER, about=clock)


class WindowError(UnusableError):
    """A window of which the run has nothing; the message is one line."""


class Finder:
    """Finds the clock of the nth fetch at an address, sequence by sequence."""

    def __init__(self, window: ClockWindow) -> None:
        self.window, self.left, self.clock = window, window.nth, -1

    def fetch(self, address: int, clock: int) -> None:
        """Takes a sequence's address and first clock; an interrupt's entry fetches nothing."""
        if address == self.window.around:
            self.left -= 1
            if not self.left:
                self.clock = clock

    def found(self, place: str) -> ClockWindow:
        """The window around it. Raises WindowError if it never came."""
        if self.clock < 0:
            times = self.window.nth - self.left
            raise WindowError(
                f"{place}: fetched {times} times in this run; expected at least {self.window.nth}"
                if times else f"{place}: never fetched in this run"
            )  # fmt: skip
        return self.window.at(self.clock)


class InWindow:
    """A recorder that hands on the clocks of a window alone."""

    def __init__(self, recorder: Any, window: ClockWindow) -> None:
        self.recorder, self.window, self.now = recorder, window, 0

    def clock(self, ctx: Any, unit: Any, name: str) -> None:
        """As `Recorder`."""
        if self.window.first <= self.now <= self.window.last:
            self.recorder.clock(ctx, unit, name)
        self.now += 1
