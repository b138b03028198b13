"""A part of a waveform as a figure: levels, and buses and mnemonics as labelled bands."""

import difflib
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from ..vcd.read import Columns
from ..vcd.settled import SETTLING
from ..vcd.signals import EMULATOR, PERIOD, SignalSpec
from .choosing import BESIDE, differing
from .strip import ALL, CLOCK, Asked, Strip, TimingError, read_strip
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
CLK_PATH: Final = "unit.clk"
MNEMONIC: Final = "unit.mnemonic"

#: What is drawn if nothing else is asked for; of the emulator's signals those that the file has.
DEFAULT: Final = (
    CLK_PATH, MNEMONIC, "unit.address", "unit.data_in", "unit.data_out", "unit.write",
    "unit.a", "unit.stack.sp", "unit.alu.c8", "unit.alu.c7", "unit.status.n", "unit.status.v",
    "unit.status.z", "unit.status.c",
    "emulator.a", "emulator.n", "emulator.v", "emulator.z", "emulator.c",
)  # fmt: skip
RESET_PIN: Final = "unit.reset_n"
#: Drawn with I where one moves, or an interrupt is entered; that of reset where it moves itself.
PINS: Final = (RESET_PIN, "unit.irq_n", "unit.nmi_n")
#: The same of gates settling: the chain from its inputs to the flags.
SETTLED: Final = (
    "unit.alu.a", "unit.alu.b", "unit.alu.operand", *(f"unit.alu.c{i}" for i in range(9)),
    "unit.alu.sum", "unit.alu.result", *(f"unit.alu.{flag}" for flag in "nvzc"),
)  # fmt: skip


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


@dataclass(frozen=True)
class Timing:
    """A timing diagram; the `reason` why these clocks were chosen, and which option others."""

    figure: Figure
    reason: str = ""
    choosing: str = ""

    @property
    def told(self) -> str:
        """What it shows, in a line."""
        return ", ".join(filter(None, (self.figure.title, self.reason))) + self.choosing


def timing_figure(
    path: str | os.PathLike[str], signals: Sequence[str] = (), start: int | None = None,
    end: int | None = None,
) -> Figure:  # fmt: skip
    """The diagram of `draw_timing` alone."""
    return draw_timing(path, signals, Asked(start, end)).figure


def draw_timing(
    path: str | os.PathLike[str], signals: Sequence[str] = (), asked: Asked = ALL
) -> Timing:
    """What is asked for of a waveform, and the signals named, in that order.

    Where it is not said which clocks: what matters, as many as fit. Without names `DEFAULT`, and
    the pins of interrupts with I where one of them moves. Of a waveform of gates settling a step is
    a gate delay. Raises DumpError, or TimingError.
    """
    strip = read_strip(path, asked, int((RIGHT - LEFT) // LEAST))
    known = [spec for spec in (*SETTLING, *EMULATOR) if spec.path in strip.columns]
    shown = list(dict.fromkeys(resolve(name, known) for name in signals or _usual(strip)))
    count, pitch = _fit(shown, strip, asked)
    if not signals and strip.unit == CLOCK:
        # Of the clocks that are drawn; a row of a bit takes no room from them.
        shown = [resolve(name, known) for name in _usual(strip.cut(count))]
    strip = strip.cut(count)
    name = Path(path).name
    if len(name) > LONG:
        name = f"{name[: LONG // 2]}...{name[-LONG // 2 :]}"
    figure = _draw(name, shown, strip, pitch)
    if strip.choice is None:
        return Timing(figure)
    others = "--clocks chooses" if strip.unit == CLOCK else "--from and --to choose"
    whole = len(strip) == len(strip.whole)
    return Timing(figure, strip.choice.why, "" if whole else f"; {others} others")


def _usual(strip: Strip) -> list[str]:
    """The signals that are drawn if nothing else is asked for."""
    if strip.unit != CLOCK:
        return [name for name in SETTLED if name in strip.columns]
    names: list[str] = [name for name in DEFAULT if name in strip.columns]
    for path in differing(strip.columns)[1]:
        names += [other for other in (BESIDE[path], path) if other not in names]
    moving = [pin for pin in PINS if len(set(strip.columns[pin].tolist())) > 1]
    entered = np.isin(strip.columns[MNEMONIC], ("IRQ", "NMI")).any()
    if moving or entered:
        at = names.index(MNEMONIC)
        pins = [pin for pin in PINS if pin in moving or pin != RESET_PIN]
        names[at:at] = pins
        names.insert(names.index("unit.status.v") + 1, "unit.status.i")
    return names


def _fit(shown: Sequence[SignalSpec], strip: Strip, asked: Asked) -> tuple[int, float]:
    """How many steps are drawn, and how wide each: every band must have room for its text."""

    def pitch(count: int) -> float:
        needed: float = LEAST
        columns = strip.cut(count).columns
        for spec in shown:
            runs = _bands_of(spec, columns)
            if spec.path == MNEMONIC:
                runs = runs[1:-1]  # a name that an edge cuts off may be left out
            if spec.width > 1 or spec.text:
                for begin, stop, text in runs:
                    needed = max(needed, (text_width(text, LABEL, True) + ROOM) / (stop - begin))
        return needed

    def fits(count: int) -> bool:
        return count * pitch(count) <= RIGHT - LEFT

    count = next(n for n in range(len(strip), 0, -1) if fits(n))
    if count < strip.asked and strip.fixed:
        raise TimingError(
            f"{strip.asked} {strip.unit}s do not fit, at most {count} of these signals do: give "
            f"{asked.instead(strip.first, count, strip.unit)}, or fewer signals"
        )
    return count, max(pitch(count), min(WIDEST, (RIGHT - LEFT) // count))


def _bands_of(spec: SignalSpec, columns: Columns) -> list[tuple[int, int, str]]:
    """Where a signal keeps a value: from row, to row, and the value as text.

    Of the mnemonic, the sequences: each begins where `sync` is 1, though its name may stay.
    """
    column = columns[spec.path]
    begins = columns.get("unit.sync", np.zeros(len(column), int)) * (spec.path == MNEMONIC)
    edges = [0, *(i for i in range(1, len(column)) if column[i] != column[i - 1] or begins[i])]
    digits = (spec.width + 3) // 4
    return [
        (begin, end, str(column[begin]) if spec.text else f"{int(column[begin]):0{digits}X}")
        for begin, end in pairwise([*edges, len(column)])
    ]


def _describe(shown: Sequence[SignalSpec], strip: Strip, wrong: Sequence[str]) -> str:
    """Each signal's values in words, by clock."""
    told = []
    for spec in shown:
        if spec.path == CLK_PATH:
            continue
        runs = _bands_of(spec, strip.columns)
        steps = [f"from {strip.unit} {strip.first + begin} {text}" for begin, _, text in runs]
        differs = "; the hardware's differs" * (spec.path in wrong)
        told.append(f"{spec.path}: {', '.join(steps)}{differs}.")
    return " ".join(told)


def _draw(file: str, shown: Sequence[SignalSpec], strip: Strip, pitch: float) -> Figure:
    columns, count, first, unit = strip.columns, len(strip), strip.first, strip.unit
    last = first + count - 1
    _, wrong = differing(columns)
    noted = unit == CLOCK and any(spec.path.startswith("unit.alu.") for spec in shown)
    height = TOP + ROW * len(shown) + 52 + 20 * noted
    why = f", {strip.choice.why}" if strip.choice else ""
    figure = Figure(
        WIDTH, height, f"{file}: {strip.shown} of {strip.total}",
        f"A timing diagram{why}; {len(shown)} signals. {_describe(shown, strip, wrong)}",
    )  # fmt: skip
    right = LEFT + count * pitch
    figure.text(24, 42, file, size=22, bold=True)
    about = "" if unit == CLOCK else f"{columns[MNEMONIC][0]}, "
    figure.text(RIGHT, 42, f"{about}{columns['unit.variant'][0]}", "quiet", "end")
    figure.line(24, 58, RIGHT, 58)
    figure.text(24, TOP - 22, unit, "quiet", size=12)
    bottom = TOP + ROW * len(shown) - 6
    label = text_width(f"{(last + 1) * strip.period}", 12, True)
    every = next(n for n in (1, 2, 5, 10, 20, 50, 100) if n * pitch >= 1.5 * label + 12)
    number_every = 1 if pitch >= text_width(f"{last}", 12, True) + 6 else every
    if unit == CLOCK:
        figure.text(24, TOP - 40, "ns", "quiet", size=12)
    for i in range(count + 1):
        x = LEFT + i * pitch
        figure.line(x, TOP - 14, x, bottom, "line", 0.5)
        if unit == CLOCK and i % every == 0:
            anchor = "end" if x + label / 2 > RIGHT else "middle"
            time = f"{(first + i) * strip.period}"
            figure.text(x, TOP - 40, time, "quiet", anchor, 12, mono=True)
        if i < count and i % number_every == 0:
            middle = x + pitch / 2
            figure.text(middle, TOP - 22, f"{first + i}", "quiet", "middle", 12, mono=True)
    for row, spec in enumerate(shown):
        base, name = TOP + ROW * row + HIGH, spec.path.replace(".", "-")
        if spec.path in wrong:
            figure.text(24, base - 5, f"{spec.path} differs", "wrong", size=13, mono=True)
        else:
            figure.text(24, base - 5, spec.path.removeprefix("unit."), size=13, mono=True)
        if spec.path == CLK_PATH:
            _clock(figure, base, count, pitch)
        elif spec.width > 1 or spec.text:
            role = "one" if spec.path == MNEMONIC else "ink"
            _bands(figure, base, _bands_of(spec, columns), count, pitch, name, role)
        else:
            _level(figure, base, _bands_of(spec, columns), pitch, name)
    part = f"from {unit} {strip.whole[0]} to {strip.whole[-1]}"
    goes = part if strip.whole.start else f"to {unit} {strip.whole[-1]}"
    rest = "" if count == len(strip.whole) else f"; the file goes {goes}"
    hidden = len(columns) - len(shown)
    also = f"; {hidden} more signals are in it" if hidden else ""
    if noted:
        figure.text(24, height - 40, ALU_NOTE, "quiet", size=12)
    figure.text(24, height - 20, f"shown: {strip.shown}{why}{rest}{also}", "quiet", size=12)
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
