"""A part of a waveform as a figure: levels, and buses and mnemonics as labelled bands."""

import difflib
import os
import re
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from carrywave.sim.system.errors import UnusableError

from ..vcd.read import Columns, closing_count, read_clocks
from ..vcd.signals import EMULATOR, PERIOD, SIGNALS, SignalSpec
from .svg import Figure, text_width

WIDTH: Final = 1280
LEFT: Final = 192  # where the first clock begins
RIGHT: Final = 1256
TOP: Final = 118  # of the first row
ROW: Final = 34
HIGH: Final = 20  # of a level or band
LABEL: Final = 12  # the size of the text in a band
SLANT: Final = 4
ROOM: Final = 14  # beside a band's text, both sides together
LEAST: Final = 12  # of a clock
WIDEST: Final = 120
ALU_NOTE: Final = (
    "alu signals show whatever the ALU holds in that clock; flags take it when an instruction ends"
)
LONG: Final = 64  # of the file's name, in characters
CLOCK: Final = "unit.clk"
MNEMONIC: Final = "unit.mnemonic"

#: What is drawn if nothing else is asked for; of the emulator's signals those that the file has.
DEFAULT: Final = (
    CLOCK, MNEMONIC, "unit.address", "unit.data_in", "unit.data_out", "unit.write",
    "unit.a", "unit.stack.sp", "unit.alu.c8", "unit.alu.c7", "unit.status.n", "unit.status.v",
    "unit.status.z", "unit.status.c",
    "emulator.a", "emulator.n", "emulator.v", "emulator.z", "emulator.c",
)  # fmt: skip


class TimingError(UnusableError):
    """No figure can be drawn of what was asked for; the message is one line."""


def time_of(text: str, option: str = "a time") -> int:
    """A time in ns, written 43000, 43000ns or 43us: a clock is 1 us. Raises TimingError."""
    match = re.fullmatch(r"([0-9]{1,15})(ns|us)?", text.strip().lower())
    if not match:
        raise TimingError(
            f"{option}: {text!r} is not a time: write 43000 (ns) or 43us, where clock 43 begins"
        )
    return int(match[1]) * (PERIOD if match[2] == "us" else 1)


def resolve(name: str, specs: Sequence[SignalSpec]) -> SignalSpec:
    """The signal of a name, with or without the scopes before it. Raises TimingError.

    Of several that end so, the one outside the others' scopes: "a" is the register, unit.a.
    """
    wanted = name.strip().lower()
    ends = [spec for spec in specs if f".{spec.path}".endswith(f".{wanted}")]
    depth = min((spec.path.count(".") for spec in ends), default=0)
    found = [spec for spec in ends if spec.path.count(".") == depth and wanted]
    if len(found) == 1:
        return found[0]
    paths = [spec.path for spec in specs]
    if found:
        told = " or ".join(spec.path for spec in found)
        raise TimingError(f"{name!r} may be {told}: write one of them")
    leaves = {spec.name: spec.path for spec in reversed(specs)}
    near = difflib.get_close_matches(wanted, [*paths, *leaves], 6, 0.6)
    hints = list(dict.fromkeys(leaves.get(match, match) for match in near))[:3]
    hint = f"did you mean {' or '.join(hints)}?" if hints else f"the file has {', '.join(paths)}"
    raise TimingError(f"no signal {name!r}: {hint}")


def timing_figure(
    path: str | os.PathLike[str], signals: Sequence[str] = (), start: int | None = None,
    end: int | None = None,
) -> Figure:  # fmt: skip
    """The clocks of a dump from `start` to `end`, in ns, and the signals named, in that order.

    Without names `DEFAULT`; without `end` as many clocks as fit. Raises DumpError, or TimingError.
    """
    clocks = closing_count(path)
    first, last, asked = _range(path, clocks, start, end)
    gathered: list[Columns] = []

    def keep(columns: Columns, at: int) -> None:
        part = slice(max(first - at, 0), max(last - at, 0))
        if len(columns[CLOCK][part]):
            gathered.append({name: column[part] for name, column in columns.items()})

    read_clocks(path, keep, beside=EMULATOR)
    if not gathered:
        raise TimingError(f"{path}: holds no complete clock")
    columns = {name: np.concatenate([part[name] for part in gathered]) for name in gathered[0]}
    known = [spec for spec in (*SIGNALS, *EMULATOR) if spec.path in columns]
    names = signals or [name for name in DEFAULT if name in columns]
    shown = list(dict.fromkeys(resolve(name, known) for name in names))
    shown_clocks, pitch = _fit(shown, columns, asked, end is not None, first)
    cut = {spec.path: columns[spec.path][:shown_clocks] for spec in known}
    name = Path(path).name
    if len(name) > LONG:
        name = f"{name[: LONG // 2]}...{name[-LONG // 2 :]}"
    return _draw(name, shown, cut, first, clocks, pitch)


def _range(
    path: str | os.PathLike[str], clocks: int, start: int | None, end: int | None
) -> tuple[int, int, int]:
    """The first clock, the one after the last to be read, and how many clocks are asked for."""
    whole = clocks * PERIOD
    for option, time in (("--from", start), ("--to", end)):
        if time is not None and not 0 <= time <= whole - (option == "--from"):
            raise TimingError(f"{option} {time} is outside {path}, which has 0 to {whole} ns")
    if start is not None and end is not None and start >= end:
        raise TimingError(f"--from {start} is not before --to {end}")
    first = (start or 0) // PERIOD
    most = int((RIGHT - LEFT) // LEAST)
    if end is None:
        last = min(clocks, first + most)
        return first, last, last - first
    last = -(-end // PERIOD)
    if last <= first:
        raise TimingError(f"--to {end} is not after --from {first * PERIOD}")
    return first, min(last, first + most), last - first


def _fit(
    shown: Sequence[SignalSpec], columns: Columns, asked: int, fixed: bool, first: int
) -> tuple[int, float]:
    """How many clocks are drawn, and how wide each: every band must have room for its text."""

    def pitch(clocks: int) -> float:
        needed: float = LEAST
        for spec in shown:
            runs = _bands_of(spec, {name: c[:clocks] for name, c in columns.items()})
            if spec.path == MNEMONIC:
                runs = runs[1:-1]  # a name that an edge cuts off may be left out
            if spec.width > 1 or spec.text:
                for begin, stop, text in runs:
                    needed = max(needed, (text_width(text, LABEL, True) + ROOM) / (stop - begin))
        return needed

    def fits(clocks: int) -> bool:
        return clocks * pitch(clocks) <= RIGHT - LEFT

    count = next(n for n in range(len(columns[CLOCK]), 0, -1) if fits(n))
    if count < asked and fixed:
        raise TimingError(
            f"{asked} clocks do not fit, at most {count} of these signals do: give --to "
            f"{(first + count) * PERIOD}, or fewer signals"
        )
    return count, max(pitch(count), min(WIDEST, (RIGHT - LEFT) // count))


def _bands_of(spec: SignalSpec, columns: Columns) -> list[tuple[int, int, str]]:
    """Where a signal keeps a value: from clock, to clock, and the value as text.

    Of the mnemonic, the sequences: each begins where `sync` is 1, though its name may stay.
    """
    column, begins = columns[spec.path], columns["unit.sync"] * (spec.path == MNEMONIC)
    edges = [0, *(i for i in range(1, len(column)) if column[i] != column[i - 1] or begins[i])]
    digits = (spec.width + 3) // 4
    return [
        (begin, end, str(column[begin]) if spec.text else f"{int(column[begin]):0{digits}X}")
        for begin, end in pairwise([*edges, len(column)])
    ]


def _differs(spec: SignalSpec, columns: Columns) -> bool:
    """Whether it is an emulator's, and not what the hardware holds in the last clock."""
    if spec not in EMULATOR:
        return False
    ends = (f".{spec.name}", f".status.{spec.name}", f".stack.{spec.name}")
    mine = [path for path in (f"unit{end}" for end in ends) if path in columns]
    return any(columns[spec.path][-1] != columns[path][-1] for path in mine)


def _describe(shown: Sequence[SignalSpec], columns: Columns, first: int) -> str:
    """Each signal's values in words, by clock."""
    told = []
    for spec in shown:
        if spec.path == CLOCK:
            continue
        runs = _bands_of(spec, columns)
        steps = [f"from clock {first + begin} {text}" for begin, _, text in runs]
        differs = "; the hardware's differs" * _differs(spec, columns)
        told.append(f"{spec.path}: {', '.join(steps)}{differs}.")
    return " ".join(told)


def _draw(
    file: str, shown: Sequence[SignalSpec], columns: Columns, first: int, clocks: int, pitch: float
) -> Figure:
    count = len(columns[CLOCK])
    last = first + count - 1
    noted = any(spec.path.startswith("unit.alu.") for spec in shown)
    height = TOP + ROW * len(shown) + 52 + 20 * noted
    which = f"clock {first}" if count == 1 else f"clocks {first} to {last}"
    figure = Figure(
        WIDTH, height, f"{file}: {which} of {clocks}",
        f"A timing diagram; {len(shown)} signals. {_describe(shown, columns, first)}",
    )  # fmt: skip
    right = LEFT + count * pitch
    figure.text(24, 42, file, size=22, bold=True)
    figure.text(RIGHT, 42, f"{columns['unit.variant'][0]}", "quiet", "end")
    figure.line(24, 58, RIGHT, 58)
    figure.text(24, TOP - 40, "ns", "quiet", size=12)
    figure.text(24, TOP - 22, "clock", "quiet", size=12)
    bottom = TOP + ROW * len(shown) - 6
    label = text_width(f"{(last + 1) * PERIOD}", 12, True)
    every = next(n for n in (1, 2, 5, 10, 20, 50, 100) if n * pitch >= 1.5 * label + 12)
    number_every = 1 if pitch >= text_width(f"{last}", 12, True) + 6 else every
    for i in range(count + 1):
        x = LEFT + i * pitch
        figure.line(x, TOP - 14, x, bottom, "line", 0.5)
        if i % every == 0:
            anchor = "end" if x + label / 2 > RIGHT else "middle"
            figure.text(x, TOP - 40, f"{(first + i) * PERIOD}", "quiet", anchor, 12, mono=True)
        if i < count and i % number_every == 0:
            middle = x + pitch / 2
            figure.text(middle, TOP - 22, f"{first + i}", "quiet", "middle", 12, mono=True)
    for row, spec in enumerate(shown):
        base, name = TOP + ROW * row + HIGH, spec.path.replace(".", "-")
        if _differs(spec, columns):
            figure.text(24, base - 5, f"{spec.path} differs", "wrong", size=13, mono=True)
        else:
            figure.text(24, base - 5, spec.path.removeprefix("unit."), size=13, mono=True)
        if spec.path == CLOCK:
            _clock(figure, base, count, pitch)
        elif spec.width > 1 or spec.text:
            role = "one" if spec.path == MNEMONIC else "ink"
            _bands(figure, base, _bands_of(spec, columns), count, pitch, name, role)
        else:
            _level(figure, base, _bands_of(spec, columns), pitch, name)
    rest = "" if count == clocks else f"; the file goes to clock {clocks - 1}"
    hidden = len(columns) - len(shown)
    also = f"; {hidden} more signals are in it" if hidden else ""
    if noted:
        figure.text(24, height - 40, ALU_NOTE, "quiet", size=12)
    figure.text(24, height - 20, f"shown: {which}{rest}{also}", "quiet", size=12)
    if right < RIGHT - 200:
        figure.line(right, TOP - 14, right, bottom, "line", 0.5)
    return figure


def _clock(figure: Figure, base: float, count: int, pitch: float) -> None:
    points = []
    for i in range(count):
        x = LEFT + i * pitch
        points += [(x, base), (x, base - HIGH), (x + pitch / 2, base - HIGH), (x + pitch / 2, base)]
    figure.polyline([*points, (LEFT + count * pitch, base)], "ink", 1.25)


def _level(
    figure: Figure, base: float, runs: Sequence[tuple[int, int, str]], pitch: float, name: str
) -> None:
    """A bit: 1 is high, thick and filled below."""
    for begin, end, text in runs:
        x0, x1 = LEFT + begin * pitch, LEFT + end * pitch
        if text == "1":
            figure.rect(x0, base - HIGH, x1 - x0, HIGH, "panel")
            figure.line(x0, base - HIGH, x1, base - HIGH, "one", 3, name=name)
        else:
            figure.line(x0, base, x1, base, "line", 1.5, name=name)
        if begin:
            figure.line(x0, base, x0, base - HIGH, "ink", 1.5)


def _bands(
    figure: Figure, base: float, runs: Sequence[tuple[int, int, str]], count: int, pitch: float,
    name: str, role: str = "ink",
) -> None:  # fmt: skip
    """Values as hexagons, open where they began before the first clock or go on after the last."""
    middle, top = base - HIGH / 2, base - HIGH
    for begin, end, text in runs:
        x0, x1 = LEFT + begin * pitch, LEFT + end * pitch
        a, b = x0 + (SLANT if begin else 0), x1 - (SLANT if end < count else 0)
        outline = [(a, top), (b, top), (x1, middle), (b, base), (a, base), (x0, middle)]
        figure.polyline(outline, "", fill="panel", closed=True)
        left, right = [(x0, middle)] * (begin > 0), [(x1, middle)] * (end < count)
        for level in (top, base):
            edge = [*left, (a, level), (b, level), *right]
            figure.polyline(edge, role if role == "one" else "line", 1.5)
        if text_width(text, LABEL, True) + ROOM - 8 <= x1 - x0:
            figure.text(
                (x0 + x1) / 2, base - 6, text, role, "middle", LABEL, True, role == "one", name
            )
