"""The serial line: every byte through it, and what is no byte."""

import pytest
from amaranth.hdl import Module, Signal
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out
from amaranth.sim import Simulator
from usual import first_of

from carrywave.rtl.board.serial import SerialReceiver, SerialTransmitter


class Loop(wiring.Component):
    """A transmitter, a line that a test may hold low, and a receiver of another pace."""

    held: In(1)
    byte: In(8)
    valid: In(1)
    ready: Out(1)
    heard: Out(8)
    strobe: Out(1)

    def __init__(self, divisor, other):
        super().__init__()
        self.sender, self.receiver = SerialTransmitter(divisor), SerialReceiver(other)

    def elaborate(self, platform):
        m = Module()
        m.submodules.sender, m.submodules.receiver = self.sender, self.receiver
        line = Signal()
        m.d.comb += [
            self.sender.byte.eq(self.byte), self.sender.valid.eq(self.valid),
            self.ready.eq(self.sender.ready), line.eq(self.sender.line & ~self.held),
            self.receiver.line.eq(line), self.heard.eq(self.receiver.byte),
            self.strobe.eq(self.receiver.valid),
        ]  # fmt: skip
        return m


def through(told, divisor, other, held=()):
    """The bytes that arrive; the line is low in the clocks `held`."""
    loop, heard = Loop(divisor, other), []

    async def testbench(ctx):
        waiting = list(told)
        for clock in range((len(told) + 2) * 11 * max(divisor, other)):
            ctx.set(loop.held, clock in held)
            ctx.set(loop.byte, waiting[0] if waiting else 0)
            ctx.set(loop.valid, bool(waiting))
            if ctx.get(loop.strobe):
                heard.append(ctx.get(loop.heard))
            if waiting and ctx.get(loop.ready):
                waiting.pop(0)
            await ctx.tick()

    simulator = Simulator(loop)
    simulator.add_clock(1e-6)
    simulator.add_testbench(testbench)
    simulator.run()
    return heard


# A clock that is 4 percent off: half a bit in ten is where a UART ends.
@pytest.mark.parametrize(("divisor", "other"), first_of([(4, 4), (25, 26)]))
def test_bytes_arrive_as_they_were_sent(divisor, other):
    told = [0x00, 0xFF, 0x55, 0x80]
    assert through(told, divisor, other) == told


def test_a_pace_that_is_too_far_off_is_seen():
    assert through([0x00, 0x55], 8, 10) != [0x00, 0x55]


def test_a_line_that_is_low_for_long_is_no_byte():
    assert through([], 8, 8, held=range(5, 300)) == []


def test_a_glitch_is_no_start():
    assert through([], 8, 8, held=range(5, 7)) == []
