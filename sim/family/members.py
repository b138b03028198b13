"""The members of the family, and what can happen to them instead of an instruction."""

from typing import Final

VARIANTS: Final = ("nmos", "cmos", "binary")  # binary: NMOS with decimal mode disconnected
EVENTS: Final = ("instruction", "IRQ", "NMI", "RESET")  # the codes of a case's `event`
