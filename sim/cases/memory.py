"""The memory that a case stands in."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..family.instructions import (
    BY_OPCODE,
)
from .layout import Cases

__all__ = ["possible"]

_READS: Final = np.array(
    [c in BY_OPCODE and BY_OPCODE[c].access in ("read", "modify") for c in range(256)]
)
_PULLS: Final = np.array(
    [{"PLA": 1, "PLP": 1, "RTS": 2, "RTI": 3}.get(BY_OPCODE[c].mnemonic, 0) if c in BY_OPCODE else 0
     for c in range(256)]
)  # fmt: skip
_VECTORS: Final = np.array([0xFFFE, 0xFFFE, 0xFFFA, 0xFFFC], np.uint16)  # BRK, IRQ, NMI, RESET


def possible(cases: Cases) -> npt.NDArray[np.bool_]:
    """Which cases one memory can hold, no byte of it being two things at once.

    The gates are told each byte when they ask for it, wherever it lies; most emulators have a
    memory. JSR with its own operand below SP is left out too: it depends on which comes first.
    """
    opcode = cases["bytes"][:, 0]
    impossible = np.zeros(len(cases), np.bool_)
    code = [(cases["pc"] + np.uint16(i), cases["bytes"][:, i], cases["length"] > i)
            for i in range(3)]  # fmt: skip
    others: list[tuple[Any, Any, Any]] = []
    operand = (cases["address"], cases["operand"], _READS[opcode])
    if operand[2].any():
        others.append(operand)
    for i in range(int(_PULLS[opcode].max(initial=0))):
        at = (cases["sp"] + np.uint8(i + 1)).astype(np.uint16) | np.uint16(0x100)
        others.append((at, cases["pulled"][:, i], _PULLS[opcode] > i))
    entering = (cases["event"] > 0) | (opcode == 0)
    if entering.any():
        at = _VECTORS[cases["event"]]
        vector = [(at, cases["vector"] & 0xFF, entering), (at + 1, cases["vector"] >> 8, entering)]
        pairs = [(operand, half) for half in vector]
        others += vector
    else:
        pairs = []
    pairs += [(byte, other) for byte in code for other in others]
    for (here, this, claimed), (there, that, wanted) in pairs:
        same = here == there
        if same.any():
            impossible |= same & (this != that) & claimed & wanted
    calls = opcode == 0x20
    if calls.any():
        last = cases["pc"] + np.uint16(2)
        below = (last - np.uint16(0x100) - cases["sp"]) & 0xFF
        impossible |= calls & (last >> 8 == 1) & ((below == 0) | (below == 0xFF))
    return ~impossible


def lay_out(case: np.void) -> dict[int, int]:
    """The bytes of a case in memory; where two claim a place, the instruction's own win."""
    vector = int(case["vector"])
    low = {1: 0xFFFE, 2: 0xFFFA, 3: 0xFFFC}.get(int(case["event"]), 0xFFFE)
    memory = {low: vector % 256, low + 1: vector // 256}
    for i, byte in enumerate(case["pulled"]):
        memory[0x100 + (int(case["sp"]) + 1 + i) % 256] = int(byte)
    if case["length"] > 1:
        memory[int(case["address"])] = int(case["operand"])
    for i, byte in enumerate(case["bytes"]):
        memory[(int(case["pc"]) + i) % 65536] = int(byte)
    return memory
