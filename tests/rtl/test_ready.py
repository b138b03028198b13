"""Memory that takes its time: the unit waits, and every clock that counts is the same clock."""

import random

import pytest
from amaranth.hdl import Module, Signal
from amaranth.lib.memory import Memory
from amaranth.lib.wiring import Component, In
from amaranth.sim import Simulator

from carrywave.rtl import datapath
from carrywave.rtl.datapath import REGISTERS, Unit
from carrywave.sim.program.assembler import assemble

LISTING = """
        .org $0200
START:  LDX #$FE
        LDY #1
        TXS
        SED
        LDA $10
        ADC ($12),Y
        PHP
        INC $10
        STA $2000,X
        CLI
        JSR SUB
DONE:   JMP DONE
SUB:    BIT $10
        RTS
ONIRQ:  PLA
        PHA
        RTI
        .org $FFFA
        .word ONIRQ, START, ONIRQ
"""
CLOCKS = 90
SEEN = ("address", "write", "sync", "clock_number")


def row_of(ctx, unit):
    """What can be seen of a clock: pins, registers and, in a write, the byte."""
    row = [ctx.get(getattr(unit, name)) for name in SEEN]
    row += [ctx.get(getattr(unit.registers, name)) for name in REGISTERS.members]
    return (*row, ctx.get(unit.data_out) if row[1] else None)


def run(dut, unit, each_clock):
    """Rows of the clocks that count."""
    rows = []

    async def testbench(ctx):
        while len(rows) < CLOCKS:
            each_clock(ctx, len(rows))
            if ctx.get(unit.ready):
                rows.append(row_of(ctx, unit))
            await ctx.tick()

    simulator = Simulator(dut)
    simulator.add_clock(1e-6)
    simulator.add_testbench(testbench)
    simulator.run()
    return rows


def pins(ctx, unit, count):
    """Both interrupts are asked for, by the clocks that have counted."""
    ctx.set(unit.irq_n, not 30 <= count < 44)
    ctx.set(unit.nmi_n, not 60 <= count < 63)


def at_once(stall=None):
    """Memory that answers in the same clock; `stall` says of each clock whether it counts."""
    unit, memory = Unit(), bytearray(assemble(LISTING).memory)

    def each_clock(ctx, count):
        ready = stall is None or not stall()
        ctx.set(unit.ready, ready)
        pins(ctx, unit, count)
        address, write = ctx.get(unit.address), ctx.get(unit.write)
        # What is on the bus before the memory is ready is anything.
        ctx.set(unit.data_in, memory[address] if ready else random.randrange(256))
        if ready and write:
            memory[address] = ctx.get(unit.data_out)

    return run(unit, unit, each_clock)


class Synchronous(Component):
    """The recipe for block RAM: the address in one clock, the byte in the next, which counts."""

    irq_n: In(1, init=1)
    nmi_n: In(1, init=1)

    def __init__(self):
        super().__init__()
        self.unit = Unit()
        self.ram = Memory(shape=8, depth=1 << 16, init=assemble(LISTING).memory)

    def elaborate(self, platform):
        m = Module()
        m.submodules.unit = unit = self.unit
        m.submodules.ram = ram = self.ram
        read, write = ram.read_port(), ram.write_port()
        second = Signal()
        m.d.sync += second.eq(~second)
        m.d.comb += [
            unit.irq_n.eq(self.irq_n), unit.nmi_n.eq(self.nmi_n), unit.ready.eq(second),
            read.addr.eq(unit.address), unit.data_in.eq(read.data),
            write.addr.eq(unit.address), write.data.eq(unit.data_out),
            write.en.eq(unit.write & unit.ready),
        ]  # fmt: skip
        return m


@pytest.fixture(scope="module")
def expected():
    return at_once()


def test_the_run_has_writes_interrupts_and_every_register_in_it(expected):
    columns = list(zip(*expected, strict=True))
    assert len(expected) == CLOCKS
    assert all(len(set(column)) > 1 for column in columns)
    assert {0xFFFA, 0xFFFC, 0xFFFE} <= {*columns[0]}


def test_stalls_change_no_clock_that_counts(expected):
    random.seed(7)
    assert at_once(lambda: random.random() < 0.5) == expected


@pytest.mark.exhaustive
def test_block_ram_takes_two_clocks_for_each_and_all_else_is_the_same(expected):
    dut = Synchronous()
    assert run(dut, dut.unit, lambda ctx, count: pins(ctx, dut, count)) == expected


def test_a_unit_that_does_not_wait_is_seen(expected, monkeypatch):
    monkeypatch.setattr(datapath, "EnableInserter", lambda ready: lambda module: module)
    random.seed(7)
    assert at_once(lambda: random.random() < 0.5) != expected
