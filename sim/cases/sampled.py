"""Random cases, the same for the same seed."""

from collections.abc import Iterable
from typing import Any

import numpy as np

from ..family.instructions import INSTRUCTIONS, Instruction
from ..family.members import EVENTS
from .kinds import BY_KEY, alike, keys_of, lay_reads
from .layout import CASE, Cases
from .memory import possible


def sampled_cases(
    count: int,
    seed: int,
    instructions: Iterable[Instruction] = INSTRUCTIONS,
    events: Iterable[str] = EVENTS,
) -> Cases:
    """Random cases of the given opcodes and events.

    No byte is two things at once, so each case can be laid out in a memory.
    """
    rng = np.random.default_rng(seed)
    cases = np.zeros(count, CASE)
    for name in ("a", "x", "y", "sp", "p"):
        cases[name] = rng.integers(0, 256, count)
    opcodes = [one.opcode for one in instructions if one.opcode is not None]
    cases["read_value"][:, 0] = rng.choice(opcodes, count)
    cases["event"] = rng.choice([EVENTS.index(event) for event in events], count)
    # An interrupt is the rarer question: most of what can differ is in the instructions.
    if len(set(events)) > 1 and "instruction" in set(events):
        cases["event"][rng.random(count) < 0.8] = 0
    # Clear of the zero page, the stack and the vectors.
    cases["pc"] = rng.integers(0x0200, 0xFF00, count)
    for key, rows in alike(keys_of(cases)):
        left = rows
        while len(left):
            block = cases[left]
            _draw(block, BY_KEY[key], rng)
            cases[left] = block
            left = left[~possible(block)]
    return cases


def _draw(cases: Cases, instruction: Instruction, rng: np.random.Generator) -> None:
    """Draws the bytes that an instruction reads."""
    columns: dict[str, Any] = {name: cases[name].astype(np.uint16) for name in ("pc", "sp")}
    for name in instruction.reads:
        columns[name] = rng.integers(0, 256, len(cases))
    lay_reads(cases, instruction, columns)
