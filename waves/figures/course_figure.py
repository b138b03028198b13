"""The figure of what no adder decides: the status byte bit by bit, the stack, where it goes on."""

from typing import Final

from carrywave.sim.family.members import EVENTS
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.op.course import LETTERS, StatusByte, goes_on, stack_words, status_byte_of
from carrywave.sim.op.operation import Operation
from carrywave.sim.op.reasons import FLAGS_MOVED
from carrywave.sim.witness.model import FAMILIES

from .sheet import BITS, MARGIN, Sheet
from .stack_cells import draw_stack

FLAG_AT: Final = {bit: flag for flag, bit in FLAG_BITS.items()}
TOP: Final = 118


def course_figure(op: Operation, part: str = "") -> Sheet:
    """The figure of an instruction or entry; or its status byte and stack alone."""
    moved = status_byte_of(op)
    lines = [f"goes on at ${op.pc:04X}, the next instruction"]
    lines = [*goes_on(op)] or lines
    told = [*filter(None, [stack_words(op)]), *lines]
    sheet = Sheet(op, " ".join([*_moved(op, moved), *(f"{line}." for line in told)]), part)
    y: float = TOP
    if moved:
        sheet.headings(TOP - 26 if part else TOP - 32, readings=0)
        y = draw_status(sheet, moved, TOP) + 24
    elif op.updated and not part:
        y = _flags(sheet, TOP) + 24
    elif op.result is not None and op.alu["operation"] == "PASS" and not part:
        sheet.headings(TOP - 32)
        y = draw_byte(sheet, TOP) + 30
    if op.instruction.branches and not part:
        y = draw_decision(sheet, y)
    end = draw_stack(sheet, op, 150, y + 8)
    y = end + 30 if end > y + 8 else y + 8
    for line in lines:
        sheet.text(MARGIN, y, line, size=15)
        y += 26
    if not part:
        y = sheet.reasons(y + 14) + 12
    sheet.finish(y + 26, ["thick: a wire that is 1; thin: a wire that is 0"])
    return sheet


def _moved(op: Operation, moved: StatusByte | None) -> list[str]:
    if moved is None:
        return []
    verb = "pushed" if moved.pushed else "pulled"
    bits = " ".join(f"{one}={moved.byte >> 7 - i & 1}" for i, one in enumerate(LETTERS))
    return [f"The byte {verb} is ${moved.byte:02X}: {bits}.", *(f"{w}." for w in moved.words)]


def draw_status(sheet: Sheet, moved: StatusByte, top: float) -> float:
    """The register P and the byte on the stack, a wire for each flag. The lower end.

    P has nothing where the byte has bits 5 and 4: what they are when pushed is made on the way.
    """
    op = sheet.op
    flags = op.before if moved.pushed else op.after
    p, byte = (top, top + 92) if moved.pushed else (top + 92, top)
    verb = "pushed" if moved.pushed else "pulled"
    left = sheet.column(7) - sheet.box / 2 - 12
    told = f"${moved.byte:02X}"
    for label, y in (("P before" if moved.pushed else "P after", p), (verb, byte)):
        sheet.text(left, y + 5, label, anchor="end", bold=True)
    sheet.text(sheet.column(0) + 66, byte + 6, told, size=18, mono=True, bold=True)
    start, end = (p + 15, byte - 15) if moved.pushed else (byte + 15, p - 15)
    for i in BITS:
        x, bit, flag = sheet.column(i), moved.byte >> i & 1, FLAG_AT.get(i)
        half = sheet.box / 2 - 2
        line, width = ("one", 2.5) if bit else ("line", 1)
        sheet.rect(x - half, byte - 15, 2 * half, 30, "panel", line, width, 3)
        sheet.text(x - 8, byte + 5, LETTERS[7 - i].replace("1", "-"), "quiet", "middle", 14)
        sheet.digit(x + 9, byte, bit, f"status-{i}")
        if flag is not None:
            sheet.wire([(x, start), (x, end)], bit, arrow=True)
            value = flags[flag]
            border = ("ink", 2.5) if value else ("line", 1)
            sheet.rect(x - half, p - 15, 2 * half, 30, "panel", *border)
            sheet.text(x - 8, p + 6, flag.upper(), anchor="middle", size=16, bold=True)
            role = "one" if value else "quiet"
            name = f"p-{flag}"
            sheet.text(x + 9, p + 6, f"{value}", role, "middle", 16, True, bool(value), name)
            continue
        corners = [(x - half, p - 15), (x + half, p - 15), (x + half, p + 15), (x - half, p + 15)]
        sheet.polyline(corners, "line", 1, "3 3", closed=True, name="nothing")
        sheet.text(x, p + 5, "none", "quiet", "middle", 13)
        if moved.pushed:
            middle = (p + byte) / 2 + 4
            source = "always" if i == 5 else "software" if bit else "no instr."
            sheet.text(x, middle, source, "mark", "middle", 12 if sheet.part else 13, bold=True)
            sheet.wire([(x, middle + 8), (x, end)], bit, arrow=True)
        else:
            sheet.wire([(x, start), (x, start + 26)], bit)
            sheet.line(x - 9, start + 27, x + 9, start + 27, "ink", 2)
    y = max(p, byte) + 42
    for line in moved.words:
        sheet.text(MARGIN, y, line, size=15)
        y += 24
    return y


def _flags(sheet: Sheet, top: float) -> float:
    """P before and after, where an instruction or entry writes a flag by itself."""
    op, low = sheet.op, top + 84
    half = sheet.box / 2 - 2
    for label, y in (("P before", top), ("P after", low)):
        sheet.text(sheet.column(7) - sheet.box / 2 - 12, y + 5, label, anchor="end", bold=True)
    for i in BITS:
        x, flag = sheet.column(i), FLAG_AT.get(i)
        if flag is None:
            for y in (top, low):
                sheet.text(x, y + 5, "none", "quiet", "middle", 13)
            continue
        for y, value, name in ((top, op.before[flag], ""), (low, op.after[flag], f"flag-{flag}")):
            border = ("ink", 2.5) if value else ("line", 1)
            sheet.rect(x - half, y - 15, 2 * half, 30, "panel", *border)
            sheet.text(x - 8, y + 6, flag.upper(), anchor="middle", size=16, bold=True)
            role, shown = "one" if value else "quiet", name if flag in op.updated else ""
            sheet.text(x + 9, y + 6, f"{value}", role, "middle", 16, True, bool(value), shown)
        if flag not in op.updated:
            sheet.wire([(x, top + 15), (x, low - 15)], op.after[flag], arrow=True)
            continue
        by = op.mnemonic if op.mnemonic in EVENTS else FLAGS_MOVED[op.after[flag]]
        sheet.text(x, (top + low) / 2, by, "mark", "middle", 13, bold=True)
        sheet.wire([(x, (top + low) / 2 + 7), (x, low - 15)], op.after[flag], arrow=True)
    return low + 30


def draw_byte(sheet: Sheet, top: float) -> float:
    """A byte that goes somewhere, and no flag sees it. The lower end."""
    from carrywave.sim.op.reasons import moved_of

    byte, y = sheet.op.alu["result"], top + 62
    source, _, target = moved_of(sheet.op).partition(" to ")
    sheet.readings(top, source, byte, left=True)
    for i in BITS:
        bit, x = byte >> i & 1, sheet.column(i)
        sheet.wire([(x, top + 11), (x, y - 14)], bit)
        sheet.digit(x, top, bit, f"a-{i}")
        sheet.cell(x, y, bit, f"result-{i}")
    sheet.text(sheet.column(7) - sheet.box / 2 - 8, y + 5, target or "byte", anchor="end",
               bold=True)  # fmt: skip
    return y + 14


def draw_decision(sheet: Sheet, y: float) -> float:
    """A branch: the flag, its condition, and both ways, the one that is gone thick. The end."""
    op = sheet.op
    _, flag, wanted = FAMILIES[op.mnemonic]
    taken, is_ = len(op.bus) > 2, op.before[flag]
    follows = (op.bus[0].address + 2) % 0x10000
    target = (follows + ((op.operand or 0) ^ 0x80) - 0x80) % 0x10000
    y += 66
    sheet.rect(MARGIN, y - 20, 84, 40, "panel", "ink", 2.5 if is_ else 1)
    sheet.text(MARGIN + 26, y + 7, flag.upper(), anchor="middle", size=20, bold=True)
    sheet.text(MARGIN + 58, y + 7, f"{is_}", "one" if is_ else "quiet", "middle", 20, True, True)
    sheet.wire([(MARGIN + 84, y), (190, y)], is_, arrow=True)
    sheet.rect(190, y - 24, 150, 48, "panel", "ink", 1.5, round=22)
    sheet.text(265, y + 7, f"{flag.upper()} is {wanted}?", anchor="middle", size=18, bold=True)
    crosses = follows >> 8 != target >> 8
    ways = (
        (y - 42, "yes", target, taken, "another page: a clock more" if crosses else "same page"),
        (y + 42, "no", follows, not taken, "the next instruction"),
    )
    for at, word, address, gone, what in ways:
        role, width = ("mark", 4) if gone else ("line", 1)
        sheet.polyline([(340, y), (380, y), (380, at), (470, at)], role, width)
        sheet.polyline([(482, at), (468, at - 7), (468, at + 7)], "", fill=role, closed=True)
        sheet.text(396, at - 9, word, "mark" if gone else "quiet", size=15, bold=gone)
        sheet.rect(484, at - 20, 110, 40, "panel", *(("ink", 2.5) if gone else ("line", 1)))
        sheet.text(539, at + 7, f"${address:04X}", anchor="middle", size=19, mono=True, bold=gone)
        said = "taken" if gone and word == "yes" else "not taken" if gone else ""
        sheet.text(612, at + 6, "; ".join(filter(None, (said, what))),
                   "ink" if gone else "quiet", size=15)  # fmt: skip
    return y + 92
