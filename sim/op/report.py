"""Draws what the hardware did, for the terminal."""

from collections.abc import Mapping, Sequence
from typing import Final

from rich.console import Group, RenderableType
from rich.text import Text

from ..family.bus_clocks import Clock
from ..family.instructions import Instruction
from ..family.status_byte import FLAGS
from ..system.colours import CARRY, ONE, QUIET
from ..system.tables import plain_table
from .course import LETTERS, goes_on, stack_words, status_byte_of
from .operation import SHOWN_FLAGS, Operation
from .reasons import (
    NAMES,
    digit_note,
    headings_of,
    kinds_of,
    moved_of,
    names_of,
    reasons_of,
    signed,
)

WIDTH: Final = 10  # of the labels
CELL: Final = 6  # of a bit


def draw_operation(op: Operation) -> RenderableType:
    """The carry chain bit by bit, and where each flag comes from; at most 80 columns wide."""
    meaning, mode = headings_of(op)
    name = f"{op.mnemonic} {op.where}".rstrip()
    title = Text.assemble((name, "bold"), "  ", meaning, (f"   {mode}", QUIET))
    parts: list[RenderableType] = [title, Text()]
    for one in op.sums:
        parts.append(Text(f" address   {one.words}"))
        if one.alu["operation"] == "OFFSET":
            parts += [_chain(one.alu, one.carries, (one.left, "", one.right)), Text()]
    if op.sums and op.uses_chain:
        parts += [Text(), Text(" the operation", QUIET)]
    elif op.sums and op.sums[-1].alu["operation"] != "OFFSET":
        parts.append(Text())
    if op.uses_chain:
        parts += [_chain(op.alu, op.carries or [], names_of(op), digit_note(op)), Text()]
    elif op.alu["operation"] != "PASS" or (op.result is not None and op.mnemonic != "PHP"):
        parts += [_bits(op), Text()]
    if (moved := _status(op)) is not None:
        parts += [moved, Text()]
    told = [*filter(None, [stack_words(op)]), *goes_on(op)]
    if told:
        parts += [*(Text(f" {line}") for line in told), Text()]
    if len(op.bus) > 2:
        parts += [_bus(op), Text()]
    parts.append(_flags(op))
    return Group(*parts)


def _row(label: str, byte: int, style: str = ONE, value: str = "") -> Text:
    text = Text(f" {label}".ljust(WIDTH))
    for i in range(7, -1, -1):
        bit = byte >> i & 1
        text.append(f"{bit}".center(CELL), style if bit else QUIET)
    return text.append(value or f"   ${byte:02X} {byte:4} {signed(byte):+5}")


def _numbers() -> Text:
    heads = "".join(f"{i}".center(CELL) for i in range(7, -1, -1))
    return Text(" bit".ljust(WIDTH) + heads + "   hex  dec   +/-", QUIET)


def _chain(
    alu: Mapping[str, int], carries: Sequence[int], names: tuple[str, str, str], note: str = ""
) -> RenderableType:
    kind = Text(" each bit".ljust(WIDTH))
    for word in reversed(kinds_of(alu)):
        kind.append(word.center(CELL), {"make": CARRY, "pass": "", "stop": QUIET}[word])
    kind.append("   a carry", QUIET)
    chain, labels = Text(" carry".ljust(WIDTH - CELL // 2)), Text(" " * (WIDTH - CELL // 2))
    for i in range(8, -1, -1):
        wire = "◄─1" if carries[i] else "  0"
        chain.append(wire.ljust(CELL), CARRY if carries[i] else QUIET)
        labels.append(f"c{i}".center(CELL), QUIET)
    left, byte, beside = names
    rows = [_numbers(), _row(left, alu["a"])]
    if byte:
        rows.append(_row(byte, alu["b"], QUIET))
    rows += [_row(beside, alu["operand"]), kind, chain, labels, _row("sum", alu["sum"])]
    if note:
        rows.append(Text(f" {note}", QUIET))
    if alu["result"] != alu["sum"]:
        rows.append(_row("corrected", alu["result"], value=f"   ${alu['result']:02X}  as digits"))
    return Group(*rows)


def _status(op: Operation) -> RenderableType | None:
    """The status byte that is pushed or pulled, bit by bit; None where it moves none."""
    moved = status_byte_of(op)
    if moved is None:
        return None
    heads = "".join(f"{i}".center(CELL) for i in range(7, -1, -1))
    letters = Text(" flag".ljust(WIDTH))
    for letter in LETTERS:
        letters.append(letter.center(CELL), QUIET if letter in "1B" else ONE)
    label, value = ("pushed" if moved.pushed else "pulled"), f"   ${moved.byte:02X}"
    rows = [Text(" bit".ljust(WIDTH) + heads, QUIET), letters, _row(label, moved.byte, value=value)]
    return Group(*rows, *(Text(f" {words}", QUIET) for words in moved.words))


def _bits(op: Operation) -> RenderableType:
    if op.alu["operation"] == "PASS":
        return Group(_numbers(), _row(moved_of(op), op.alu["result"]))
    rows = [_numbers(), _row(NAMES[op.register], op.alu["a"])]
    if op.alu["operation"] in ("AND", "OR", "XOR", "BIT"):
        rows.append(_row("M", op.alu["b"]))
    rows.append(_row("result", op.alu["result"]))
    return Group(*rows)


def _bus(op: Operation) -> RenderableType:
    headings = (" clock", "bus", "address", "byte", "what it is")
    table = plain_table(*headings, style=QUIET, folds=headings)
    clocks = op.instruction.sequence(op.variant)
    for i, (clock, published) in enumerate(zip(op.bus, clocks, strict=False)):
        what = _word(op.instruction, published)
        if clock.address >> 8 == 1 and not published.discards:
            above = (clock.address - op.top + 128) % 256 - 128
            what += f", stack at S{above:+}".removesuffix("+0")
        verb = Text("writes", CARRY) if clock.kind == "W" else Text("reads")
        table.add_row(f"   {i}", verb, f"{clock.address:04X}", f"{clock.byte:02X}", what)
    return table


def _word(instruction: Instruction, clock: Clock) -> str:
    """What the byte of a clock is."""
    name = clock.reads or clock.writes
    if not name:  # CMOS reads an operand once more where NMOS writes it back unmodified
        again = clock.address is not None and clock.address == instruction.mode.address
        return BYTES["m"] if again else "discarded"
    if name.startswith("pull"):
        value = BYTES["p"] if len(instruction.flags) == len(FLAGS) else BYTES["m"]
        pulled = [value] * (instruction.pulls % 2) + [BYTES["pcl"], BYTES["pch"]]
        return pulled[int(name[4:])]
    return BYTES[name]


BYTES: Final = {
    "opcode": "opcode", "m": "operand", "offset": "offset", "stored": "result",
    "address.low": "address, low byte", "address.high": "address, high byte",
    "pointer": "where the pointer lies",
    "pointer.low": "pointer, low byte", "pointer.high": "pointer, high byte",
    "pcl": "PC, low byte", "pch": "PC, high byte", "p": "status", "a": "A",
    "vector.low": "PC, low byte", "vector.high": "PC, high byte",
}  # fmt: skip


def _flags(op: Operation) -> RenderableType:
    headings = (" flag", "was", "is", "because", "which says")
    table = plain_table(*headings, style=QUIET, folds={"which says"})
    reasons = reasons_of(op)
    for flag in SHOWN_FLAGS:
        if flag in op.updated:
            because, says = reasons[flag]
            value = Text(str(op.after[flag]), CARRY if op.after[flag] else ONE)
            table.add_row(f"  {flag.upper()}", str(op.before[flag]), value, because, says)
    if not op.updated:
        return Text(" no flag is updated", QUIET)
    return Group(table, Text(f"  left alone: {op.kept}", QUIET)) if op.kept else table
