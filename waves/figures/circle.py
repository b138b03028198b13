"""An addition on the circle of a byte's 256 positions, or of the 100 of two decimal digits."""

from dataclasses import dataclass, replace
from math import cos, pi, sin
from typing import Final

from carrywave.sim.op.operation import Operation
from carrywave.sim.op.reasons import are_digits, names_of, reasons_of, signed, signed_reading

from .svg import Figure, number

RADIUS: Final = 92
OUTSIDE: Final = RADIUS + 11  # the track of the unsigned move
INSIDE: Final = RADIUS - 13  # and of the signed one
SHORT: Final = 16  # of an arc, in pixels
PIECE: Final = 9  # positions, of what is magnified
HALF: Final = 140  # of its width


@dataclass(frozen=True, slots=True)
class Move:
    """Steps from a position, clockwise if positive; the border in question, and what it says."""

    start: int
    steps: int
    words: str
    crossed: str  # what crossing the border is called
    size: int = 256
    border: int = 0  # the position just after it

    @property
    def crosses(self) -> bool:
        """Whether the move passes between the border and the position before it."""
        place = (self.start - self.border) % self.size
        return not 0 <= place + self.steps < self.size

    @property
    def small(self) -> bool:
        """Whether it is hard to see on the circle on which side of the border it ends."""
        place = (self.start - self.border) % self.size
        near = min(place, self.size - place, key=abs)
        return 0 < abs(self.steps) <= PIECE - 3 and abs(near) <= 2 * PIECE


def moves(op: Operation, decimal: bool) -> tuple[Move | None, Move | None]:
    """The unsigned and the signed move of an operation that uses the adder.

    Neither in decimal mode if a digit is above 9.
    """
    alu, carry = op.alu, op.carry_in
    a, m, operation = alu["a"], alu["b"], alu["operation"]
    if operation in ("INCREMENT", "DECREMENT"):
        step = 1 if operation == "INCREMENT" else -1
        words = f"unsigned: {a} {'+' if step > 0 else '-'} 1 = {a + step}"
        other = f"signed: {signed(a)} {'+' if step > 0 else '-'} 1 = {signed(a) + step}"
        last, end, past = (255, 127, "past") if step > 0 else (0, -128, "below")
        unsigned = Move(a, step, words, f"{past} {last}; C is left alone")
        move = Move(a, step, other, f"{past} {end}; V is left alone", border=128)
        if move.crosses:
            move = replace(move, words=f"{other}, {past} {end}")
        return unsigned, move
    if operation == "OFFSET":
        step = signed(alu["operand"])
        total = a + step
        page = "another page" if not 0 <= total < 256 else "the same page"
        return None, Move(
            a, step, f"{a} {'-' if step < 0 else '+'} {abs(step)}: {page}", "other page"
        )
    says = reasons_of(op)["c"][1]
    if operation in ("SHIFT_LEFT", "ROTATE_LEFT"):
        step = a + (carry if operation == "ROTATE_LEFT" else 0)
        return Move(a, step, says, "carry"), None
    if decimal:
        if not are_digits(a, m):
            return None, None
        low, other = (10 * (byte >> 4) + byte % 16 for byte in (a, m))
        step = other + carry if operation == "ADD" else -other - 1 + carry
        return Move(low, step, says, "carry" if step > 0 else "borrow", 100), None
    if operation == "ADD":
        far, near = m + carry, signed(m) + carry
    else:
        borrow = 1 - carry if operation == "SUBTRACT" else 0
        far, near = -m - borrow, -signed(m) - borrow
        if operation == "COMPARE":
            says = f"unsigned: {a} - {m} = {a - m}, {'no' if op.after['c'] else 'a'} borrow"
    past = "overflow"
    if "v" not in op.updated:
        past = f"{'past 127' if near > 0 else 'below -128'}; V is left alone"
    return (
        Move(a, far, says, "carry" if operation == "ADD" else "borrow"),
        Move(a, near, signed_reading(op), past, border=128),
    )


def _place(x: float, y: float, radius: float, position: float, size: int) -> tuple[float, float]:
    angle = 2 * pi * (position + 0.5) / size  # the border before 0 is upright
    return x + radius * sin(angle), y - radius * cos(angle)


def draw_circle(figure: Figure, op: Operation, x: float, y: float, decimal: bool) -> float:
    """The circle, `x`, `y` its middle; the moves on it, what they say below. Its lower end."""
    far, near = moves(op, decimal)
    if far is near:
        figure.text(x, y, "a digit is above 9:", "quiet", "middle", 13)
        figure.text(x, y + 20, "the makers define no result.", "quiet", "middle", 13)
        return y + 20
    size = 100 if decimal else 256
    _dial(figure, x, y, size, both=not decimal and op.alu["operation"] != "OFFSET")
    below = y + RADIUS + 56
    for move, radius, role, dash, label in (
        (far, OUTSIDE, "mark", "", y - 46),
        (near, INSIDE, "one", "6 3", y + 54 if near and near.border else y - 46),
    ):
        if move is None:
            continue
        _arc(figure, x, y, radius, move, role, dash)
        if move.crosses and move.crossed:
            lines = move.crossed.split("; ")
            top = label if len(lines) == 1 else y + (22 if move is near else -46)
            for i, line in enumerate(lines):
                figure.text(x, top + 18 * i, line, role, "middle", 13, bold=True)
        figure.line(x - 168, below - 4, x - 140, below - 4, role, 3, dash)
        figure.text(x - 132, below, move.words, size=12)
        below += 21
    end = "difference" if op.alu["operation"] in ("SUBTRACT", "COMPARE") else "sum"
    figure.text(x - 132, below, f"ring: {names_of(op)[0]}; arrow: the {end}", "quiet", size=12)
    for move, role, dash in ((far, "mark", ""), (near, "one", "6 3")):
        if move is not None and move.small:
            below = _magnify(figure, x, below + 26, move, role, dash)
    return below + 21


def _magnify(figure: Figure, x: float, y: float, move: Move, role: str, dash: str) -> float:
    """A small move again on a piece of the circle laid straight, position by position. Its end."""
    ends = sorted((move.start, move.start + move.steps))
    spare = max(1, (PIECE - 1 - ends[1] + ends[0]) // 2)
    first, last = ends[0] - spare, ends[1] + spare
    step = 2 * HALF / (last - first)
    line = y + 36

    def at(position: float) -> float:
        return x - HALF + (position - first) * step

    figure.text(x, y + 2, "magnified", "quiet", "middle", 12)
    figure.line(at(first), line, at(last), line, "line")
    for i in range(first, last + 1):
        figure.line(at(i), line - 4, at(i), line + 4, "line")
        value = i % move.size
        shown = value - move.size if move.border and value >= move.border else value
        if step >= 32 or i in (first, last, *ends):
            figure.text(at(i), line + 20, f"{shown}", "quiet", "middle", 12, mono=True)
        if value == move.border and i > first:
            figure.line(at(i - 0.5), line - 22, at(i - 0.5), line + 8, "ink", 1.5, "3 2")
    start, end = at(move.start), at(move.start + move.steps)
    towards = 1 if end > start else -1
    figure.line(start, line - 12, end - 6 * towards, line - 12, role, 3, dash)
    figure.circle(start, line - 12, 5, "background", role, 2)
    tip = [(end, line - 12), (end - 10 * towards, line - 17), (end - 10 * towards, line - 7)]
    figure.polyline(tip, "", fill=role, closed=True)
    return line + 22


def _dial(figure: Figure, x: float, y: float, size: int, both: bool) -> None:
    """The positions, the borders and the numbers beside them."""
    ticks = []
    for i in range(size):
        fine = size // 20 if size == 100 else size // 16
        long = 7 if i % (size // 4) == 0 else 5 if i % fine == 0 else 2
        ends = [_place(x, y, RADIUS + reach, i, size) for reach in (-long / 2, long / 2)]
        ticks.append("M" + "L".join(f"{number(a)} {number(b)}" for a, b in ends))
    figure.path("".join(ticks), "line", name="positions")
    last, half = size - 1, size // 2
    borders = [(0, f"{last}", "0")] + [(half, "128 = -128", "127")] * both
    for border, left, right in borders:
        ends = [_place(x, y, RADIUS + reach, border - 0.5, size) for reach in (-22, 32)]
        figure.polyline(ends, "ink", 1.5, "3 2")
        level = y - RADIUS - 24 if border == 0 else y + RADIUS + 33
        figure.text(x - 9, level, left, "quiet", "end", 12, mono=True)
        figure.text(x + 9, level, right, "quiet", "start", 12, mono=True)
    quarter = size // 4
    side = f"{3 * quarter} = -{quarter}" if both else f"{3 * quarter}"
    figure.text(x + RADIUS + 24, y + 4, f"{quarter}", "quiet", "start", 12, mono=True)
    figure.text(x - RADIUS - 24, y + 4, side, "quiet", "end", 12, mono=True)


def _arc(
    figure: Figure, x: float, y: float, radius: float, move: Move, role: str, dash: str
) -> None:
    """A move from a ring to an arrow's head; the head of a short one lies in a wider ring."""
    start, steps, size = move.start, move.steps, move.size
    short = 0 < abs(steps) * 2 * pi / size * radius < SHORT
    if steps and not short:
        pieces = max(1, abs(steps) * 4 // size + 1)
        turns = [_place(x, y, radius, start + steps * i / pieces, size) for i in range(pieces + 1)]
        sweep = int(steps > 0)
        d = f"M{number(turns[0][0])} {number(turns[0][1])}" + "".join(
            f"A{radius} {radius} 0 0 {sweep} {number(a)} {number(b)}" for a, b in turns[1:]
        )
        figure.path(d, role, 3, dash)
    figure.circle(*_place(x, y, radius, start, size), 9 if short else 5, "background", role, 2)
    if not steps:
        return
    head = (start + steps + 0.5) * 2 * pi / size
    towards = 1 if steps > 0 else -1
    tip = _place(x, y, radius, start + steps, size)
    back = (tip[0] - 9 * towards * cos(head), tip[1] - 9 * towards * sin(head))
    wing = (5 * sin(head), -5 * cos(head))
    figure.polyline(
        [tip, (back[0] + wing[0], back[1] + wing[1]), (back[0] - wing[0], back[1] - wing[1])],
        "", fill=role, closed=True,
    )  # fmt: skip
