"""The figure of an operation: its adder, or the bits where the adder has no part."""

from __future__ import annotations

from typing import TYPE_CHECKING

from carrywave.sim.system.pictures import NothingToDrawError

from .bits import bits_figure
from .chain import chain_figure

if TYPE_CHECKING:
    from carrywave.sim.op.operation import Operation

    from .svg import Figure


def operation_figure(op: Operation) -> Figure:
    """The figure of an operation. Raises NothingToDrawError."""
    figure = chain_figure(op) if op.uses_chain else bits_figure(op)
    if figure is not None:
        return figure
    if op.instruction.branches:
        raise NothingToDrawError(
            f"{op.mnemonic} is not taken with these flags: it adds nothing that could be drawn; "
            "--carry and --status set the flags"
        )
    raise NothingToDrawError(
        f"{op.mnemonic} has no figure: no byte decides a bit or a flag in it; without --svg its "
        "bus and flags are shown"
    )
