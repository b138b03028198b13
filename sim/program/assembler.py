"""A small assembler: a listing in the maker's notation becomes memory, and pins that move on cue.

A line is ``LABEL: instruction ; comment``, every part of it optional.

    names        letters, digits and _; upper and lower case differ; A, X and Y are registers. A
                 label's colon may be left out in the first column; ``NAME = expression`` uses names
                 above it
    numbers      ``$50`` ``%0101`` ``80`` ``'P'``, and ``*``, the address of its own statement
    expressions  joined by + - * / and parentheses, / without remainder; ``<`` or ``>`` in front
                 takes the low or high byte of the whole
    operands     none, ``A`` (which may be left out), ``#byte``, an address, ``address,X`` or
                 ``,Y``, ``(address,X)``, ``(address),Y``, ``(address)``: in zero page where its
                 names are defined above and it is below $100, if there is such a mode. What begins
                 with a parenthesis is a pointer
    data         ``.org`` address, ``.byte`` bytes and "text", ``.word`` words; commas between
    pins         ``.irq low``, ``.irq high``, ``.nmi`` and ``.reset`` act each time the instruction
                 that follows is fetched, or ``+N`` clocks later; NMI, reset are low for 2 clocks,
                 NMI longer by ``.nmi low`` and ``.nmi high``

Instructions, directives and registers may be in either case. ``BRK`` is two bytes, 00 and 00: RTI
returns past both.
"""

import re
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from os import PathLike
from typing import Final

from ..family.instructions import BY_MNEMONIC
from ..family.modes import MODES, Mode
from .tokens import (
    REGISTERS,
    Limits,
    ListingError,
    ListingExpression,
    ListingLine,
    ListingToken,
    nearest,
)

_LARGEST: Final = 1 << 24  # bytes of a listing; a device may have no end
_PINS: Final = (".irq", ".nmi", ".reset")
_SIZES: Final = {".byte": 1, ".word": 2}
_DIRECTIVES: Final = (".org", *_SIZES, *_PINS)
_BYTE: Final = (-128, 255, "a byte")
_WORD: Final = (-32768, 65535, "a word")
_ADDRESS: Final = (0, 65535, "an address")
_CLOCKS: Final = (0, 65535, "clocks")


@dataclass(frozen=True, slots=True)
class PinEvent:
    """A pin set to `level` each time the instruction at `address` is fetched.

    `delay` counts clocks from that fetch: at 0 the pin is set in the clock of the fetch itself.
    `width` counts the clocks until it goes back; 0 is until another event. The fetch that an
    interrupt's entry discards is not one.
    """

    address: int
    pin: str  # "irq_n", "nmi_n" or "reset_n"
    level: int
    delay: int
    width: int


@dataclass(frozen=True, slots=True)
class SourceLine:
    """A line of the listing: its number, from 1, and its text without comment and outer spaces."""

    number: int
    text: str


@dataclass(slots=True)
class Program:
    """An assembled listing.

    `memory` is all 65,536 bytes, 0 where the listing says nothing; `origin` the first ``.org``,
    which the reset vector holds unless the listing writes FFFC or FFFD; `lines` the source at each
    address where an instruction or data begins; `labels` every name, those of ``=`` included;
    `given` the addresses of the bytes that are said; `pin_clocks` what pins do by the run's clock.
    """

    memory: bytearray
    origin: int
    lines: dict[int, SourceLine]
    pin_events: dict[int, tuple[PinEvent, ...]]
    labels: dict[str, int]
    given: set[int] = field(default_factory=set)
    pin_clocks: dict[int, list[tuple[str, int]]] = field(default_factory=dict)


def _notation(mode: Mode) -> list[str]:
    """How a mode is written, as tokens; "{}" stands for an expression."""
    return re.findall(r"\{\}|\w+|\S", mode.notation)


def _looks(mode: Mode) -> str:
    """What an operand in a mode's notation looks like."""
    if mode.notation == "{}":
        return "an address"
    if not mode.takes:
        return f"the {mode.name}" if mode.notation else "no operand"
    return f"an {mode.name} operand" if mode.takes == "byte" else f"{mode.label} addressing"


@dataclass(frozen=True, slots=True)
class _Gap:
    """Bytes that the second pass fills in; `kind` is "byte", "word", or what a mode takes."""

    address: int
    kind: str
    size: int
    expression: ListingExpression

    @property
    def limits(self) -> Limits:
        if self.kind == "address":
            return 0, 256**self.size - 1, "an address"
        return {"byte": _BYTE, "word": _WORD, "offset": _ADDRESS}[self.kind]


class _Assembler:
    """The first pass places everything; the second fills in the gaps."""

    def __init__(self) -> None:
        self.program = Program(bytearray(0x10000), -1, {}, {}, {})
        self.labels = self.program.labels
        self.address = -1  # before the first .org
        self.line_of_name: dict[str, int] = {}
        self.line_of_byte: dict[int, int] = {}
        self.gaps: list[_Gap] = []
        self.waiting: list[tuple[ListingLine, ListingToken, PinEvent]] = []
        self.instructions = 0

    def first_pass(self, line: ListingLine) -> None:
        start = line.take()
        if start.kind == "word" and (line.accept(":") or self.begins(line, start)):
            self.define(line, start, self.place(line, start))
            start = line.take()
        word = start.text.lower()
        if start.kind == "word" and line.accept("="):
            self.define(line, start, self.constant(line, _WORD))
        elif word == ".org":
            self.address = self.constant(line, _ADDRESS)
            if self.program.origin < 0:
                self.program.origin = self.address
        elif word in _SIZES:
            self.data(line, start)
        elif word in _PINS:
            self.pin(line, start)
        elif word.upper() in BY_MNEMONIC:
            self.instruction(line, start)
        elif word.startswith("."):
            line.fail(start, f"a directive{nearest(word, _DIRECTIVES)}")
        elif start.kind != "end":
            wanted = "an instruction, a directive, or a name and ':' or '='"
            line.fail(start, wanted + nearest(word, BY_MNEMONIC))
        line.finish()

    def begins(self, line: ListingLine, word: ListingToken) -> bool:
        """Whether a word in the first column is a label without its colon."""
        behind = line.next.text
        starts = not behind or behind[0] == "." or behind.upper() in BY_MNEMONIC
        other = word.text[0] == "." or word.text.upper() in (*REGISTERS, *BY_MNEMONIC)
        return word.column == 1 and starts and not other

    def second_pass(self) -> Program:
        memory = self.program.memory
        for gap in self.gaps:
            value = gap.expression.resolve(self.labels, gap.limits)
            if gap.kind == "offset":
                value -= gap.address + 1
                if not -128 <= value <= 127:
                    wanted = "-128 to +127, counted from the next instruction"
                    found = f"a branch over {value:+d} bytes"
                    gap.expression.line.fail(gap.expression.start, wanted, found)
            data = (value % 256**gap.size).to_bytes(gap.size, "little")
            memory[gap.address : gap.address + gap.size] = data
        self.program.given |= self.line_of_byte.keys()
        if not self.line_of_byte.keys() & {0xFFFC, 0xFFFD}:
            memory[0xFFFC:0xFFFE] = self.program.origin.to_bytes(2, "little")
        return self.program

    def define(self, line: ListingLine, name: ListingToken, value: int) -> None:
        text = name.text
        if text[0] == "." or text.upper() in REGISTERS or text.upper() in BY_MNEMONIC:
            line.fail(name, "a name that means nothing else", f"{name} as a name")
        if text in self.labels:
            line.fail(name, f"a new name (line {self.line_of_name[text]} has it)", f"{name} again")
        self.labels[text], self.line_of_name[text] = value, line.number

    def place(self, line: ListingLine, token: ListingToken) -> int:
        """The current address, for something that needs one."""
        if self.address < 0:
            line.fail(token, "'.org' and an address", f"{token} before any .org")
        if self.address > 0xFFFF:
            line.fail(token, "memory to end there", f"{token} beyond FFFF")
        return self.address

    def write(self, line: ListingLine, token: ListingToken, data: bytes) -> None:
        self.program.lines[self.place(line, token)] = SourceLine(line.number, line.text)
        for byte in data:
            address = self.place(line, token)
            if address in self.line_of_byte:
                found = f"{address:04X} already written by line {self.line_of_byte[address]}"
                line.fail(token, "each address once", found)
            self.program.memory[address], self.line_of_byte[address] = byte, line.number
            self.address += 1

    def constant(self, line: ListingLine, limits: Limits) -> int:
        """An expression that the first pass needs."""
        return self.expression(line).resolve(self.labels, limits, "earlier line")

    def expression(self, line: ListingLine) -> ListingExpression:
        def value_of(term: ListingToken) -> int | ListingToken:
            if term.kind == "number":
                return self.number(line, term)
            if term.kind == "character":
                return ord(term.text[1])
            if term.text == "*":
                return self.place(line, term)
            if term.kind != "word" or term.text.upper() in (*REGISTERS, *BY_MNEMONIC):
                line.fail(term, "a number or a name")
            return term

        return ListingExpression.read(line, value_of)

    def number(self, line: ListingLine, token: ListingToken) -> int:
        digits = token.text.lstrip("$%")
        if len(digits) > 16:
            line.fail(token, "a number of 16 at most", f"{len(digits)} digits")
        return int(digits, {"$": 16, "%": 2}.get(token.text[0], 10))

    def data(self, line: ListingLine, word: ListingToken) -> None:
        kind, start, image = word.text.lower(), self.place(line, word), bytearray()
        more = ","
        while more:
            if kind == ".byte" and line.next.kind == "text":
                image += line.take().text[1:-1].encode("ascii")
            else:
                size = _SIZES[kind]
                self.gaps.append(_Gap(start + len(image), kind[1:], size, self.expression(line)))
                image += bytes(size)
            more = line.accept(",")
        self.write(line, word, bytes(image))

    def pin(self, line: ListingLine, word: ListingToken) -> None:
        name, level, width, delay = word.text.lower(), 0, 2, 0
        held = line.next.text.lower()
        if name == ".irq" or (name == ".nmi" and held in ("low", "high")):
            level, width = int(held == "high"), 0
            if not line.accept("low", "high"):
                line.fail(line.next, "'low' or 'high'")
        if line.accept("+"):
            delay = self.constant(line, _CLOCKS)
        line.finish("'+' and a number of clocks, or the end of the line")
        self.waiting.append((line, word, PinEvent(-1, f"{name[1:]}_n", level, delay, width)))

    def instruction(self, line: ListingLine, word: ListingToken) -> None:
        forms = BY_MNEMONIC[word.text.upper()]
        mode, expression = self.operand(line, word.text.upper(), forms)
        address, form = self.place(line, word), forms[mode.name]
        assert form.opcode is not None
        self.write(line, word, bytes([form.opcode]).ljust(form.length, b"\0"))
        self.instructions += 1
        if expression is not None:
            self.gaps.append(_Gap(address + 1, mode.takes, mode.length - 1, expression))
        if self.waiting:
            events = self.program.pin_events
            events[address] = tuple(replace(event, address=address) for *_, event in self.waiting)
            self.waiting = []

    def operand(
        self, line: ListingLine, mnemonic: str, has: Collection[str]
    ) -> tuple[Mode, ListingExpression | None]:
        """The mode that the operand is written in, and its value.

        All notations are followed at once, a token at a time, those of modes that the mnemonic
        lacks too: what was found can then be named.
        """
        start, expression = line.next, None
        left = [(mode, _notation(mode)) for mode in MODES.values() if mode.length]
        while line.next.kind != "end" or all(rest for _, rest in left):
            sign = line.next.text.upper()
            same = [(mode, rest[1:]) for mode, rest in left if rest[:1] == [sign]]
            filled = [(mode, rest[1:]) for mode, rest in left if rest[:1] == ["{}"]]
            if same:
                left = same
                line.take()
            elif filled:
                left = filled
                expression = self.expression(line)
            else:
                break
        labels = [MODES[name].label or name for name in has]
        wanted = f"a mode that {mnemonic} has: {', '.join(labels)}"
        found = [mode for mode, rest in left if not rest]
        if not found:
            line.fail(line.next, " or ".join(sorted({repr(rest[0]) for _, rest in left})))
        if found[0].length == 1:  # the accumulator need not be named
            found += [mode for mode in MODES.values() if mode.operand == "a"]
        fitting = [mode for mode in found if mode.name in has]
        if not fitting:
            line.fail(start, wanted, _looks(found[0]))
        value = expression.value(self.labels) if expression else None
        for mode in fitting[:-1]:
            if value is not None and 0 <= value < 256 ** (mode.length - 1):
                return mode, expression
        return fitting[-1], expression


def assemble(text: str, file: str = "listing") -> Program:
    """Assembles a listing; `file` is its name in errors.

    Raises ListingError at the first thing that cannot be assembled, or if there is no instruction.
    """
    assembler = _Assembler()
    for number, source in enumerate(text.split("\n"), 1):
        assembler.first_pass(ListingLine(file, number, source.removesuffix("\r")))
    if assembler.waiting:
        line, word, _ = assembler.waiting[0]
        line.fail(word, "it before one", f"{word} after the last instruction")
    if not assembler.instructions:
        raise ListingError(file, 1, 1, "found no instruction; expected one at least")
    return assembler.second_pass()


def text_of(path: str | PathLike[str]) -> str:
    """The text of a listing's file. Raises ListingError, at 1:1, for what is no text."""
    file = str(path)
    try:
        with open(path, "rb") as opened:
            data = opened.read(_LARGEST + 1)
        found = "" if data else "an empty file"
        if len(data) > _LARGEST:
            found = f"more than {_LARGEST >> 20} MiB"
        elif b"\0" in data:
            found = f"a NUL byte at offset {data.index(0)}"
        text = data.decode().removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        found = f"byte {data[error.start]:02X} at offset {error.start}, which is not UTF-8"
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        found = f"nothing to read ({getattr(error, 'strerror', None) or error})"
    if found:
        raise ListingError(file, 1, 1, f"found {found}; expected a listing")
    return text


def load(path: str | PathLike[str]) -> Program:
    """Assembles the listing in a file. Raises ListingError as `text_of` and `assemble` do."""
    return assemble(text_of(path), str(path))
