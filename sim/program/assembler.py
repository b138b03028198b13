"""A small assembler: a listing in the maker's notation becomes memory, and pins that move on cue.

A line is ``LABEL: instruction ; comment``, every part of it optional.

    names        letters, digits and _; upper and lower case differ; A, X and Y are registers. A
                 label takes its colon wherever it stands; ``NAME = expression`` uses names above it
    numbers      ``$50`` ``%0101`` ``80`` ``'P'``, and ``*``, the address of its own statement
    expressions  joined by + and -; ``<`` or ``>`` in front takes the low or high byte of the whole
    operands     none, ``A``, ``#byte`` or an address: in zero page where its names are defined
                 above and it is below $100, absolute otherwise
    data         ``.org`` address, ``.byte`` bytes and "text", ``.word`` words; commas between
    pins         ``.irq low``, ``.irq high``, ``.nmi`` and ``.reset`` act each time the instruction
                 that follows is fetched, or ``+N`` clocks later; NMI, reset are low for 2 clocks

Instructions, directives and registers may be in either case. ``BRK`` is two bytes, 00 and 00: RTI
returns past both.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import Final, NamedTuple, NoReturn

from ..family.instructions import BY_MNEMONIC
from .image import PinEvent, Program, SourceLine

__all__ = ["ListingError", "assemble", "load"]

_REGISTERS: Final = ("A", "X", "Y")
_PINS: Final = (".irq", ".nmi", ".reset")
_DIRECTIVES: Final = (".org", ".byte", ".word", *_PINS)
_Limits = tuple[int, int, str]
_BYTE: Final = (-128, 255, "a byte")
_WORD: Final = (-32768, 65535, "a word")
_ADDRESS: Final = (0, 65535, "an address")
_CLOCKS: Final = (0, 65535, "clocks")
_OPERANDS: Final = {
    ".byte": _BYTE, "immediate": _BYTE, "zero page": _ADDRESS,
    ".word": _WORD, "absolute": _ADDRESS, "relative": _ADDRESS,
}  # fmt: skip

# What an operand looks like, by the mode that it asks for.
_LOOKS: Final = {
    "implied": "no operand",
    "accumulator": "the accumulator",
    "immediate": "an immediate operand",
    "indirect": "indirect addressing, which is not built",
    "indexed": "indexed addressing, which is not built",
}

_TOKEN: Final = re.compile(
    r"""
      (?P<space> [ \t]+ | ;.* )
    | (?P<number> (?: \$[0-9A-Fa-f]+ | %[01]+ | [0-9]+ ) (?!\w) )
    | (?P<character> '[ -~]' )
    | (?P<text> "[ !#-~]*" )
    | (?P<word> \.?[A-Za-z_][A-Za-z0-9_]* )
    | (?P<sign> [#<>+*=:,()-] )
    """,
    re.VERBOSE,
)
_REFUSED: Final = re.compile(r"[$%]\w*|[0-9]\w*|.", re.DOTALL)
_NUMBER: Final = "a number: $ and 0-9 A-F, % and 0-1, or 0-9"
_WANTED: Final = {
    "'": "one ASCII character and a ' after it",
    '"': 'ASCII characters and a " after them',
}


class ListingError(Exception):
    """A listing that cannot be assembled; `line` and `column` count from 1."""

    def __init__(self, file: str, line: int, column: int, message: str) -> None:
        """`message` says what was found and what was expected."""
        super().__init__(file, line, column, message)
        self.file, self.line, self.column, self.message = file, line, column, message

    def __str__(self) -> str:
        """One line, ``file:line:column: message``, so that editors can jump to it."""
        return f"{self.file}:{self.line}:{self.column}: {self.message}"


class _Token(NamedTuple):
    kind: str  # a group of _TOKEN, or "end"
    text: str
    column: int

    def __str__(self) -> str:
        if len(self.text) > 40:
            return repr(self.text[:37] + "...")
        return repr(self.text) if self.text else "the end of the line"


class _Line:
    """The tokens of a line, taken from the left."""

    def __init__(self, file: str, number: int, source: str) -> None:
        self.file, self.number, self.tokens = file, number, list[_Token]()
        position = end = 0
        while position < len(source):
            match = _TOKEN.match(source, position)
            if match is None:
                self._refuse(source, position)
            position = match.end()
            if match.lastgroup != "space":
                self.tokens.append(_Token(match.lastgroup or "", match[0], match.start() + 1))
                end = position
        self.text = source[:end].strip()
        self.tokens.append(_Token("end", "", end + 1))

    def _refuse(self, source: str, position: int) -> NoReturn:
        found = next(_REFUSED.finditer(source, position))[0]
        wanted = _NUMBER if found[0] in "$%0123456789" else "a name, a number or one of #<>+-*=:,()"
        self.fail(_Token("", found, position + 1), _WANTED.get(found, wanted))

    def fail(self, token: _Token, wanted: str, found: object = None) -> NoReturn:
        message = f"found {found or token}; expected {wanted}"
        raise ListingError(self.file, self.number, token.column, message)

    @property
    def next(self) -> _Token:
        return self.tokens[0]

    def take(self) -> _Token:
        return self.tokens.pop(0) if len(self.tokens) > 1 else self.tokens[0]

    def accept(self, *texts: str) -> str:
        """Takes the next token if it is one of these; what was taken, in lower case, or ""."""
        return self.take().text.lower() if self.next.text.lower() in texts else ""

    def finish(self, wanted: str = "the end of the line") -> None:
        if self.next.kind != "end":
            self.fail(self.next, wanted)


@dataclass(frozen=True, slots=True)
class _Expression:
    """A sum: what is known of it, and the names still to be looked up, each with +1 or -1."""

    line: _Line
    start: _Token
    half: str  # "<", ">" or ""
    known: int
    names: tuple[tuple[int, _Token], ...]

    def value(self, labels: dict[str, int]) -> int | None:
        """None while a name is undefined."""
        total = self.known
        for sign, name in self.names:
            if name.text not in labels:
                return None
            total += sign * labels[name.text]
        return total & 0xFF if self.half == "<" else total >> 8 & 0xFF if self.half else total

    def resolve(self, labels: dict[str, int], limits: _Limits, by: str = "line") -> int:
        """The value, which has to be there and within the limits."""
        value = self.value(labels)
        if value is None:
            name = next(name for _, name in self.names if name.text not in labels)
            wanted = f"a label or a constant{_nearest(name.text, labels)}"
            self.line.fail(name, wanted, f"{name}, which no {by} defines")
        lowest, highest, what = limits
        if not lowest <= value <= highest:
            self.line.fail(self.start, f"{what}, {lowest} to {highest}", str(value))
        return value


def _nearest(name: str, known: Iterable[str]) -> str:
    folded = {other.casefold(): other for other in known}
    close = difflib.get_close_matches(name.casefold(), folded, 1)
    return f" (nearest: {folded[close[0]]})" if close else ""


class _Assembler:
    """The first pass places everything; the second fills in the operands."""

    def __init__(self) -> None:
        self.program = Program(bytearray(0x10000), -1, {}, {}, {})
        self.labels = self.program.labels
        self.address = -1  # before the first .org
        self.line_of_name: dict[str, int] = {}
        self.line_of_byte: dict[int, int] = {}
        self.operands: list[tuple[int, str, _Expression]] = []  # where, and the mode or directive
        self.waiting: list[tuple[_Line, _Token, PinEvent]] = []
        self.instructions = 0

    def first_pass(self, line: _Line) -> None:
        start = line.take()
        if start.kind == "word" and line.accept(":"):
            self.define(line, start, self.place(line, start))
            start = line.take()
        word = start.text.lower()
        if start.kind == "word" and line.accept("="):
            self.define(line, start, self.constant(line, _WORD))
        elif word == ".org":
            self.address = self.constant(line, _ADDRESS)
            if self.program.origin < 0:
                self.program.origin = self.address
        elif word in (".byte", ".word"):
            self.data(line, start)
        elif word in _PINS:
            self.pin(line, start)
        elif word.upper() in BY_MNEMONIC:
            self.instruction(line, start)
        elif word.startswith("."):
            line.fail(start, f"a directive{_nearest(word, _DIRECTIVES)}")
        elif start.kind != "end":
            wanted = "an instruction, a directive, or a name and ':' or '='"
            line.fail(start, wanted + _nearest(word, BY_MNEMONIC))
        line.finish()

    def second_pass(self) -> Program:
        memory = self.program.memory
        for where, mode, operand in self.operands:
            value = operand.resolve(self.labels, _OPERANDS[mode])
            size = 2 if mode in (".word", "absolute") else 1
            if mode == "relative":
                value -= where + 1
                if not -128 <= value <= 127:
                    wanted = "-128 to +127, counted from the next instruction"
                    operand.line.fail(operand.start, wanted, f"a branch over {value:+d} bytes")
            memory[where : where + size] = (value % 256**size).to_bytes(size, "little")
        if not self.line_of_byte.keys() & {0xFFFC, 0xFFFD}:
            memory[0xFFFC:0xFFFE] = self.program.origin.to_bytes(2, "little")
        return self.program

    def define(self, line: _Line, name: _Token, value: int) -> None:
        text = name.text
        if text[0] == "." or text.upper() in _REGISTERS or text.upper() in BY_MNEMONIC:
            line.fail(name, "a name that means nothing else", f"{name} as a name")
        if text in self.labels:
            line.fail(name, f"a new name (line {self.line_of_name[text]} has it)", f"{name} again")
        self.labels[text], self.line_of_name[text] = value, line.number

    def place(self, line: _Line, token: _Token) -> int:
        """The current address, for something that needs one."""
        if self.address < 0:
            line.fail(token, "'.org' and an address", f"{token} before any .org")
        if self.address > 0xFFFF:
            line.fail(token, "memory to end there", f"{token} beyond FFFF")
        return self.address

    def write(self, line: _Line, token: _Token, data: bytes) -> None:
        self.program.lines[self.place(line, token)] = SourceLine(line.number, line.text)
        for byte in data:
            address = self.place(line, token)
            if address in self.line_of_byte:
                found = f"{address:04X} already written by line {self.line_of_byte[address]}"
                line.fail(token, "each address once", found)
            self.program.memory[address], self.line_of_byte[address] = byte, line.number
            self.address += 1

    def constant(self, line: _Line, limits: _Limits) -> int:
        """An expression that the first pass needs."""
        return self.expression(line).resolve(self.labels, limits, "earlier line")

    def expression(self, line: _Line) -> _Expression:
        start, half = line.next, line.accept("<", ">")
        known, names = 0, []
        sign = line.accept("+", "-") or "+"
        while sign:
            term, factor = line.take(), -1 if sign == "-" else 1
            if term.kind == "number":
                known += factor * self.number(line, term)
            elif term.kind == "character":
                known += factor * ord(term.text[1])
            elif term.text == "*":
                known += factor * self.place(line, term)
            elif term.kind == "word" and term.text.upper() not in (*_REGISTERS, *BY_MNEMONIC):
                names.append((factor, term))
            else:
                line.fail(term, "a number or a name")
            sign = line.accept("+", "-")
        return _Expression(line, start, half, known, tuple(names))

    def number(self, line: _Line, token: _Token) -> int:
        digits = token.text.lstrip("$%")
        if len(digits) > 16:
            line.fail(token, "a number of 16 at most", f"{len(digits)} digits")
        return int(digits, {"$": 16, "%": 2}.get(token.text[0], 10))

    def data(self, line: _Line, word: _Token) -> None:
        kind, start, image = word.text.lower(), self.place(line, word), bytearray()
        more = ","
        while more:
            if kind == ".byte" and line.next.kind == "text":
                image += line.take().text[1:-1].encode("ascii")
            else:
                self.operands.append((start + len(image), kind, self.expression(line)))
                image += bytes(2 if kind == ".word" else 1)
            more = line.accept(",")
        self.write(line, word, bytes(image))

    def pin(self, line: _Line, word: _Token) -> None:
        name, level, width, delay = word.text.lower(), 0, 2, 0
        if name == ".irq":
            level, width = int(line.next.text.lower() == "high"), 0
            if not line.accept("low", "high"):
                line.fail(line.next, "'low' or 'high'")
        if line.accept("+"):
            delay = self.constant(line, _CLOCKS)
        line.finish("'+' and a number of clocks, or the end of the line")
        self.waiting.append((line, word, PinEvent(-1, f"{name[1:]}_n", level, delay, width)))

    def instruction(self, line: _Line, word: _Token) -> None:
        mnemonic, start = word.text.upper(), line.next
        modes = BY_MNEMONIC[mnemonic]
        mode, operand = self.operand(line, modes)
        if mode not in modes:
            wanted = f"a mode that {mnemonic} has: {', '.join(modes)}"
            line.fail(start, wanted, _LOOKS.get(mode, "an address"))
        address, entry = self.place(line, word), modes[mode]
        self.write(line, word, bytes([entry.opcode, 0, 0][: entry.length]))
        self.instructions += 1
        if operand is not None:
            self.operands.append((address + 1, mode, operand))
        if self.waiting:
            events = self.program.pin_events
            events[address] = tuple(replace(event, address=address) for *_, event in self.waiting)
            self.waiting = []

    def operand(self, line: _Line, modes: Iterable[str]) -> tuple[str, _Expression | None]:
        """The mode that the operand asks for, built or not, and its value."""
        if line.next.kind == "end":
            return "implied", None
        if line.accept("a"):
            return "accumulator", None
        if line.accept("("):
            return "indirect", None
        if line.accept("#"):
            return "immediate", self.expression(line)
        operand = self.expression(line)
        if line.next.text == "," and line.tokens[1].text.upper() in ("X", "Y"):
            return "indexed", None
        if "relative" in modes:
            return "relative", operand
        value = operand.value(self.labels)
        near = "zero page" in modes and value is not None and 0 <= value <= 0xFF
        return "zero page" if near else "absolute", operand


def assemble(text: str, file: str = "listing") -> Program:
    """Assembles a listing; `file` is its name in errors.

    Raises ListingError at the first thing that cannot be assembled, or if there is no instruction.
    """
    assembler = _Assembler()
    for number, source in enumerate(text.split("\n"), 1):
        assembler.first_pass(_Line(file, number, source.removesuffix("\r")))
    if assembler.waiting:
        line, word, _ = assembler.waiting[0]
        line.fail(word, "it before one", f"{word} after the last instruction")
    if not assembler.instructions:
        raise ListingError(file, 1, 1, "found no instruction; expected one at least")
    return assembler.second_pass()


def load(path: str | PathLike[str]) -> Program:
    """Assembles the listing in a file of UTF-8 text.

    Raises ListingError as `assemble` does, and at 1:1 for a file that cannot be read or is no text.
    """
    file = str(path)
    try:
        data = Path(path).read_bytes()
        found = "" if data else "an empty file"
        if b"\0" in data:
            found = f"a NUL byte at offset {data.index(0)}"
        text = data.decode().removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        found = f"byte {data[error.start]:02X} at offset {error.start}, which is not UTF-8"
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        found = f"nothing to read ({getattr(error, 'strerror', None) or error})"
    if found:
        raise ListingError(file, 1, 1, f"found {found}; expected a listing")
    return assemble(text, file)
