"""Where the sweep's time goes, in one process."""

from __future__ import annotations

import time
from collections import Counter
from contextlib import contextmanager

from carrywave.sim.cases.exhaustive import exhaustive_cases
from carrywave.sim.family.instructions import BY_OPCODE
from carrywave.sim.family.members import EVENTS
from carrywave.sim.sweep.sweeping import Share
from carrywave.sim.witness import gates
from carrywave.sim.witness.model import Model

PARTS = (
    "making the cases", "model", "packing into planes", "netlist", "unpacking",
    "the rest of the gates witness", "comparing",
)  # fmt: skip


class Stopwatch:
    """Seconds by part; a part within another is taken off the outer one."""

    def __init__(self):
        self.seconds = Counter()
        self.stack = []

    @contextmanager
    def part(self, name):
        began, self.stack = time.process_time(), [*self.stack, 0.0]
        try:
            yield
        finally:
            took = time.process_time() - began
            *self.stack, inner = self.stack
            self.seconds[name] += took - inner
            if self.stack:
                self.stack[-1] += took

    def timed(self, name, function):
        def call(*arguments):
            with self.part(name):
                return function(*arguments)

        return call


class TimedClock:
    """One clock of the netlist, both halves of it timed."""

    def __init__(self, watch, clock):
        self.watch, self.clock = watch, clock

    def __next__(self):
        with self.watch.part("netlist"):
            return next(self.clock)

    def send(self, data):
        with self.watch.part("netlist"):
            return self.clock.send(data)


def parts_of_sweep(variant="nmos"):
    """Seconds by part and how many cases there were; every case agrees, or AssertionError."""
    watch, model, witness = Stopwatch(), Model(variant), gates.Gates(variant)
    unit, pack, unpack = witness.unit, gates.pack, gates.unpack
    clock, sync = unit.clock, unit.sync
    unit.clock = lambda *arguments: TimedClock(watch, clock(*arguments))
    unit.sync = watch.timed("netlist", sync)
    gates.pack = watch.timed("packing into planes", pack)
    gates.unpack = watch.timed("unpacking", unpack)
    total = Share()
    try:
        for row in (*BY_OPCODE.values(), *EVENTS[1:]):
            blocks = iter(exhaustive_cases(row))
            while True:
                with watch.part("making the cases"):
                    cases = next(blocks, None)
                if cases is None:
                    break
                with watch.part("model"):
                    expected = model.execute(cases)
                with watch.part("the rest of the gates witness"):
                    actual = witness.execute(cases)
                with watch.part("comparing"):
                    share = Share.of("all", cases, expected, actual, witness.off_bus_rows)
                    total = total.merge(share)
    finally:
        unit.clock, unit.sync, gates.pack, gates.unpack = clock, sync, pack, unpack
    assert total.comparison.agree
    assert not total.off_bus
    return {part: watch.seconds[part] for part in PARTS}, total.comparison.cases
