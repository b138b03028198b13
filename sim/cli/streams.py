"""Standard input, output and error: closed, full, or no longer read."""

import os
import sys
from typing import Final, TextIO

from ..system.quoting import one_line

LONGEST: Final = 1000  # characters of a line: a command's own words may say more than a message


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
    first, *more = (one_line(line, LONGEST) for line in lines)
    try:
        print("\n  ".join([f"carrywave: {first}", *more]), file=sys.stderr, flush=True)
    except OSError:
        drop(sys.stderr)
