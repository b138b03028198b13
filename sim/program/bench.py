"""A listing, run on the hardware from reset to its end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from carrywave.rtl.datapath import Unit
from carrywave.rtl.interrupts import EntryCause
from carrywave.rtl.steps import Step

from ..family.members import EVENTS
from ..witness.clocked import Context, Recorder, registers, simulate
from ..witness.registers import StoppedError, name_of
from .assembler import PinEvent, Program
from .ran import Run, Sequence, jumps


def run_program(
    program: Program, variant: str = "nmos", max_clocks: int = 100_000,
    recorder: Recorder | None = None, on_sequence: Callable[[Sequence], None] | None = None,
    on_clock: Callable[[int], None] | None = None, keep_writes: bool = True,
    until: int | None = None, max_instructions: int | None = None,
) -> Run:  # fmt: skip
    """Runs a listing from reset until an instruction jumps to itself, or for `max_clocks`.

    It ends before, where the next instruction would be fetched at `until`, or when
    `max_instructions` have run.

    The program's memory is written to. A recorder sees one clock more than the run counts: the
    fetch at which the last instruction's effects stand. Raises StoppedError at an opcode outside
    the documented set.
    """
    bench = _Bench(program, recorder, on_sequence, on_clock, keep_writes, until, max_instructions)

    async def testbench(ctx: Context, unit: Unit) -> None:
        await bench.play(ctx, unit, max_clocks)

    simulate(testbench, variant)
    return bench.run


@dataclass
class _Bench:
    """A memory and the pins around the unit."""

    program: Program
    recorder: Recorder | None
    on_sequence: Callable[[Sequence], None] | None
    on_clock: Callable[[int], None] | None
    keep_writes: bool
    until: int | None
    max_instructions: int | None
    run: Run = field(default_factory=Run)
    pins: dict[int, list[tuple[str, int]]] = field(default_factory=dict)  # by clock: what changes

    async def play(self, ctx: Context, unit: Unit, max_clocks: int) -> None:
        """Runs from power-up until the end and fills in `run`."""
        memory, run = self.program.memory, self.run
        self.pins = {clock: [*moves] for clock, moves in self.program.pin_clocks.items()}
        name, start, began = "RESET", 0, 0
        before = registers(ctx, unit)
        writes: list[tuple[int, int, int]] = []
        code = b""
        for clock in range(max_clocks + 1):
            address = ctx.get(unit.address)
            ended = ""
            if ctx.get(unit.sync):
                after = registers(ctx, unit)
                if clock:
                    self.finish(Sequence(
                        name, began, clock - began, start, before, after, tuple(writes), code
                    ))  # fmt: skip
                entering = ctx.get(unit.control.position) == Step.ENTER
                if not entering and address == start and jumps(name) and self.quiet(ctx, unit):
                    ended = "self-jump"
                elif not entering and address == self.until and clock:
                    ended = "address"
                elif run.instructions == self.max_instructions:
                    ended = "instruction limit"
                if entering:
                    name = EVENT_OF[ctx.get(unit.interrupts.cause)]
                else:
                    name = name_of(memory[address])
                    self.schedule(self.program.pin_events.get(address, ()), clock)
                before, start, began, writes = after, address, clock, []
                code = bytes(memory[(address + i) % len(memory)] for i in range(3))
            for pin, level in self.pins.pop(clock, ()):
                ctx.set(getattr(unit, pin), level)
            if ctx.get(unit.stopped):
                raise StoppedError(memory[start], start, unit.variant.value)
            ctx.set(unit.data_in, memory[address])
            if self.recorder:
                self.recorder.clock(ctx, unit, name)
            if ended or clock == max_clocks:
                run.ended = ended or "clock limit"
                break
            if ctx.get(unit.write):
                memory[address] = byte = ctx.get(unit.data_out)
                writes.append((clock, address, byte))
            if self.on_clock and not clock % 256:
                self.on_clock(clock)
            await ctx.tick()
        run.clocks, run.last_address = clock, start

    def finish(self, sequence: Sequence) -> None:
        """Counts a sequence that has ended and hands it on."""
        run = self.run
        run.instructions += sequence.name not in EVENTS
        run.final = sequence.after
        if self.keep_writes:
            for write in sequence.writes:
                run.writes.extend(write)
        if self.on_sequence:
            self.on_sequence(sequence)

    def schedule(self, events: tuple[PinEvent, ...], clock: int) -> None:
        """Notes the pin changes of directives that execution has reached."""
        for event in events:
            at = clock + event.delay
            self.pins.setdefault(at, []).append((event.pin, event.level))
            if event.width:
                self.pins.setdefault(at + event.width, []).append((event.pin, 1 - event.level))

    def quiet(self, ctx: Context, unit: Unit) -> bool:
        """Tells whether nothing is left that could end a loop: no pin due, no interrupt asked."""
        asked = not ctx.get(unit.irq_n) and not ctx.get(unit.status.flags.i)
        return not self.pins and not asked and not ctx.get(unit.interrupts.nmi_pending)


EVENT_OF: Final = {EntryCause.IRQ: "IRQ", EntryCause.NMI: "NMI", EntryCause.RESET: "RESET"}
