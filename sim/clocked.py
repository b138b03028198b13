"""The clocked witness: the hardware in Amaranth's simulator, clock by clock."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np
from amaranth.sim import Simulator

from carrywave.rtl.datapath import Unit
from carrywave.rtl.decode import Step
from carrywave.rtl.interrupts import Cause

from .cases import OUTCOME, Cases, Outcomes
from .isa import BY_OPCODE, EVENTS

if TYPE_CHECKING:
    from .program import PinEvent, Program

__all__ = ["Clocked", "Registers", "Run", "Sequence", "StoppedError", "run_program"]

Context = Any  # Amaranth's testbench context, which it does not type
PERIOD = 1e-6
LONGEST = 8  # clocks in any sequence, and one to spare
NOP = 0xEA


class StoppedError(Exception):
    """The unit fetched an opcode outside the documented set."""

    def __init__(self, opcode: int, address: int) -> None:
        """Keeps both as attributes."""
        super().__init__(f"opcode {opcode:02X} at {address:04X} is outside the documented set")
        self.opcode, self.address = opcode, address


class Registers(NamedTuple):
    """The state between two instructions; `p` has bits 4 and 5 set."""

    pc: int
    a: int
    x: int
    y: int
    sp: int
    p: int


class Recorder(Protocol):
    """Sees the settled unit once a clock."""

    def clock(self, ctx: Context, unit: Unit, name: str) -> None:
        """`name` is the mnemonic, or the event whose entry runs."""


def simulate(unit: Unit, testbench: Callable[[Context], Any]) -> None:
    """Runs the testbench to its end beside the unit and its clock."""
    simulator = Simulator(unit)
    simulator.add_clock(PERIOD)
    simulator.add_testbench(testbench)
    simulator.run()


def registers(ctx: Context, unit: Unit) -> Registers:
    """Reads the registers; B has no register and reads as 1, as it is pushed by PHP."""
    get = ctx.get
    p = status_byte(get(unit.status.flags.as_value()))
    return Registers(
        get(unit.pc), get(unit.a), get(unit.x), get(unit.y), get(unit.stack.pointer), p
    )


def status_byte(flags: int) -> int:
    """The pushed byte of six flags that lie C Z I D V N."""
    return (flags & 0x30) << 2 | 0x30 | flags & 0x0F


class Clocked:
    """The witness that runs each case on the hardware.

    `recorder`, if given, sees each clock of each case, and one clock more: the fetch that follows.
    """

    def __init__(
        self, variant: str = "nmos", recorder: Recorder | None = None, adder: str = "ripple"
    ) -> None:
        """`variant` is "nmos", "cmos" or "binary"; `adder` is one of `isa.ADDERS`."""
        self.variant, self.recorder, self.adder = variant, recorder, adder

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises StoppedError at an opcode outside the documented set."""
        cases = np.asarray(cases)
        flat = np.atleast_1d(cases)
        outcomes = np.zeros(flat.shape, OUTCOME)
        unit = Unit(self.variant, self.adder)

        async def testbench(ctx: Context) -> None:
            for i, case in enumerate(flat):
                outcomes[i] = await self._execute(ctx, unit, case)

        simulate(unit, testbench)
        return outcomes.reshape(cases.shape)

    async def _execute(self, ctx: Context, unit: Unit, case: np.void) -> tuple[Any, ...]:
        event = EVENTS[case["event"]]
        pc, memory = int(case["pc"]), lay_out(case)
        # An interrupt is decided during the instruction before it: a NOP that the case does not
        # see.
        await load(ctx, unit, case, pc if event == "instruction" else (pc - 1) % 65536)
        if event != "instruction":
            memory[(pc - 1) % 65536] = NOP
            ctx.set(unit.irq_n, int(event != "IRQ"))
            ctx.set(unit.nmi_n, int(event != "NMI"))
            for clock in range(2):
                ctx.set(unit.reset_n, int(event != "RESET" or clock == 0))
                ctx.set(unit.data_in, memory[ctx.get(unit.address)] if clock == 0 else 0)
                await ctx.tick()
            ctx.set(unit.reset_n, 1)
        name = (
            BY_OPCODE[int(case["bytes"][0])].mnemonic if int(case["bytes"][0]) in BY_OPCODE else "?"
        )
        if not ctx.get(unit.control.position == Step.FETCH):
            name = event

        pushed: list[int] = []
        push_address: list[int] = []
        stored: list[int] = []
        for clock in range(LONGEST + 1):
            address = ctx.get(unit.address)
            ctx.set(unit.data_in, memory.get(address, 0xA7))  # what no one put there is not zero
            if clock and ctx.get(unit.sync):
                break
            if ctx.get(unit.stopped):
                raise StoppedError(int(case["bytes"][0]), pc)
            if ctx.get(unit.write):
                byte = ctx.get(unit.data_out)
                if ctx.get(unit.stack.push):
                    pushed.append(byte)
                    push_address.append(address)
                else:
                    stored.append(byte)
            if self.recorder:
                self.recorder.clock(ctx, unit, name)
            await ctx.tick()
        else:
            raise RuntimeError(f"{name} at {pc:04X} did not end within {LONGEST} clocks")
        if self.recorder:
            self.recorder.clock(ctx, unit, name_of(memory.get(address, 0xA7)))
        three = (0, 0, 0)
        return (
            *registers(ctx, unit),
            len(pushed),
            (*pushed, *three)[:3],
            int(bool(stored)),
            stored[-1] if stored else 0,
            clock,
            (*push_address, *three)[:3],
        )


async def load(ctx: Context, unit: Unit, case: np.void, pc: int) -> None:
    """Puts the unit into a case's state, in the clock that fetches the opcode at `pc`."""
    p = int(case["p"])
    for signal, value in (
        (unit.a, case["a"]), (unit.x, case["x"]), (unit.y, case["y"]),
        (unit.stack.pointer, case["sp"]), (unit.pc, pc),
        (unit.status.flags.as_value(), p >> 2 & 0x30 | p & 0x0F),
        (unit.control.position, Step.FETCH), (unit.control.clock_number, 0),
        (unit.interrupts.cause, Cause.INSTRUCTION), (unit.interrupts.nmi_before, 1),
        (unit.interrupts.nmi_pending, 0), (unit.interrupts.nmi_decided, 0),
        (unit.interrupts.irq_decided, 0),
        (unit.irq_n, 1), (unit.nmi_n, 1), (unit.reset_n, 1),
    ):  # fmt: skip
        ctx.set(signal, int(value) if isinstance(value, np.integer) else value)


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
        await Bench(ctx, unit, program, recorder, on_sequence, keep_writes).run(
            run, max_clocks, on_clock
        )

    simulate(unit, testbench)
    return run


class Bench:
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
                raise StoppedError(memory[start], start)
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


EVENT_OF = {Cause.IRQ: "IRQ", Cause.NMI: "NMI", Cause.RESET: "RESET"}


def name_of(opcode: int) -> str:
    """The mnemonic, or "?" for an opcode outside the documented set."""
    entry = BY_OPCODE.get(opcode)
    return entry.mnemonic if entry else "?"


def jumps(name: str) -> bool:
    """Tells whether an instruction that stays at its own address ends the program."""
    return name == "JMP" or (name in BRANCHES)


BRANCHES = frozenset(entry.mnemonic for entry in BY_OPCODE.values() if entry.mode == "relative")
