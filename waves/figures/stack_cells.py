"""The stack of one operation: its cells from the high addresses down, and S before and after."""

from typing import Final

from carrywave.sim.op.course import stack_of, stack_words
from carrywave.sim.op.operation import Operation

from .svg import Figure

ROW: Final = 34
CELL: Final = 64  # the width of one
APART: Final = 3  # where S moves farther, what lies between is left out


def draw_stack(figure: Figure, op: Operation, x: float, y: float, size: float = 14) -> float:
    """The cells around S, `x` their left edge and `y` their top. The lower end; `y` for none."""
    words = stack_words(op)
    if not words:
        return y
    cells = {cell.address: cell for cell in stack_of(op)}
    places = [0x100 + op.top, 0x100 + op.sp, *cells]
    if op.mnemonic == "RESET" or (not cells and abs(op.sp - op.top) <= APART):
        places += [0x100 + (op.sp + i) % 256 for i in range((op.top - op.sp) % 256)]
    shown = _in_order(dict.fromkeys(places))
    figure.text(x, y + 10, words, size=size)
    top = y + 34
    figure.text(x - 12, top + 5, "address", "quiet", "end", 12)
    figure.text(x + CELL / 2, top + 5, "stack", "quiet", "middle", 12)
    row = top + 16
    for before, address in zip([None, *shown], shown, strict=False):
        if before is not None and before - address not in (1, -255):
            figure.line(x + CELL / 2, row + 3, x + CELL / 2, row + 13, "line", 3, "3 3")
            row += 18
        cell = cells.get(address)
        line, width = ("one", 2.5) if cell else ("line", 1)
        figure.rect(x, row, CELL, ROW - 6, "panel", line, width, 3)
        figure.text(x - 12, row + 19, f"{address:04X}", anchor="end", size=14, mono=True)
        at = x + CELL + 12
        if cell:
            verb = "pushed" if cell.pushed else "pulled"
            name = f"stack-{address:04X}"
            figure.text(x + CELL / 2, row + 20, f"{cell.byte:02X}", "one", "middle", 16, True,
                        True, name)  # fmt: skip
            figure.text(at, row + 19, f"{cell.what}, {verb}", size=14)
        marks = [
            told for told, sp in (("S before", op.top), ("S after", op.sp)) if address % 256 == sp
        ]
        if marks:
            end = at + 12 if cell is None else x + CELL + 210
            mark = " and ".join(marks).replace(" and S", ",")
            figure.line(end + 26, row + 14, end + 4, row + 14, "mark", 3)
            tip = [(end - 4, row + 14), (end + 6, row + 9), (end + 6, row + 19)]
            figure.polyline(tip, "", fill="mark", closed=True)
            figure.text(end + 32, row + 19, mark, "mark", bold=True, size=14)
        row += ROW
    return row


def _in_order(places: dict[int, None]) -> list[int]:
    """Addresses from the high ones down, those around the end of the page beside each other."""
    found = sorted(places, reverse=True)
    if found[0] == 0x1FF and found[-1] == 0x100 and len(found) > 1:
        low = [place for place in found if place < 0x180]
        return [*low, *(place for place in found if place >= 0x180)]
    return found
