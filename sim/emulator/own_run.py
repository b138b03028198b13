"""The records of an emulator's own run: where it begins, what the pins do, and a row a sequence.

A sequence is an instruction or an interrupt's entry. The emulator is told the state and all of
memory before one of them, and runs on by itself.
"""

from typing import Final

import numpy as np

from ..cases.layout import OUTCOME, REGISTERS, layout_of

_REGISTERS: Final = [(name, "<u2" if name == "pc" else "u1") for name in REGISTERS]
MEMORY: Final = 1 << 16  # bytes

#: What comes first: in which clock, what happens (an index into `EVENTS`), whether an NMI edge
#: waits that has come before, and the registers.
START: Final = np.dtype([("clock", "<u8"), ("event", "u1"), ("nmi", "u1"), *_REGISTERS])

#: A pin's level from a clock on: the pin by its event, IRQ or NMI. Before the first both are high.
PIN: Final = np.dtype([("clock", "<u8"), ("event", "u1"), ("level", "u1")])

#: A sequence that ran: its first clock, what happened, and an `OUTCOME`: the state that it left.
ROW: Final = np.dtype([("clock", "<u8"), ("event", "u1"), ("after", OUTCOME)])

START_LAYOUT: Final = layout_of(START)
PIN_LAYOUT: Final = layout_of(PIN)
