"""Cases and outcomes: what is put to a witness, and what it answers."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["CASE", "OUTCOME", "Cases", "Outcomes", "layout_of", "plain", "unnamed"]

Cases = npt.NDArray[np.void]
Outcomes = npt.NDArray[np.void]

_REGISTERS = [("pc", "<u2"), ("a", "u1"), ("x", "u1"), ("y", "u1"), ("sp", "u1"), ("p", "u1")]

#: One instruction or interrupt and the state it starts from; 20 bytes. Fields with nothing to say
#: are 0. `operand` is the byte in memory at `address`; `pulled` the bytes above SP, nearest first;
#: `vector` the address that an interrupt's entry finds; `event` an index into `isa.EVENTS`.
CASE: Final = np.dtype(
    [
        ("event", "u1"),
        ("length", "u1"),
        ("bytes", "u1", 3),
        ("operand", "u1"),
        ("address", "<u2"),
        ("pc", "<u2"),
        ("vector", "<u2"),
        ("a", "u1"),
        ("x", "u1"),
        ("y", "u1"),
        ("sp", "u1"),
        ("p", "u1"),
        ("pulled", "u1", 3),
    ]
)

#: The state that is left and what was written; 20 bytes. `p` has bits 4 and 5 set; `cycles` 0 is
#: 'not counted'.
OUTCOME: Final = np.dtype(
    [
        *_REGISTERS,
        ("pushes", "u1"),
        ("pushed", "u1", 3),
        ("stores", "u1"),
        ("stored", "u1"),
        ("cycles", "u1"),
        ("push_address", "<u2", 3),
    ]
)

PULLS: Final = {"PLA": 1, "PLP": 1, "RTS": 2, "RTI": 3}


def unnamed(records: Cases | Outcomes) -> npt.NDArray[np.void]:
    """The same memory without field names: NumPy moves such records a hundred times faster."""
    return records.view(f"V{records.dtype.itemsize}")


def plain(record: Cases | Outcomes) -> dict[str, int | list[int]]:
    """One case or outcome as numbers and lists by field name: the keys of the JSON Lines."""
    return {name: record[name].tolist() for name in record.dtype.names or ()}


def layout_of(dtype: np.dtype[np.void]) -> list[tuple[str, str, int]]:
    """A packed record in the words of `struct`."""
    fields = []
    for name in dtype.names or ():
        field = dtype[name]
        base, shape = field.subdtype or (field, (1,))
        fields.append((name, {1: "B", 2: "H"}[base.itemsize], shape[0]))
    return fields
