"""The clocked witness: the hardware in Amaranth's simulator, clock by clock."""

from collections import defaultdict
from collections.abc import Awaitable, Callable
from typing import Any, Final, Protocol

import numpy as np
from amaranth.sim import Simulator

from carrywave.rtl.datapath import Unit
from carrywave.rtl.interrupts import EntryCause
from carrywave.rtl.steps import Step

from ..cases.case_memory import lay_out
from ..cases.layout import OUTCOME, WRITES, Cases, Outcomes
from ..family.members import EVENTS
from ..family.status_byte import LOWEST_FIRST, flags_of, status_of
from .registers import Registers, StoppedError, name_of

Context = Any  # Amaranth's testbench context, which it does not type
PERIOD = 1e-6
LONGEST = 8  # clocks in any sequence, and one to spare
NOP = 0xEA
Testbench = Callable[[Context, Unit], Awaitable[None]]


class Recorder(Protocol):
    """Sees the settled unit once a clock."""

    def clock(self, ctx: Context, unit: Unit, name: str) -> None:
        """`name` is the mnemonic, or the event whose entry runs."""


class _Simulated:
    """A unit and its clock in Amaranth's simulator, for one testbench after another."""

    def __init__(self, variant: str, adder: str) -> None:
        self.unit = Unit(variant, adder)
        self.testbench: Testbench | None = None
        self.simulator = Simulator(self.unit)
        self.simulator.add_clock(PERIOD)
        self.simulator.add_testbench(self._current)

    async def _current(self, ctx: Context) -> None:
        assert self.testbench is not None
        await self.testbench(ctx, self.unit)


# By variant and adder, those that stand idle: to build one takes a second, to reset it none.
_IDLE: Final[defaultdict[tuple[str, str], list[_Simulated]]] = defaultdict(list)


def simulate(testbench: Testbench, variant: str = "nmos", adder: str = "ripple") -> None:
    """Runs a testbench to its end beside a unit of that variant, from power-up."""
    idle = _IDLE[variant, adder]
    if idle:
        one = idle.pop()
        one.simulator.reset()
    else:
        one = _Simulated(variant, adder)
    one.testbench = testbench
    one.simulator.run()
    # One whose testbench failed is not taken again: its testbench still waits for a clock.
    one.testbench = None
    idle.append(one)


def registers(ctx: Context, unit: Unit) -> Registers:
    """Reads the registers; B has no register and reads as 1, as it is pushed by PHP."""
    get = ctx.get
    lie = get(unit.status.flags.as_value())
    p = status_of({flag: lie >> i & 1 for i, flag in enumerate(LOWEST_FIRST)})
    return Registers(
        get(unit.pc), get(unit.a), get(unit.x), get(unit.y), get(unit.stack.pointer), p
    )


class Clocked:
    """The witness that runs each case on the hardware.

    `recorder`, if given, sees each clock of each case, and one clock more: the fetch that follows.
    """

    def __init__(
        self, variant: str = "nmos", recorder: Recorder | None = None, adder: str = "ripple"
    ) -> None:
        """`variant` is "nmos", "cmos" or "binary"; `adder` is one of `netlist.ADDERS`."""
        self.variant, self.recorder, self.adder = variant, recorder, adder

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises StoppedError at an opcode that is not built."""
        cases = np.asarray(cases)
        flat = np.atleast_1d(cases)
        outcomes = np.zeros(flat.shape, OUTCOME)

        async def testbench(ctx: Context, unit: Unit) -> None:
            for i, case in enumerate(flat):
                outcomes[i] = await self._execute(ctx, unit, case)

        simulate(testbench, self.variant, self.adder)
        return outcomes.reshape(cases.shape)

    async def _execute(self, ctx: Context, unit: Unit, case: Any) -> tuple[Any, ...]:
        event = EVENTS[case["event"]]
        pc, opcode = int(case["pc"]), int(case["read_value"][0])
        memory = lay_out(case)
        elsewhere = 255 - int(case["read_value"][max(int(case["reads"]), 1) - 1])
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
        name = name_of(opcode)
        if not ctx.get(unit.control.position == Step.FETCH):
            name = event

        writes: list[tuple[int, int]] = []
        for clock in range(LONGEST + 1):
            address = ctx.get(unit.address)
            ctx.set(unit.data_in, memory.get(address, elsewhere))
            if clock and ctx.get(unit.sync):
                break
            if ctx.get(unit.stopped):
                raise StoppedError(opcode, pc, self.variant)
            if ctx.get(unit.write):
                writes.append((address, ctx.get(unit.data_out)))
            if self.recorder:
                self.recorder.clock(ctx, unit, name)
            await ctx.tick()
        else:
            raise RuntimeError(f"{name} at {pc:04X} did not end within {LONGEST} clocks")
        if self.recorder:
            self.recorder.clock(ctx, unit, name_of(memory.get(address, elsewhere)))
        addresses, values = zip(*writes, *[(0, 0)] * (WRITES - len(writes)), strict=True)
        return (*registers(ctx, unit), clock, len(writes), values, addresses)


async def load(ctx: Context, unit: Unit, case: Any, pc: int) -> None:
    """Puts the unit into a case's state, in the clock that fetches the opcode at `pc`."""
    flags = flags_of(int(case["p"]))
    lie = sum(flags[name] << i for i, name in enumerate(LOWEST_FIRST))
    for signal, value in (
        (unit.a, case["a"]), (unit.x, case["x"]), (unit.y, case["y"]),
        (unit.stack.pointer, case["sp"]), (unit.pc, pc),
        (unit.status.flags.as_value(), lie),
        (unit.control.position, Step.FETCH), (unit.control.clock_number, 0),
        (unit.interrupts.cause, EntryCause.INSTRUCTION), (unit.interrupts.nmi_before, 1),
        (unit.interrupts.nmi_pending, 0), (unit.interrupts.nmi_decided, 0),
        (unit.interrupts.irq_decided, 0),
        (unit.irq_n, 1), (unit.nmi_n, 1), (unit.reset_n, 1),
    ):  # fmt: skip
        ctx.set(signal, int(value) if isinstance(value, np.integer) else value)
