"""A small closed set of expressions: read, checked, and worked out over whole columns.

Python's own grammar and precedence, by `ast`: names, whole numbers, comparisons (chained ones too),
``and or not``, ``& | ^ ~ + - << >>``, ``signed(x)``, ``bit(x, i)``, ``carry(i)``, ``before(C)``,
``valid(x)``, ``bcd(x)``. Nothing of an expression is ever run as code: the characters, then the
words, then their order are checked before Python's parser sees them, and its tree is walked here,
node by node, as NumPy operations.

Numbers are whole and do not wrap: ``a + m`` goes to 510. What each part of an expression can be is
known before it is worked out (its lowest and highest value), so that nothing overflows unseen, and
a number is not taken for a truth.
"""

from __future__ import annotations

import ast
import difflib
import operator
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import reduce
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..system.errors import UnusableError
from ..system.quoting import quoted

LONGEST: Final = 1000  # characters
DEEPEST: Final = 50  # levels, of brackets or of operations
LARGEST: Final = (1 << 32) - 1  # a number that is written
BOUND: Final = 1 << 48  # what a part of an expression may reach: far within 64 bits
SHIFTS: Final = 31  # the highest count of a shift, and place of a bit
SHOWN: Final = 72  # characters of an expression, with an error
CARRIES: Final = 8  # the highest carry

#: The functions, and what they are given.
FUNCTIONS: Final = {
    "signed": "signed(x)", "bit": "bit(x, i)", "carry": "carry(i)", "before": "before(C)",
    "valid": "valid(x)", "bcd": "bcd(x)",
}  # fmt: skip
WORDS: Final = ("and", "or", "not")
TOKENS: Final = re.compile(
    r"(?P<space>[ \t]+)|(?P<name>[A-Za-z_]\w*)|(?P<number>\d\w*)"
    r"|(?P<sign>\*\*|&&|\|\||:=|<<|>>|<=|>=|==|!=|[-+~&|^<>(),])",
    re.ASCII,
)
NUMBER: Final = re.compile(r"0[xX][0-9a-fA-F]+|0[bB][01]+|0|[1-9][0-9]*", re.ASCII)
BINARY: Final = ("+", "-", "&", "|", "^", "<<", ">>", "<", ">", "<=", ">=", "==", "!=", "and", "or")
UNARY: Final = ("+", "-", "~", "not")
#: What people write who think of another language, and what is written here.
INSTEAD: Final = {
    "**": "there are no powers", "&&": "write 'and'", "||": "write 'or'", "!": "write 'not' or !=",
    "=": "write ==", ":=": "write ==", "$": "write 0x50", "%": "binary is 0b0101",
    "*": "write a sum", "/": "write >>", "?": "write 'and' and 'or'", "[": "write bit(x, i)",
    "≥": "write >=", "≤": "write <=", "≠": "write !=", "True": "write 1", "False": "write 0",
    "\n": "write one line", "\r": "write one line",
}  # fmt: skip

Column = npt.NDArray[Any]


class Range(NamedTuple):
    """The lowest and the highest value that something can have."""

    low: int
    high: int

    @property
    def truth(self) -> bool:
        """True if it is 0 or 1."""
        return self.low >= 0 and self.high <= 1

    def __str__(self) -> str:
        return f"{self.low} to {self.high}" if self.low != self.high else str(self.low)


class ExpressionError(UnusableError):
    """An unusable expression: why, and below it the expression with a caret under the place."""

    def __init__(self, message: str, text: str, place: int) -> None:
        self.message, self.text, self.place = message, text, place
        begin = max(0, min(place - SHOWN // 2, len(text) - SHOWN))
        shown = "".join(c if " " <= c <= "~" else " " if c == "\t" else "?" for c in text)
        before = "..." if begin else ""
        after = "..." if begin + SHOWN < len(text) else ""
        line = f"{before}{shown[begin : begin + SHOWN]}{after}"
        self._below = [line, " " * (len(before) + place - begin) + "^"]
        super().__init__(message)

    def __str__(self) -> str:
        """All of it."""
        return "\n  ".join([self.message, *self._below])

    @property
    def summary(self) -> str:
        """Why."""
        return self.message

    @property
    def details(self) -> list[str]:
        """The expression, and the caret."""
        return self._below


class _Token(NamedTuple):
    kind: str  # "name", "number" or "sign"; the words are signs
    text: str
    place: int


class _Reader:
    """Reads one expression; `names` are those that it may use, `absent` why others may not be."""

    def __init__(self, text: str, names: Mapping[str, Range], absent: Mapping[str, str]) -> None:
        self.text, self.names, self.absent = text, names, absent

    def error(self, message: str, at: int | ast.expr) -> ExpressionError:
        place = at.col_offset - 1 if isinstance(at, ast.expr) else at
        return ExpressionError(message, self.text, place)

    def tokens(self) -> Iterator[_Token]:
        text, place = self.text, 0
        if len(text) > LONGEST:
            raise self.error(f"too long: {len(text):,} characters, at most {LONGEST:,}", LONGEST)
        while place < len(text):
            found = TOKENS.match(text, place)
            if found is None or found.group() in INSTEAD:
                unknown = found.group() if found else text[place]
                hint = f": {INSTEAD[unknown]}" if unknown in INSTEAD else ""
                raise self.error(f"{unknown!a} is no part of an expression{hint}", place)
            kind, word = found.lastgroup or "", found.group()
            if kind == "number":
                self.check_number(word, place)
            elif kind == "name" and word not in WORDS:
                called = text[found.end() :].lstrip(" \t").startswith("(")
                self.check_name(word, place, called)
            if kind != "space":
                yield _Token("sign" if word in WORDS else kind, word, place)
            place = found.end()

    def check_number(self, word: str, place: int) -> None:
        if not NUMBER.fullmatch(word):
            raise self.error(f"{quoted(word)} is not a number: write 80, 0x50 or 0b01010000", place)
        if int(word, 0) > LARGEST:
            raise self.error(f"the number is too large: at most {LARGEST}", place)

    def check_name(self, word: str, place: int, called: bool) -> None:
        if word in FUNCTIONS:
            if not called:
                raise self.error(f"{word!r} is a function: write {FUNCTIONS[word]}", place)
            if word in self.absent:
                raise self.error(self.absent[word], place)
            return
        known = [*FUNCTIONS.values()] if called else [*self.names]
        if word in self.absent and not called:
            raise self.error(self.absent[word], place)
        if called or word not in self.names:
            what = "function" if called else "name"
            near = difflib.get_close_matches(word.lower(), [*self.names, *FUNCTIONS], 1, 0.8)
            hint = f"did you mean {near[0]!r}?" if near and near[0] != word else ""
            raise self.error(
                f"no {what} {quoted(word, 20)} here: {hint or ', '.join(known)}", place
            )

    def check_order(self, tokens: list[_Token]) -> None:
        """Operands and operators in turn, brackets closed: what Python's parser will then take."""
        brackets: list[_Token] = []
        operand_next = True
        for i, token in enumerate(tokens):
            before = tokens[i - 1] if i else None
            kind, word, place = token
            if operand_next:
                if word == "not" and before and before.text not in ("(", ",", "and", "or", "not"):
                    raise self.error("'not' needs brackets here: (not ...)", place)
                if word == "(":
                    brackets.append(token)
                    if len(brackets) > DEEPEST:
                        raise self.error(f"nested too deeply: at most {DEEPEST} levels", place)
                elif kind in ("name", "number"):
                    operand_next = word in FUNCTIONS
                elif word not in UNARY:
                    raise self.error(f"something is missing before {quoted(word)}", place)
            elif word == ")":
                if not brackets:
                    raise self.error("this bracket closes nothing", place)
                brackets.pop()
            elif word == ",":
                opened = tokens.index(brackets[-1]) if brackets else 0
                if not opened or tokens[opened - 1].kind != "name":
                    raise self.error("a comma stands only between what a function is given", place)
                operand_next = True
            elif word in BINARY:
                operand_next = True
            else:
                raise self.error(f"an operator is missing before {quoted(word)}", place)
        if operand_next:
            raise self.error("something is missing at the end", len(self.text))
        if brackets:
            raise self.error("this bracket is not closed", brackets[-1].place)

    def parse(self) -> ast.expr:
        tokens = list(self.tokens())
        if not tokens:
            raise self.error("the expression is empty", 0)
        self.check_order(tokens)
        try:
            root = ast.parse(f"({self.text})", mode="eval").body
        except (SyntaxError, ValueError, RecursionError, MemoryError):
            raise self.error("this cannot be read as an expression", 0) from None
        level: list[ast.expr] = [root]
        for _ in range(DEEPEST):
            level = [inner for node in level for inner in _inner(node)]
        if level:
            raise self.error(f"nested too deeply: at most {DEEPEST} levels", level[0])
        return root

    # What each part of the tree can be. Whatever is not named here is refused.

    def range(self, node: ast.expr, masked: bool = False) -> Range:
        match node:
            case ast.Constant(value=int(value)) if not isinstance(value, bool):
                return Range(value, value)
            case ast.Name(id=name):
                return self.names[name]
            case ast.Compare(left=left, comparators=others):
                for inner in (left, *others):
                    self.range(inner)
                return Range(0, 1)
            case ast.BoolOp(values=values):
                for inner in values:
                    self.truth(inner, "'and' and 'or' join truths")
                return Range(0, 1)
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                self.truth(operand, "'not' turns a truth")
                return Range(0, 1)
            case ast.UnaryOp(op=ast.Invert(), operand=operand):
                found = self.range(operand)
                if found.truth and not masked and not isinstance(operand, ast.Constant):
                    raise self.error("~ makes -1 and -2 of 0 and 1: write (not ...)", node)
                return Range(~found.high, ~found.low)
            case ast.UnaryOp(op=op, operand=operand):
                low, high = self.range(operand)
                return Range(-high, -low) if isinstance(op, ast.USub) else Range(low, high)
            case ast.BinOp():
                return self.binary(node)
            case ast.Call(func=ast.Name(id=name), args=args, keywords=[]):
                return self.call(node, name, args)
        raise self.error("this is no part of an expression", node)

    def truth(self, node: ast.expr, why: str) -> None:
        found = self.range(node)
        if not found.truth:
            raise self.error(f"{why}, and this is a number, {found}: compare it", node)

    def binary(self, node: ast.BinOp) -> Range:
        masked = isinstance(node.op, ast.BitAnd)  # of -1 and -2 a mask takes what was meant
        left, right = self.range(node.left, masked), self.range(node.right, masked)
        match node.op:
            case ast.Add():
                found = Range(left.low + right.low, left.high + right.high)
            case ast.Sub():
                found = Range(left.low - right.high, left.high - right.low)
            case ast.BitAnd() if left.low >= 0 or right.low >= 0:
                found = Range(0, min(side.high for side in (left, right) if side.low >= 0))
            case ast.BitAnd() | ast.BitOr() | ast.BitXor():
                bits = max(max(~side.low, side.high).bit_length() for side in (left, right))
                least = 0 if min(left.low, right.low) >= 0 else -1 << bits
                found = Range(least, (1 << bits) - 1)
            case ast.LShift() | ast.RShift():
                self.within(node.right, right, SHIFTS, "the count of a shift")
                shift = operator.lshift if isinstance(node.op, ast.LShift) else operator.rshift
                ends = [shift(value, count) for value in left for count in right]
                found = Range(min(ends), max(ends))
            case _:
                raise self.error("this is no part of an expression", node)
        if found.low < -BOUND or found.high > BOUND:
            raise self.error("this can go past 2 to the 48th", node)
        return found

    def call(self, node: ast.expr, name: str, args: list[ast.expr]) -> Range:
        if len(args) != FUNCTIONS[name].count(",") + 1:
            raise self.error(f"{name!r} is given something else: {FUNCTIONS[name]}", node)
        if name == "before":
            (flag,) = args
            if not isinstance(flag, ast.Name) or not flag.id.isupper():
                raise self.error("before is of a flag: before(C), or N V D I Z", flag)
            return Range(0, 1)
        ranges = [self.range(arg) for arg in args]
        if name in ("valid", "bcd"):
            hint = "; & 0xFF takes the low eight bits"
            self.within(args[0], ranges[0], 255, f"{name} reads a byte; this", hint)
            return Range(0, 1) if name == "valid" else Range(0, 165)
        if name == "signed":
            hint = "; & 0xFF takes the low eight bits"
            self.within(args[0], ranges[0], 255, "signed reads a byte; this", hint)
            return Range(-128, 127)
        if name == "bit":
            self.within(args[1], ranges[1], SHIFTS, "the place of a bit")
        else:
            self.within(args[0], ranges[0], CARRIES, "a carry's place")
        return Range(0, 1)

    def within(self, node: ast.expr, found: Range, most: int, what: str, hint: str = "") -> None:
        if found.low < 0 or found.high > most:
            raise self.error(f"{what} must be 0 to {most}, and can be {found}{hint}", node)


def _inner(node: ast.expr) -> list[ast.expr]:
    """What an operation is given, in order."""
    if isinstance(node, ast.Call):
        return node.args
    return [inner for inner in ast.iter_child_nodes(node) if isinstance(inner, ast.expr)]


OPERATIONS: Final[dict[type[ast.AST], Callable[[Any, Any], Any]]] = {
    ast.Add: np.add, ast.Sub: np.subtract, ast.LShift: np.left_shift, ast.RShift: np.right_shift,
    ast.BitAnd: np.bitwise_and, ast.BitOr: np.bitwise_or, ast.BitXor: np.bitwise_xor,
    ast.Eq: np.equal, ast.NotEq: np.not_equal, ast.Lt: np.less, ast.LtE: np.less_equal,
    ast.Gt: np.greater, ast.GtE: np.greater_equal,
}  # fmt: skip
ALONE: Final[dict[type[ast.AST], Callable[[Any], Any]]] = {
    ast.UAdd: np.positive, ast.USub: np.negative, ast.Invert: np.invert,
    ast.Not: lambda truth: 1 - truth,
}  # fmt: skip


def _work_out(node: ast.expr, columns: Mapping[str, Any]) -> Any:
    """The value of a part of a checked tree in every row, as 64-bit numbers."""
    match node:
        case ast.Constant(value=int(value)):
            return np.int64(value)
        case ast.Name(id=name):
            return columns[name].astype(np.int64)
        case ast.UnaryOp(op=op, operand=operand):
            return ALONE[type(op)](_work_out(operand, columns))
        case ast.BinOp(left=left, op=op, right=right):
            return OPERATIONS[type(op)](_work_out(left, columns), _work_out(right, columns))
        case ast.BoolOp(op=op, values=values):
            join = np.bitwise_and if isinstance(op, ast.And) else np.bitwise_or
            return reduce(join, (_work_out(value, columns) for value in values))
        case ast.Compare(left=left, ops=ops, comparators=others):
            before, holds = _work_out(left, columns), np.int64(1)
            for comparison, other in zip(ops, others, strict=True):
                after = _work_out(other, columns)
                holds = holds & OPERATIONS[type(comparison)](before, after)
                before = after
            return holds
        case ast.Call(func=ast.Name(id="signed"), args=[byte]):
            value = _work_out(byte, columns)
            return value - (value >> 7 << 8)
        case ast.Call(func=ast.Name(id="valid"), args=[byte]):
            value = _work_out(byte, columns)
            return ((value >> 4 <= 9) & (value & 15 <= 9)).astype(np.int64)
        case ast.Call(func=ast.Name(id="bcd"), args=[byte]):
            value = _work_out(byte, columns)
            return 10 * (value >> 4) + (value & 15)
        case ast.Call(func=ast.Name(id="before"), args=[ast.Name(id=flag)]):
            return columns[f"before({flag})"].astype(np.int64)
        case ast.Call(func=ast.Name(id="bit"), args=[value, place]):
            return _work_out(value, columns) >> _work_out(place, columns) & 1
        case ast.Call(args=[place]):
            return columns["carry"].astype(np.int64) >> _work_out(place, columns) & 1
    raise AssertionError(f"{ast.dump(node)} was checked")


@dataclass(frozen=True)
class Expression:
    """A checked expression, or a part of one."""

    source: str
    root: ast.expr
    names: Mapping[str, Range]  # what may be used, and what it can be

    @property
    def text(self) -> str:
        """As it is written, without what stands around it."""
        end = self.root.end_col_offset or 0
        return self.source[self.root.col_offset - 1 : end - 1]

    @property
    def range(self) -> Range:
        """What its value can be, by the form of the expression."""
        return _Reader(self.source, self.names, {}).range(self.root)

    @property
    def used(self) -> frozenset[str]:
        """The names in it, and "carry" if it asks for a carry."""
        names = {node.id for node in ast.walk(self.root) if isinstance(node, ast.Name)}
        return frozenset(names - (FUNCTIONS.keys() - {"carry"}))

    @property
    def asked_before(self) -> str:
        """The flags whose value before the instruction is asked for."""
        return "".join(
            node.args[0].id for node in ast.walk(self.root)
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
            and node.func.id == "before" and isinstance(node.args[0], ast.Name)
        )  # fmt: skip

    @property
    def parts(self) -> list[Expression]:
        """What its outermost operation is given."""
        return [replace(self, root=node) for node in _inner(self.root)]

    @property
    def equation(self) -> bool:
        """True if it is one comparison or several, or joins such."""
        return isinstance(self.root, ast.Compare | ast.BoolOp)

    @property
    def negation(self) -> bool:
        """True if its outermost operation is 'not'."""
        return isinstance(self.root, ast.UnaryOp) and isinstance(self.root.op, ast.Not)

    def same(self, other: Expression) -> bool:
        """True if both say the same in the same words."""
        return ast.dump(self.root) == ast.dump(other.root)

    def column(self, columns: Mapping[str, Column], rows: int) -> Column:
        """Its value in each of `rows` rows, as 64-bit numbers.

        `columns` holds a column of unsigned numbers for each name; "carry" has carry i in bit i.
        """
        return np.broadcast_to(np.asarray(_work_out(self.root, columns), np.int64), rows)

    @property
    def chain(self) -> str:
        """How a chained comparison with == or != is read, as Python does; "" if there is none."""
        for node in ast.walk(self.root):
            if isinstance(node, ast.Compare) and len(node.ops) > 1:
                if not any(isinstance(op, ast.Eq | ast.NotEq) for op in node.ops):
                    continue
                sides = [node.left, *node.comparators]
                pairs = zip(sides, node.ops, sides[1:], strict=False)
                each = (ast.Compare(left, [op], [right]) for left, op, right in pairs)
                return " and ".join(f"({ast.unparse(pair)})" for pair in each)
        return ""


def read(
    text: str, names: Mapping[str, Range], absent: Mapping[str, str] | None = None
) -> Expression:
    """Reads an expression that is a truth, 0 or 1.

    `names` are those that may be used and what they can be; `absent` are others, or functions, and
    why they may not be. Raises ExpressionError.
    """
    reader = _Reader(text, names, absent or {})
    root = reader.parse()
    found = reader.range(root)
    if not found.truth:
        number = f"this is a number, {found}"
        raise reader.error(f"true or false is wanted, and {number}: compare it, as in r == 0", root)
    return Expression(text, root, names)
