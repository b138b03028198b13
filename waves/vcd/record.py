"""The waveform of one operation."""

from __future__ import annotations

from typing import IO

from carrywave.sim.family.status import FLAG_BITS
from carrywave.sim.op.operation import Operation, operate

__all__ = ["record"]


def record(operation: Operation, file: IO[str]) -> None:
    """Runs an operation again, from the same flags, and writes its waveform."""
    from .dump import Dump

    op = operation
    status = 0x30 | sum(bit << FLAG_BITS[flag] for flag, bit in op.before.items())
    with Dump(file, op.variant) as dump:
        operate(
            op.mnemonic, op.a or 0, op.operand or 0, op.carry_in, bool(op.decimal), op.variant,
            status, dump,
        )  # fmt: skip
