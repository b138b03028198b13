"""Standard input, output and error: closed, full, or no longer read."""

import os
import sys
from typing import TextIO

LONGEST = 1000  # characters of a line


def open_what_is_closed() -> bool:
    """Whether output is closed; what is closed becomes empty.

    Or else the next file that is opened has its number, and what is said goes into that.
    """
    silent = sys.stdout is None
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            file = os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, os.fdopen(file, mode, encoding="utf-8", closefd=False))
    return silent


def drop(stream: TextIO) -> None:
    """What is still to be written is forgotten, or Python complains of it at the end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def tell(*lines: object) -> None:
    """Says something on standard error, the first line of it by name; if nobody hears, so be it."""
    first, *more = map(_printable, lines)
    try:
        print("\n  ".join([f"carrywave: {first}", *more]), file=sys.stderr, flush=True)
    except OSError:
        drop(sys.stderr)


def _printable(line: object) -> str:
    """One line that steers no terminal, cut in the middle if nobody would read all of it."""
    text, half = str(line), LONGEST // 2
    if len(text) > LONGEST:
        text = f"{text[:half]} ... {text[-half:]}"
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
