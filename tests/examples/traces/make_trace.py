"""Writes a long right trace, from which the figures of the README are measured.

python tests/examples/traces/make_trace.py run.parquet 10000000 [COLUMN ...]

Random instructions, each in the state and in the memory that the ones before left; after STEPS of
them another `run` begins. A byte of memory is drawn when it is first read, and stays until it is
written. The runs go side by side in the model, so ten million rows take some minutes.
"""

import sys
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from carrywave.sim.cases.case_memory import possible
from carrywave.sim.cases.kinds import BY_KEY, alike, happening, keys_of, lay_reads
from carrywave.sim.cases.layout import (
    CASE,
    OUTCOME,
    READS,
    REGISTERS,
    WRITES,
    Cases,
    Outcomes,
    unnamed,
)
from carrywave.sim.family.instructions import BY_MNEMONIC, BY_OPCODE
from carrywave.sim.family.members import EVENTS
from carrywave.sim.witness.model import Model

STEPS: Final = 500
RUNS: Final = 1024  # side by side: their memories take 128 MB
_UNKNOWN: Final = -1
_NMI: Final = EVENTS.index("NMI")
_DOCUMENTED: Final = np.isin(np.arange(256), [*BY_OPCODE])
# They act one instruction late, and the model answers single instructions: no IRQ behind them.
_LATE: Final = [BY_MNEMONIC[name]["implied"].opcode for name in ("CLI", "SEI", "PLP")]
Columns = dict[str, npt.NDArray[Any]]


def make_trace(rows: int, steps: int = STEPS, seed: int = 1, variant: str = "nmos") -> Columns:
    """The columns of a right trace, one row per instruction; `rows` is a multiple of `steps`."""
    model, runs, rng = Model(variant), rows // steps, np.random.default_rng(seed)
    cases, outcomes = np.zeros((runs, steps), CASE), np.zeros((runs, steps), OUTCOME)
    for start in range(0, runs, RUNS):
        some = slice(start, start + RUNS)
        _run(model, cases[some], outcomes[some], rng)
    columns: Columns = {"run": np.repeat(np.arange(runs, dtype=np.uint32), steps)}
    for records in (cases, outcomes):
        for name in records.dtype.names or ():
            values = records[name].reshape(rows, -1)
            if values.shape[1] == 1:
                columns.setdefault(name, values[:, 0].copy())  # the state before, not the one left
            else:
                columns |= {f"{name}_{i}": values[:, i].copy() for i in range(values.shape[1])}
    return columns


def _run(model: Model, cases: Cases, outcomes: Outcomes, rng: np.random.Generator) -> None:
    """Fills in runs that go side by side: a row of each, then the next one."""
    runs, steps = cases.shape
    memory = np.full((runs, 65536), _UNKNOWN, np.int16)
    for step in range(steps):
        now = np.zeros(runs, CASE)
        for name in REGISTERS:
            first = rng.integers(0, 65536 if name == "pc" else 256, runs)
            now[name] = outcomes[name][:, step - 1] if step else first
        late = step and np.isin(cases["read_value"][:, step - 1, 0], _LATE)
        draw(now, memory, late, rng, model.variant)
        cases[:, step], outcomes[:, step] = now, model.execute(now)
        done = outcomes[:, step]
        for i in range(WRITES):
            row = np.flatnonzero(done["writes"] > i)
            memory[row, done["write_address"][row, i]] = done["write_value"][row, i]


def draw(
    cases: Cases, memory: npt.NDArray[np.int16], late: Any, rng: np.random.Generator, variant: str
) -> None:
    """Draws what comes next, mostly instructions, and what memory does not tell of their reads."""
    events = rng.integers(0, len(EVENTS), len(cases))
    events = np.where(late & (events == 1), 0, events)
    cases["event"] = np.where(rng.random(len(cases)) < 0.8, 0, events)
    every = np.arange(len(cases))
    there = memory[every, cases["pc"]]
    opcode = np.where(there == _UNKNOWN, rng.choice([*BY_OPCODE], len(cases)), there)
    cases["read_value"][:, 0] = opcode
    # What is no instruction, or reads what it has overwritten, is where an NMI comes.
    cases["event"][~happening(cases) & ~_DOCUMENTED[opcode]] = _NMI
    _lay(cases, every, memory, rng, variant)
    again = np.flatnonzero(~possible(cases))
    if len(again):
        cases["event"][again] = _NMI
        some = cases[again]
        _lay(some, again, memory, rng, variant)
        cases[again] = some
    for i in range(READS):
        row = np.flatnonzero(cases["reads"] > i)
        memory[row, cases["read_address"][row, i]] = cases["read_value"][row, i]


def _lay(
    cases: Cases, runs: npt.NDArray[np.int64], memory: npt.NDArray[np.int16],
    rng: np.random.Generator, variant: str,
) -> None:  # fmt: skip
    """Fills in what the cases read out of the memories of their runs, drawn where it is unknown."""
    for key, rows in alike(keys_of(cases)):
        some, instruction = cases[rows], BY_KEY[key]
        columns: Columns = {name: some[name].astype(np.uint16) for name in REGISTERS}
        for clock in instruction.sequence(variant):
            if clock.reads and clock.address is not None:
                value = memory[runs[rows], clock.address.over(columns)]
                if clock.reads == "opcode":
                    value = some["read_value"][:, 0]
                drawn = rng.integers(0, 256, len(rows))
                columns[clock.reads] = np.where(value == _UNKNOWN, drawn, value).astype(np.uint16)
        lay_reads(some, instruction, columns, variant)
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
