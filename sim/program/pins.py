"""Pins from a file beside a program: the directives of a listing, by clock or by address.

    at $0240 .irq low      each time the instruction at 0240 is fetched; a listing's name will do
    at LOOP .nmi +3        3 clocks later
    clock 900 .irq high    in clock 900 of the run; the clocks of a file go forwards
    ; a comment

NMI and reset are low for 2 clocks, as in a listing; NMI longer by `.nmi low` and `.nmi high`.
"""

import re
from os import PathLike
from typing import Final

from ..system.errors import UnusableError
from ..system.quoting import quoted
from .assembler import PinEvent, Program

_LINE: Final = re.compile(
    r"(at|clock)\s+(\$[0-9a-f]+|\w+)\s+\.(irq\s+low|irq\s+high|nmi|nmi\s+low|nmi\s+high|reset)(?:\s*\+\s*(\d{1,5}))?",
    re.IGNORECASE,
)
_MOVES: Final = {  # pin, level, clocks until it goes back
    "irq low": ("irq_n", 0, 0), "irq high": ("irq_n", 1, 0),
    "nmi": ("nmi_n", 0, 2), "nmi low": ("nmi_n", 0, 0), "nmi high": ("nmi_n", 1, 0),
    "reset": ("reset_n", 0, 2),
}  # fmt: skip
_LARGEST: Final = 1 << 20


class PinsError(UnusableError):
    """A file of pins that cannot be used; the message is one line."""


def read_pins(path: str | PathLike[str], program: Program) -> None:
    """Adds what a file says to a program's pins.

    Raises PinsError for a file that cannot be read, a line that is none, a name that the program
    has not, an address beyond FFFF, and a clock before the one above it.
    """
    try:
        with open(path, encoding="utf-8") as file:
            text = file.read(_LARGEST + 1)
    except UnicodeDecodeError as error:
        byte = f"byte {error.object[error.start]:02X} at offset {error.start}"
        raise PinsError(f"{path}: {byte}, which is not UTF-8") from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise PinsError(f"{path}: cannot be read: {getattr(error, 'strerror', error)}") from None
    if len(text) > _LARGEST:
        raise PinsError(f"{path}: more than {_LARGEST >> 20} MiB; expected some pins")
    last = 0
    for number, line in enumerate(text.split("\n"), 1):
        said = line.partition(";")[0].strip()
        if not said:
            continue
        where = f"{path}, line {number}"
        found = _LINE.fullmatch(said)
        if not found:
            raise PinsError(
                f"{where}: found {quoted(said)}; expected 'at ADDRESS' or 'clock N', then "
                ".irq low, .irq high, .nmi or .reset, and +N for N clocks later"
            )
        kind, what, directive, delay = found.groups()
        value = _value(where, what, program)
        pin, level, width = _MOVES[" ".join(directive.lower().split())]
        if kind.lower() == "at":
            if value > 0xFFFF:
                raise PinsError(f"{where}: {what} is no address: expected at most $FFFF")
            event = PinEvent(value, pin, level, int(delay or 0), width)
            program.pin_events[value] = (*program.pin_events.get(value, ()), event)
            continue
        if value < last:
            raise PinsError(f"{where}: clock {value} comes after clock {last}: go forwards")
        last = value
        at = value + int(delay or 0)
        program.pin_clocks.setdefault(at, []).append((pin, level))
        if width:
            program.pin_clocks.setdefault(at + width, []).append((pin, 1 - level))


def _value(where: str, text: str, program: Program) -> int:
    if text.startswith("$"):
        return int(text[1:20], 16)
    if text.isascii() and text.isdecimal():
        return int(text[:20])
    if text not in program.labels:
        raise PinsError(f"{where}: {quoted(text)} is no name of the program")
    return program.labels[text]
