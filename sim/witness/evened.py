"""Two ways to be right: a byte written back unmodified or not, and D after reset."""

from typing import Final

import numpy as np

from ..cases.layout import Cases, Outcomes, unnamed
from ..family.status_byte import FLAG_BITS

_D: Final = np.uint8(1 << FLAG_BITS["d"])


def evened(cases: Cases, expected: Outcomes, actual: Outcomes, variant: str) -> Outcomes:
    """The actual outcomes, the expected ones put in where both ways are right.

    Of two writes to one address in a row, as NMOS does them in a read-modify-write, an emulator
    may leave out the first: it is put before the other, at the other's address. D after RESET is
    unknown on NMOS: it is as expected. The arrays are one-dimensional.
    """
    address = expected["write_address"]
    single = (expected["writes"] == 2) & (address[:, 0] == address[:, 1]) & (actual["writes"] == 1)
    reset = (cases["event"] == 3) & (variant != "cmos")
    if not (single.any() or reset.any()):
        return actual
    actual = unnamed(actual).copy().view(actual.dtype)
    for name, before in (
        ("write_value", expected["write_value"][single, 0]),
        ("write_address", actual["write_address"][single, 0]),
    ):
        actual[name][single, 1] = actual[name][single, 0]
        actual[name][single, 0] = before
    actual["writes"][single] = 2
    actual["p"][reset] = actual["p"][reset] & ~_D | expected["p"][reset] & _D
    return actual
