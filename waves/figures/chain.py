"""The adder at work in one operation, as a figure: every carry, and where each flag comes from."""

from typing import Final

from carrywave.sim.op.course import goes_on
from carrywave.sim.op.operation import CHAIN, Operation
from carrywave.sim.op.reasons import (
    digit_note,
    ghosts_of,
    headings_of,
    kinds_of,
    names_of,
    signed,
)

from .circle import draw_circle, moves
from .course_figure import draw_decision
from .sheet import BITS, FLAG, GATE, MARGIN, VALUES, Sheet, before, name, say
from .svg import Figure

ADDER: Final = 84  # the height of a full adder
LANE: Final = 44  # of the carry, below the adder's top
XOR: Final = 68  # of what makes the bit of the sum
TOP: Final = 112  # of the operands
ENTERS: Final = {"C": "the carry flag before", "1": "always 1", "0": "always 0"}
LEGEND: Final = (
    "thick: a wire that is 1; thin: a wire that is 0",
    "make: both inputs are 1, so a carry comes out",
    "pass: one input is 1, so the carry that comes in goes out",
    "stop: no input is 1, so no carry comes out",
    "ring: XOR of that, 'one input is 1', with the carry that comes in: the bit of the sum",
)


def chain_figure(op: Operation, part: str = "") -> Sheet:
    """The figure of an operation that uses the adder; or its adder, or its flags, alone."""
    adders = TOP + 58 + 46 * bool(names_of(op)[1])
    sheet = Sheet(op, _describe(op), part)
    if part == "flags":
        adders = TOP + 26
        sheet.headings(adders - 12)
    else:
        sheet.headings(TOP - 22 if part else TOP - 26)
        _operands(sheet, adders)
    _adders(sheet, adders)
    end = _sums(sheet, adders)
    if part == "adder":
        sheet.finish(end + 30, LEGEND)
        return sheet
    below = sheet.reasons(end + 52) + 36
    if part:
        sheet.finish(below, LEGEND[:1])
        return sheet
    if op.instruction.branches:
        below = draw_decision(sheet, below - 48)
        for line in goes_on(op):
            sheet.text(24, below - 8, line, size=15)
            below += 24
    sheet.finish(below, LEGEND)
    middle = max(end + (156 if _decimal(op) else 132), adders + ADDER + 230)
    circle = draw_circle(sheet, op, 1072, middle, _decimal(op))
    sheet.resize(max(sheet.height, circle + 8))
    return sheet


def circle_figure(op: Operation) -> Figure | None:
    """The circle alone, or None where the operation is no move on it."""
    if not any(moves(op, _decimal(op))):
        return None
    width, meaning = 440, headings_of(op)
    title = f"{name(op)}: {meaning[0]}; {meaning[1]}; circle alone"
    figure = Figure(width, 600, title, f"{_circle(op).strip()} {say(op)}")
    figure.text(24, 32, name(op), size=18, bold=True)
    figure.text(width - 24, 32, before(op), "quiet", "end", size=13)
    figure.line(24, 44, width - 24, 44)
    figure.resize(draw_circle(figure, op, width / 2, 190, _decimal(op)) + 8)
    return figure


def _decimal(op: Operation) -> bool:
    return "decimal" in headings_of(op)[1].split() and op.variant != "binary"


def _describe(op: Operation) -> str:
    left, byte, beside = names_of(op)
    values = [(left, op.alu["a"]), (byte, op.alu["b"]), (beside, op.alu["operand"])]
    told = [
        f"{name} is ${value:02X}, {value} unsigned and {signed(value):+} signed."
        for name, value in values
        if name and name not in ("0", "FF")
    ]
    kinds = " ".join(reversed(kinds_of(op.alu)))
    carries = " ".join(f"{bit}" for bit in reversed(op.carries or []))
    total = op.alu["sum"]
    corrected = f" Corrected as decimal digits: ${op.alu['result']:02X}." * _decimal(op)
    return (
        f"Eight full adders in a row, bit 7 on the left. {' '.join(dict.fromkeys(told))} "
        f"From bit 7 to bit 0 they {kinds} a carry. The carries c8 to c0 are {carries}. "
        f"The sum is ${total:02X}, {total} unsigned and {signed(total):+} signed.{corrected}"
        f"{_circle(op)}"
    )


def _circle(op: Operation) -> str:
    """What the circle shows, in words."""
    told = [
        f"{move.words}{f'; it crosses the border: {move.crossed}' * bool(move.crossed)}"
        if move.crosses
        else move.words
        for move in moves(op, _decimal(op))
        if move is not None
    ]
    return f" On the circle: {'. '.join(told)}." if told else ""


def _operands(sheet: Sheet, adders: float) -> None:
    """The two bytes that come in from above, the second inverted on its way if it is."""
    alu = sheet.op.alu
    left, byte, beside = names_of(sheet.op)
    lower, decimal = adders - 30, _decimal(sheet.op)
    sheet.readings(TOP, left, alu["a"], decimal, left=True)
    if byte:
        sheet.readings(TOP + 28, byte, alu["b"], decimal, left=True)
    sheet.readings(lower, beside, alu["operand"], decimal and not byte, left=True)
    apart = sheet.box / 4
    for i in BITS:
        a, b, operand = (alu[port] >> i & 1 for port in ("a", "b", "operand"))
        x, y = sheet.column(i) - apart, sheet.column(i) + apart
        sheet.wire([(x, TOP + 11), (x, adders)], a)
        sheet.digit(x, TOP, a, f"a-{i}")
        if byte:
            sheet.wire([(y, TOP + 38), (y, TOP + 44)], b)
            _inverter(sheet, y, TOP + 42)
            sheet.digit(y, TOP + 28, b, f"b-{i}")
        sheet.wire([(y, lower + 10), (y, adders)], operand)
        sheet.digit(y, lower, operand, f"operand-{i}")


def _inverter(sheet: Sheet, x: float, y: float) -> None:
    """The sign for NOT: a triangle and a ring."""
    sheet.polyline(
        [(x - 7, y), (x + 7, y), (x, y + 12)], "ink", fill="background", closed=True, name="not"
    )
    sheet.circle(x, y + 14.5, 2.5, "background", "ink")


def _adders(sheet: Sheet, y: float) -> None:
    """The row of full adders and the carries between them, from right to left."""
    op = sheet.op
    carries, kinds, lane = op.carries or [], kinds_of(op.alu), y + LANE
    leaves = carries.copy()  # of the bit below: what decimal mode forces comes in beside it
    if digit_note(op):
        leaves[4] = 0
        _force(sheet, y)
    for i in BITS:
        x, kind = sheet.column(i), kinds[i]
        sheet.rect(x - sheet.box / 2, y, sheet.box, ADDER, "panel", "ink", 1.5, round=5)
        sheet.text(
            x, y + 23, kind, "carry" if kind == "make" else "ink" if kind == "pass" else "quiet",
            "middle", 14, bold=kind == "make" and not sheet.part, name=f"kind-{i}",
        )  # fmt: skip
        comes, goes = carries[i], leaves[i + 1]
        right, left = x + sheet.box / 2, x - sheet.box / 2
        knee = x + sheet.box / 3
        sheet.wire([(knee, lane), (knee, y + XOR), (x + 6, y + XOR)], comes, "carry")
        sheet.wire([(x, lane + 6), (x, y + XOR - 6)], int(kind == "pass"))
        sheet.wire([(x, y + XOR + 6), (x, y + ADDER)], op.alu["sum"] >> i & 1)
        sheet.circle(x, y + XOR, 6, "background", "ink", 1.5, name=f"xor-{i}")
        sheet.line(x - 4, y + XOR, x + 4, y + XOR, "ink")
        sheet.line(x, y + XOR - 4, x, y + XOR + 4, "ink")
        if kind == "pass" and comes == goes:
            sheet.wire([(right, lane), (left, lane)], comes, "carry")
            continue
        sheet.wire([(right, lane), (x + 8, lane)], comes, "carry")
        sheet.line(x + 8, lane - 6, x + 8, lane + 6, "carry" if comes else "line", 2)
        sheet.wire([(x - 8, lane), (left, lane)], goes, "carry")
        if goes:
            sheet.circle(x - 8, lane, 4, "carry")
    for i in range(9):
        gap = sheet.column(i) + sheet.pitch / 2
        role = "carry" if carries[i] else "quiet"
        ends = (
            sheet.column(i - 1) - sheet.box / 2 if i else gap + 26,
            sheet.column(i) + sheet.box / 2,
        )
        if i < 8 or "c" not in op.updated or sheet.part == "adder":
            end = ends[1] if i < 8 else gap - sheet.pitch / 2 - 6
            middle = (gap, lane)
            if leaves[i] != carries[i]:
                sheet.wire([(ends[0] - 28, lane), (gap, lane)], leaves[i])
            else:
                middle = (ends[0], lane)
            sheet.wire([middle, (end, lane)], carries[i], "carry", arrow=True)
        sheet.text(gap, lane - 25, f"c{i}", "quiet", "middle", 12, mono=True)
        sheet.text(
            gap, lane - 8, f"{carries[i]}", role, "middle", 15, True, bool(carries[i]), f"carry-{i}"
        )
    source = f"c0: {ENTERS[CHAIN[op.alu['operation']]]}"
    sheet.remark(VALUES, lane + 5, source)


def _force(sheet: Sheet, y: float) -> None:
    """The carry that a decimal digit of ten or more makes, into c4 from below."""
    x, note = sheet.column(4) + sheet.pitch / 2, digit_note(sheet.op)
    sheet.wire([(x, y + ADDER + 2), (x, y + LANE + 2)], 1, "carry")
    sheet.tap(x, y + LANE, 1, "carry")
    sheet.text(x, y + ADDER + 15, "ten", "carry", "middle", 13, bold=True)
    sheet.remark(VALUES, y + LANE + 31, note, "ink", size=12)


def _sums(sheet: Sheet, adders: float) -> float:
    """The sum, what the correction makes of it, and the flags' wires. Returns the lower end."""
    op, alu = sheet.op, sheet.op.alu
    carries = op.carries or []
    lane, judged, y = adders + LANE, adders + ADDER + 26, adders + ADDER + 70
    for i in BITS:
        sheet.wire(
            [(sheet.column(i), adders + ADDER), (sheet.column(i), y - 14)], alu["sum"] >> i & 1
        )
    flags = "" if sheet.part == "adder" else op.updated
    if "c" in flags:
        _carry_flag(sheet, lane)
    if ghosts_of(op) and flags:
        _ghost(sheet, lane, judged)
    if "v" in flags:
        gap = sheet.column(7) + sheet.pitch / 2
        sheet.wire([(GATE, lane), (GATE, judged - 13)], carries[8], "carry", arrow=True)
        sheet.tap(GATE, lane, carries[8], "carry")
        sheet.wire(
            [(gap, lane), (gap, judged), (GATE + 26, judged)], carries[7], "carry", arrow=True
        )
        sheet.tap(gap, lane, carries[7], "carry")
        sheet.gate(GATE, judged, "XOR")
        sheet.flag(judged, "v", GATE - 26)
    for i in BITS:
        sheet.cell(sheet.column(i), y, alu["sum"] >> i & 1, f"sum-{i}")
    sheet.readings(y, "sum", alu["sum"])
    decimal = _decimal(op)
    late = decimal and (op.variant == "cmos" or not flags)
    if not late:
        if decimal:  # first: the wires pass behind the gate of Z
            _to_digits(sheet, adders + ADDER + 84, y + 76, 9)
        y = sheet.judge(y, alu["sum"], -9 if decimal else 0) if flags else y + 14
    if decimal:
        if late:
            _to_digits(sheet, adders + ADDER + 84, adders + ADDER + 102, 0)
        y = _correct(sheet, max(y, adders + ADDER + 84) + 18)
        for i in BITS:
            sheet.cell(sheet.column(i), y, alu["result"] >> i & 1, f"result-{i}")
        sheet.readings(y, "corrected", alu["result"], digits=True)
        y = sheet.judge(y, alu["result"]) if late and flags else y + 14
    return y


def _ghost(sheet: Sheet, lane: float, y: float) -> None:
    """V as the adder has it after a compare, which does not write it."""
    carries, gap = sheet.op.carries or [], sheet.column(7) + sheet.pitch / 2
    v = carries[8] ^ carries[7]
    for points in (
        [(GATE, lane), (GATE, y - 13)], [(gap, lane), (gap, y), (GATE + 26, y)],
        [(GATE - 26, y), (MARGIN + FLAG, y)],
    ):  # fmt: skip
        sheet.polyline(points, "line", 1, "3 3", name="ghost")
    sheet.gate(GATE, y, "XOR")
    left, right = MARGIN, MARGIN + FLAG
    corners = [(left, y - 13), (right, y - 13), (right, y + 13), (left, y + 13)]
    sheet.polyline(corners, "line", 1, "3 3", closed=True, name="ghost")
    sheet.text(MARGIN + FLAG / 2, y + 5, f"(V {v})", "quiet", "middle", name="ghost-v")


def _carry_flag(sheet: Sheet, lane: float) -> None:
    """C: c8, in a decimal sum also where the high digit is above 9."""
    op = sheet.op
    carries = op.carries or []
    left = sheet.column(7) - sheet.box / 2
    if not _decimal(op) or op.alu["operation"] != "ADD":
        sheet.flag(lane, "c", left, "carry")
        return
    sheet.wire([(left, lane), (GATE - 8, lane)], carries[8], "carry", arrow=True)
    above = int((op.alu["sum"] >> 4) > 9)
    sheet.wire([(GATE - 31, lane - 46), (GATE - 31, lane - 13)], above, arrow=True)
    sheet.text(24, lane - 66, "high digit", "quiet", size=12)
    sheet.text(24, lane - 52, f"of sum > 9: {above}", "quiet", size=12)
    sheet.gate(GATE - 31, lane, "OR", 46)
    sheet.flag(lane, "c", GATE - 54, "carry")


def _to_digits(sheet: Sheet, sums: float, top: float, shift: float) -> None:
    """The wires from the sum down to its correction."""
    for i in BITS:
        x = sheet.column(i) + shift
        sheet.wire([(x, sums), (x, top)], sheet.op.alu["sum"] >> i & 1, arrow=True)


def _correct(sheet: Sheet, top: float) -> float:
    """The correction of each digit, between the sum and the result. Returns the result's line."""
    alu = sheet.op.alu
    end = top + 56
    for high in (0, 1):
        before, after = (alu[port] >> 4 * high & 15 for port in ("sum", "result"))
        step = (after - before) % 16
        shown = f"+ {step}" if step < 8 else f"- {16 - step}"
        for i in range(4 * high, 4 * high + 4):
            sheet.wire(
                [(sheet.column(i), top + 26), (sheet.column(i), end - 14)], alu["result"] >> i & 1
            )
        sheet.rect(
            sheet.column(4 * high + 3) - sheet.box / 2,
            top,
            3 * sheet.pitch + sheet.box,
            26,
            "panel",
            "ink",
        )
        middle = (sheet.column(4 * high + 3) + sheet.column(4 * high)) / 2
        words = f"{('low', 'high')[high]} digit {shown if step else 'as it is'}"
        sheet.text(middle, top + 18, words, anchor="middle", size=13)
    return end
