"""Addresses as terms: what is put together out of registers and of bytes that were read.

A term is worked out over columns or single numbers, and written as a term of SMT-LIB's theory
FixedSizeBitVectors or as an expression of Python: one formula for whoever makes cases, answers
them, proves something or runs ahead.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

# How a term is worked out, and how it is written. Sums wrap in their own width.
_OPERATIONS: Final[dict[str, tuple[Callable[..., Any], str, str]]] = {
    "sum": (lambda a, b: a + b, "(bvadd {} {})", "{} + {}"),
    "join": (lambda high, low: high << 8 | low, "(concat {} {})", "({} << 8 | {})"),
    "high": (lambda word: word >> 8, "((_ extract 15 8) {})", "{} >> 8"),
    "low": (lambda word: word, "((_ extract 7 0) {})", "{}"),
    "signed": (lambda byte: (byte ^ 0x80) - 0x80, "((_ sign_extend 8) {})", "({} ^ 128) - 128"),
}


@dataclass(frozen=True, slots=True)
class Term:
    """A number of 8 or 16 bits. `kind` is "name", "number" or one of the operations."""

    kind: str
    width: int
    parts: tuple[Any, ...]

    def __add__(self, by: Term | int) -> Term:
        """The sum, without what carries out of the width."""
        if isinstance(by, int):
            by = number(by % (1 << self.width), self.width)
        return Term("sum", self.width, (self, by))

    def over(self, columns: Mapping[str, Any]) -> Any:
        """Its value, given those of the names: plain numbers, or columns of at least 16 bits."""
        if self.kind == "name":
            return columns[self.parts[0]]
        if self.kind == "number":
            return self.parts[0]
        value = _OPERATIONS[self.kind][0](*(part.over(columns) for part in self.parts))
        return value & (1 << self.width) - 1

    def names(self) -> set[str]:
        """The registers and bytes that it is put together from."""
        if self.kind == "name":
            return {self.parts[0]}
        return {name for part in self.parts if isinstance(part, Term) for name in part.names()}

    def smt(self) -> str:
        """The term as text; a name stands for itself."""
        if self.kind == "name":
            return str(self.parts[0])
        if self.kind == "number":
            return f"#x{self.parts[0]:0{self.width // 4}X}"
        return _OPERATIONS[self.kind][1].format(*(part.smt() for part in self.parts))

    def python(self, names: Mapping[str, str]) -> str:
        """The term as an expression of Python, with an expression for each name."""
        if self.kind == "name":
            return names[self.parts[0]]
        if self.kind == "number":
            return str(self.parts[0])
        text = _OPERATIONS[self.kind][2].format(*(part.python(names) for part in self.parts))
        return f"({text} & {(1 << self.width) - 1})"


def named(name: str, width: int = 8) -> Term:
    """A register, or a byte that was read."""
    return Term("name", width, (name,))


def number(value: int, width: int = 8) -> Term:
    """A constant."""
    return Term("number", width, (value,))


def join(above: Term, below: Term) -> Term:
    """Two bytes as a word."""
    return Term("join", 16, (above, below))


def high(word: Term) -> Term:
    """The high byte of a word: its page."""
    return Term("high", 8, (word,))


def low(word: Term) -> Term:
    """The low byte of a word."""
    return Term("low", 8, (word,))


def signed(byte: Term) -> Term:
    """A byte of two's complement as a word."""
    return Term("signed", 16, (byte,))
