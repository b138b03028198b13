"""The text of a listing: its lines as tokens, its expressions, and what is said of a wrong one."""

import difflib
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import islice
from operator import add, floordiv, mul, sub
from typing import Final, NamedTuple, NoReturn, Self

from ..system.errors import UnusableError
from ..system.quoting import SHOWN, one_line, quoted

REGISTERS: Final = ("A", "X", "Y")
Limits = tuple[int, int, str]  # the lowest value, the highest, and what it is

_TOKEN: Final = re.compile(
    r"""
      (?P<space> [ \t]+ | ;.* )
    | (?P<number> (?: \$[0-9A-Fa-f]+ | %[01]+ | [0-9]+ ) (?!\w) )
    | (?P<character> '[ -~]' )
    | (?P<text> "[ !#-~]*" )
    | (?P<word> \.?[A-Za-z_][A-Za-z0-9_]* )
    | (?P<sign> [#<>+*/=:,()-] )
    """,
    re.VERBOSE,
)
_REFUSED: Final = re.compile(r"[$%]\w*|[0-9]\w*|.", re.DOTALL)
_NUMBER: Final = "a number: $ and 0-9 A-F, % and 0-1, or 0-9"
_WANTED: Final = {
    "'": "one ASCII character and a ' after it",
    '"': 'ASCII characters and a " after them',
}


class ListingError(UnusableError):
    """A listing that cannot be assembled; `line` and `column` count from 1."""

    def __init__(self, file: str, line: int, column: int, message: str) -> None:
        """`message` says what was found and what was expected."""
        super().__init__(file, line, column, message)
        self.file, self.line, self.column, self.message = file, line, column, message

    def __str__(self) -> str:
        """One line, ``file:line:column: message``, so that editors can jump to it."""
        return one_line(f"{self.file}:{self.line}:{self.column}: {self.message}")


class ListingToken(NamedTuple):
    """A token: a name, a number, a text or a sign."""

    kind: str  # a group of _TOKEN, or "end"
    text: str
    column: int

    def __str__(self) -> str:
        """As a message quotes it."""
        return quoted(self.text) if self.text else "the end of the line"


class ListingLine:
    """The tokens of a line, taken from the left; in `tokens` the next one is the last."""

    def __init__(self, file: str, number: int, source: str) -> None:
        """Raises ListingError at what is no token."""
        self.file, self.number, self.tokens = file, number, list[ListingToken]()
        position = end = 0
        while position < len(source):
            match = _TOKEN.match(source, position)
            if match is None:
                self._refuse(source, position)
            position = match.end()
            if match.lastgroup != "space":
                self.tokens.append(ListingToken(match.lastgroup or "", match[0], match.start() + 1))
                end = position
        self.text = source[:end].strip()
        self.tokens.append(ListingToken("end", "", end + 1))
        self.tokens.reverse()  # to be taken from the end, which moves no others

    def _refuse(self, source: str, position: int) -> NoReturn:
        found = next(_REFUSED.finditer(source, position))[0]
        wanted = (
            _NUMBER if found[0] in "$%0123456789" else "a name, a number or one of #<>+-*/=:,()"
        )
        self.fail(ListingToken("", found, position + 1), _WANTED.get(found, wanted))

    def fail(self, token: ListingToken, wanted: str, found: object = None) -> NoReturn:
        """Raises ListingError at a token."""
        message = f"found {found or token}; expected {wanted}"
        raise ListingError(self.file, self.number, token.column, message)

    @property
    def next(self) -> ListingToken:
        """The token that comes next; the end of the line stays."""
        return self.tokens[-1]

    def take(self) -> ListingToken:
        """The next token, which is passed."""
        return self.tokens.pop() if len(self.tokens) > 1 else self.tokens[0]

    def accept(self, *texts: str) -> str:
        """Takes the next token if it is one of these; what was taken, in lower case, or ""."""
        return self.take().text.lower() if self.next.text.lower() in texts else ""

    def finish(self, wanted: str = "the end of the line") -> None:
        """Raises ListingError if there is more."""
        if self.next.kind != "end":
            self.fail(self.next, wanted)


_LARGEST: Final = 1 << 64
_OPERATIONS: Final = {"+": add, "-": sub, "*": mul, "/": floordiv}
_BINDING: Final = {"+": 1, "-": 1, "*": 2, "/": 2, "negate": 3}


@dataclass(frozen=True, slots=True)
class ListingExpression:
    """An expression, its operators behind what they join: numbers, names, and signs."""

    line: ListingLine
    start: ListingToken
    half: str  # "<", ">" or ""
    steps: tuple[int | ListingToken, ...]

    @classmethod
    def read(
        cls, line: ListingLine, value_of: Callable[[ListingToken], int | ListingToken]
    ) -> Self:
        """Takes one from a line; `value_of` says what a token in the place of a number is.

        `*` and `/` bind more than `+` and `-`; parentheses group, however deep. Raises ListingError
        where a number is missing or a parenthesis is not closed.
        """
        start, half = line.next, line.accept("<", ">")
        steps: list[int | ListingToken] = []
        waiting: list[ListingToken] = []  # operators and open parentheses
        depth = 0

        def settle(binding: int) -> None:
            while waiting and _BINDING.get(waiting[-1].text, 0) >= binding:
                steps.append(waiting.pop())

        while True:
            token = line.take()
            while token.text in ("(", "+", "-"):
                depth += token.text == "("
                if token.text != "+":
                    sign = "negate" if token.text == "-" else "("
                    waiting.append(token._replace(text=sign))
                token = line.take()
            steps.append(value_of(token))
            while depth and line.next.text == ")":
                depth -= 1
                settle(1)
                waiting.pop()
                line.take()
            if line.next.text not in ("+", "-", "*", "/"):
                break
            settle(_BINDING[line.next.text])
            waiting.append(line.take())
        settle(1)
        if waiting:
            line.fail(line.next, "')'")
        return cls(line, start, half, tuple(steps))

    def value(self, labels: dict[str, int]) -> int | None:
        """None while a name is undefined. Raises ListingError for a division by zero."""
        values: list[int] = []
        for step in self.steps:
            if isinstance(step, int):
                values.append(step)
            elif step.text == "negate":
                values.append(-values.pop())
            elif step.text in _BINDING:
                right, left = values.pop(), values.pop()
                if step.text == "/" and not right:
                    self.line.fail(step, "a divisor that is not 0", "a division by zero")
                values.append(_OPERATIONS[step.text](left, right))
                if abs(values[-1]) > _LARGEST:
                    self.line.fail(step, "a smaller number", "a number beyond 64 bits")
            elif step.text in labels:
                values.append(labels[step.text])
            else:
                return None
        (total,) = values
        return total & 0xFF if self.half == "<" else total >> 8 & 0xFF if self.half else total

    def resolve(self, labels: dict[str, int], limits: Limits, by: str = "line") -> int:
        """The value, which has to be there and within the limits. Raises ListingError."""
        value = self.value(labels)
        if value is None:
            names = (step for step in self.steps if isinstance(step, ListingToken))
            name = next(one for one in names if one.text not in (*labels, *_BINDING))
            wanted = f"a label or a constant{nearest(name.text, labels)}"
            self.line.fail(name, wanted, f"{name}, which no {by} defines")
        lowest, highest, what = limits
        if not lowest <= value <= highest:
            self.line.fail(self.start, f"{what}, {lowest} to {highest}", str(value))
        return value


def nearest(name: str, known: Iterable[str]) -> str:
    """The name that was perhaps meant, as the end of a message; "" if none is near."""
    # Comparing two names takes the product of their lengths: a long one is no slip of the finger.
    folded = {other.casefold(): other for other in islice(known, 1000) if len(other) <= SHOWN}
    close = difflib.get_close_matches(name[: SHOWN + 1].casefold(), folded, 1)
    return f" (nearest: {folded[close[0]]})" if close else ""
