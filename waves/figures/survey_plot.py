"""When every input has settled, as a figure: adders side by side."""

from collections.abc import Iterator
from fractions import Fraction
from itertools import accumulate, pairwise
from math import ceil
from typing import Final

from carrywave.sim.settle.report import inputs_text
from carrywave.sim.settle.settling import START
from carrywave.sim.settle.survey import AdderSurvey, Survey

from .svg import Figure

WIDTH, HEIGHT = 1280, 570
TOP, BOTTOM = 130, 490  # of both panels
LEFT: Final = (96, 560)
RIGHT: Final = (676, 1240)
#: Each adder has a colour, a dash and a mark of its own.
STYLES: Final = (("one", "", "circle"), ("mark", "8 4", "square"), ("carry", "2 4", "triangle"))
MARK: Final = 5.5  # half a mark's width
TICK: Final = 5  # gate delays between lines
KEY_WIDTH, KEY_SHARE = 250, 0.625  # how far the key reaches from the corner at 0 %


def plot_survey(survey: Survey) -> Figure:
    """The share of inputs settled after each step; mean and worst of each output."""
    bits = "sum" if any(o.name == "sum" for o in survey.adders[0].outputs) else "result"
    flags = " and the flags" * any(o.name in "nvzc" for o in survey.adders[0].outputs)
    title = f"{survey.mnemonic}: after how many gate delays the {bits}{flags} are final"
    figure = Figure(WIDTH, HEIGHT, title, _description(survey, bits))
    figure.text(LEFT[0] - 60, 44, title, size=24, bold=True)
    about = (
        f"{survey.inputs:,} inputs, decimal off, each from {inputs_text(survey.mnemonic, *START)}; "
        f"every gate one delay; {survey.variant}"
    )
    figure.text(LEFT[0] - 60, 72, about, "quiet", size=16)
    _shares(figure, survey, bits)
    _outputs(figure, survey, bits)
    return figure


def _description(survey: Survey, bits: str) -> str:
    """The figure's numbers in words."""
    parts = [
        f"{a.adder}, {a.gates} gates: {float(a[bits].mean):.2f} gate delays on average, "
        f"{a[bits].worst} at worst"
        for a in survey.adders
    ]
    return (
        f"Left, the share of inputs for which the {bits} is final after each gate delay. "
        f"{'; '.join(parts)}. Right, mean and worst for each of its bits and each flag."
    )


def _ticks(worst: float) -> int:
    """The end of an axis that has room for this."""
    return TICK * max(1, ceil(worst / TICK))


def _shares(figure: Figure, survey: Survey, bits: str) -> None:
    """The panel of cumulative shares."""
    (x0, x1), outputs = LEFT, [adder[bits] for adder in survey.adders]
    # The key stands in the lower right corner: the axis is so long that no curve runs under it.
    risen = max(output.within(Fraction(KEY_SHARE)) for output in outputs)
    room = risen * (x1 - x0) / (x1 - x0 - KEY_WIDTH)
    steps = _ticks(max(room, *(output.worst for output in outputs)))

    def x(step: float) -> float:
        return x0 + (x1 - x0) * step / steps

    def y(share: float) -> float:
        return BOTTOM - (BOTTOM - TOP) * share

    figure.text(x0 - 60, TOP - 22, f"inputs whose {bits} is final", size=16, bold=True)
    for quarter in range(5):
        height = y(quarter / 4)
        figure.line(x0, height, x1, height, "line", 0.5 if quarter else 1.5)
        figure.text(x0 - 10, height + 5, f"{25 * quarter} %", "quiet", "end", size=15)
    for step in range(0, steps + 1, TICK):
        figure.line(x(step), BOTTOM, x(step), BOTTOM + 6)
        figure.text(x(step), BOTTOM + 26, f"{step}", "quiet", "middle", size=15)
    figure.text((x0 + x1) / 2, BOTTOM + 54, "gate delays", "quiet", "middle", size=16)
    for adder, style in _styled(survey):
        counts = adder[bits].counts
        points = [
            (x(step), y(done / survey.inputs)) for step, done in enumerate(accumulate(counts))
        ]
        # Nothing happens between two steps: a share stands until the next.
        stairs = [points[0]]
        for before, point in pairwise(points):
            stairs += [(point[0], before[1]), point]
        figure.polyline(stairs, style[0], 2.5, style[1])
        for point in points:
            if point[1] < BOTTOM:
                _mark(figure, *point, style, MARK if point == points[-1] else MARK * 0.6)
    _key(figure, survey, bits, x1 - KEY_WIDTH + 16, y(KEY_SHARE) + 40)


def _key(figure: Figure, survey: Survey, bits: str, x: float, y: float) -> None:
    """What the marks mean, with each adder's figures, where the curves leave room."""
    columns = (x + 168, x + 220)
    figure.rect(x - 16, y - 26, KEY_WIDTH, 40 + 28 * len(survey.adders), "panel", "line", round=6)
    for heading, column in zip(("mean", "worst"), columns, strict=True):
        figure.text(column, y, heading, "quiet", "end", size=15)
    for i, (adder, style) in enumerate(_styled(survey), 1):
        row = y + 28 * i
        figure.line(x - 8, row - 5, x + 20, row - 5, style[0], 2.5, style[1])
        _mark(figure, x + 6, row - 5, style)
        figure.text(x + 30, row, adder.adder, size=16)
        figure.text(columns[0], row, f"{float(adder[bits].mean):.1f}", anchor="end", size=16)
        figure.text(columns[1], row, f"{adder[bits].worst}", anchor="end", size=16, bold=True)


def _outputs(figure: Figure, survey: Survey, bits: str) -> None:
    """The panel of mean and worst: one output beside the other, the adders beside each other."""
    outputs = survey.adders[0].outputs
    names = [o.name for o in outputs if o.name in "nvzc" or o.name.startswith(f"{bits}[")]
    worst = max(adder[name].worst for adder in survey.adders for name in names)
    (x0, x1), steps = RIGHT, _ticks(worst)

    def y(step: float) -> float:
        return BOTTOM - (BOTTOM - TOP) * step / steps

    figure.text(x0 - 40, TOP - 22, "gate delays until final", size=16, bold=True)
    figure.text(x1, TOP - 22, "mark: worst input, bar: mean", "quiet", "end", size=16)
    for step in range(0, steps + 1, TICK):
        figure.line(x0, y(step), x1, y(step), "line", 0.5 if step else 1.5)
        figure.text(x0 - 10, y(step) + 5, f"{step}", "quiet", "end", size=15)
    column = (x1 - x0) / len(names)
    apart = min(13, column / (len(survey.adders) + 1))
    for i, name in enumerate(names):
        middle = x0 + column * (i + 0.5)
        shown = name.upper() if name in "nvzc" else f"{i}"
        figure.text(middle, BOTTOM + 26, shown, "ink", "middle", size=16)
        for j, (adder, style) in enumerate(_styled(survey)):
            at = middle + apart * (j - (len(survey.adders) - 1) / 2)
            output = adder[name]
            figure.line(at, y(float(output.mean)), at, y(output.worst), style[0], 1.5)
            figure.line(at - 5, y(float(output.mean)), at + 5, y(float(output.mean)), style[0], 2.5)
            _mark(figure, at, y(output.worst), style)
    flags = sum(name in "nvzc" for name in names)
    middles = ((8, f"bit of the {bits}"), (16 + flags, "flag"))
    for doubled, kind in middles[: 1 + bool(flags)]:
        figure.text(x0 + column * doubled / 2, BOTTOM + 54, kind, "quiet", "middle", size=16)


def _styled(survey: Survey) -> Iterator[tuple[AdderSurvey, tuple[str, str, str]]]:
    return zip(survey.adders, STYLES, strict=False)


def _mark(figure: Figure, x: float, y: float, style: tuple[str, str, str], r: float = MARK) -> None:
    role, _, shape = style
    if shape == "circle":
        figure.circle(x, y, r, role)
    elif shape == "square":
        figure.rect(x - r, y - r, 2 * r, 2 * r, role)
    else:
        corners = [(x - r, y + r), (x + r, y + r), (x, y - r)]
        figure.polyline(corners, "", fill=role, closed=True)
