"""Reads back a waveform of gates settling: a value of each signal in each gate delay."""

import os
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from .read import Columns, DumpError, last_line, parsed, tail_of
from .signals import SETTLED, SIGNALS, SignalSpec, text_of

#: What may be in it; the first two are inputs that only such a waveform has.
SETTLING: Final = (
    *(SignalSpec("unit.alu", name, 1, "reg") for name in ("carry_in", "decimal")), *SIGNALS,
)  # fmt: skip
#: Far more than there is: the unit's longest path has some hundred gates.
MOST: Final = 1_000  # gate delays
LARGEST: Final = 1 << 20  # bytes


def settled_after(path: str | os.PathLike[str]) -> int | None:
    """After how many gate delays all is final; None for a file that does not end by saying so."""
    match = last_line(SETTLED, tail_of(path))
    return int(match[1]) if match else None


def read_settling(path: str | os.PathLike[str]) -> Columns:
    """The columns of the signals that the file has: a row a gate delay, and one when all is final.

    Raises DumpError.
    """
    settled = settled_after(path)
    if settled is None:
        raise DumpError(f"{path}: shows no gates settling")
    if settled > MOST or os.path.getsize(path) > LARGEST:
        most = f"{MOST:,} gate delays and {LARGEST:,} bytes"
        raise DumpError(f"{path}: more than 'settle' writes; expected at most {most}")
    found, columns = parsed(path), {}
    for spec in SETTLING:
        if spec.path in found.references_to_ids:
            columns[spec.path] = _column(path, spec, found[spec.path].tv, settled + 2)
    for name in ("unit.variant", "unit.mnemonic"):
        if name not in columns:
            raise DumpError(f"{path}: no signal {name}: not a waveform of this bench")
    return columns


def _column(
    path: str | os.PathLike[str], spec: SignalSpec, changes: Sequence[tuple[int, str]], rows: int
) -> npt.NDArray[Any]:
    column, last = np.empty(rows, object if spec.text else np.int64), -1
    for time, value in changes:
        if (last < 0 and time) or time < 0:
            break
        if time <= last or value.strip("01") or len(value) > spec.width:
            raise DumpError(f"{path}: {spec.path} at {time} ns is no value of {spec.width} bits")
        number, last = int(value, 2), time
        column[time:] = text_of(number, spec.width) if spec.text else number
    if last < 0:
        raise DumpError(f"{path}: {spec.path} has no value at 0 ns")
    return column
