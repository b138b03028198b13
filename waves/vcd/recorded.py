"""What is recorded clock by clock: an operation, and the case in which something is not so."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING

from carrywave.sim.cases.layout import REGISTERS
from carrywave.sim.op.operation import Operation
from carrywave.sim.witness.clocked import Clocked

from .dump import BesideDump, Dump

if TYPE_CHECKING:
    from carrywave.sim.claim.claims import Claim
    from carrywave.sim.emulator.verdict import Verdict
    from carrywave.sim.prove.prover import Refuted


def write_operation(operation: Operation, file: IO[str]) -> None:
    """Runs an operation again, the same case, and writes its waveform."""
    assert operation.case is not None
    with Dump(file, operation.variant) as dump:
        Clocked(operation.variant, dump).execute(operation.case)


def write_counterexample(claim: Claim, file: IO[str]) -> None:
    """Writes the first input that a claim fails on. Raises ValueError if the claim holds."""
    if claim.counterexample is None:
        raise ValueError("the claim holds: there is no counterexample")
    write_operation(claim.counterexample.operation(), file)


def write_refuted(refuted: Refuted, file: IO[str], adder: str = "ripple") -> None:
    """Writes what the RTL does in the state that refutes a property.

    Where it is the netlist that was altered, the waveform shows the RTL as it should be.
    """
    with Dump(file, refuted.variant) as dump:
        Clocked(refuted.variant, dump, adder).execute(refuted.case)


def write_wrong_case(verdict: Verdict, file: IO[str]) -> None:
    """Writes an emulator's first wrong case on the hardware, the emulator's values beside it.

    In the scope `emulator` are the registers and flags: until the instruction has ended those that
    it starts from, then those that the emulator left. Raises ValueError if nothing differs.
    """
    first = verdict.first
    if first is None:
        raise ValueError("nothing differs: there is no wrong case")
    before, after = (
        {name: int(record[name]) for name in REGISTERS} for record in (first.case, first.actual)
    )
    with BesideDump(file, verdict.variant, before, after) as dump:
        Clocked(verdict.variant, dump).execute(first.case)
