"""The status byte: which bit each flag is."""

from __future__ import annotations

from typing import Final

__all__ = ["FLAG_BITS"]

FLAG_BITS: Final = {"n": 7, "v": 6, "d": 3, "i": 2, "z": 1, "c": 0}
