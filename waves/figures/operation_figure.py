"""The figure of an operation: its adder, or the bits where the adder has no part."""

from typing import Final

from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.op.operation import Operation
from carrywave.sim.op.reasons import NAMES, signed
from carrywave.sim.system.pictures import NothingToDrawError

from .chain import chain_figure
from .sheet import BITS, BOX, ENDS, VALUES, Sheet, column
from .svg import Figure

TOP: Final = 118
GATES: Final = {"AND": "AND", "BIT": "AND", "OR": "OR", "XOR": "XOR"}
FLAG_AT: Final = {bit: flag for flag, bit in FLAG_BITS.items()}


def operation_figure(op: Operation) -> Figure:
    """The figure of an operation. Raises NothingToDrawError."""
    figure = chain_figure(op) if op.uses_chain else _bits_figure(op)
    if figure is not None:
        return figure
    if op.instruction.branches:
        raise NothingToDrawError(
            f"{op.mnemonic} is not taken with these flags: it adds nothing that could be drawn; "
            "--carry and --status set the flags"
        )
    raise NothingToDrawError(
        f"{op.mnemonic} has no figure: no byte decides a bit or a flag in it; without --svg its "
        "bus and flags are shown"
    )


def _bits_figure(op: Operation) -> Sheet | None:
    """The figure of a logic operation, a shift to the right, a byte moved or a status pulled.

    None if no byte decides a bit or a flag.
    """
    operation = op.alu["operation"]
    if operation in GATES:
        return _logic(op)
    if operation in ("SHIFT_RIGHT", "ROTATE_RIGHT"):
        return _shift(op)
    if op.mnemonic in ("PLP", "RTI"):
        return _status(op)
    return _move(op) if "z" in op.updated else None


def _told(label: str, byte: int) -> str:
    return f"{label} is ${byte:02X}, bits {byte:08b}."


def _finish(sheet: Sheet, y: float) -> Sheet:
    """The table of reasons, and no more height than is used."""
    end = sheet.reasons(y + 40)
    sheet.text(24, end + 36, "thick: a wire that is 1; thin: a wire that is 0", "quiet", size=12)
    sheet.resize(end + 60)
    return sheet


def _logic(op: Operation) -> Sheet:
    """A gate for each bit of A and M. BIT takes N and V from M before the gates."""
    word, a, m, result = GATES[op.alu["operation"]], op.alu["a"], op.alu["b"], op.alu["result"]
    bit_test = op.mnemonic == "BIT"
    kept = "not kept" if bit_test else "result"
    sheet = Sheet(
        op, f"One {word} gate for each bit, bit 7 on the left. {_told('A', a)} {_told('M', m)} "
        f"{_told('The result', result)}",
    )  # fmt: skip
    sheet.headings(TOP - 32)
    gates = TOP + (144 if bit_test else 74)
    y = gates + 62
    for label, byte, at in (("A", a, TOP), ("M", m, TOP + 28), (kept, result, y)):
        sheet.readings(at, label, byte)
    for i in BITS:
        x, bits = column(i), [byte >> i & 1 for byte in (a, m, result)]
        sheet.wire([(x - 14, TOP + 11), (x - 14, gates - 13)], bits[0])
        sheet.wire([(x + 14, TOP + 39), (x + 14, gates - 13)], bits[1])
        sheet.wire([(x, gates + 13), (x, y - 14)], bits[2])
        sheet.digit(x - 14, TOP, bits[0], f"a-{i}")
        sheet.digit(x + 14, TOP + 28, bits[1], f"b-{i}")
        sheet.gate(x, gates, word, BOX)
        sheet.cell(x, y, bits[2], f"result-{i}")
    if bit_test:
        for flag, i, at in (("n", 7, TOP + 58), ("v", 6, TOP + 100)):
            sheet.flag(at, flag, column(i) + 14)
            sheet.tap(column(i) + 14, at, m >> i & 1)
    return _finish(sheet, sheet.judge(y, result))


def _shift(op: Operation) -> Sheet:
    """Each bit into the place on its right; what falls out is C."""
    byte, result = op.alu["a"], op.alu["result"]
    label = NAMES[op.register]
    rotates = op.alu["operation"] == "ROTATE_RIGHT"
    enters = op.carry_in if rotates else 0
    source = "C before" if rotates else "always 0"
    sheet = Sheet(
        op, f"Each bit goes into the place on its right. {_told(label, byte)} Into bit 7 comes "
        f"{enters}, {source}. Bit 0, {byte & 1}, becomes C. {_told('The result', result)}",
    )  # fmt: skip
    sheet.headings(TOP - 32)
    y, out = TOP + 84, column(0) + BOX
    sheet.readings(TOP, label, byte)
    sheet.readings(y, "result", result)
    sheet.text(column(8) - 24, TOP + 5, source, "quiet", "end", 13)
    for i in range(8, -1, -1):
        bit = enters if i == 8 else byte >> i & 1
        lands = column(i - 1) if i else out
        sheet.wire([(column(i) + 6, TOP + 14), (lands, y - 14)], bit)
        sheet.cell(column(i), TOP, bit, f"a-{i}")
    for i in BITS:
        sheet.cell(column(i), y, result >> i & 1, f"result-{i}")
    last = y + 92
    sheet.wire([(out, y - 14), (out, last), (column(7), last)], byte & 1)
    sheet.flag(last, "c", column(7))
    sheet.judge(y, result)
    return _finish(sheet, last + 14)


def _move(op: Operation) -> Sheet:
    """A byte that goes through unchanged; N and Z see it."""
    byte = op.alu["result"]
    label = "M" if op.operand is not None else NAMES[op.register]
    sheet = Sheet(op, f"{_told(label, byte)} It passes through unchanged; {signed(byte):+} signed.")
    sheet.headings(TOP - 32)
    y = TOP + 62
    sheet.readings(TOP, label, byte)
    sheet.readings(y, "result", byte)
    for i in BITS:
        bit = byte >> i & 1
        sheet.wire([(column(i), TOP + 11), (column(i), y - 14)], bit)
        sheet.digit(column(i), TOP, bit, f"a-{i}")
        sheet.cell(column(i), y, bit, f"result-{i}")
    return _finish(sheet, sheet.judge(y, byte))


def _status(op: Operation) -> Sheet:
    """A byte from the stack, each flag under its bit."""
    byte = op.operand or 0
    sheet = Sheet(op, f"{_told('The byte pulled', byte)} Each flag takes its bit.")
    sheet.headings(TOP - 32, readings=1)
    sheet.text(VALUES, TOP + 5, "byte pulled", bold=True)
    sheet.text(ENDS[0], TOP + 5, f"${byte:02X}", anchor="end", size=15, mono=True)
    y = TOP + 70
    for i in BITS:
        bit, x, flag = byte >> i & 1, column(i), FLAG_AT.get(i)
        sheet.cell(x, TOP, bit, f"a-{i}")
        if flag is None:
            sheet.text(x, y + 5, "no flag", "quiet", "middle", 12)
            continue
        sheet.wire([(x, TOP + 14), (x, y - 15)], bit, arrow=True)
        sheet.flag_box(x, y, flag)
    return _finish(sheet, y + 20)
