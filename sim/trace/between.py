"""What comes between two rows of a trace without a row of its own: an entry, or a jump.

An interrupt's entry leaves what the instruction before it leaves, but pushes three bytes, sets I,
clears D on CMOS, and goes to its handler.
"""

from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..cases.layout import Cases, Outcomes
from ..family.status_byte import FLAG_BITS, FLAG_MASK
from .rows import ACT_LATE, BYTES

_I: Final = 1 << FLAG_BITS["i"]
_D: Final = 1 << FLAG_BITS["d"]
_SOFTWARE: Final = 0x10  # what BRK and PHP push as bit 4, and an entry does not
PUSHED: Final = 3  # bytes, by an entry

Mask = npt.NDArray[np.bool_]


class Between(NamedTuple):
    """Of pairs of rows: where an entry comes; where one may come, after a row that lacks something;
    and where the state jumps, so that neither memory nor anything else follows."""

    entries: Mask
    maybe: Mask
    jumps: Mask


def between(
    expected: Outcomes, lacks: npt.NDArray[np.uint8], after: Cases, paired: Mask, variant: str
) -> Between:
    """What comes between rows and those after them, given what the gates leave of the former."""
    left, found = expected["p"] & FLAG_MASK | _I, after["p"] & FLAG_MASK
    if variant == "cmos":
        left &= 0xFF - _D
    # What a row lacks has no influence on the stack pointer; of a strange one nothing is known.
    strange = lacks & ~BYTES != 0
    like = paired & ~strange & (after["sp"] == expected["sp"] - np.uint8(PUSHED))
    like &= after["p"] & _I != 0
    maybe = like & (lacks != 0)
    entries = like & (lacks == 0) & (left == found) & (after["pc"] != expected["pc"])
    for name in ("a", "x", "y"):
        entries &= expected[name] == after[name]
    gone = (after["sp"] != expected["sp"]) & ~strange & ~entries & ~maybe
    return Between(entries, maybe, gone | ~paired)


def pushed_by(expected: Outcomes) -> npt.NDArray[np.uint8]:
    """What the entries push that come then, of each row three bytes."""
    status = expected["p"] & (0xFF - _SOFTWARE)
    pc = expected["pc"]
    return np.stack([pc >> 8, pc & 0xFF, status], axis=1).astype(np.uint8)


def masked(key: Any, cases: Cases, expected: Outcomes) -> Mask:
    """Whether an IRQ cannot come behind these rows, so that an entry there is that of an NMI.

    What acts one instruction late leaves that to the I before it.
    """
    late: Mask = np.where(np.isin(key, ACT_LATE), cases["p"], expected["p"]) & _I != 0
    return late
