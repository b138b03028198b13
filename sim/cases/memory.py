"""The memory that a case stands in."""

from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

from .kinds import BY_KEY, keys_of, symbols_of
from .layout import READS, Cases

# Reads that come behind a write: what was listed might be overwritten by then. By key, the address
# of the write and the number of the read.
_OVERWRITTEN: Final = [
    (key, write.address, instruction.reads.index(read.reads))
    for key, instruction in BY_KEY.items()
    for at, read in enumerate(instruction.sequence("nmos"))
    if read.reads
    for write in instruction.sequence("nmos")[:at]
    if write.writes and write.address is not None
]


def lay_out(case: Cases) -> dict[int, int]:
    """The bytes of one case by address; of two that claim a place the first wins."""
    count = int(case["reads"])
    pairs = zip(case["read_address"][:count].tolist(), case["read_value"][:count].tolist(),
                strict=True)  # fmt: skip
    return dict(reversed(list(pairs)))


def possible(cases: Cases) -> npt.NDArray[np.bool_]:
    """Which cases one memory can hold, no byte of it being two things at once.

    The gates are told each byte when they ask for it, wherever it lies; most emulators have a
    memory. What an instruction overwrites before it reads it is left out too: it depends on which
    comes first.
    """
    impossible = np.zeros(len(cases), np.bool_)
    address, value, reads = (cases[name] for name in ("read_address", "read_value", "reads"))
    most = int(reads.max(initial=0))
    for first, second in combinations(range(min(most, READS)), 2):
        same = address[:, first] == address[:, second]
        if same.any():
            impossible |= same & (value[:, first] != value[:, second]) & (reads > second)
    keys = keys_of(cases)
    for key, written, read in _OVERWRITTEN:
        rows = np.flatnonzero(keys == key)
        if len(rows):
            at = written.over(symbols_of(cases[rows], BY_KEY[key]))
            impossible[rows] |= address[rows, read] == at
    return ~impossible
