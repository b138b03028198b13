"""What a message quotes of an input: short, and with nothing in it that a terminal would obey."""

from typing import Final

LONGEST: Final = 500  # characters of a message
SHOWN: Final = 60  # characters of what it quotes


def visible(text: str) -> str:
    """A text in one line: what cannot be printed, lone surrogates too, is written as in Python."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def quoted(text: str, most: int = SHOWN) -> str:
    """The beginning of a text in quotation marks."""
    return repr(text if len(text) <= most else text[:most] + "...")


def one_line(message: object, longest: int = LONGEST) -> str:
    """A message as it may be shown: its middle is left out if it is too long."""
    text, half = str(message), longest // 2 - 3
    shown = visible(text if len(text) <= longest else text[:longest] + text[-longest:])
    return shown if len(shown) <= longest else f"{shown[:half]} ... {shown[-half:]}"
