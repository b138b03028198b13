"""Wires and SMT-LIB's text as terms of the solver, and the solver.

The function that a netlist is compiled to takes anything with ``& | ^``. Here a wire that is known
is the integer 0 or 1, and one that is not is a `Bit`; what is known folds away before the solver
hears of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import z3

from .specification import PRELUDE, SYMBOLS

Wire = Any  # 0, 1 or a Bit
GATES: Final = {"and": z3.And, "or": z3.Or, "xor": z3.Xor, "not": z3.Not}


def declare(name: str, width: int) -> Any:
    """A symbol of so many bits; width 0 is a truth."""
    return z3.BitVec(name, width) if width else z3.Bool(name)


#: The symbols that a specification speaks of.
DECLARED: Final = {name: declare(name, width) for name, width in SYMBOLS.items()}


def read_terms(texts: Mapping[str, str]) -> dict[str, Any]:
    """Terms of a specification, by name, from their text."""
    script = PRELUDE + "".join(f"(assert (= {text} {text}))" for text in texts.values())
    parsed = z3.parse_smt2_string(script, decls=DECLARED)
    return {name: equal.arg(0) for name, equal in zip(texts, parsed, strict=True)}


class Bit:
    """A wire that is not known: a symbol's bit, or a gate. Equal gates are one object.

    Known wires are the integers 0 and 1, and never an input of a gate.
    """

    __slots__ = ("inputs", "inverse", "kind", "number", "table", "term")

    def __init__(
        self, table: BitTable, kind: str, inputs: tuple[Bit, ...], term: Any = None
    ) -> None:
        self.table, self.kind, self.inputs, self.term = table, kind, inputs, term
        self.inverse: Bit | None = None
        self.number = table.count = table.count + 1

    def __and__(self, other: Wire) -> Wire:
        if isinstance(other, int):
            return self if other else 0
        if other is self:
            return self
        return 0 if other is self.inverse else self.table.gate("and", self, other)

    def __or__(self, other: Wire) -> Wire:
        if isinstance(other, int):
            return 1 if other else self
        if other is self:
            return self
        return 1 if other is self.inverse else self.table.gate("or", self, other)

    def __xor__(self, other: Wire) -> Wire:
        if isinstance(other, int):
            return self.inverted() if other else self
        if other is self:
            return 0
        if other is self.inverse:
            return 1
        if self.kind == "not":
            return (self.inputs[0] ^ other) ^ 1
        if other.kind == "not":
            return (self ^ other.inputs[0]) ^ 1
        # A multiplexer is a ^ (select & (a ^ b)): with the select known, one of the two is left.
        for one, two in ((self, other), (other, self)):
            if two.kind == "xor" and one in two.inputs:
                return two.inputs[two.inputs[0] is one]
        return self.table.gate("xor", self, other)

    __rand__, __ror__, __rxor__ = __and__, __or__, __xor__

    def inverted(self) -> Bit:
        """NOT; twice is the wire itself."""
        if self.inverse is None:
            self.inverse = Bit(self.table, "not", (self,))
            self.inverse.inverse = self
        return self.inverse


class BitTable:
    """The gates of one proof, and the symbols that they stand on."""

    def __init__(self) -> None:
        self.count = 0
        self.gates: dict[tuple[str, int, int], Bit] = {}
        self.symbols: dict[str, tuple[Any, list[Bit]]] = {}

    def gate(self, kind: str, a: Bit, b: Bit) -> Bit:
        """The gate with these inputs, in either order."""
        key = (kind, a.number, b.number) if a.number < b.number else (kind, b.number, a.number)
        found = self.gates.get(key)
        if found is None:
            found = self.gates[key] = Bit(self, kind, (a, b))
        return found

    def symbol(self, name: str, width: int) -> list[Bit]:
        """The bits of a symbol, lowest first."""
        if name not in self.symbols:
            whole = declare(name, width)
            terms = [z3.Extract(i, i, whole) == 1 for i in range(width)] or [whole]
            self.symbols[name] = whole, [Bit(self, "symbol", (), term) for term in terms]
        return self.symbols[name][1]


def term_of(wire: Wire) -> Any:
    """The wire as a term of the solver."""
    if isinstance(wire, int):
        return z3.BoolVal(bool(wire))
    waiting = [wire]
    while waiting:
        bit = waiting[-1]
        if bit.term is None:
            missing = [i for i in bit.inputs if i.term is None]
            if missing:
                waiting += missing
                continue
            bit.term = GATES[bit.kind](*(i.term for i in bit.inputs))
        waiting.pop()
    return wire.term


def vector_of(wires: Sequence[Wire], table: BitTable) -> Any:
    """Wires as one bit vector, lowest bit first; a single one as a truth."""
    if len(wires) == 1:
        return term_of(wires[0])
    for whole, bits in table.symbols.values():
        if len(bits) == len(wires) and all(a is b for a, b in zip(bits, wires, strict=True)):
            return whole
    one, zero = z3.BitVecVal(1, 1), z3.BitVecVal(0, 1)
    return z3.Concat(*(z3.If(term_of(wire), one, zero) for wire in reversed(wires)))


class UnknownError(Exception):
    """The solver gave up."""


class Query:
    """The solver: asked for states, one question after the other."""

    def __init__(self, timeout: float) -> None:
        self.solver = z3.SolverFor("QF_BV")
        self.solver.set("timeout", int(timeout * 1000))

    def model(self, *terms: Any) -> Any:
        """A state in which all terms hold, or None if there is none. Raises UnknownError."""
        self.solver.push()
        try:
            self.solver.add(*terms)
            answer = self.solver.check()
            if answer == z3.unknown:
                raise UnknownError
            return self.solver.model() if answer == z3.sat else None
        finally:
            self.solver.pop()

    def possible(self, *terms: Any) -> bool:
        """Whether there may be such a state."""
        try:
            return self.model(*terms) is not None
        except UnknownError:
            return True


def constant(value: int, width: int) -> list[Wire]:
    """A number as wires, lowest bit first."""
    return [value >> bit & 1 for bit in range(width)]
