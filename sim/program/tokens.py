"""The text of a listing: its lines as tokens, its expressions, and what is said of a wrong one."""

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice
from typing import Final, NamedTuple, NoReturn

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
        wanted = _NUMBER if found[0] in "$%0123456789" else "a name, a number or one of #<>+-*=:,()"
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


@dataclass(frozen=True, slots=True)
class ListingExpression:
    """A sum: what is known of it, and the names still to be looked up, each with +1 or -1."""

    line: ListingLine
    start: ListingToken
    half: str  # "<", ">" or ""
    known: int
    names: tuple[tuple[int, ListingToken], ...]

    def value(self, labels: dict[str, int]) -> int | None:
        """None while a name is undefined."""
        total = self.known
        for sign, name in self.names:
            if name.text not in labels:
                return None
            total += sign * labels[name.text]
        return total & 0xFF if self.half == "<" else total >> 8 & 0xFF if self.half else total

    def resolve(self, labels: dict[str, int], limits: Limits, by: str = "line") -> int:
        """The value, which has to be there and within the limits. Raises ListingError."""
        value = self.value(labels)
        if value is None:
            name = next(name for _, name in self.names if name.text not in labels)
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
