"""Cases and outcomes: what is put to a witness, and what it answers."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
import numpy.typing as npt

from .isa import EVENTS, INSTRUCTIONS, Instruction

__all__ = ["CASE", "FLAG_BITS", "OUTCOME", "Cases", "Outcomes", "sampled_cases"]

Cases = npt.NDArray[np.void]
Outcomes = npt.NDArray[np.void]

FLAG_BITS: Final = {"n": 7, "v": 6, "d": 3, "i": 2, "z": 1, "c": 0}

_REGISTERS = [("pc", "<u2"), ("a", "u1"), ("x", "u1"), ("y", "u1"), ("sp", "u1"), ("p", "u1")]

#: One instruction or interrupt and the state it starts from; 20 bytes. Fields with nothing to say are 0.
#: `operand` is the byte in memory at `address`; `pulled` the bytes above SP, nearest first; `vector`
#: the address that an interrupt's entry finds; `event` an index into `isa.EVENTS`.
CASE: Final = np.dtype([
    ("event", "u1"), ("length", "u1"), ("bytes", "u1", 3), ("operand", "u1"), ("address", "<u2"),
    ("pc", "<u2"), ("vector", "<u2"), ("a", "u1"), ("x", "u1"), ("y", "u1"), ("sp", "u1"),
    ("p", "u1"), ("pulled", "u1", 3),
])

#: The state that is left and what was written; 20 bytes. `p` has bits 4 and 5 set; `cycles` 0 is
#: 'not counted'.
OUTCOME: Final = np.dtype([
    *_REGISTERS, ("pushes", "u1"), ("pushed", "u1", 3), ("stores", "u1"), ("stored", "u1"),
    ("cycles", "u1"), ("push_address", "<u2", 3),
])

_PULLS: Final = {"PLA": 1, "PLP": 1, "RTS": 2, "RTI": 3}


def sampled_cases(
    count: int,
    seed: int,
    entries: Iterable[Instruction] = INSTRUCTIONS,
    events: Iterable[str] = EVENTS,
) -> Cases:
    """Random cases of the given opcodes and events, the same for the same seed.

    No byte lies in two places at once: an operand or the stack never overlaps the instruction, so the
    cases can be laid out in one memory.
    """
    rng = np.random.default_rng(seed)
    cases = np.zeros(count, CASE)
    for name in ("a", "x", "y", "sp", "p"):
        cases[name] = rng.integers(0, 256, count)
    entry_of = {entry.opcode: entry for entry in entries}
    cases["bytes"][:, 0] = rng.choice(list(entry_of), count)
    cases["event"] = rng.choice([EVENTS.index(event) for event in events], count)
    # An interrupt is the rarer question: most of what can differ is in the instructions.
    if len(set(events)) > 1 and "instruction" in set(events):
        cases["event"][rng.random(count) < 0.8] = 0
    # Clear of the zero page, the stack and the vectors.
    cases["pc"] = rng.integers(0x0200, 0xFF00, count)
    for opcode, entry in entry_of.items():
        rows = np.flatnonzero(cases["bytes"][:, 0] == opcode)
        block = cases[rows]
        block["length"] = entry.length
        for i in range(1, entry.length):
            block["bytes"][:, i] = rng.integers(0, 256, len(rows))
        if entry.access:
            block["address"] = block["bytes"][:, 1]
            if entry.mode == "absolute":
                near = np.abs((block["pc"] >> 8).astype(int) - block["bytes"][:, 2]) < 2
                block["bytes"][near, 2] ^= 0x80
                block["address"] += block["bytes"][:, 2].astype("<u2") << 8
            if entry.access != "write":
                block["operand"] = rng.integers(0, 256, len(rows))
        for i in range(_PULLS.get(entry.mnemonic, 0)):
            block["pulled"][:, i] = rng.integers(0, 256, len(rows))
        if entry.mnemonic == "BRK":
            block["vector"] = rng.integers(0, 0x10000, len(rows))
        cases[rows] = block
    entering = cases["event"] > 0
    cases["vector"][entering] = rng.integers(0, 0x10000, int(entering.sum()))
    return cases
