"""The figure of an operation: its adder, or the bits where the adder has no part."""

from typing import Final

from carrywave.sim.op.course import stack_words, status_byte_of
from carrywave.sim.op.operation import Operation
from carrywave.sim.op.reasons import NAMES, signed
from carrywave.sim.system.pictures import NothingToDrawError

from .chain import chain_figure, circle_figure
from .course_figure import course_figure
from .sheet import BITS, Sheet
from .stack_cells import draw_stack
from .svg import Figure

TOP: Final = 118
GATES: Final = {"AND": "AND", "BIT": "AND", "OR": "OR", "XOR": "XOR"}
LEGEND: Final = ("thick: a wire that is 1; thin: a wire that is 0",)
WHY: Final = {
    "adder": "its result is not the adder's", "flags": "no bit of a result decides one",
    "circle": "it is no move on the circle", "stack": "it leaves the stack alone",
}  # fmt: skip


def operation_figure(op: Operation, part: str = "") -> Figure:
    """The figure of an operation, or a part alone, a key of WHY. Raises NothingToDrawError."""
    if part:
        return _part_of(op, part)
    if op.uses_chain:
        return chain_figure(op)
    return _bits_figure(op) or course_figure(op)


def _part_of(op: Operation, part: str) -> Figure:
    """A part, for a slide. Raises NothingToDrawError where an operation has none."""
    figure: Figure | None = None
    if part == "stack" and (stack_words(op) or status_byte_of(op)):
        figure = course_figure(op, part)
    elif part == "circle" and op.uses_chain:
        figure = circle_figure(op)
    elif part in ("adder", "flags") and op.uses_chain and (part == "adder" or op.updated):
        figure = chain_figure(op, part)
    elif part == "flags" and not op.uses_chain:
        figure = _bits_figure(op, part)
    if figure is None:
        raise NothingToDrawError(f"{op.mnemonic} has no {part} to draw: {WHY[part]}")
    return figure


def _bits_figure(op: Operation, part: str = "") -> Sheet | None:
    """The figure of a logic operation, a shift to the right or a byte moved that flags see.

    `part` is "flags" for a slide, whose wires show nothing else in any case.
    """
    operation = op.alu["operation"]
    if operation in GATES:
        return _logic(op, part)
    if operation in ("SHIFT_RIGHT", "ROTATE_RIGHT"):
        return _shift(op, part)
    return _move(op, part) if "z" in op.updated and op.mnemonic not in ("PLP", "RTI") else None


def _told(label: str, byte: int) -> str:
    return f"{label} is ${byte:02X}, bits {byte:08b}."


def _finish(sheet: Sheet, y: float) -> Sheet:
    """The table of reasons, and no more height than is used."""
    if sheet.part:
        sheet.finish(sheet.reasons(y + 40) + 36, LEGEND)
        return sheet
    low = draw_stack(sheet, sheet.op, 960, y + 40)
    end = sheet.reasons(y + 40)
    sheet.finish(end + 36, LEGEND)
    sheet.resize(max(sheet.height, low))
    return sheet


def _logic(op: Operation, part: str) -> Sheet:
    """A gate for each bit of A and M. BIT takes N and V from M before the gates."""
    word, a, m, result = GATES[op.alu["operation"]], op.alu["a"], op.alu["b"], op.alu["result"]
    bit_test = op.mnemonic == "BIT"
    kept = "not kept" if bit_test else "result"
    sheet = Sheet(
        op, f"One {word} gate for each bit, bit 7 on the left. {_told('A', a)} {_told('M', m)} "
        f"{_told('The result', result)}", part,
    )  # fmt: skip
    sheet.headings(TOP - 32)
    gates = TOP + (144 if bit_test else 74)
    y = gates + 62
    for label, byte, at in (("A", a, TOP), ("M", m, TOP + 28), (kept, result, y)):
        sheet.readings(at, label, byte, left=label in "AM")
    for i in BITS:
        x, bits = sheet.column(i), [byte >> i & 1 for byte in (a, m, result)]
        sheet.wire([(x - 14, TOP + 11), (x - 14, gates - 13)], bits[0])
        sheet.wire([(x + 14, TOP + 39), (x + 14, gates - 13)], bits[1])
        sheet.wire([(x, gates + 13), (x, y - 14)], bits[2])
        sheet.digit(x - 14, TOP, bits[0], f"a-{i}")
        sheet.digit(x + 14, TOP + 28, bits[1], f"b-{i}")
        sheet.gate(x, gates, word, sheet.box)
        sheet.cell(x, y, bits[2], f"result-{i}")
    if bit_test:
        for flag, i, at in (("n", 7, TOP + 58), ("v", 6, TOP + 100)):
            sheet.flag(at, flag, sheet.column(i) + 14)
            sheet.tap(sheet.column(i) + 14, at, m >> i & 1)
    return _finish(sheet, sheet.judge(y, result))


def _shift(op: Operation, part: str) -> Sheet:
    """Each bit into the place on its right; what falls out is C."""
    byte, result = op.alu["a"], op.alu["result"]
    label = NAMES[op.register]
    rotates = op.alu["operation"] == "ROTATE_RIGHT"
    enters = op.carry_in if rotates else 0
    source = "C before" if rotates else "always 0"
    sheet = Sheet(
        op, f"Each bit goes into the place on its right. {_told(label, byte)} Into bit 7 comes "
        f"{enters}, {source}. Bit 0, {byte & 1}, becomes C. {_told('The result', result)}", part,
    )  # fmt: skip
    sheet.headings(TOP - 32)
    y, out = TOP + 84, sheet.column(0) + sheet.box
    sheet.readings(TOP, label, byte)
    sheet.readings(y, "result", result)
    sheet.text(sheet.column(8) - 24, TOP + 5, source, "quiet", "end", 13)
    for i in range(8, -1, -1):
        bit = enters if i == 8 else byte >> i & 1
        lands = sheet.column(i - 1) if i else out
        sheet.wire([(sheet.column(i) + 6, TOP + 14), (lands, y - 14)], bit)
        sheet.cell(sheet.column(i), TOP, bit, f"a-{i}")
    for i in BITS:
        sheet.cell(sheet.column(i), y, result >> i & 1, f"result-{i}")
    last = y + 92
    sheet.wire([(out, y - 14), (out, last), (sheet.column(7), last)], byte & 1)
    sheet.flag(last, "c", sheet.column(7))
    sheet.judge(y, result)
    return _finish(sheet, last + 14)


def _move(op: Operation, part: str) -> Sheet:
    """A byte that goes through unchanged; N and Z see it."""
    byte = op.alu["result"]
    label = "M" if op.operand is not None else NAMES[op.register]
    told = f"{_told(label, byte)} It passes through unchanged; {signed(byte):+} signed."
    sheet = Sheet(op, told, part)
    sheet.headings(TOP - 32)
    y = TOP + 62
    sheet.readings(TOP, label, byte, left=True)
    sheet.readings(y, "result", byte)
    for i in BITS:
        bit = byte >> i & 1
        sheet.wire([(sheet.column(i), TOP + 11), (sheet.column(i), y - 14)], bit)
        sheet.digit(sheet.column(i), TOP, bit, f"a-{i}")
        sheet.cell(sheet.column(i), y, bit, f"result-{i}")
    return _finish(sheet, sheet.judge(y, byte))
