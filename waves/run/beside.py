"""The waveform around an emulator's first wrong instruction in a program, its registers beside."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING

from carrywave.sim.cases.layout import REGISTERS

from ..vcd.dump import BesideRunDump, Dump
from ..vcd.gate_dump import GateDump
from .window import ClockWindow

if TYPE_CHECKING:
    from carrywave.sim.program.assembler import Program
    from carrywave.sim.program.comparing import ProgramVerdict


def write_wrong_window(verdict: ProgramVerdict, program: Program, file: IO[str]) -> None:
    """Runs the program again, as it was loaded, and writes the clocks around what is wrong.

    What the emulator left of the wrong instruction stands in the scope `emulator`; not where it
    was right, and another interrupt came than on the gates. Raises ValueError if nothing is wrong.
    """
    from carrywave.sim.program.predicted import run_predicted

    wrong, first = verdict.wrong, verdict.verdict.first
    if wrong is None:
        raise ValueError("nothing is wrong: there is nothing to show")
    variant = verdict.verdict.variant
    window = ClockWindow().at(wrong.clock)
    if first is not None and int(first.case["pc"]) == wrong.address:
        left = {name: int(first.actual[name]) for name in REGISTERS}
        ends = wrong.clock + int(first.expected["cycles"])
        dump: Dump = BesideRunDump(file, variant, window.first, ends, left)
    else:
        dump = Dump(file, variant, window.first)
    with dump:
        put = GateDump(dump, variant, window.first, window.last).part
        most = min(window.last + 1, verdict.run.clocks)
        run_predicted(program, variant, most, keep_writes=False, on_part=put)
