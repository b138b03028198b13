"""Draws what the hardware did, for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from carrywave.sim.isa import EVENTS, bus_activity

if TYPE_CHECKING:
    from carrywave.sim.bench import RunReport
    from carrywave.sim.clocked import Sequence
    from carrywave.sim.operation import Operation

    from .findings import CheckReport

__all__ = [
    "are_digits",
    "digit_note",
    "draw_check",
    "draw_operation",
    "draw_run",
    "headings_of",
    "kinds_of",
    "names_of",
    "reasons_of",
    "signed",
    "signed_reading",
]

# Roles, not decoration: what is 1, what is a carry that is 1, and what may be passed over.
ONE: Final = "bold"
CARRY: Final = "bold green"
QUIET: Final = "dim"
WRONG: Final = "bold red"

WIDTH: Final = 10  # of the labels
CELL: Final = 6  # of a bit
STACK_SHOWN: Final = 6  # bytes

INVALID: Final = "the makers call it invalid in decimal"  # of N, V and Z on NMOS
ABOVE_NINE: Final = "a digit is above 9"

NAMES: Final = {"a": "A", "x": "X", "y": "Y", "sp": "SP", "": "M"}
MEANINGS: Final = {
    "ADD": "{r} + M + C", "SUBTRACT": "{r} + NOT M + C", "COMPARE": "{r} + NOT M + 1",
    "INCREMENT": "{r} + 0 + 1", "DECREMENT": "{r} + FF + 0", "SHIFT_LEFT": "{r} + {r}",
    "ROTATE_LEFT": "{r} + {r} + C",
    "OFFSET": "PC low + offset", "EXTEND": "PC high + sign of offset",
    "AND": "{r} AND M", "OR": "{r} OR M", "XOR": "{r} EOR M", "BIT": "{r} AND M, result not kept",
    "SHIFT_RIGHT": "0 into bit 7, bit 0 into C", "ROTATE_RIGHT": "C into bit 7, bit 0 into C",
}  # fmt: skip


def signed(byte: int) -> int:
    """A byte read as two's complement."""
    return byte - 256 if byte > 127 else byte


def are_digits(*numbers: int) -> bool:
    """Whether bytes hold two decimal digits each."""
    return all(byte >> 4 <= 9 and byte % 16 <= 9 for byte in numbers)


def draw_operation(op: Operation) -> RenderableType:
    """The carry chain bit by bit, and where each flag comes from; at most 80 columns wide."""
    parts: list[RenderableType] = [_title(op), Text()]
    if op.uses_chain:
        parts += [_chain(op), Text()]
    elif op.alu["operation"] != "PASS":
        parts += [_bits(op), Text()]
    if len(op.bus) > 2:
        parts += [_bus(op), Text()]
    parts.append(_flags(op))
    return Group(*parts)


def headings_of(op: Operation) -> tuple[str, str]:
    """What an operation does, and under which variant and mode."""
    meaning = MEANINGS.get(op.alu["operation"], "").format(r=NAMES[op.register])
    if op.alu["operation"] == "PASS":
        meaning = "the adder has no part in this"
    mode = "decimal" if op.decimal and op.mnemonic in ("ADC", "SBC") else "binary"
    mode = "decimal not connected" if mode == "decimal" and op.variant == "binary" else mode
    return meaning, f"{op.variant}, {mode}"


def _title(op: Operation) -> Text:
    meaning, mode = headings_of(op)
    return Text.assemble((op.mnemonic, "bold"), "  ", meaning, (f"   {mode}", QUIET))


def _value(byte: int) -> str:
    return f"   ${byte:02X} {byte:4} {signed(byte):+5}"


def _row(label: str, byte: int, style: str = ONE, value: str | None = None) -> Text:
    text = Text(f" {label}".ljust(WIDTH))
    for i in range(7, -1, -1):
        bit = byte >> i & 1
        text.append(f"{bit}".center(CELL), style if bit else QUIET)
    return text.append(_value(byte) if value is None else value)


def _numbers() -> Text:
    heads = "".join(f"{i}".center(CELL) for i in range(7, -1, -1))
    return Text(" bit".ljust(WIDTH) + heads + "   hex  dec   +/-", QUIET)


def kinds_of(op: Operation) -> list[str]:
    """What each bit, from 0, does with a carry: "make", "pass" or "stop"."""
    makes, hands = op.alu["generate"], op.alu["propagate"]
    return ["make" if makes >> i & 1 else "pass" if hands >> i & 1 else "stop" for i in range(8)]


def names_of(op: Operation) -> tuple[str, str, str]:
    """How the chain's left input is called, the byte beside it, and what the chain has of that.

    The second is "" where the chain has the byte itself.
    """
    operation = op.alu["operation"]
    left = "PC low" if operation == "OFFSET" else NAMES[op.register]
    complement = {"SUBTRACT": "NOT M", "COMPARE": "NOT M", "DECREMENT": "FF", "INCREMENT": "0"}
    plain = {"SHIFT_LEFT": left, "ROTATE_LEFT": left, "OFFSET": "offset"}.get(operation, "M")
    inverted = operation in ("SUBTRACT", "COMPARE")
    return left, "M" if inverted else "", complement.get(operation, plain)


def digit_note(op: Operation) -> str:
    """Why c4 is 1 although bit 3 did not carry, in decimal mode; "" where that is not so."""
    carries = op.carries
    if carries is None:
        return ""
    half = sum(op.alu[side] % 16 for side in ("a", "operand")) + carries[0]
    return (
        f"c4 is 1 because the low digits make {half}: ten or more"
        if carries[4] and half < 16
        else ""
    )


def _chain(op: Operation) -> RenderableType:
    alu, carries = op.alu, op.carries or []
    kind = Text(" each bit".ljust(WIDTH))
    for word in reversed(kinds_of(op)):
        kind.append(word.center(CELL), {"make": CARRY, "pass": "", "stop": QUIET}[word])
    kind.append("   a carry", QUIET)
    chain, names = Text(" carry".ljust(WIDTH - CELL // 2)), Text(" " * (WIDTH - CELL // 2))
    for i in range(8, -1, -1):
        wire = "◄─1" if carries[i] else "  0"
        chain.append(wire.ljust(CELL), CARRY if carries[i] else QUIET)
        names.append(f"c{i}".center(CELL), QUIET)
    rows = [_numbers()]
    left, byte, beside = names_of(op)
    rows.append(_row(left, alu["a"]))
    if byte:
        rows.append(_row(byte, alu["b"], QUIET))
    rows.append(_row(beside, alu["operand"]))
    rows += [kind, chain, names]
    corrected = alu["result"] != alu["sum"]
    rows.append(_row("sum", alu["sum"]))
    note = digit_note(op)
    if note:
        rows.append(Text(f" {note}", QUIET))
    if corrected:
        rows.append(_row("corrected", alu["result"], value=f"   ${alu['result']:02X}  as digits"))
    return Group(*rows)


def _bits(op: Operation) -> RenderableType:
    rows = [_numbers(), _row(NAMES[op.register], op.alu["a"])]
    if op.alu["operation"] in ("AND", "OR", "XOR", "BIT"):
        rows.append(_row("M", op.alu["b"]))
    rows.append(_row("result", op.alu["result"]))
    return Group(*rows)


def _bus(op: Operation) -> RenderableType:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style=QUIET)
    for heading in (" clock", "bus", "address", "byte", "what it is"):
        table.add_column(heading)
    activity = bus_activity(op.mnemonic, op.mode)
    for i, clock in enumerate(op.bus):
        place, byte = activity[i][1:] if i < len(activity) else ("", "d")
        what = BYTES.get(byte, byte)
        if place[:1] == "s" and byte != "d":
            what += f", stack at {place.upper()}"
        verb = Text("writes", CARRY) if clock.kind == "W" else Text("reads")
        table.add_row(f"   {i}", verb, f"{clock.address:04X}", f"{clock.byte:02X}", what)
    return table


BYTES: Final = {
    "op": "opcode", "d": "discarded", "adl": "address, low byte", "adh": "address, high byte",
    "pch": "PC, high byte", "pcl": "PC, low byte", "p": "status", "a": "A", "value": "operand",
    "stored": "result", "offset": "offset",
}  # fmt: skip


def _flags(op: Operation) -> RenderableType:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style=QUIET)
    for heading in (" flag", "was", "is", "because", "which says"):
        table.add_column(heading, no_wrap=heading != "which says")
    reasons = reasons_of(op)
    for flag in "nvzcdi":
        if flag in op.updated:
            because, says = reasons[flag]
            value = Text(str(op.after[flag]), CARRY if op.after[flag] else ONE)
            table.add_row(f"  {flag.upper()}", str(op.before[flag]), value, because, says)
    kept = " ".join(flag.upper() for flag in "nvzcdi" if flag not in op.updated)
    if not op.updated:
        return Text(" no flag is updated", QUIET)
    return Group(table, Text(f"  left alone: {kept}", QUIET)) if kept else table


def reasons_of(op: Operation) -> dict[str, tuple[str, str]]:
    """For each flag updated: the wire it comes from, and what it says of the numbers."""
    alu, operation = op.alu, op.alu["operation"]
    result, carries = alu["result"], [alu["carry"] >> i & 1 for i in range(9)]
    if op.mnemonic in ("PLP", "RTI"):
        return {
            f: (f"bit {'czid..vn'.index(f)} of the byte pulled", "as it was pushed")
            for f in op.updated
        }
    if not (op.register or op.operand is not None):
        return {
            f: ("the instruction itself", "set" if op.after[f] else "clear") for f in op.updated
        }
    decimal = op.decimal and operation in ("ADD", "SUBTRACT") and op.variant != "binary"
    judged = alu["sum"] if decimal and op.variant == "nmos" else result
    word = "sum" if op.uses_chain and not (decimal and op.variant == "cmos") else "result"
    negative, zero = op.after["n"], op.after["z"]
    reasons = {
        "n": (f"bit 7 of {word} is {negative}",
              f"signed: {signed(judged)} is {'' if negative else 'not '}negative"),
        "z": (f"{'no' if zero else 'a'} bit of {word} is 1",
              f"the {word} is {'' if zero else 'not '}zero"),
    }  # fmt: skip
    if operation == "BIT":
        reasons["n"] = ("bit 7 of M", "the flag is M's, whatever A is")
        reasons["v"] = ("bit 6 of M", "the flag is M's, whatever A is")
        return reasons
    if decimal:
        reasons = {
            f: (why, "" if op.variant == "cmos" else INVALID) for f, (why, _) in reasons.items()
        }
    reasons["c"] = _carry_reason(op, decimal, carries)
    if operation == "COMPARE":
        left, right = signed(op.alu["a"]), signed(op.alu["b"])
        if not -128 <= left - right <= 127:
            order = "<" if left < right else ">"
            says = f"signed: the sum reads {signed(judged)}, yet {left} {order} {right}"
            reasons["n"] = (reasons["n"][0], says)
    says = signed_reading(op)
    if decimal:
        says = "of the sum before correction, as on NMOS" if op.variant == "cmos" else INVALID
    reasons["v"] = (f"c8 XOR c7 = {carries[8]} XOR {carries[7]}", says)
    return reasons


def _carry_reason(op: Operation, decimal: int, carries: list[int]) -> tuple[str, str]:
    operation, a, m = op.alu["operation"], op.alu["a"], op.alu["b"]
    c = op.after["c"]
    invalid = decimal and not are_digits(a, m)
    if operation in ("SHIFT_RIGHT", "ROTATE_RIGHT"):
        return "bit 0 that fell out", f"the remainder of {a} / 2"
    if operation in ("SHIFT_LEFT", "ROTATE_LEFT"):
        return (
            f"c8 is {carries[8]}",
            f"bit 7 that fell out: {a} x 2 is {'over' if c else 'within'} 255",
        )
    if operation == "COMPARE":
        return f"c8 is {carries[8]}", f"unsigned: {a} {'>=' if c else '<'} {m}"
    if operation == "SUBTRACT":
        borrow = "" if op.carry_in else " - 1"
        what = f"{a:02X} - {m:02X}{borrow}" if decimal else f"{a} - {m}{borrow}"
        if invalid:
            return f"c8 is {carries[8]}", ABOVE_NINE
        return f"c8 is {carries[8]}", f"unsigned: {what} needs {'no ' if c else 'a '}borrow"
    one = " + 1" if op.carry_in else ""
    if decimal:
        if invalid:
            return "c8, or high digit > 9", ABOVE_NINE
        return "c8, or high digit > 9", f"{a:02X} + {m:02X}{one} is {'over' if c else 'within'} 99"
    total = a + m + op.carry_in
    return (
        f"c8 is {carries[8]}",
        f"unsigned: {a} + {m}{one} = {total}, {'over' if c else 'within'} 255",
    )


def signed_reading(op: Operation) -> str:
    """The sum, difference or comparison of two's complement numbers, and whether it fits."""
    a, m = signed(op.alu["a"]), signed(op.alu["b"])
    second = f"({m})" if m < 0 else f"{m}"
    if op.alu["operation"] in ("SUBTRACT", "COMPARE"):
        borrow = op.alu["operation"] == "SUBTRACT" and not op.carry_in
        value = a - m - borrow
        shown = f"{a} - {second}" + (" - 1" if borrow else "")
    else:
        value = a + m + op.carry_in
        shown = f"{a} + {second}" + (" + 1" if op.carry_in else "")
    fits = "past 127" if value > 127 else "past -128" if value < -128 else "in range"
    return f"signed: {shown} = {value}, {fits}"


def draw_run(report: RunReport) -> RenderableType:
    """The instructions as they ran, the flags they changed and the stack; then how it ended."""
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style=QUIET)
    table.add_column("clock", justify="right")
    for heading in ("at", "instruction", "A  X  Y", " N V D I Z C", "SP", "stack"):
        table.add_column(heading, no_wrap=heading != "instruction")
    for shown in report.first:
        table.add_row(*_sequence_row(report, *shown))
    if report.omitted:
        table.add_row("", "", Text(f"... {report.omitted} more, --rows shows them", QUIET))
    for shown in report.last:
        table.add_row(*_sequence_row(report, *shown))
    run = report.run
    how = "a jump to itself" if run.ended == "self-jump" else "the clock limit"
    digits = {"pc": 4}
    final = " ".join(
        f"{name.upper()}={value:0{digits.get(name, 2)}X}"
        for name, value in run.final._asdict().items()
    )
    lines: list[RenderableType] = [table, Text()] if report.first else []
    lines.append(
        Text(f"Ended by {how} after {run.clocks} clocks and {run.instructions} instructions.")
    )
    lines.append(Text(f"Left: {final}"))
    if report.vcd:
        lines.append(Text(f"Waveform: {report.vcd}"))
    return Group(*lines, draw_check(report.check))


def _sequence_row(report: RunReport, s: Sequence, stack: tuple[int, ...]) -> tuple[str | Text, ...]:
    line = report.program.lines.get(s.address) if report.program else None
    event = s.name in EVENTS
    text = Text(f"-- {s.name} --", CARRY) if event else Text(line.text.strip() if line else s.name)
    flags = Text()
    for bit, name in zip((7, 6, 3, 2, 1, 0), "NVDIZC", strict=True):
        was, now = s.before.p >> bit & 1, s.after.p >> bit & 1
        if was == now:
            flags.append(" .", QUIET)
        else:
            flags.append(f"{'+' if now else '-'}{name}", CARRY if now else ONE)
    pushed = (
        sum(address >> 8 == 1 for _, address, _ in s.writes) if s.after.sp != s.before.sp else 0
    )
    shown = Text("... " if len(stack) > STACK_SHOWN else "", QUIET)
    for i, byte in enumerate(stack[-STACK_SHOWN:], -min(STACK_SHOWN, len(stack))):
        shown.append(f"{byte:02X} ", CARRY if i >= -pushed else "")
    registers = f"{s.after.a:02X} {s.after.x:02X} {s.after.y:02X}"
    return str(s.clock), f"{s.address:04X}", text, registers, flags, f"{s.after.sp:02X}", shown


def draw_check(report: CheckReport) -> RenderableType:
    """One line if all agrees; else the first findings, one a line."""
    counts = f"{report.compared} values, {report.clocks} clocks, {report.instructions} instructions"
    if report.agree:
        return Text.assemble(("agrees", CARRY), f" with the {report.variant} model: {counts}")
    if not report.disagreements:
        return Text.assemble(("nothing was checked", WRONG), ": the dump holds no complete clock")
    lines = [Text.assemble(("disagrees", WRONG), f": {report.disagreements} of {counts}")]
    lines += [Text(f"  {finding}") for finding in report.findings]
    more = report.disagreements - len(report.findings)
    return Group(*lines, *([Text(f"  ... and {more} more", QUIET)] if more else []))
