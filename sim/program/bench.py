"""A listing, run on the hardware from reset to its end."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from carrywave.rtl.datapath import Unit
from carrywave.rtl.interrupts import EntryCause
from carrywave.rtl.steps import Step

from ..family.instructions import BY_MNEMONIC
from ..family.members import EVENTS
from ..witness.clocked import (
    Context,
    Recorder,
    Registers,
    StoppedError,
    name_of,
    registers,
    simulate,
)

if TYPE_CHECKING:
    from .image import PinEvent, Program

__all__ = ["Run", "Sequence", "run_program"]


@dataclass(frozen=True, slots=True)
class Sequence:
    """One instruction, or one event's entry, as it ran."""

    name: str  # mnemonic, or "IRQ", "NMI", "RESET"
    clock: int  # its first
    clocks: int
    address: int  # of its opcode, or where the event broke in
    code: tuple[int, ...]  # the opcode and the bytes read from just behind it
    before: Registers
    after: Registers
    writes: tuple[tuple[int, int, int], ...]  # clock, address, byte


@dataclass
class Run:
    """How a listing ran."""

    ended: str = "clock limit"  # or "self-jump"
    clocks: int = 0
    instructions: int = 0
    final: Registers = field(default=Registers(0, 0, 0, 0, 0, 0x30))
    last_address: int = 0  # of the last instruction begun
    writes: array[int] = field(default_factory=lambda: array("I"))  # clock, address, byte in turn

    def listed_writes(self) -> list[list[int]]:
        """The writes as [clock, address, byte]."""
        flat = self.writes.tolist()
        return [flat[i : i + 3] for i in range(0, len(flat), 3)]


def run_program(
    program: Program,
    variant: str = "nmos",
    max_clocks: int = 100_000,
    recorder: Recorder | None = None,
    on_sequence: Callable[[Sequence], None] | None = None,
    on_clock: Callable[[int], None] | None = None,
    keep_writes: bool = True,
) -> Run:
    """Runs a listing from reset until an instruction jumps to itself, or for `max_clocks`.

    The program's memory is written to. A recorder sees one clock more than the run counts: the
    fetch at which the last instruction's effects stand. Raises StoppedError at an opcode outside
    the documented set.
    """
    unit = Unit(variant)
    run = Run()

    async def testbench(ctx: Context) -> None:
        await _Bench(ctx, unit, program, recorder, on_sequence, keep_writes).run(
            run, max_clocks, on_clock
        )

    simulate(unit, testbench)
    return run


class _Bench:
    """A memory and the pins around the unit."""

    def __init__(
        self,
        ctx: Context,
        unit: Unit,
        program: Program,
        recorder: Recorder | None,
        on_sequence: Callable[[Sequence], None] | None,
        keep_writes: bool,
    ) -> None:
        """Starts from power-up."""
        self.ctx, self.unit, self.program = ctx, unit, program
        self.recorder, self.on_sequence, self.keep_writes = recorder, on_sequence, keep_writes
        self.pins: dict[int, list[tuple[str, int]]] = {}  # by the clock in which they change

    async def run(self, run: Run, max_clocks: int, on_clock: Callable[[int], None] | None) -> None:
        """Runs until the end and fills in `run`."""
        ctx, unit, memory = self.ctx, self.unit, self.program.memory
        name, start, began = "RESET", 0, 0
        before = registers(ctx, unit)
        code: list[int] = []
        writes: list[tuple[int, int, int]] = []
        for clock in range(max_clocks + 1):
            address = ctx.get(unit.address)
            ended = False
            if ctx.get(unit.sync):
                after = registers(ctx, unit)
                if clock:
                    self.finish(run, Sequence(
                        name, began, clock - began, start, tuple(code), before, after, tuple(writes)
                    ))  # fmt: skip
                entering = ctx.get(unit.control.position) == Step.ENTER
                ended = not entering and address == start and jumps(name) and self.quiet()
                name = "RESET" if entering else name_of(memory[address])
                if entering:
                    name = EVENT_OF[ctx.get(unit.interrupts.cause)]
                else:
                    self.schedule(self.program.pin_events.get(address, ()), clock)
                before, start, began, code, writes = after, address, clock, [], []
            for pin, level in self.pins.pop(clock, ()):
                ctx.set(getattr(unit, pin), level)
            if ctx.get(unit.stopped):
                raise StoppedError(memory[start], start, unit.variant.value)
            ctx.set(unit.data_in, memory[address])
            if self.recorder:
                self.recorder.clock(ctx, unit, name)
            if ended or clock == max_clocks:
                run.ended = "self-jump" if ended else "clock limit"
                break
            if ctx.get(unit.write):
                memory[address] = byte = ctx.get(unit.data_out)
                writes.append((clock, address, byte))
            elif address == start + len(code) < start + 3:
                code.append(memory[address])
            if on_clock and not clock % 256:
                on_clock(clock)
            await ctx.tick()
        run.clocks, run.last_address = clock, start

    def finish(self, run: Run, sequence: Sequence) -> None:
        """Counts a sequence that has ended and hands it on."""
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

    def quiet(self) -> bool:
        """Tells whether nothing is left that could end a loop: no pin due, no interrupt asked."""
        ctx, unit = self.ctx, self.unit
        asked = not ctx.get(unit.irq_n) and not ctx.get(unit.status.flags.i)
        return not self.pins and not asked and not ctx.get(unit.interrupts.nmi_pending)


EVENT_OF: Final = {EntryCause.IRQ: "IRQ", EntryCause.NMI: "NMI", EntryCause.RESET: "RESET"}


def jumps(name: str) -> bool:
    """Tells whether an instruction that stays at its own address ends the program."""
    return name == "JMP" or any(form.branches for form in BY_MNEMONIC.get(name, {}).values())
