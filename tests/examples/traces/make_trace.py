"""Writes a long right trace, from which the figures of the README are measured.

python tests/examples/traces/make_trace.py run.parquet 10000000 [COLUMN ...]

Random instructions, each in the state that the one before left; after STEPS of them another `run`
begins. The runs go side by side in the model, so ten million rows take half a minute.
"""

import sys
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from carrywave.sim.cases.kinds import BY_KEY, alike, keys_of, lay_reads
from carrywave.sim.cases.layout import CASE, OUTCOME, REGISTERS, Cases, unnamed
from carrywave.sim.family.instructions import BY_OPCODE
from carrywave.sim.family.members import EVENTS
from carrywave.sim.witness.model import Model

STEPS: Final = 500
Columns = dict[str, npt.NDArray[Any]]


def make_trace(rows: int, steps: int = STEPS, seed: int = 1, variant: str = "nmos") -> Columns:
    """The columns of a right trace, one row per instruction; `rows` is a multiple of `steps`."""
    model, runs, rng = Model(variant), rows // steps, np.random.default_rng(seed)
    cases, outcomes = np.zeros((runs, steps), CASE), np.zeros((runs, steps), OUTCOME)
    for step in range(steps):
        now = np.zeros(runs, CASE)
        for name in REGISTERS:
            first = rng.integers(0, 65536 if name == "pc" else 256, runs)
            now[name] = outcomes[name][:, step - 1] if step else first
        draw(now, rng)
        cases[:, step], outcomes[:, step] = now, model.execute(now)
    columns: Columns = {"run": np.repeat(np.arange(runs, dtype=np.uint32), steps)}
    for records in (cases, outcomes):
        for name in records.dtype.names or ():
            values = records[name].reshape(rows, -1)
            if values.shape[1] == 1:
                columns.setdefault(name, values[:, 0].copy())  # the state before, not the one left
            else:
                columns |= {f"{name}_{i}": values[:, i].copy() for i in range(values.shape[1])}
    return columns


def draw(cases: Cases, rng: np.random.Generator) -> None:
    """Draws what comes next, mostly instructions, and what it reads."""
    events = rng.integers(0, len(EVENTS), len(cases))
    cases["event"] = np.where(rng.random(len(cases)) < 0.8, 0, events)
    cases["read_value"][:, 0] = rng.choice([*BY_OPCODE], len(cases))
    for key, rows in alike(keys_of(cases)):
        some, instruction = cases[rows], BY_KEY[key]
        columns: Columns = {name: some[name].astype(np.uint16) for name in ("pc", "sp")}
        columns |= {name: rng.integers(0, 256, len(rows)) for name in instruction.reads}
        lay_reads(some, instruction, columns)
        unnamed(cases)[rows] = unnamed(some)


def write_trace(columns: Mapping[str, Any], path: str) -> None:
    """Writes columns as CSV, Parquet or JSON Lines, by the suffix."""
    table = pa.table(dict(columns))
    if path.endswith(".csv"):
        pyarrow.csv.write_csv(table, path, pyarrow.csv.WriteOptions(quoting_style="none"))
    elif path.endswith(".parquet"):
        pyarrow.parquet.write_table(table, path)
    else:
        import json

        with open(path, "w", encoding="utf-8") as file:
            file.writelines(json.dumps(row) + "\n" for row in table.to_pylist())


if __name__ == "__main__":
    target, count, *chosen = sys.argv[1:]
    made = make_trace(int(count))
    write_trace({name: made[name] for name in chosen or made}, target)
