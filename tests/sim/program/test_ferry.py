"""A whole program on the gates: the ferry's office, which uses every addressing mode."""

from __future__ import annotations

from typing import Any

import numpy as np
from tracked import HOUSE

from carrywave.sim.family.instructions import BY_OPCODE
from carrywave.sim.program.assembler import load
from carrywave.sim.program.executed import executed
from carrywave.sim.program.predicted import run_predicted
from carrywave.sim.witness.comparison import Comparison
from carrywave.sim.witness.model import Model

LISTING = HOUSE / "tests/examples/programs/ferry.s"


def test_days_at_the_ferry() -> None:
    """No day ends at WRONG; what the timer sends is the line; each instruction is the model's."""
    program = load(LISTING)
    assert sum(byte != 0 for byte in program.memory) > 4096
    where = program.labels
    opcodes: set[int] = set()
    bits: list[int] = []
    reached: dict[str, int] = {}
    compared = 0

    def take(part: Any, end: int, count: int) -> None:
        nonlocal compared
        states, clocks = part.states[:count], part.clocks[:count]
        instructions = states["cause"] == 0
        opcodes.update(np.unique(part.memory.at(states["pc"], clocks)[instructions]).tolist())
        for name in ("MORNING", "SEATS", "ENDED", "HERE", "WRONG"):
            here = instructions & (states["pc"] == where[name])
            reached[name] = reached.get(name, 0) + int(np.count_nonzero(here))
        sent = part.writes.address == where["PORT"]
        bits.extend((part.writes.value[sent] & 1).tolist())
        ran = executed(part, count - 1, "nmos")
        found = Comparison.of(ran.cases, ran.expected, Model().execute(ran.cases))
        assert found.agree, found.first
        compared += found.cases

    run = run_predicted(program, max_clocks=1_900_000, keep_writes=False, on_part=take)
    assert (run.ended, run.rounds, run.corrected) == ("clock limit", 1, 0)
    assert {BY_OPCODE[code].mode.name for code in opcodes} == {
        form.mode.name for form in BY_OPCODE.values()
    }
    assert len(opcodes) > 90
    assert reached["WRONG"] == 0
    assert reached["MORNING"] >= 8  # days, with the one on which nobody is found
    assert reached["ENDED"] == 1
    assert compared > 400_000
    # A character: a start bit, eight bits with the lowest first, a stop bit.
    assert len(bits) > 10_000
    letters = ""
    for at in range(0, len(bits) - 9, 10):
        start, *eight, stop = bits[at : at + 10]
        assert (start, stop) == (0, 1)
        letters += chr(sum(bit << i for i, bit in enumerate(eight)))
    line = "THE FERRY LEAVES AT NOON"
    assert letters == (line * 100)[: len(letters)]
