"""Runs a listing from end to end: assembled, run, written as a waveform, read back and checked."""

from __future__ import annotations

import copy
import os
import shutil
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from typing import IO, TYPE_CHECKING, Any, Final

import numpy as np

from carrywave.sim.family.members import EVENTS
from carrywave.sim.program.assembler import Program, load
from carrywave.sim.program.kept import Kept
from carrywave.sim.program.ran import Run
from carrywave.sim.system.errors import UnusableError
from carrywave.sim.system.files import scratch, written_beside
from carrywave.sim.witness.registers import StoppedError

from ..check.dump_check import check_dump
from ..check.findings import SHOWN, CheckReport, Finding
from ..vcd.dump import Dump
from .window import WHOLE, ClockWindow, Finder, InWindow, WindowError

if TYPE_CHECKING:
    from carrywave.sim.program.part import RunPart
    from carrywave.sim.program.ran import Sequence

DEFAULT_CLOCKS: Final = 100_000
SIMULATOR, GATES, AUTO = ENGINES = ("simulator", "gates", "auto")
#: Clocks of a run for which the simulator is soon done: a second or three.
FEW: Final = 4_000


class RunError(UnusableError):
    """A listing that cannot be run; the message is one line."""


@dataclass
class RunReport:
    """A run and the check of its waveform; `window` is what the waveform shows, if not all."""

    listing: str
    variant: str
    run: Run
    check: CheckReport
    vcd: str | None
    kept: Kept = field(default_factory=lambda: Kept(0))
    program: Program | None = None
    engine: str = SIMULATOR
    window: ClockWindow | None = None

    @property
    def agree(self) -> bool:
        """True if the waveform, or the run on the gates, is the model's."""
        return self.check.agree

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        window = self.window and [self.window.first, self.window.last]
        return {
            "agree": self.agree, "listing": self.listing, "variant": self.variant,
            "engine": self.engine, "ended": self.run.ended, "clocks": self.run.clocks,
            "instructions": self.run.instructions, "final": self.run.final._asdict(),
            "writes": self.run.listed_writes(), "checked": self.check.to_json()["checked"],
            "findings": [str(finding) for finding in self.check.findings], "vcd": self.vcd,
            "window": window, "rounds": self.run.rounds, "corrected": self.run.corrected,
        }  # fmt: skip


@dataclass
class _Asked:
    """What a run is to be: as `run_listing` has it."""

    listing: str
    program: Program
    variant: str
    most: int
    keep_writes: bool
    until: int | None
    max_instructions: int | None
    progress: Callable[[int], None] | None
    limited: bool  # the number of clocks was asked for

    def held_to_its_end(self, run: Run) -> None:
        """Raises RunError if a run has reached a limit that nobody asked for."""
        if run.ended == "clock limit" and not self.limited:
            raise RunError(
                f"{self.listing}: did not end within {DEFAULT_CLOCKS} clocks, last at "
                f"{place(self.program, run.last_address)}: "
                "end it with an instruction that jumps to itself, or give --max-clocks"
            )

    def again(self) -> _Asked:
        """The same on a memory of its own."""
        program = copy.copy(self.program)
        program.memory = bytearray(program.memory)
        return replace(self, program=program, keep_writes=False, progress=None)

    def simulate(self, recorder: Any = None, keep: Callable[[Sequence], None] | None = None) -> Run:
        from carrywave.sim.program.bench import run_program

        return run_program(
            self.program, self.variant, self.most, recorder, keep, self.progress,
            self.keep_writes, self.until, self.max_instructions,
        )  # fmt: skip

    def on_gates(
        self, kept: Kept | None = None, on_part: Callable[[RunPart, int, int], object] | None = None
    ) -> Run:
        from carrywave.sim.program.predicted import run_predicted

        return run_predicted(
            self.program, self.variant, self.most, kept, self.progress, self.keep_writes,
            self.until, self.max_instructions, on_part=on_part,
        )  # fmt: skip

    def engine(self) -> str:
        """What is soon done."""
        if self.most <= FEW:
            return SIMULATOR
        from carrywave.sim.program.predicted import lasts

        long = lasts(self.program, self.variant, FEW, self.until, self.max_instructions)
        return GATES if long else SIMULATOR


def run_listing(
    listing: str | os.PathLike[str], vcd: str | None = None, variant: str = "nmos",
    max_clocks: int | None = None, rows: int = 0, progress: Callable[[int], None] | None = None,
    keep_writes: bool = True, *, program: Program | None = None, until: int | None = None,
    max_instructions: int | None = None, engine: str = AUTO, window: ClockWindow | None = None,
    trace: str | None = None,
) -> RunReport:  # fmt: skip
    """Runs a listing and checks its waveform, which is kept in `vcd` if that is given.

    Keeps at most `rows` sequences: the first half and the last. `program` is what was loaded, if
    that is more than the listing; see `run_program` for `until` and `max_instructions`. `engine` is
    one of `ENGINES`: the simulator, the gates, or what is soon done; on the gates only a waveform
    that is asked for is written, and without a `window` a long run's is cut to where the gates
    leave the model's run, or to its end. `trace` is a file for the run as a trace, a row for each
    instruction and interrupt. Raises ListingError if the listing cannot be read or
    assembled; RunError if it runs into an opcode that is not built, or does not end within
    DEFAULT_CLOCKS though no `max_clocks` was asked for; WindowError for a window that the run does
    not have; NetlistError; OSError if the waveform cannot be written.
    """
    program = program or load(listing)
    asked = _Asked(
        str(listing), program, variant, max_clocks or DEFAULT_CLOCKS, keep_writes, until,
        max_instructions, progress, max_clocks is not None,
    )  # fmt: skip
    if engine == AUTO:
        engine = asked.engine()
    report = RunReport(
        str(listing), variant, Run(), CheckReport(), vcd, Kept(rows), program, engine
    )
    try:
        if window is not None and window.around is not None:
            window = _find(asked.again(), window, engine)
        again = asked.again()
        if engine == GATES:
            _on_gates(asked, report, window)
        else:
            _in_simulator(asked, report, window)
        if trace is not None:
            _record(again, trace)
    except StoppedError as error:
        where = place(program, error.address)
        raise RunError(
            f"{listing}: opcode {error.opcode:02X} at {where}: {error.standing}"
        ) from error
    return report


def _in_simulator(asked: _Asked, report: RunReport, window: ClockWindow | None) -> None:
    """Every clock goes into a waveform, which is checked, kept or not."""
    report.window = window

    # Checked before it gets its place: a pipe or device could not be read back.
    def write(file: IO[str]) -> None:
        with Dump(file, asked.variant, window.first if window else 0) as dump:
            recorder = InWindow(dump, window) if window else dump
            report.run = asked.simulate(recorder, report.kept.add)
        asked.held_to_its_end(report.run)
        _within(window, report.run)

    report.check = _written(write, report)


def _on_gates(asked: _Asked, report: RunReport, window: ClockWindow | None) -> None:
    """The run is held to the model as a whole; what is kept of its waveform, by the rules too."""
    again = asked.again() if report.vcd else None
    run = report.run = asked.on_gates(report.kept)
    asked.held_to_its_end(run)
    sequences = len(report.kept.first) + len(report.kept.last) + report.kept.omitted
    # Of each: six registers and flags, its clocks, what follows it; of each write three.
    check = CheckReport(asked.variant, run.clocks + 1, sequences, sequences - run.instructions)
    check.compared = sequences * 8
    check.disagreements = len(run.departures)
    check.findings = [
        Finding(one.clock, one.what, one.instruction, one.found, one.expected)
        for one in run.departures[:SHOWN]
    ]
    report.check = check
    if again is None:
        return
    if window is None and run.clocks >= WHOLE:
        clock = run.departures[0].clock if run.departures else run.clocks
        window = ClockWindow().at(clock)
    report.window = window
    _within(window, run)
    shown = window or ClockWindow(0, run.clocks)

    def write(file: IO[str]) -> None:
        from ..vcd.gate_dump import GateDump

        with Dump(file, asked.variant, shown.first) as dump:
            again.most = min(again.most, shown.last + 1)
            again.on_gates(on_part=GateDump(dump, asked.variant, shown.first, shown.last).part)

    seen = _written(write, report)
    check.compared += seen.compared
    check.disagreements += seen.disagreements
    check.findings = sorted([*check.findings, *seen.findings])[:SHOWN]


def _record(asked: _Asked, path: str) -> None:
    """Writes a run as a trace; where an instruction is left out, another run begins."""
    from carrywave.sim.program.executed import executed
    from carrywave.sim.trace.writing import TraceWriter

    run, last, base = -1, -2, 0  # of the sequences: the last one written, those of parts before

    with written_beside(path, "wb") as file, TraceWriter(file, path) as writer:

        def put(part: RunPart, end: int, count: int) -> None:
            nonlocal run, last, base
            # The last one is cut short by the end.
            count = min(count, int(np.searchsorted(part.clocks[1:], end + 1, side="right")))
            ran = executed(part, count, asked.variant)
            if len(ran.at):
                runs = run + np.cumsum(np.diff(base + ran.at, prepend=last) != 1)
                writer.put(ran.cases, ran.expected, runs)
                run, last = int(runs[-1]), base + int(ran.at[-1])
            base += count

        asked.on_gates(on_part=put)


def _within(window: ClockWindow | None, run: Run) -> None:
    if window is not None and window.first > run.clocks:
        raise WindowError(f"--clocks {window.first}..: the run ends in clock {run.clocks}")


def _written(write: Callable[[IO[str]], None], report: RunReport) -> CheckReport:
    """Writes a waveform, checks it, and puts it in its place."""
    with (
        scratch() as (file, path),
        written_beside(report.vcd) if report.vcd else nullcontext() as kept,
    ):
        write(file)
        file.flush()
        check = check_dump(path)
        if kept is not None:
            file.seek(0)
            shutil.copyfileobj(file, kept)
    return check


def _find(asked: _Asked, window: ClockWindow, engine: str) -> ClockWindow:
    """The clocks around an address, by a run that is not kept."""
    finder = Finder(window)
    if engine == SIMULATOR:

        def keep(sequence: Sequence) -> None:
            if sequence.name not in EVENTS:
                finder.fetch(sequence.address, sequence.clock)

        asked.simulate(keep=keep)
    else:

        def scan(part: RunPart, end: int, count: int) -> None:
            states = part.states[:count]
            fetches = (states["pc"] == window.around) & (states["cause"] == 0)
            for at in np.flatnonzero(fetches).tolist():
                finder.fetch(int(states["pc"][at]), int(part.clocks[at]))

        asked.on_gates(on_part=scan)
    assert window.around is not None
    return finder.found(place(asked.program, window.around))


def place(program: Program, address: int) -> str:
    """An address, with its line in the listing if it has one."""
    line = program.lines.get(address)
    return f"{address:04X} (line {line.number})" if line else f"{address:04X}"
