"""Runs a listing from end to end: assembled, run, written as a waveform, read back and checked."""

import os
import shutil
from collections import deque
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass, field
from typing import Any, Final

from carrywave.sim.program.assembler import Program, load
from carrywave.sim.program.bench import Run, Sequence, run_program
from carrywave.sim.system.errors import UnusableError
from carrywave.sim.system.files import scratch, written_beside
from carrywave.sim.witness.clocked import StoppedError

from ..check.dump_check import check_dump
from ..check.findings import CheckReport
from ..vcd.dump import Dump

DEFAULT_CLOCKS: Final = 100_000


class RunError(UnusableError):
    """A listing that cannot be run; the message is one line."""


@dataclass
class RunReport:
    """A run and the check of its waveform."""

    listing: str
    variant: str
    run: Run
    check: CheckReport
    vcd: str | None
    # Sequences, each with the stack it left, newest byte last.
    first: list[tuple[Sequence, tuple[int, ...]]] = field(default_factory=list)
    last: deque[tuple[Sequence, tuple[int, ...]]] = field(default_factory=deque)
    omitted: int = 0  # between the two
    program: Program | None = None

    @property
    def agree(self) -> bool:
        """True if the waveform is the model's."""
        return self.check.agree

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "agree": self.agree, "listing": self.listing, "variant": self.variant,
            "ended": self.run.ended, "clocks": self.run.clocks,
            "instructions": self.run.instructions, "final": self.run.final._asdict(),
            "writes": self.run.listed_writes(), "checked": self.check.to_json()["checked"],
            "findings": [str(finding) for finding in self.check.findings], "vcd": self.vcd,
        }  # fmt: skip


def run_listing(
    listing: str | os.PathLike[str], vcd: str | None = None, variant: str = "nmos",
    max_clocks: int | None = None, rows: int = 0, progress: Callable[[int], None] | None = None,
    keep_writes: bool = True, *, program: Program | None = None, until: int | None = None,
    max_instructions: int | None = None,
) -> RunReport:  # fmt: skip
    """Runs a listing and checks its waveform, which is kept in `vcd` if that is given.

    Keeps at most `rows` sequences: the first half and the last. `program` is what was loaded, if
    that is more than the listing; see `run_program` for `until` and `max_instructions`. Raises
    ListingError if the listing cannot be read or assembled; RunError if it runs into an opcode that
    is not built, or does not end within DEFAULT_CLOCKS though no `max_clocks` was asked for;
    OSError if the waveform cannot be written.
    """
    program = program or load(listing)
    report = RunReport(str(listing), variant, Run(), CheckReport(), vcd, program=program)
    report.last = deque(maxlen=rows // 2)

    stack: list[int] = []

    def keep(sequence: Sequence) -> None:
        move_stack(stack, sequence)
        if len(report.first) < rows - rows // 2:
            report.first.append((sequence, tuple(stack)))
        else:
            report.omitted += len(report.last) == report.last.maxlen
            report.last.append((sequence, tuple(stack)))

    # Checked before it gets its place: a pipe or device could not be read back.
    with (
        scratch() as (file, path),
        written_beside(vcd) if vcd else nullcontext() as kept,
    ):
        try:
            with Dump(file, variant) as dump:
                most = max_clocks or DEFAULT_CLOCKS
                report.run = run_program(
                    program, variant, most, dump, keep, progress, keep_writes, until,
                    max_instructions,
                )  # fmt: skip
                if report.run.ended == "clock limit" and max_clocks is None:
                    where = place(program, report.run.last_address)
                    raise RunError(
                        f"{listing}: did not end within {DEFAULT_CLOCKS} clocks, last at {where}: "
                        "end it with an instruction that jumps to itself, or give --max-clocks"
                    )
        except StoppedError as error:
            where = place(program, error.address)
            raise RunError(
                f"{listing}: opcode {error.opcode:02X} at {where}: {error.standing}"
            ) from error
        file.flush()
        report.check = check_dump(path)
        if kept is not None:
            file.seek(0)
            shutil.copyfileobj(file, kept)
    return report


def move_stack(stack: list[int], sequence: Sequence) -> None:
    """Pushes and pulls as a sequence did; a pointer that was set begins a new stack."""
    if sequence.name in ("TXS", "RESET"):
        stack.clear()
        return
    moved = (sequence.before.sp - sequence.after.sp + 128) % 256 - 128
    if moved > 0:
        stack.extend(byte for _, address, byte in sequence.writes if address >> 8 == 1)
        del stack[:-256]
    elif moved < 0:
        del stack[moved:]


def place(program: Program, address: int) -> str:
    """An address, with its line in the listing if it has one."""
    line = program.lines.get(address)
    return f"{address:04X} (line {line.number})" if line else f"{address:04X}"
