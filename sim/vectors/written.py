"""Vectors as files: CSV, JSON Lines, Parquet, a C header."""

import csv
import io
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.layout import CASE, OUTCOME, layout_of, plain
from ..system.files import written_beside
from .compact import Vectors, VectorsError


def columns(vectors: Vectors) -> dict[str, npt.NDArray[Any]]:
    """The cases' columns, then the outcomes': `after_` stands before names that both have."""
    cases, outcomes = vectors.cases, vectors.outcomes()
    named = {name: cases[name] for name in CASE.names or ()}
    named |= {_after(name): outcomes[name] for name in OUTCOME.names or ()}
    return {
        name if column.ndim == 1 else f"{name}_{i}": each
        for name, column in named.items()
        for i, each in enumerate(np.atleast_2d(column.T))
    }


def _after(name: str) -> str:
    return f"after_{name}" if name in (CASE.names or ()) else name


def _said(coverage: dict[str, Any]) -> list[str]:
    return [f"{name}: {value}" for name, value in coverage.items()]


def _csv(vectors: Vectors) -> bytes:
    table, text = columns(vectors), io.StringIO()
    text.writelines(f"# {line}\n" for line in _said(vectors.coverage))
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table)
    writer.writerows(zip(*(column.tolist() for column in table.values()), strict=True))
    return text.getvalue().encode()


def _jsonl(vectors: Vectors) -> bytes:
    lines = [json.dumps({"coverage": vectors.coverage})]
    for case, outcome in zip(vectors.cases, vectors.outcomes(), strict=True):
        after = {_after(name): value for name, value in plain(outcome).items()}
        lines.append(json.dumps(plain(case) | after, separators=(",", ":")))
    return "".join(f"{line}\n" for line in lines).encode()


def _header(vectors: Vectors) -> bytes:
    said = "\n   ".join(_said(vectors.coverage))
    if vectors.variant != "cmos":
        said += (
            "\n   Where two writes go to one address, an emulator may leave out the first: it "
            "writes back\n   what was read."
        )
    outcomes = vectors.outcomes()
    head = (
        f"/* Made by `carrywave vectors`; carrywave.h is what `carrywave header` prints.\n   {said}"
        " */\n#ifndef CARRYWAVE_VECTORS_H\n#define CARRYWAVE_VECTORS_H\n\n"
        '#include "carrywave.h"\n\n'
        "struct carrywave_vector {\n    struct carrywave_case before;\n"
        "    struct carrywave_outcome after;\n};\n\n"
        f"enum {{ CARRYWAVE_VECTORS = {len(outcomes)} }};\n\n"
        "static const struct carrywave_vector carrywave_vectors[CARRYWAVE_VECTORS] = {\n"
    )
    rows = (
        f"    {{{_initial(case)},\n     {_initial(outcome)}}},\n"
        for case, outcome in zip(vectors.cases, outcomes, strict=True)
    )
    return f"{head}{''.join(rows)}}};\n\n#endif\n".encode()


def _initial(record: Any) -> str:
    """A record as C initialises it."""
    members = []
    for name, kind, count in layout_of(record.dtype):
        digits = 2 if kind == "B" else 4
        numbers = [f"0x{number:0{digits}X}" for number in np.atleast_1d(record[name]).tolist()]
        members.append(f"{{{', '.join(numbers)}}}" if count > 1 else numbers[0])
    return f"{{{', '.join(members)}}}"


def _parquet(vectors: Vectors) -> bytes:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ModuleNotFoundError as error:
        if error.name != "pyarrow":
            raise
        raise VectorsError("Parquet needs pyarrow: pip install 'carrywave[trace]'") from None
    table = pa.table({name: np.ascontiguousarray(c) for name, c in columns(vectors).items()})
    sink = io.BytesIO()
    metadata = {"coverage": json.dumps(vectors.coverage)}
    pq.write_table(table.replace_schema_metadata(metadata), sink)
    return sink.getvalue()


_WRITERS: Final[dict[str, Callable[[Vectors], bytes]]] = {
    ".csv": _csv,
    ".jsonl": _jsonl,
    ".parquet": _parquet,
    ".h": _header,
}
SUFFIXES: Final = tuple(_WRITERS)


def writer_of(path: str | os.PathLike[str]) -> Callable[[Vectors], bytes]:
    """What makes the content of a file of this name. Raises VectorsError if nothing does."""
    suffix = Path(path).suffix
    if suffix not in _WRITERS:
        raise VectorsError(f"{path}: expected a name that ends in {', '.join(SUFFIXES)}")
    return _WRITERS[suffix]


def write(vectors: Vectors, path: str | os.PathLike[str]) -> None:
    """Writes a file by its suffix, each row first put to the model.

    Raises VectorsError or OSError; then there is no file.
    """
    writer = writer_of(path)
    with written_beside(path, "wb") as file:
        file.write(writer(vectors))
