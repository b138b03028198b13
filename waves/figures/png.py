"""A picture of few colours as a PNG file: zlib and nothing else."""

import struct
import zlib
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
INDEXED: Final = 3  # the colour type of a palette (ISO/IEC 15948, 11.2.2; from memory)


def png(pixels: npt.NDArray[Any], palette: Sequence[tuple[int, int, int, int]]) -> bytes:
    """The file of an array of indices into a palette of red, green, blue and opacity."""
    height, width = pixels.shape
    rows = np.zeros((height, width + 1), np.uint8)  # each row after a 0: no filter
    rows[:, 1:] = pixels
    colours = bytes(part for colour in palette for part in colour[:3])
    return SIGNATURE + b"".join((
        _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, INDEXED, 0, 0, 0)),
        _chunk(b"PLTE", colours),
        _chunk(b"tRNS", bytes(colour[3] for colour in palette)),
        _chunk(b"IDAT", zlib.compress(rows.tobytes(), 9)),
        _chunk(b"IEND", b""),
    ))  # fmt: skip


def _chunk(kind: bytes, data: bytes) -> bytes:
    check = zlib.crc32(kind + data)
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", check)
