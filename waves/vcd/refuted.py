"""The waveform of a refuted property."""

from __future__ import annotations

from typing import IO

from carrywave.sim.prove.counterexample import Refuted

__all__ = ["write_waveform"]


def write_waveform(refuted: Refuted, file: IO[str], adder: str = "ripple") -> None:
    """Writes what the RTL does in the state that refutes a property.

    Where it is the netlist that was altered, the waveform shows the RTL as it should be.
    """
    from carrywave.sim.witness.clocked import Clocked

    from .dump import Dump

    with Dump(file, refuted.variant) as dump:
        Clocked(refuted.variant, dump, adder).execute(refuted.case)
