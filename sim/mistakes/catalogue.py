"""The classic mistakes of emulators that one instruction can expose, as changes to the model.

The catalogue and its numbers are common practice of the trade; the counts come from enumeration.
"""

from itertools import chain
from typing import Final

from . import addressing, arithmetic, interrupting, logic_and_shifts, packed_decimal, stacking

_PARTS: Final = (arithmetic, logic_and_shifts, packed_decimal, stacking, interrupting, addressing)

MISTAKES: Final = tuple(
    sorted(chain.from_iterable(one.part for one in _PARTS), key=lambda mistake: mistake.number)
)
BY_NUMBER: Final = {mistake.number: mistake for mistake in MISTAKES}

#: Those that no single case can expose, by number, and why.
SEQUENCE_ONLY: Final = {
    50: "PLP stores B, which leaks into a later push: the register has no bit 4 to compare, and "
    "the push is another instruction",
    56: "NMI as a level: only a second entry, while the line is still low, shows it",
    57: "IRQ as an edge: only an entry that does not come, with the line low for long, shows it",
    58: "CLI acts at once: what follows CLI shows it, and a case has one instruction",
    59: "SEI blocks at once: what follows SEI shows it, and a case has one instruction",
    60: "RTI acts late: what follows RTI shows it, and a case has one instruction",
    61: "IRQ beats NMI: a case has one event, so that no two can compete",
}
