"""What each pin is in each clock of a run, as far as the run has come."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from .assembler import PinEvent

PINS: Final = ("irq_n", "nmi_n", "reset_n")


@dataclass
class _Pin:
    """Its changes in the order of their clocks; of several in one clock the last one counts."""

    clocks: list[int] = field(default_factory=list)
    levels: list[int] = field(default_factory=list)
    asked: list[int] = field(default_factory=list)  # the clock whose fetch asked for it, or -1
    _columns: tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]] | None = None

    @property
    def columns(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
        """The clocks, and the level before the first and from each of them on."""
        if self._columns is None:
            self._columns = np.array(self.clocks, np.int64), np.array([1, *self.levels], np.uint8)
        return self._columns

    def keep(self, chosen: Sequence[int]) -> None:
        """Drops all changes but the chosen ones."""
        self._columns = None
        for column in (self.clocks, self.levels, self.asked):
            column[:] = [column[i] for i in chosen]

    def add(self, clock: int, level: int, asked: int) -> None:
        self._columns = None
        at = bisect_right(self.clocks, clock)
        self.clocks.insert(at, clock)
        self.levels.insert(at, level)
        self.asked.insert(at, asked)

    def level(self, clock: int) -> int:
        if not self.clocks:
            return 1
        at = bisect_right(self.clocks, clock)
        return self.levels[at - 1] if at else 1


class PinLevels:
    """The pins, high but where something sets them: the program by the clock, or a fetch."""

    def __init__(self, by_clock: dict[int, list[tuple[str, int]]]) -> None:
        self._pins = {name: _Pin() for name in PINS}
        for clock, moves in sorted(by_clock.items()):
            for name, level in moves:
                pin = self._pins[name]
                pin.clocks.append(clock)
                pin.levels.append(level)
                pin.asked.append(-1)

    def fetch(self, events: tuple[PinEvent, ...], clock: int) -> None:
        """Notes what a fetch at an address with directives sets off."""
        for event in events:
            at = clock + event.delay
            self._pins[event.pin].add(at, event.level, clock)
            if event.width:
                self._pins[event.pin].add(at + event.width, 1 - event.level, clock)

    def forget(self, clock: int) -> None:
        """Takes back what was set off in this clock or later."""
        for pin in self._pins.values():
            if pin.asked and max(pin.asked) >= clock:
                pin.keep([i for i, asked in enumerate(pin.asked) if asked < clock])

    def past(self, clock: int) -> None:
        """Drops what no longer matters from this clock on: all changes but the last before it."""
        for pin in self._pins.values():
            gone = bisect_left(pin.clocks, clock - 1) - 1
            if 2 * gone > len(pin.clocks):  # so that each is moved once or twice
                pin.keep(range(gone, len(pin.clocks)))

    def level(self, name: str, clock: int) -> int:
        """A pin's level in a clock."""
        return self._pins[name].level(clock)

    def falls(self, name: str, first: int, last: int) -> bool:
        """Whether a pin goes low in one of these clocks."""
        pin = self._pins[name]
        if not pin.clocks or pin.clocks[-1] < first:
            return False
        before = pin.level(first - 1)
        for at in range(bisect_left(pin.clocks, first), bisect_right(pin.clocks, last)):
            if at + 1 < len(pin.clocks) and pin.clocks[at + 1] == pin.clocks[at]:
                continue
            if before and not pin.levels[at]:
                return True
            before = pin.levels[at]
        return False

    def next_change(self, clock: int) -> int:
        """The first clock from this one on in which a pin is set; far away if there is none."""
        found = 1 << 62
        for pin in self._pins.values():
            if pin.clocks and pin.clocks[-1] >= clock:
                found = min(found, pin.clocks[bisect_left(pin.clocks, clock)])
        return found

    def changes(
        self, name: str, first: int, last: int
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
        """Clock and level of a pin's changes in these clocks, and of the last one before."""
        clocks, levels = self._pins[name].columns
        low, high = np.searchsorted(clocks, [first, last + 1]).tolist()
        low = max(0, low - 1)
        return clocks[low:high], levels[low + 1 : high + 1]

    def waits(self, clock: int) -> bool:
        """Whether a fetch before this clock, or the program, sets a pin in it or later."""
        return any(
            asked < clock
            for pin in self._pins.values()
            for asked in pin.asked[bisect_left(pin.clocks, clock) :]
        )

    def high(self, name: str, first: int, last: int) -> bool:
        """Whether a pin is high in all of these clocks."""
        return self.level(name, first) == 1 and not self.falls(name, first, last)

    def next_low(self, name: str, clock: int) -> int:
        """The first clock from this one on in which a pin is low; far away if there is none."""
        if self.level(name, clock) == 0:
            return clock
        changes, levels = self._pins[name].columns
        later = changes[(levels[1:] == 0) & (changes > clock)]
        return int(later[0]) if len(later) else 1 << 62

    def whole(
        self, name: str, first: npt.NDArray[Any], end: npt.NDArray[Any]
    ) -> npt.NDArray[np.bool_]:
        """In which of many spans of clocks a pin is high all the time."""
        changes, _ = self._pins[name].columns
        inside = np.searchsorted(changes, end) - np.searchsorted(changes, first, side="right")
        found: npt.NDArray[np.bool_] = (self.column(name, first) == 1) & (inside == 0)
        return found

    def span(self, name: str, first: int, end: int) -> npt.NDArray[np.uint8]:
        """A pin's level in each clock from `first` to before `end`."""
        changes, levels = self._pins[name].columns
        low, high = np.searchsorted(changes, [first, end - 1], side="right").tolist()
        bounds = np.diff(changes[low:high], prepend=first, append=end)
        return np.repeat(levels[low : high + 1], bounds)

    def column(self, name: str, clocks: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
        """A pin's level in each of many clocks."""
        changes, levels = self._pins[name].columns
        return levels[np.searchsorted(changes, clocks, side="right")]
