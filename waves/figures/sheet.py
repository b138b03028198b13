"""What the figures of one operation share: bits in columns, wires by value, flags and reasons."""

import re
from collections.abc import Iterator, Sequence
from typing import Final

from carrywave.sim.op.operation import CHAIN, SHOWN_FLAGS, Operation
from carrywave.sim.op.reasons import ghosts_of, headings_of, reasons_of, signed

from .svg import Figure

WIDTH: Final = 1280
MARGIN: Final = 24
#: A part alone is so wide that no text is smaller than 2 % of it.
PART_WIDTH: Final = 700
LEAST: Final = 14
GATE: Final = 138  # the middle of the gates on the left
FLAG: Final = 52  # the width of a flag's box at the left edge
VALUES: Final = 888  # where the readings of a row begin
ENDS: Final = (1056, 1156, 1256)  # where hex, unsigned and signed end
BITS: Final = range(7, -1, -1)
TABLE: Final = (24, 92, 146, 200, 452)  # the columns of flag, was, is, because, which says


def say(op: Operation) -> str:
    """The flags of an operation in sentences, for those who cannot see the figure."""
    reasons = reasons_of(op)
    told = [
        f"{flag.upper()} becomes {op.after[flag]}: {'; '.join(filter(None, reasons[flag]))}."
        for flag in SHOWN_FLAGS
        if flag in op.updated
    ]
    told = [*(f"The address: {one.words}." for one in op.sums), *told]
    left = f"Left alone: {op.kept}." if op.updated else "No flag is updated."
    return " ".join([*told, left] if op.kept else told)


def name(op: Operation) -> str:
    """The operation as it is written, with its numbers."""
    loads = op.operand is not None and op.alu["operation"] == "PASS"  # A before has no part in it
    numbers = (op.operand,) if loads else (op.a, op.operand)
    bytes_ = [f"${byte:02X}" for byte in numbers if byte is not None]
    if op.where:
        numbers_told = f" with {', '.join(bytes_)}" if bytes_ else ""
        return f"{op.mnemonic} {op.where}{numbers_told}"
    return f"{op.mnemonic} {', '.join(bytes_)}".strip()


def before(op: Operation) -> str:
    """The flags before that have a part in an operation: C, and D; "" for none."""
    operation = op.alu["operation"]
    told = [f"C {op.carry_in}"] * (CHAIN.get(operation, operation) in ("C", "ROTATE_RIGHT"))
    told += [f"D {op.decimal}"] * (operation in ("ADD", "SUBTRACT"))
    return f"before: {', '.join(told)}" if told else ""


def digits_of(op: Operation) -> str:
    """A decimal operation in its digits, `   58 + 46 + 1 = 105`; "" where it is none."""
    if "decimal" not in headings_of(op)[1].split() or op.variant == "binary":
        return ""
    says = reasons_of(op)["c"][1]
    return f": {re.split('[:,]', says)[0]}" if "=" in says else ""


def pairs_of(edges: Sequence[float]) -> Iterator[tuple[float, float]]:
    """Each two of a sequence."""
    return zip(edges[::2], edges[1::2], strict=True)


class Sheet(Figure):
    """A figure of one operation, or a part of it alone, with what each of them has.

    `pitch` is that of the columns of bits, bit 7 on the left, and `box` the width of what stands in
    one.
    """

    def __init__(self, op: Operation, description: str, part: str = "") -> None:
        self.op, self.part = op, part
        self.pitch, self.box = (62, 42) if part else (84, 56)
        self.first = 214 if not part else 206 if part == "flags" else 130
        self.notes: list[str] = []  # of a part: what has no room beside the wires
        meaning, mode = headings_of(op)
        meaning += digits_of(op)
        mode = "; ".join(filter(None, (mode, before(op))))
        width = PART_WIDTH if part else WIDTH
        title = f"{name(op)}: {meaning}; {mode}{f'; {part} alone' * bool(part)}"
        super().__init__(width, 720, title, f"{description} {say(op)}")
        self.text(MARGIN, 34 if part else 42, name(op), size=22, bold=True)
        if part:
            self.text(MARGIN, 60, meaning, size=16)
            self.text(width - MARGIN, 34, mode, "quiet", "end")
            self.line(MARGIN, 72, width - MARGIN, 72)
            return
        self.text(max(354, MARGIN + 14 * len(name(op))), 42, meaning, size=18)
        self.text(WIDTH - MARGIN, 42, mode, "quiet", "end")
        self.line(MARGIN, 58, WIDTH - MARGIN, 58)

    def column(self, bit: int) -> float:
        """The middle of a bit's column; 8 is where c8 would enter a ninth."""
        return self.first + (7 - bit) * self.pitch

    def text(
        self, x: float, y: float, text: str, role: str = "ink", anchor: str = "start",
        size: float = 14, mono: bool = False, bold: bool = False, name: str = "",
    ) -> None:  # fmt: skip
        """As a figure's, but in a part never small."""
        least = LEAST if self.part else 0
        super().text(x, y, text, role, anchor, max(size, least), mono, bold, name)

    def remark(self, x: float, y: float, text: str, role: str = "quiet", size: float = 13) -> None:
        """What stands beside the wires, and below them in a part."""
        if self.part:
            self.notes.append(text)
        else:
            self.text(x, y, text, role, size=size)

    def finish(self, y: float, lines: Sequence[str] = ()) -> None:
        """Writes the notes and the legend from here on, and leaves no more height than is used."""
        step = 22 if self.part else 20
        for line in (*self.notes, *lines):
            self.text(MARGIN, y, line, "quiet", size=12)
            y += step
        self.resize(y + 6)

    def headings(self, y: float, readings: int = 3) -> None:
        """The numbers of the bits, and what the readings at the right are."""
        for i in BITS:
            self.text(self.column(i), y, f"{i}", "quiet", "middle", 12, mono=True)
        self.text(self.column(8), y, "bit", "quiet", "middle", 12)
        if self.part:
            return
        for end, head in zip(ENDS[:readings], ("hex", "unsigned", "signed"), strict=False):
            self.text(end, y, head, "quiet", "end", 12)

    def readings(
        self, y: float, label: str, byte: int, digits: bool = False, left: bool = False
    ) -> None:
        """A row's name and its byte: in hex, unsigned and signed, or in hex as decimal digits.

        `left`: the name stands at the left too.
        """
        if left or self.part in ("adder", "stack"):
            at = self.column(7) - self.box / 2 - 8
            self.text(at, y + 5, label, anchor="end", bold=True)
        if self.part:
            if self.part in ("adder", "stack"):
                told = f"${byte:02X}" + ("" if digits else f" {byte} {signed(byte):+}")
                self.text(self.width - 8, y + 5, told, anchor="end", mono=True)
            return
        self.text(VALUES, y + 5, label, size=14, bold=True)
        self.text(ENDS[0], y + 5, f"${byte:02X}", anchor="end", size=15, mono=True)
        if digits:
            self.text(ENDS[2], y + 5, "as digits", "quiet", "end")
            return
        self.text(ENDS[1], y + 5, f"{byte}", anchor="end", size=15, mono=True)
        self.text(ENDS[2], y + 5, f"{signed(byte):+}", anchor="end", size=15, mono=True)

    def digit(self, x: float, y: float, bit: int, group: str = "") -> None:
        """A bit as a digit, 1 heavy and 0 light."""
        role = "one" if bit else "quiet"
        self.text(x, y + 5, f"{bit}", role, "middle", 16, True, bool(bit), group)

    def cell(self, x: float, y: float, bit: int, group: str) -> None:
        """A bit in a box, as a result holds it."""
        self.rect(x - 15, y - 14, 30, 28, "panel", *(("one", 2) if bit else ("line", 1)), round=3)
        self.digit(x, y, bit, group)

    def wire(
        self, points: list[tuple[float, float]], bit: int, role: str = "one", arrow: bool = False
    ) -> None:
        """A wire by its value: 1 thick and coloured, 0 thin and grey; `arrow` at its end."""
        used = role if bit else "line"
        self.polyline(points, used, 3 if bit else 1, name=f"wire-{bit}")
        if arrow:
            (x0, y0), (x, y) = points[-2:]
            dx, dy = (x > x0) - (x < x0), (y > y0) - (y < y0)
            tip = 4 if bit else 3
            left = (x - 8 * dx + tip * dy, y - 8 * dy + tip * dx)
            right = (x - 8 * dx - tip * dy, y - 8 * dy - tip * dx)
            self.polyline([(x, y), left, right], "", fill=used, closed=True)

    def tap(self, x: float, y: float, bit: int, role: str = "one") -> None:
        """The dot where a wire branches."""
        self.circle(x, y, 4 if bit else 3, role if bit else "line")

    def gate(self, x: float, y: float, word: str, width: float = 52, height: float = 26) -> None:
        """A gate by its name."""
        self.rect(x - width / 2, y - height / 2, width, height, "panel", "ink", round=4)
        self.text(x, y + 5, word, anchor="middle", size=13)

    def flag(self, y: float, flag: str, reach: float, role: str = "one") -> None:
        """A flag at the left edge, and the wire that sets it, from `reach`."""
        self.wire([(reach, y), (MARGIN + FLAG, y)], self.op.after[flag], role, arrow=True)
        self.flag_box(MARGIN + FLAG / 2, y, flag)

    def flag_box(self, x: float, y: float, flag: str) -> None:
        """A flag and its value in a box, `x`, `y` its middle."""
        bit = self.op.after[flag]
        border, role = (("ink", 2.5), "one") if bit else (("line", 1), "quiet")
        self.rect(x - FLAG / 2, y - 15, FLAG, 30, "panel", *border)
        self.text(x - 9, y + 6, flag.upper(), anchor="middle", size=17, bold=True)
        self.text(x + 11, y + 6, f"{bit}", role, "middle", 17, True, bool(bit), f"flag-{flag}")

    def judge(self, y: float, byte: int, shift: float = 0) -> float:
        """N and Z of the byte in the cells at `y`, Z from a gate over all bits. The lower end."""
        if "n" in self.op.updated and self.op.mnemonic != "BIT":  # whose N is M's
            self.flag(y, "n", self.column(7) - 15)
        if "z" not in self.op.updated:
            return y + 14
        gate, left = y + 46, self.column(7) - self.box / 2
        for i in BITS:
            x = self.column(i) + shift
            self.wire([(x, y + 14), (x, gate - 12)], byte >> i & 1, arrow=True)
        # What goes on downwards goes around the gate, which has a slot for each.
        slots = [self.column(i) - shift for i in BITS] if shift else []
        right = left + 7 * self.pitch + self.box
        if slots:
            self.line(left + 6, gate, right - 6, gate, "ink")
        edges = [left, *(end for slot in slots for end in (slot - 6, slot + 6)), right]
        for start, end in pairs_of(edges):
            self.rect(start, gate - 12, end - start, 24, "panel", "ink", round=3)
        middle = (self.column(4) + self.column(3)) / 2 - shift
        self.text(middle, gate + 5, "NOR", anchor="middle", size=13)
        self.flag(gate, "z", left)
        return y + 58

    def reasons(self, y: float) -> float:
        """The flags as a table: was, is, because of which wire, and what it says. Its lower end."""
        op = self.op
        if self.part:
            return self._reasons_of_a_part(y)
        for one in op.sums:
            self.text(TABLE[0], y, f"address, clock {one.clock}: {one.words}", size=13)
            y += 22
            if one.alu["operation"] == "OFFSET":
                carries = " ".join(str(bit) for bit in reversed(one.carries))
                self.text(TABLE[0], y, f"its carries, c8 to c0: {carries}", "quiet", size=13)
                y += 22
        y += 12 * bool(op.sums)
        told = [flag for flag in SHOWN_FLAGS if flag in op.updated]
        if not told:
            self.text(TABLE[0], y, "no flag is updated", "quiet")
            return y
        for x, head in zip(TABLE, ("flag", "was", "is", "because", "which says"), strict=True):
            self.text(x, y, head, "quiet", size=12)
        self.line(TABLE[0], y + 9, VALUES - 58, y + 9)
        reasons = reasons_of(op)
        for flag in told:
            y += 31
            bit = op.after[flag]
            self.text(TABLE[0], y, flag.upper(), size=15, bold=True)
            self.text(TABLE[1], y, f"{op.before[flag]}", "quiet", size=15, mono=True)
            self.text(TABLE[2], y, f"{bit}", "one" if bit else "ink", "start", 15, True, bool(bit))
            self.text(TABLE[3], y, reasons[flag][0], size=13)
            self.text(TABLE[4], y, reasons[flag][1], size=13)
        if op.kept:
            y += 30
            self.text(TABLE[0], y, f"left alone: {op.kept}", "quiet", size=13)
        for what, because, says in ghosts_of(op):
            y += 26
            self.text(TABLE[0], y, what, "quiet", size=13)
            self.text(TABLE[3], y, because, "quiet", size=13)
            self.text(TABLE[4], y, says, "quiet", size=13)
        return y

    def _reasons_of_a_part(self, y: float) -> float:
        """The same where there is less width: what a flag says stands below its reason."""
        op, reasons = self.op, reasons_of(self.op)
        rows = [
            (flag.upper(), f"{op.before[flag]} → {op.after[flag]}", *reasons[flag])
            for flag in SHOWN_FLAGS if flag in op.updated
        ]  # fmt: skip
        rows += [(what, "", because, says) for what, because, says in ghosts_of(op)]
        for flag, change, because, says in rows:
            role = "ink" if change else "quiet"
            self.text(MARGIN, y, flag, role, size=16, bold=bool(change))
            self.text(96, y, change, role, size=15, mono=True)
            self.text(180, y, because, role, size=15)
            if says:
                self.text(180, y + 21, says, role, size=15)
            y += 32 + 21 * bool(says)
        if op.kept:
            self.text(MARGIN, y, f"left alone: {op.kept}", "quiet")
            y += 24
        return y - 24
