"""Rows put to the check of a trace, whole or in pieces."""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from pathlib import Path

import pytest
from emulated import Row, written

from carrywave.sim.trace.checking import check_part, compare_trace
from carrywave.sim.trace.report import TraceReport


@pytest.fixture
def checked(tmp_path: Path) -> Callable[..., TraceReport]:
    """Checks rows as one file."""
    return lambda rows, *given, **options: compare_trace(
        written(tmp_path / "run.parquet", rows), *given, **options
    )


@pytest.fixture
def merged(tmp_path: Path) -> Callable[[list[list[Row]]], TraceReport]:
    """Checks pieces apart, and merges them from the last one on."""

    def merged(pieces: list[list[Row]]) -> TraceReport:
        partials = [
            check_part(written(tmp_path / f"{i}.parquet", rows))
            for i, rows in enumerate(pieces) if rows
        ]  # fmt: skip
        return reduce(lambda later, earlier: earlier.merge(later), reversed(partials)).report()

    return merged
