"""Small formulas: what an emulator computes, told from nothing but its answers.

Flags are searched for among Boolean formulas of the carry chain, the operands, the result and the
old flags; bytes, addresses and clocks among short sums. A formula is given only if it holds in
every row, and if so few are as short that chance is no explanation.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.layout import Cases, Outcomes
from ..family.instructions import BY_MNEMONIC, BY_OPCODE
from ..family.members import EVENTS
from ..family.status import FLAG_BITS
from ..netlist.planes import pack

__all__ = ["RIGHT", "TARGETS", "FlagSearch", "Inputs", "result_of", "search_value"]

Column = npt.NDArray[Any]
Truths = npt.NDArray[np.bool_]
Terms = dict[str, Callable[[], Column]]  # computed where they are asked for

_BEFORE: Final = "vcnzid"  # the likelier ones first
_REGISTERS: Final = {
    **dict.fromkeys(("CPX", "INX", "DEX", "TXA", "TXS", "STX"), "x"),
    **dict.fromkeys(("CPY", "INY", "DEY", "TYA", "STY"), "y"),
    "TSX": "sp",
}  # fmt: skip
RIGHT: Final = "the right value"
#: The register that gets the result.
TARGETS: Final = {
    **dict.fromkeys(("LDX", "TAX", "TSX", "INX", "DEX"), "x"),
    **dict.fromkeys(("LDY", "TAY", "INY", "DEY"), "y"),
    **dict.fromkeys(("ADC", "SBC", "AND", "ORA", "EOR", "LDA", "TXA", "TYA", "PLA"), "a"),
}  # fmt: skip
_SHIFTS: Final = ("ASL", "LSR", "ROL", "ROR")
_STEPS: Final = ("INC", "DEC", "INX", "DEX", "INY", "DEY")
_SUMS: Final = ("ADC", "SBC", "CMP", "CPX", "CPY")
_PULLS: Final = {"PLA": 1, "PLP": 1, "RTS": 2, "RTI": 3}

_entries: Final = [BY_OPCODE.get(code) for code in range(256)]
_LENGTH: Final = np.array([entry.length if entry else 0 for entry in _entries])
_CLOCKS: Final = np.array([entry.clocks if entry else 0 for entry in _entries])
_IMMEDIATE: Final = np.array(
    [entry is not None and entry.mode == "immediate" for entry in _entries]
)
_IN_A: Final = np.array([entry is not None and entry.mode == "accumulator" for entry in _entries])
_HAS_M: Final = frozenset(
    entry.mnemonic for entry in _entries if entry and (entry.access or entry.mode == "immediate")
)


def result_of(name: str, outcomes: Outcomes, expected: Outcomes) -> Column | None:
    """The byte that is left where the result should go; None if the instruction makes none."""
    if name in TARGETS:
        return outcomes[TARGETS[name]].astype(np.int32)
    if name in (*_SHIFTS, "INC", "DEC"):
        byte = np.where(expected["stores"] > 0, outcomes["stored"], outcomes["a"])
        return byte.astype(np.int32)
    return None


class Inputs:
    """What one instruction's cases offer to a formula, a column of numbers each.

    `name` is a mnemonic or an event; all cases are of it. `actual` are the answers to explain.
    """

    def __init__(
        self, name: str, cases: Cases, expected: Outcomes, actual: Outcomes, variant: str
    ) -> None:
        self.name, self.variant = name, variant
        self.cases, self.expected, self.actual = cases, expected, actual
        self.event = name in EVENTS
        opcode = cases["bytes"][:, 0]
        self.clocks = np.full(len(cases), 7) if self.event else _CLOCKS[opcode]
        self.pc = cases["pc"].astype(np.int32)
        self.following = (self.pc + (0 if self.event else _LENGTH[opcode])) % 65536
        for register in ("a", "x", "y", "sp", "p"):
            setattr(self, register, cases[register].astype(np.int32))
        self.m = np.where(_IMMEDIATE[opcode], cases["bytes"][:, 1], cases["operand"])
        self.m = self.m.astype(np.int32)
        self.c = self.p & 1
        self.decimal = (self.p & 8 > 0) & (variant != "binary")
        register = _REGISTERS.get(name, "a")
        self.label, self.source = register.upper(), getattr(self, register)
        if name in (*_SHIFTS, "INC", "DEC") and name in _HAS_M:
            in_a = _IN_A[opcode]
            self.label = "A" if in_a.all() else "M" if not in_a.any() else "the byte"
            self.source = np.where(in_a, self.a, self.m)
        elif name in _PULLS:
            self.label, self.source = "the first byte pulled", self.pulled(0)

    a: Column
    x: Column
    y: Column
    sp: Column
    p: Column

    def __len__(self) -> int:
        return len(self.cases)

    def at(self, rows: npt.NDArray[np.int64] | Truths) -> Inputs:
        """The same of some of the rows."""
        return Inputs(
            self.name, self.cases[rows], self.expected[rows], self.actual[rows], self.variant
        )

    def pulled(self, i: int, count: int = 1) -> Column:
        """A number above SP, of so many bytes, the low one first."""
        columns = [self.cases["pulled"][:, i + j].astype(np.int32) << 8 * j for j in range(count)]
        return np.asarray(sum(columns))

    def bytes(self) -> dict[str, Column]:
        """The bytes that the instruction works on."""
        found = {self.label: self.source}
        if self.name in _HAS_M and self.label not in ("M", "the byte"):
            found["M"] = self.m
        return found

    def result(self) -> Column:
        """The right result, or what the right flags judge."""
        right = result_of(self.name, self.expected, self.expected)
        if right is not None:
            return right
        if self.name in _SUMS:
            return np.asarray((self.source - self.m) % 256)
        return np.asarray(self.a & self.m) if self.name == "BIT" else self.source

    def signals(self, given: bool = True) -> Terms:
        """Named truths, the likeliest to be taken for a flag first.

        `given` adds those of the result that the emulator gives, where it is wrong.
        """
        found: Terms = {"0": lambda: np.zeros(len(self), np.int32)}
        for flag in _BEFORE:
            found[f"{flag.upper()} before"] = _bit(self.p, FLAG_BITS[flag])
        inputs = self.bytes()
        what = "(A AND M)" if self.name == "BIT" else "the result"
        judged = {what: self.result()}
        made = result_of(self.name, self.actual, self.expected)
        if given and made is not None and not np.array_equal(made, judged[what]):
            judged["the result it gives"] = made
        if self.name in (*_SUMS, *_STEPS):
            found |= self._chain()
        for label, byte in {**inputs, **judged}.items():
            found[f"bit 7 of {label}"] = _bit(byte, 7)
        for label, byte in judged.items():
            for bits, mask in _JUDGED.items():
                found[f"{bits}{label} = 0"] = _zero(byte, mask)
        for label, byte in {**inputs, **judged}.items():
            found.setdefault(f"{label} = 0", _zero(byte))
            for bit in range(6, -1, -1):
                found[f"bit {bit} of {label}"] = _bit(byte, bit)
        if self.name in (*_SUMS, *_STEPS):
            found |= self._more_sums()
        for label, byte in {"A": self.a, "X": self.x, "Y": self.y, "SP": self.sp}.items():
            if label not in inputs:
                found[f"bit 7 of {label}"] = _bit(byte, 7)
                found[f"{label} = 0"] = _zero(byte)
        for flag, bit in FLAG_BITS.items():
            found[f"the right {flag.upper()}"] = _bit(self.expected["p"], bit)
        return found

    def _added(self) -> Column:
        """What the adder is given beside the register."""
        if self.name in _STEPS:
            return np.full(len(self), 0 if self.name.startswith("IN") else 255)
        return self.m if self.name == "ADC" else 255 - self.m

    def _chain(self) -> Terms:
        carry = {"ADC": self.c, "SBC": self.c}.get(self.name, self.c * 0 + 1)
        if self.name in _STEPS:
            carry = carry * self.name.startswith("IN")
        added = self._added()
        return {f"carry {i}": _carry(self.source, added, carry, i) for i in range(8, 0, -1)}

    def _more_sums(self) -> Terms:
        """Carries of other sums than the right one, and comparisons."""
        a, m = self.source, self.m
        if self.name in _STEPS:
            return {f"{self.label} = FF": _zero(255 - a)}
        found: Terms = {
            f"{self.label} >= M": lambda: np.asarray(a >= m),
            f"{self.label} > M": lambda: np.asarray(a > m),
            f"{self.label} = M": lambda: np.asarray(a == m),
            f"{self.label} >= M as signed numbers": lambda: np.asarray((a ^ 128) >= (m ^ 128)),
            f"{self.label} > M as signed numbers": lambda: np.asarray((a ^ 128) > (m ^ 128)),
        }
        others = {"0": a * 0, "1": a * 0 + 1, "C": self.c, "NOT C": 1 - self.c}
        for operand, byte in {"M": m, "NOT M": 255 - m}.items():
            for into, carry in others.items():
                for i in (8, 7):
                    text = f"carry {i} of {self.label} + {operand} + {into}"
                    found[text] = _carry(a, byte, carry, i)
                total = f"{self.label} + {operand} + {into}"
                found[f"bit 7 of {total}"] = _carry(a * 2, byte * 2, carry * 2, 8)
                if into == "C":
                    found[f"{total} = 0"] = _zero(a + byte + carry)
                    found[f"{total} = 0 in 9 bits"] = _zero(a + byte + carry, -1)
        found["the low digits' sum > 9"] = lambda: np.asarray(a % 16 + m % 16 + self.c > 9)
        return found


#: Parts of a byte that are taken for the whole when Z is judged.
_JUDGED: Final = {
    "": 0xFF, "bits 0 to 6 of ": 0x7F, "bits 1 to 7 of ": 0xFE, "bits 0 to 3 of ": 0x0F,
    "bits 4 to 7 of ": 0xF0,
}  # fmt: skip


def _bit(number: Column, bit: int) -> Callable[[], Column]:
    return lambda: np.asarray(number >> bit & 1)


def _zero(number: Column, mask: int = 255) -> Callable[[], Column]:
    return lambda: np.asarray(number & mask == 0)


def _carry(a: Column, b: Column, carry: Column, i: int) -> Callable[[], Column]:
    return lambda: np.asarray((a % (1 << i) + b % (1 << i) + carry) >> i & 1)


def information(rows: int, wrong: int) -> float:
    """How many bits it takes to say which rows are wrong: what a formula has to explain."""
    if 2 * wrong > rows:
        return rows
    return (
        math.lgamma(rows + 1) - math.lgamma(wrong + 1) - math.lgamma(rows - wrong + 1)
    ) / math.log(2)


_MARGIN: Final = 10.0  # bits: one nonsense in a thousand may be taken for a formula
_ROUNDS: Final = 8
_WIDEST: Final = 400  # formulas that cover a target: the nearest so many are combined


# Boolean formulas: ("leaf", i), ("NOT", f) or (operator, f, g)

Node = tuple[Any, ...]


def _not(node: Node) -> Node:
    return node[1] if node[0] == "NOT" else ("NOT", node)


def _pair(form: int, i: int, j: int) -> Node:
    """One of the ten functions that need both of two leaves; the last five invert the others."""
    a, b = ("leaf", i), ("leaf", j)
    nodes: tuple[Node, ...] = (
        ("AND", b, a), ("AND", a, _not(b)), ("AND", b, _not(a)), ("OR", b, a), ("XOR", b, a),
        _not(("AND", b, a)), ("OR", b, _not(a)), ("OR", a, _not(b)), _not(("OR", b, a)),
        _not(("XOR", b, a)),
    )  # fmt: skip
    return nodes[form]


def _evaluate(node: Node, leaf: Callable[[int], Truths]) -> Truths:
    if node[0] == "leaf":
        return leaf(node[1])
    first = _evaluate(node[1], leaf)
    if node[0] == "NOT":
        return ~first
    second = _evaluate(node[2], leaf)
    operation = {"AND": np.bitwise_and, "OR": np.bitwise_or, "XOR": np.bitwise_xor}[node[0]]
    return np.asarray(operation(first, second), np.bool_)


def _text(node: Node, names: list[str], *, alone: bool = True) -> str:
    if node[0] == "leaf":
        name = names[node[1]]
        return name if alone or not any(sign in name for sign in "=>+") else f"({name})"
    if node[0] == "NOT":
        return f"NOT {_text(node[1], names, alone=False)}"
    words = f"{_text(node[1], names, alone=False)} {node[0]} {_text(node[2], names, alone=False)}"
    return words if alone else f"({words})"


class FlagSearch:
    """Finds the shortest formula for flags over the same rows.

    `wanted` are the columns that will be asked for and `wrong` the rows where each differs from the
    right flag: the search looks at some rows of every kind, and proves what it finds on all.
    `given` tells whether the emulator's own result may be one of the inputs.
    """

    def __init__(
        self, inputs: Inputs, wanted: list[tuple[Truths, Truths]], given: bool = True
    ) -> None:
        self.inputs, self.given = inputs, given
        self.signals = inputs.signals(given)
        self.columns: dict[int, Truths] = {}
        rows: list[npt.NDArray[np.int64]] = [_spread(np.arange(len(inputs)), 128)]
        for flag, wrong in wanted:
            kinds = (flag & wrong, flag & ~wrong, ~flag & wrong, ~flag & ~wrong)
            rows += [_spread(np.flatnonzero(kind), 128) for kind in kinds]
        self._look_at(np.unique(np.concatenate(rows)))

    def find(self, flag: Truths, wrong: Truths) -> str | None:
        """The formula that equals `flag` in all rows, or None."""
        known = information(len(flag), int(wrong.sum())) - _MARGIN
        for _ in range(_ROUNDS):
            target = pack(flag[self.rows].astype(np.uint8), 1)[0]
            node = next(self._matches(target, known), None)
            if node is None:
                return None
            misses = np.flatnonzero(_evaluate(node, self._column) != flag)
            if len(misses) == 0:
                return _text(node, self.names)
            self._look_at(np.union1d(self.rows, _spread(misses, 64)))
        return None

    def _column(self, i: int) -> Truths:
        if i not in self.columns:
            self.columns[i] = self.signals[self.names[i]]().astype(bool)
        return self.columns[i]

    def _look_at(self, rows: npt.NDArray[np.int64]) -> None:
        """Enumerates what differs on these rows: of equals, the first only."""
        self.rows = rows
        self.ones = ones = (1 << len(rows)) - 1
        self.columns = {}
        self.leaves: dict[int, int] = {}
        self.names = list(self.signals)
        few = self.inputs.at(rows).signals(self.given)
        for i, name in enumerate(self.names):
            if name not in few:  # these rows do not tell it from another
                continue
            value = pack(few[name]().astype(np.uint8), 1)[0]
            if value not in self.leaves and ones ^ value not in self.leaves:
                self.leaves[value] = i
        self.pairs: dict[int, tuple[int, int, int]] = {}
        pairs, seen = self.pairs, list(self.leaves.items())
        constants = {0, ones}
        for place, (a, i) in enumerate(seen):
            if a in constants:
                continue
            for b, j in seen[:place]:
                if b in constants:
                    continue
                both, either = a & b, a | b
                values = (both, a ^ both, b ^ both, either, both ^ either)
                for form, value in enumerate(values):
                    if value not in pairs:
                        pairs[value] = (form, i, j)
                    value ^= ones
                    if value not in pairs:
                        pairs[value] = (form + 5, i, j)

    def _matches(self, target: int, known: float) -> Iterator[Node]:
        """Formulas equal to the target on the rows looked at, short ones first."""
        ones, leaves, pairs = self.ones, self.leaves, self.pairs
        literals: dict[int, Node] = {value: ("leaf", i) for value, i in leaves.items()}
        literals |= {ones ^ value: ("NOT", node) for value, node in literals.items()}
        size = math.log2(len(literals))
        if size > known:
            return
        if target in literals:
            yield literals[target]
        if math.log2(len(pairs)) > known:
            return
        if target in pairs:
            yield _pair(*pairs[target])
        if math.log2(len(pairs)) + size > known:
            return
        for value, i in leaves.items():
            if target ^ value in pairs:
                yield ("XOR", ("leaf", i), _pair(*pairs[target ^ value]))
        above = [value for value in pairs if value & target == target]
        below = [value for value in pairs if value | target == target]
        for value, node in literals.items():
            if value & target == target:
                for other in above:
                    if other & value == target:
                        yield ("AND", node, _pair(*pairs[other]))
            elif value | target == target:
                for other in below:
                    if other | value == target:
                        yield ("OR", node, _pair(*pairs[other]))
        if 2 * math.log2(len(pairs)) > known:
            return
        above = sorted(above, key=int.bit_count)[:_WIDEST]
        below = sorted(below, key=int.bit_count, reverse=True)[:_WIDEST]
        for place, one in enumerate(above):
            for other in above[:place]:
                if one & other == target:
                    yield ("AND", _pair(*pairs[one]), _pair(*pairs[other]))
        for place, one in enumerate(below):
            for other in below[:place]:
                if one | other == target:
                    yield ("OR", _pair(*pairs[one]), _pair(*pairs[other]))
        for value in pairs:
            if target ^ value in pairs:
                yield ("XOR", _pair(*pairs[value]), _pair(*pairs[target ^ value]))


def _spread(rows: npt.NDArray[np.int64], count: int) -> npt.NDArray[np.int64]:
    """So many of them at most, from all over, in an order that goes with no grid's axis."""
    if len(rows) <= count:
        return rows
    return np.sort(np.random.default_rng(len(rows)).choice(rows, count, replace=False))


# Numbers: a formula is a name and what it computes of named terms

Term = Callable[[str], Column]
Compute = Callable[[Term], Column]
Single = Callable[[Column], Column]


def _plus(k: int) -> Single:
    return lambda t: t + k


def _masked(keep: int, turn: int = 0) -> Single:
    return lambda t: np.asarray(t & keep ^ turn)


def _in_page(k: int) -> Single:
    return lambda t: np.asarray(t & 0xFF00 | (t + k & 255))


_SINGLE: Final[dict[str, Single]] = {
    **{f"{{}} + {k}": _plus(k) for k in (1, 2, 3)},
    **{f"{{}} - {k}": _plus(-k) for k in (1, 2, 3)},
    "NOT {}": _masked(-1, -1),
    "-{}": lambda t: -t,
    "2 * {}": lambda t: t * 2,
    "{} / 2": lambda t: t // 2,
    **{f"{{}} with bit {k} clear": _masked(~(1 << k)) for k in range(8)},
    **{f"{{}} with bit {k} set": _masked(~(1 << k), 1 << k) for k in range(8)},
    **{f"{{}} with bit {k} inverted": _masked(-1, 1 << k) for k in range(8)},
    "{} with bits 4 and 5 set": _masked(~0x30, 0x30),
    "{} with bits 4 and 5 clear": _masked(~0x30),
    "the low digit of {}": _masked(0x0F),
    "the high digit of {}": _masked(0xF0),
    "{} with its digits exchanged": lambda t: t * 16 + t // 16 % 16,
    "{} with its bytes exchanged": lambda t: t * 256 + t // 256 % 256,
    "the low byte of {}": _masked(0xFF),
    "the high byte of {}": _masked(0xFF00),
    **{f"{{}} + {k} within its page": _in_page(k) for k in (1, 2)},
    **{f"{{}} - {k} within its page": _in_page(-k) for k in (1, 2)},
}
_DOUBLE: Final[dict[str, Callable[[Column, Column], Column]]] = {
    "{} + {}": lambda t, u: t + u,
    "{} - {}": lambda t, u: t - u,
    "{} AND {}": lambda t, u: np.asarray(t & u),
    "{} OR {}": lambda t, u: np.asarray(t | u),
    "{} XOR {}": lambda t, u: np.asarray(t ^ u),
}
_CARRIES: Final[dict[str, Single]] = {
    "{} + C": lambda c: c,
    "{} - (1 - C)": lambda c: c - 1,
    "{} - C": lambda c: -c,
    "{} + (1 - C)": lambda c: 1 - c,
    "{} + 1": lambda c: c * 0 + 1,
    "{} - 1": lambda c: c * 0 - 1,
}


def search_value(
    inputs: Inputs, field: str, right: Column, actual: Column, counted: Truths
) -> str | None:
    """A short formula that equals `actual` in all the rows `counted`, or None.

    `field` names what the two columns hold; `right` is what they should.
    """
    wrong = counted & (right != actual)
    errors = int(wrong.sum())
    # A wrong number says more than that it is wrong.
    known = information(int(counted.sum()), errors) + 3 * errors - _MARGIN
    everywhere = np.flatnonzero(counted)
    mask = 0xFFFF if field in _WIDE else 0xFF
    if known > 0 and errors and np.all(actual[everywhere] == actual[everywhere[0]]):
        value = int(actual[everywhere[0]])
        return f"always {value if field in _COUNTS else f'{value:0{4 if mask > 255 else 2}X}'}"
    rows = np.union1d(_spread(np.flatnonzero(wrong), 96), _spread(everywhere, 64))
    for _ in range(_ROUNDS):
        wanted = actual[rows].astype(np.int64)
        terms, main = _terms(inputs.at(rows), field, right[rows])
        columns = {name: term() for name, term in terms.items()}
        found: tuple[str, Compute] | None = None
        for number, (text, compute) in enumerate(_proposals(terms, main), start=1):
            if math.log2(number) > known:
                break
            if np.array_equal(compute(columns.__getitem__) & mask, wanted):
                found = text, compute
                break
        if found is None:
            return None
        terms, _ = _terms(inputs, field, right)
        answer = found[1](_from(terms))
        misses = np.flatnonzero(counted & (answer & mask != actual))
        if len(misses) == 0:
            return found[0]
        rows = np.union1d(rows, _spread(misses, 32))
    return None


_WIDE: Final = ("pc", "push_address")
_COUNTS: Final = ("cycles", "pushes", "stores")


def _proposals(names: Iterable[str], main: tuple[str, ...]) -> Iterator[tuple[str, Compute]]:
    """Short formulas first. `C` is the one term that only follows others."""
    names = [name for name in names if name != "C"]
    for name in names:
        yield name, _single(name)
    for one, other in itertools.product(main, repeat=2):
        for form, double in _DOUBLE.items():
            if one == other or (one > other and form != "{} - {}"):
                continue
            text = form.format(one, other)
            yield text, _double(one, other, double)
            if form in ("{} + {}", "{} - {}"):
                for suffix, carry in _CARRIES.items():
                    yield suffix.format(text), _double(one, other, double, carry)
    for name in main:
        for suffix, carry in _CARRIES.items():
            yield suffix.format(name), _double(name, "C", lambda t, _: t, carry)
    changed = dict.fromkeys((*main, RIGHT, *names))
    for form, single in _SINGLE.items():
        for name in changed:
            yield form.format(name), _single(name, single)


def _single(name: str, single: Single | None = None) -> Compute:
    return lambda term: single(term(name)) if single else term(name)


def _double(
    one: str, other: str, double: Callable[[Column, Column], Column], carry: Single | None = None
) -> Compute:
    def compute(term: Term) -> Column:
        total = double(term(one), term(other))
        return total + carry(term("C")) if carry else total

    return compute


def _terms(inputs: Inputs, field: str, right: Column) -> tuple[Terms, tuple[str, ...]]:
    """Named numbers, the likelier first; and which of them are worth adding to one another."""
    found: Terms = {"C": lambda: inputs.c}
    main: tuple[str, ...] = ()
    if field in _WIDE:
        found |= _addresses(inputs)
    elif field == "cycles":
        found["the table's clocks"] = lambda: inputs.clocks
    elif field not in _COUNTS:
        main = tuple(dict.fromkeys((inputs.label, "M") if inputs.name in _HAS_M else ("A",)))
        found |= _bytes(inputs)
        if field == "a" and inputs.name in ("ADC", "SBC"):
            found |= _digits(inputs)
    if field in ("pc", "cycles"):
        found |= _branching(inputs, field)
    return {**found, RIGHT: lambda: right.astype(np.int64)}, main


def _from(terms: Terms) -> Term:
    return lambda name: terms[name]()


def _given(column: Column) -> Callable[[], Column]:
    return lambda: column


def _bytes(inputs: Inputs) -> Terms:
    found: Terms = {inputs.label: lambda: inputs.source}
    if inputs.name in _HAS_M:
        found.setdefault("M", lambda: inputs.m)
    for i, place in enumerate(("first", "second", "third")[: _PULLS.get(inputs.name, 0)]):
        found[f"the {place} byte pulled"] = _given(inputs.pulled(i))
    for label in ("A", "X", "Y", "SP", "P"):
        found.setdefault(label, _given(getattr(inputs, label.lower())))
    for i in range(4):
        text = f"PC + {i}" if i else "PC"
        found[f"the high byte of {text}"] = _given((inputs.pc + i) % 65536 // 256)
        found[f"the low byte of {text}"] = _given((inputs.pc + i) % 256)
    return found


def _addresses(inputs: Inputs) -> Terms:
    code = inputs.cases["bytes"].astype(np.int64)
    found: Terms = {
        "the opcode's address": lambda: inputs.pc,
        "the next opcode's address": lambda: inputs.following,
        "0100 + SP": lambda: inputs.sp + 256,
        "SP": lambda: inputs.sp,
    }
    if inputs.event or inputs.name == "BRK":
        found["the vector"] = lambda: inputs.cases["vector"].astype(np.int64)
    else:
        found["the two bytes after the opcode"] = lambda: code[:, 1] + 256 * code[:, 2]
    for i in range(_PULLS.get(inputs.name, 0) - 1):
        found[f"the pulled bytes {i + 1} and {i + 2}"] = _given(inputs.pulled(i, 2))
    return found


def _branching(inputs: Inputs, field: str) -> Terms:
    """Where wrong branches go, and what they count."""
    entry = BY_MNEMONIC.get(inputs.name, {}).get("relative")
    if entry is None:
        return {}
    # Bits 7 and 6 of a branch's opcode name the flag, bit 5 the value that takes it.
    flag = inputs.p >> FLAG_BITS["nvcz"[entry.opcode >> 6]] & 1
    taken = (flag == (entry.opcode >> 5 & 1)).astype(np.int64)
    offset = inputs.cases["bytes"][:, 1].astype(np.int64)
    signed, next_, start = (offset ^ 128) - 128, inputs.following, inputs.pc
    target, clocks = next_ + signed, inputs.clocks
    if field == "cycles":
        another = (target & 0xFF00 != next_ & 0xFF00).astype(np.int64)
        leaves = (target & 0xFF00 != start & 0xFF00).astype(np.int64)
        if_ = "the table's clocks, 1 more if taken"
        return {
            if_: lambda: clocks + taken,
            "the table's clocks, 1 more if the target is in another page": lambda: clocks + another,
            "the table's clocks, 1 more if taken into another page": lambda: (
                clocks + taken * another
            ),
            f"{if_} and 1 if the target is in another page": lambda: clocks + taken + another,
            f"{if_} and 1 if that leaves the opcode's page": lambda: clocks + taken * (1 + leaves),
            f"{if_} and always 1 for the page": lambda: clocks + 2 * taken,
        }
    wrong: dict[str, Column] = {
        "with the offset taken for unsigned": next_ + offset,
        "counted from the opcode": start + signed,
        "counted from the offset's own address": start + 1 + signed,
        "within the page": next_ & 0xFF00 | target & 255,
        "with the offset subtracted": next_ - signed,
    }
    return {
        f"the target {text}, if taken": _given(np.where(taken, place, next_))
        for text, place in wrong.items()
    } | {"the target, taken or not": lambda: target}


def _digits(inputs: Inputs) -> Terms:
    """Decimal results with other corrections than the right ones."""
    a, m, c = inputs.a, inputs.m, inputs.c
    found: Terms = {}
    if inputs.name == "ADC":
        low, binary, name = a % 16 + m % 16 + c, a + m + c, "A + M + C"
        high = a - a % 16 + m - m % 16
        lows: dict[str, Column] = {
            "": binary,
            ", plus 6 where the low digits' sum exceeds 9": binary + 6 * (low > 9),
            ", plus 6 where the low digits' sum exceeds F": binary + 6 * (low > 15),
            ", its low digit corrected": high + np.where(low > 9, (low + 6) % 16 + 16, low),
        }
        limits = [(f"exceeds {limit:02X}", 0x60, limit) for limit in (0x99, 0x9F, 0xFF)]
    else:
        low, binary, name = a % 16 - m % 16 + c - 1, a - m + c - 1, "A - M - (1 - C)"
        high = a - a % 16 - m + m % 16
        lows = {
            "": binary,
            ", minus 6 where the low digit borrows": binary - 6 * (low < 0),
            ", its low digit corrected": high + np.where(low < 0, (low - 6) % 16 - 16, low),
        }
        limits = [("is negative", -0x60, -1)]
    for text, total in lows.items():
        found[f"{name}{text}"] = _given(total)
        for condition, by, limit in limits:
            for label, judged in ((name, binary), ("that", total)):
                high_text = f", {'plus' if by > 0 else 'minus'} 60 where {label} {condition}"
                corrected = judged > limit if by > 0 else judged <= limit
                found[f"{name}{text}{high_text}"] = _given(total + by * corrected)
    return found
