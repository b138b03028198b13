"""Writes a trace: what one ran, in the format that the other side's traces are read in."""

from __future__ import annotations

import json
from typing import IO, Any, Final, Self

import numpy as np
import numpy.typing as npt

from ..cases.layout import READS, REGISTERS, WRITES, Cases, Outcomes
from .parts import TraceError, arrow, suffix_of

SUFFIXES: Final = (".csv", ".jsonl", ".parquet")


class TraceWriter:
    """A row for each case: the state before it, what it reads, and what it leaves.

    Rows of another `run` do not follow those before them. Use as a context manager.
    """

    def __init__(self, file: IO[bytes], path: str) -> None:
        """`path` tells the format by its suffix. Raises TraceError for another one."""
        if suffix_of(path) not in SUFFIXES:
            raise TraceError(f"{path}: expected a name that ends in {', '.join(SUFFIXES)}")
        self._file, self._suffix = file, suffix_of(path)
        self._writer: Any = None
        self._schema: Any = None
        if self._suffix != ".jsonl":
            pa = arrow()
            kinds = {name: pa.uint8() for name in _COLUMNS}
            kinds |= {name: pa.uint16() for name in kinds if name == "pc" or "address" in name}
            kinds["run"] = pa.uint32()
            self._schema = pa.schema(list(kinds.items()))
            if self._suffix == ".csv":
                self._writer = arrow("pyarrow.csv").CSVWriter(file, self._schema)
            else:
                self._writer = arrow("pyarrow.parquet").ParquetWriter(file, self._schema)

    def __enter__(self) -> Self:
        """Rows may be put."""
        return self

    def __exit__(self, *_: object) -> None:
        """Ends the file."""
        if self._writer is not None:
            self._writer.close()

    def put(self, cases: Cases, outcomes: Outcomes, run: npt.NDArray[Any]) -> None:
        """Adds rows."""
        columns = _columns(cases, outcomes, run)
        if self._suffix == ".jsonl":
            for row in zip(*(column.tolist() for column in columns.values()), strict=True):
                told = dict(zip(columns, row, strict=True))
                self._file.write(json.dumps(_paired(told)).encode() + b"\n")
            return
        pa = arrow()
        arrays = [pa.array(np.ascontiguousarray(columns[name])) for name in self._schema.names]
        table = pa.Table.from_arrays(arrays, schema=self._schema)
        self._writer.write_table(table)


_COLUMNS: Final = (
    "run", "event", *REGISTERS, "cycles", "writes",
    *(f"read_{what}_{i}" for i in range(READS) for what in ("address", "value")),
    *(f"write_{what}_{i}" for i in range(WRITES) for what in ("address", "value")),
)  # fmt: skip


def _columns(cases: Cases, outcomes: Outcomes, run: npt.NDArray[Any]) -> dict[str, Any]:
    columns: dict[str, Any] = {"run": run.astype(np.uint32), "event": cases["event"]}
    columns |= {name: cases[name] for name in REGISTERS}
    columns |= {name: outcomes[name] for name in ("cycles", "writes")}
    for records, what, count in ((cases, "read", READS), (outcomes, "write", WRITES)):
        for i in range(count):
            for part in ("address", "value"):
                columns[f"{what}_{part}_{i}"] = records[f"{what}_{part}"][:, i]
    columns["reads"] = cases["reads"]
    return columns


def _paired(row: dict[str, int]) -> dict[str, Any]:
    """A row as JSON Lines have it: what is read and written as pairs."""
    found: dict[str, Any] = {
        name: value for name, value in row.items()
        if not name.startswith(("read_", "write_")) and name not in ("reads", "writes")
    }  # fmt: skip
    for what, name in (("read", "reads"), ("write", "writes")):
        found[name] = [
            [row[f"{what}_address_{i}"], row[f"{what}_value_{i}"]] for i in range(row[name])
        ]
    return found
