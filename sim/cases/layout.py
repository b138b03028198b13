"""Cases and outcomes: what is put to a witness, and what it answers.

A case says nothing of instruction sets: it has the registers, and the bytes that will be read, each
with its address, in the order in which they are read.
"""

from typing import Any, Final

import numpy as np
import numpy.typing as npt

Cases = npt.NDArray[np.void]
Outcomes = npt.NDArray[np.void]

REGISTERS: Final = ("pc", "a", "x", "y", "sp", "p")
_REGISTERS: Final = [(name, "<u2" if name == "pc" else "u1") for name in REGISTERS]
READS: Final = 5  # at most, in a case
WRITES: Final = 3  # at most, in an outcome
_READ: Final = [("read_value", "u1", READS), ("read_address", "<u2", READS)]
_WRITTEN: Final = [("write_value", "u1", WRITES), ("write_address", "<u2", WRITES)]

#: One instruction or interrupt and the state it starts from; 24 bytes. `event` is an index into
#: `EVENTS`. Of `read_value` and `read_address` the first `reads` count: what lies in memory and is
#: read, the opcode first, in the order of the published clocks. What these discard is not there.
CASE: Final = np.dtype([("event", "u1"), ("reads", "u1"), *_REGISTERS, *_READ])

#: The state that is left and what was written, in order; 18 bytes. `p` has bits 4 and 5 set;
#: `cycles` is the number of clocks, 0 is 'not counted'.
OUTCOME: Final = np.dtype([*_REGISTERS, ("cycles", "u1"), ("writes", "u1"), *_WRITTEN])


def layout_of(dtype: np.dtype[np.void]) -> list[tuple[str, str, int]]:
    """A packed record in the words of `struct`: name, type and number of each field."""
    fields = []
    for name in dtype.names or ():
        field = dtype[name]
        base, shape = field.subdtype or (field, (1,))
        fields.append((name, {1: "B", 2: "H", 8: "Q"}[base.itemsize], shape[0]))
    return fields


CASE_LAYOUT: Final = layout_of(CASE)
OUTCOME_LAYOUT: Final = layout_of(OUTCOME)


def plain(record: Cases | Outcomes) -> dict[str, Any]:
    """One case or outcome as the JSON Lines have it: what is read or written as pairs in order."""
    found = {name: record[name].tolist() for name in record.dtype.names or ()}
    for what, one in (("reads", "read"), ("writes", "write")):
        if what in found:
            pairs = zip(found.pop(f"{one}_address"), found.pop(f"{one}_value"), strict=True)
            found[what] = [list(pair) for pair in pairs][: found[what]]
    return found


def unnamed(records: Cases | Outcomes) -> npt.NDArray[np.void]:
    """The same memory without field names: NumPy moves such records a hundred times faster."""
    return records.view(f"V{records.dtype.itemsize}")
