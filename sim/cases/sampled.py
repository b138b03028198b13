"""Random cases, the same for the same seed."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ..family.instructions import EVENTS, INSTRUCTIONS, Instruction
from .layout import CASE, PULLS, Cases

__all__ = ["sampled_cases"]


def sampled_cases(
    count: int,
    seed: int,
    entries: Iterable[Instruction] = INSTRUCTIONS,
    events: Iterable[str] = EVENTS,
) -> Cases:
    """Random cases of the given opcodes and events, the same for the same seed.

    No byte lies in two places at once: an operand or the stack never overlaps the instruction, so
    the cases can be laid out in one memory.
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
        for i in range(PULLS.get(entry.mnemonic, 0)):
            block["pulled"][:, i] = rng.integers(0, 256, len(rows))
        if entry.mnemonic == "BRK":
            block["vector"] = rng.integers(0, 0x10000, len(rows))
        cases[rows] = block
    entering = cases["event"] > 0
    cases["vector"][entering] = rng.integers(0, 0x10000, int(entering.sum()))
    return cases
