"""Programs of random bytes, for whoever holds two runs to each other."""

from __future__ import annotations

import random
from types import SimpleNamespace
from typing import Any

from carrywave.sim.family.instructions import BY_OPCODE
from carrywave.sim.program.assembler import PinEvent


def random_program(seed: int, pins: bool = True) -> Any:
    """Documented opcodes in all of memory; at some addresses a fetch moves a pin."""
    rng, opcodes = random.Random(seed), sorted(BY_OPCODE)
    memory = bytearray(rng.choice(opcodes) for _ in range(0x10000))
    events: dict[int, tuple[PinEvent, ...]] = {}
    for address in range(0x10000 * pins):
        if rng.random() < 0.08:
            pin = rng.choice(["irq_n"] * 5 + ["nmi_n"] * 4 + ["reset_n"])
            level = rng.randint(0, 1) if pin == "irq_n" else 0
            width = 0 if pin == "irq_n" else rng.randint(1, 3)
            events[address] = (PinEvent(address, pin, level, rng.randint(0, 6), width),)
    return SimpleNamespace(memory=memory, pin_events=events, pin_clocks={})
