"""What a timing diagram is drawn from: some clocks of a waveform, or gate delays, as columns."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from carrywave.sim.system.errors import UnusableError

from ..vcd.read import Columns, first_clocks, read_clocks
from ..vcd.settled import read_settling, settled_after
from ..vcd.signals import EMULATOR, PERIOD
from .choosing import Choice, choose

CLOCK, DELAY = "clock", "gate delay"
LONGEST: Final = 8  # clocks of an instruction
USUAL: Final = 24  # clocks that fit, of the signals that are drawn if nothing else is asked for


class TimingError(UnusableError):
    """No figure can be drawn of what was asked for; the message is one line."""


@dataclass(frozen=True)
class Asked:
    """What part of a waveform is asked for: times in ns, or clocks, both included; None for any."""

    start: int | None = None
    end: int | None = None
    clocks: tuple[int, int] | None = None

    @property
    def free(self) -> bool:
        """Whether nothing is said of where to begin and where to end."""
        return self.start is None and self.end is None and self.clocks is None

    def steps(self, path: str | os.PathLike[str], whole: range, unit: str) -> range:
        """The steps of a file that has `whole`. Raises TimingError for what lies outside."""
        if self.clocks is not None:
            if unit == DELAY:
                raise TimingError(
                    f"{path} shows gate delays, no clocks: say which by --from and --to, in ns"
                )
            first, last = self.clocks
            if first not in whole or last not in whole:
                raise TimingError(
                    f"--clocks {first}..{last} is outside {path}, which has clocks {whole[0]} to "
                    f"{whole[-1]}"
                )
            return range(first, last + 1)
        period = PERIOD if unit == CLOCK else 1
        low, high = whole.start * period, whole.stop * period
        for option, time in (("--from", self.start), ("--to", self.end)):
            if time is not None and not low <= time <= high - (option == "--from"):
                raise TimingError(
                    f"{option} {time} is outside {path}, which has {low} to {high} ns"
                )
        start = low if self.start is None else self.start
        if self.start is not None and self.end is not None and start >= self.end:
            raise TimingError(f"--from {start} is not before --to {self.end}")
        first = start // period
        last = whole.stop if self.end is None else -(-self.end // period)
        if last <= first:
            raise TimingError(f"--to {self.end} is not after --from {first * period}")
        return range(first, last)

    def instead(self, first: int, count: int, unit: str) -> str:
        """Which option to give for as many steps as fit."""
        if self.clocks is not None:
            return f"--clocks {first}..{first + count - 1}"
        return f"--to {(first + count) * (PERIOD if unit == CLOCK else 1)}"


ALL: Final = Asked()


@dataclass(frozen=True)
class Strip:
    """Columns of a waveform with a row a step, the first of which is the step `first`.

    `whole` are the steps of the file, `asked` how many are to be drawn, if `fixed` not fewer.
    """

    columns: Columns
    unit: str
    first: int
    whole: range
    asked: int
    fixed: bool = False
    choice: Choice | None = None

    def __len__(self) -> int:
        return len(self.columns["unit.variant"])

    def cut(self, count: int) -> Strip:
        """The first steps alone."""
        columns = {name: column[:count] for name, column in self.columns.items()}
        return replace(self, columns=columns)

    @property
    def period(self) -> int:
        """Nanoseconds of a step."""
        return PERIOD if self.unit == CLOCK else 1

    @property
    def shown(self) -> str:
        """Which steps they are, in words."""
        last = self.first + len(self) - 1
        return f"{self.unit} {last}" if len(self) == 1 else f"{self.unit}s {self.first} to {last}"

    @property
    def total(self) -> str:
        """What they are a part of, in words."""
        if self.whole.start:
            return f"{self.whole[0]} to {self.whole[-1]}"
        return f"{len(self.whole)}"


def read_strip(path: str | os.PathLike[str], asked: Asked, most: int) -> Strip:
    """At most `most` steps of a file: those asked for, or what matters. Raises DumpError too."""
    settled = settled_after(path)
    if settled is not None:
        columns = read_settling(path)
        whole = range(settled + 2)
        wanted = asked.steps(path, whole, DELAY)
        part = slice(wanted.start, min(wanted.stop, wanted.start + most))
        columns = {name: column[part] for name, column in columns.items()}
        choice = Choice(0, settled, f"until all is final after {settled}") if asked.free else None
        fixed = asked.end is not None
        return Strip(columns, DELAY, wanted.start, whole, len(wanted), fixed, choice)

    _, first, count = first_clocks(path, 1)
    whole = range(first, first + count)
    if not asked.free:
        wanted = asked.steps(path, whole, CLOCK)
        fixed = asked.clocks is not None or asked.end is not None
        columns = _clocks(path, wanted.start, min(wanted.stop, wanted.start + most))
        return Strip(columns, CLOCK, wanted.start, whole, len(wanted), fixed)
    choice = choose(path)
    wanted_from = max(first, min(choice.since, whole.stop - USUAL))
    early = max(first, wanted_from - LONGEST)
    columns = _clocks(path, early, wanted_from + most)
    # With a whole instruction: the one that it lies in, or the next where the end would go.
    fetches = early + np.flatnonzero(columns["unit.sync"])
    before, after = fetches[fetches <= wanted_from][-1:], fetches[fetches >= wanted_from][:1]
    begin = int([wanted_from, *(after if wanted_from < choice.since else before)][-1])
    columns = {name: column[begin - early :] for name, column in columns.items()}
    return Strip(columns, CLOCK, begin, whole, whole.stop - begin, choice=choice)


def _clocks(path: str | os.PathLike[str], first: int, stop: int) -> Columns:
    gathered: list[Columns] = []

    def keep(columns: Columns, at: int) -> None:
        part = slice(max(first - at, 0), max(stop - at, 0))
        if len(columns["unit.clk"][part]):
            gathered.append({name: column[part] for name, column in columns.items()})

    read_clocks(path, keep, beside=EMULATOR)
    return {name: np.concatenate([part[name] for part in gathered]) for name in gathered[0]}
