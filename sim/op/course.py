"""Where an operation goes on and why, what it does to the stack, and the status byte it moves."""

from dataclasses import dataclass
from typing import Final

from ..family.members import EVENTS
from ..family.status_byte import FLAGS
from ..witness.model import FAMILIES
from .operation import Operation

#: What each bit of a status byte on the stack is, bit 7 first.
LETTERS: Final = "NV1BDIZC"
_B: Final = 0x10

_ONLY_BYTE: Final = "B is a bit of this byte alone: the register P has none"
_NUMBERS: Final = ("no byte", "a byte", "2 bytes", "3 bytes")


@dataclass(frozen=True, slots=True)
class StatusByte:
    """A status byte that is pushed or pulled."""

    byte: int
    pushed: bool
    words: tuple[str, ...]  # what bits 5 and 4 of it are


@dataclass(frozen=True, slots=True)
class StackCell:
    """A byte of the stack that is written or read for its own sake, and its place from S."""

    address: int
    byte: int
    what: str
    pushed: bool
    above: int  # the stack pointer before


def status_byte_of(op: Operation) -> StatusByte | None:
    """The status byte that an operation pushes or pulls; None where it moves none."""
    for clock, published in zip(op.bus, op.instruction.sequence(op.variant), strict=False):
        if published.writes == "p":
            software = op.mnemonic not in EVENTS
            who = f"software, {op.mnemonic}," if software else f"{op.mnemonic}, no instruction,"
            told = f"B is {clock.byte // _B % 2} because {who} pushes it"
            return StatusByte(clock.byte, True, (told, _ONLY_BYTE))
        if published.reads == "pull0" and len(op.instruction.flags) == len(FLAGS):
            return StatusByte(
                clock.byte, False, ("bits 5 and 4 of it go nowhere: the register P has none",)
            )
    return None


def stack_of(op: Operation) -> list[StackCell]:
    """The bytes that are pushed or pulled, in order."""
    cells = []
    pulled = _pulled_names(op)
    for clock, published in zip(op.bus, op.instruction.sequence(op.variant), strict=False):
        name = published.reads or published.writes
        if clock.address >> 8 != 1 or published.discards:
            continue
        if name.startswith("pull") or (op.instruction.pushes and published.writes):
            what = pulled[int(name[4:])] if name.startswith("pull") else PUSHED[name]
            above = (clock.address - op.top + 128) % 256 - 128
            cells.append(StackCell(clock.address, clock.byte, what, clock.kind == "W", above))
    return cells


PUSHED: Final = {"pch": "PC, high byte", "pcl": "PC, low byte", "p": "status", "a": "A"}


def _pulled_names(op: Operation) -> list[str]:
    one = ["status" if len(op.instruction.flags) == len(FLAGS) else "A"]
    return one * (op.instruction.pulls % 2) + [PUSHED["pcl"], PUSHED["pch"]]


def stack_words(op: Operation) -> str:
    """What becomes of S, and how many bytes; "" where it stays."""
    cells = stack_of(op)
    moves = op.sp != op.top
    if not moves and not cells:
        return ""
    verb = "pushed" if any(cell.pushed for cell in cells) else "pulled"
    told = f"{_NUMBERS[len(cells)]} {verb}"
    if op.mnemonic == "RESET":
        told = "reset reads where others push"
    elif op.register and not cells:
        told = f"{op.register.upper()} goes there, no byte is moved"
    around = abs(op.sp - op.top) > 3 and bool(cells)
    wraps = ", around the end of its page" if around else ""
    return f"S ${op.top:02X} before, ${op.sp:02X} after: {told}{wraps}"


def goes_on(op: Operation) -> tuple[str, ...]:
    """Where the next instruction comes from, where that is not simply the next; a branch's why."""
    name, instruction = op.mnemonic, op.instruction
    at = f"goes on at ${op.pc:04X}"
    pushed = "".join(
        f"{cell.byte:02X}" for cell in stack_of(op) if cell.what in (PUSHED["pch"], PUSHED["pcl"])
    )
    begun = op.bus[0].address
    if instruction.branches:
        return branch_words(op)
    if name == "JSR":
        return (at, f"pushed: ${pushed}, its own last byte; RTS adds 1 to it")
    if name == "JMP":
        return (at,)
    if name == "RTS":
        return (f"{at}: 1 past the address pulled, ${(op.pc - 1) % 0x10000:04X}",)
    if name == "RTI":
        return (f"{at}: the address pulled; unlike RTS it adds nothing",)
    vectors = [clock.address for clock in op.bus[-2:]]
    told = f"{at}, which lies in the vector at ${vectors[0]:04X}"
    if name == "BRK":
        past = (begun + 2) % 0x10000
        return (told, f"pushed: ${past:04X}, 2 past its own address: RTI skips a byte")
    if name in ("IRQ", "NMI"):
        return (told, f"pushed: ${begun:04X}, the instruction that it came before")
    return (told,) if name in EVENTS else ()


def branch_words(op: Operation) -> tuple[str, ...]:
    """A branch's condition, whether it is taken, and where that leads."""
    _, flag, value = FAMILIES[op.mnemonic]
    is_ = op.before[flag]
    taken = len(op.bus) > 2
    why = f"{op.mnemonic} goes where {flag.upper()} is {value}"
    so = f"{'taken' if taken else 'not taken'}: {flag.upper()} is {is_}"
    follows = (op.bus[0].address + 2) % 0x10000
    if not taken:
        return (f"{so}, and {why}", f"goes on at ${op.pc:04X}, the next instruction")
    page = "the same page"
    if len(op.bus) > 3:
        page = "another page: a clock more"
    away = (op.operand or 0) - 256 * ((op.operand or 0) > 127)
    step = f"${follows:04X} {'-' if away < 0 else '+'} {abs(away)}"
    return (f"{so}, and {why}", f"goes on at ${op.pc:04X} = {step}, in {page}")


def words_of(op: Operation) -> list[str]:
    """All of it, a sentence each."""
    status = status_byte_of(op)
    told = list(status.words) if status else []
    return [*told, *filter(None, [stack_words(op)]), *goes_on(op)]
