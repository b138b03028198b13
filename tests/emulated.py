"""Small programs, recorded row by row by a right emulator: the model, and a memory."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from rich.console import Console

from carrywave.sim.cases.kinds import BY_KEY, keys_of, lay_reads
from carrywave.sim.cases.layout import CASE, REGISTERS, plain
from carrywave.sim.family.members import EVENTS
from carrywave.sim.trace.report import TraceReport, draw_trace
from carrywave.sim.witness.model import Model

Row = dict[str, Any]

# A pointer that goes up through memory, stores and loads through it, a counter, a subroutine.
LOOP = {
    0x0200: "A9 F0 85 10 A9 30 85 11 A0 05 A9 07 85 12 98 91 10 E6 12 B1 10 45 12 85 13"
    " E6 10 D0 02 E6 11 20 40 02 4C 0E 02",
    0x0240: "48 A5 12 69 01 68 60",
    0x0300: "48 E6 12 68 40",  # of interrupts
    0xFFFA: "00 03 00 02 00 03",
}


def emulated(
    steps: int, events: Mapping[int, str] | None = None, code: Mapping[int, str] = LOOP,
    variant: str = "nmos", p: int = 0x30, x: int = 0,
) -> list[Row]:  # fmt: skip
    """What a right emulator records, a row a step; some are an event's entry."""
    model, memory = Model(variant), bytearray(65536)
    for address, text in code.items():
        bytes_ = bytes.fromhex(text)
        memory[address : address + len(bytes_)] = bytes_
    state, rows = dict(zip(REGISTERS, (0x0200, 0, x, 0, 0xFF, p), strict=True)), list[Row]()
    for step in range(steps):
        case = np.zeros(1, CASE)
        for name in REGISTERS:
            case[name] = state[name]
        case["event"] = EVENTS.index((events or {}).get(step, "instruction"))
        case["read_value"][:, 0] = memory[state["pc"]]
        instruction = BY_KEY[int(keys_of(case)[0])]
        columns: dict[str, Any] = {name: int(state[name]) for name in REGISTERS}
        for clock in instruction.sequence(variant):
            if clock.reads and clock.address is not None:
                columns[clock.reads] = memory[clock.address.over(columns)]
        lay_reads(case, instruction, columns, variant)
        outcome = model.execute(case)[0]
        told, left = plain(case[0]), plain(outcome)
        own = [value for _, value in told["reads"]][: instruction.mode.length]
        writes, cycles = left["writes"], left["cycles"]
        rows.append({**told, "bytes": own, "writes": writes, "cycles": cycles, "run": 0})
        for address, value in writes:
            memory[address] = value
        state = {name: left[name] for name in REGISTERS}
    return rows


def without(rows: list[Row], *names: str) -> list[Row]:
    return [{name: one for name, one in row.items() if name not in names} for row in rows]


def written(path: Path, rows: list[Row], **options: Any) -> Path:
    columns = {name: [row[name] for row in rows] for name in rows[0]}
    pq.write_table(pa.table(columns), path, **options)
    return path


def drawn(report: TraceReport) -> list[str]:
    console = Console(file=io.StringIO(), width=100, color_system=None)
    draw_trace(report, console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


Checked = Callable[..., TraceReport]
Merged = Callable[[list[list[Row]]], TraceReport]
ROWS = emulated(400)
BARE = without(ROWS, "reads", "writes", "event")


def interrupted(steps: int, event: str = "IRQ", every: int = 41, **options: Any) -> list[Row]:
    """The loop, with an interrupt now and then."""
    return emulated(steps, dict.fromkeys(range(7, steps, every), event), **options)
