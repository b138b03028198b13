"""One operation settling, as a figure: a wire a column, time downwards, a gate delay a row."""

from itertools import groupby
from typing import Final

from carrywave.sim.settle.report import inputs_text
from carrywave.sim.settle.settling import WIDTHS, Settling, name_of

from .svg import Figure

PITCH: Final = 42
LEFT: Final = 96
TOP: Final = 150
ROW: Final = 26
BETWEEN: Final = 34  # of two groups of wires
HEADS: Final = {"carry": "carries", "sum": "sum", "result": "result"}


def ripple_figure(s: Settling) -> Figure:
    """The carries, the sum and the flags, as each changes; thick while it is 1."""
    now, start = (inputs_text(s.mnemonic, *given.values()) for given in (s.inputs, s.start))
    chain = "carry" in s.steps[0]
    ports = ("carry", "sum") if chain else ("result",)
    flags = [port for port in s.steps[0] if port in "nvzc"]
    groups = [(HEADS[p], [(p, bit) for bit in range(WIDTHS[p] - 1, -1, -1)]) for p in ports]
    groups += [("flags", [(flag, 0) for flag in flags])] * bool(flags)
    wires = sum(len(group) for _, group in groups)
    width = LEFT + wires * PITCH + (len(groups) - 1) * BETWEEN + 30
    last = max(s.settled, 1)
    low = TOP + (last + 1) * ROW
    told = f"settled after {s.settled} gate delays" if s.settled else "no output changes"
    figure = Figure(
        width, low + 132, f"{s.mnemonic} {now}, after {start}: {told}; {s.variant}, {s.adder}",
        f"Each wire's value after each gate delay. {_words(s)}",
    )  # fmt: skip
    figure.text(24, 40, f"{s.mnemonic} {now}", size=24, bold=True)
    figure.text(width - 24, 40, told, anchor="end", size=20)
    figure.text(24, 68, f"after {start}; {s.adder} adder, {s.variant}", "quiet", size=17)
    figure.line(24, 82, width - 24, 82)
    figure.text(LEFT - 34, TOP + 5, "before", "quiet", "end", 15)
    for step in range(last + 1):
        y = TOP + (step + 1) * ROW
        if step:
            figure.text(LEFT - 34, y + 5, f"{step}", "quiet", "end", 15, mono=True)
            figure.line(LEFT - 26, y, width - 24, y, "line", 0.3)
    figure.text(24, low + 34, "final", "quiet", size=15)
    x = LEFT
    for head, group in groups:
        figure.text(
            x + (len(group) - 1) * PITCH / 2, 108, head, anchor="middle", size=17, bold=True
        )
        for port, bit in group:
            _wire(figure, s, port, bit, x, last)
            x += PITCH
        x += BETWEEN
    legend = "down: time, a gate delay a row; thick: 1; thin: 0; dot: a change"
    figure.text(24, low + 78, legend, "quiet", size=15)
    drawn = [name_of(port, bit) for _, group in groups for port, bit in group]
    names = [name.upper() if name in "nvzc" else name for name in drawn if name in s.glitches]
    if names:
        said = f"brown: a glitch, it changes more than once: {' '.join(names)}"
        figure.text(24, low + 102, said, "mark", size=15)
    return figure


def _words(s: Settling) -> str:
    return " ".join(
        f"{name} changes at {', '.join(map(str, steps))}." for name, steps in s.changes.items()
        if steps and not name.startswith(("operand", "result"))
    )  # fmt: skip


def _wire(figure: Figure, s: Settling, port: str, bit: int, x: float, last: int) -> None:
    """A wire from its value before to its final one."""
    flag = port in "nvzc"
    name = name_of(port, bit)
    shown = port.upper() if flag else name if port == "carry" else f"{bit}"
    figure.text(x, 130, shown, "quiet", "middle", 15, mono=True)
    values = [step[port] >> bit & 1 for step in s.steps[: last + 1]]
    values += values[-1:] * (last + 1 - len(values))
    role = "carry" if port == "carry" else "one"
    y, step = TOP - 6.0, 0
    for value, run in groupby(values):
        count = len([*run])
        step += count
        end = TOP + (min(step, last) + 1) * ROW if step <= last else TOP + (last + 1) * ROW + 12
        figure.line(
            x, y, x, end, role if value else "line", 5 if value else 1, name=f"wire-{value}"
        )
        y = end
    for change in s.changes[name]:
        figure.circle(
            x, TOP + (change + 1) * ROW, 5.5, "mark" if len(s.changes[name]) > 1 else role
        )
    figure.text(
        x, TOP + (last + 1) * ROW + 34, f"{values[-1]}", role if values[-1] else "quiet", "middle",
        19, True, bool(values[-1]), f"final-{name}",
    )  # fmt: skip
