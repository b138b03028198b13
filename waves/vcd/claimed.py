"""The waveform of a claim's first failing input."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from carrywave.sim.claim.claims import Claim

__all__ = ["write_waveform"]


def write_waveform(claim: Claim, file: IO[str]) -> None:
    """Writes the first input that the claim fails on, clock by clock."""
    from .record import record

    if claim.counterexample is None:
        raise ValueError("the claim holds: there is no counterexample")
    record(claim.counterexample.operation(), file)
