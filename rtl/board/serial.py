"""A serial line: eight bits, no parity, one stop bit, in both directions."""

from amaranth.hdl import Cat, Const, Module, Signal
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

__all__ = ["SerialReceiver", "SerialTransmitter"]

BITS = 10  # of a byte on the line: start, eight, stop


class SerialReceiver(wiring.Component):
    """Takes bytes off a line; what is no byte, as its stop bit is missing, is dropped.

    Parameters
    ----------
    divisor : int
        Clocks in a bit, at least 4.

    Members
    -------
    line : In(1), idle high, of no clock of ours
    byte : Out(8), with `valid`
    valid : Out(1), high for one clock: whoever wants the byte takes it then
    """

    line: In(1, init=1)
    byte: Out(8)
    valid: Out(1)

    def __init__(self, divisor):
        self.divisor = divisor
        super().__init__()

    def elaborate(self, platform):
        m = Module()
        # Twice through a register: the line changes whenever it likes.
        seen, level = Signal(init=1), Signal(init=1)
        bits = Signal(BITS)
        left = Signal(range(BITS + 1))  # bits to come; 0 is idle
        timer = Signal(range(self.divisor))
        m.d.sync += [seen.eq(self.line), level.eq(seen), self.valid.eq(0)]
        with m.If(left == 0):
            m.d.sync += timer.eq(self.divisor // 2 - 1)
            with m.If(~level):
                m.d.sync += left.eq(BITS)
        with m.Elif(timer != 0):
            m.d.sync += timer.eq(timer - 1)
        with m.Else():  # the middle of a bit
            m.d.sync += [
                timer.eq(self.divisor - 1), left.eq(left - 1), bits.eq(Cat(bits[1:], level)),
            ]  # fmt: skip
            with m.If((left == BITS) & level):  # no start bit: it was too short for one
                m.d.sync += left.eq(0)
            with m.If(left == 1):
                m.d.sync += self.valid.eq(level)
        m.d.comb += self.byte.eq(bits[1:9])
        return m


class SerialTransmitter(wiring.Component):
    """Puts bytes on a line.

    Parameters
    ----------
    divisor : int
        Clocks in a bit.

    Members
    -------
    byte : In(8)
    valid : In(1), there is a byte
    ready : Out(1), it is taken in this clock if there is one
    line : Out(1), idle high
    """

    byte: In(8)
    valid: In(1)
    ready: Out(1)
    line: Out(1, init=1)

    def __init__(self, divisor):
        self.divisor = divisor
        super().__init__()

    def elaborate(self, platform):
        m = Module()
        bits = Signal(BITS, init=-1)
        left = Signal(range(BITS + 1))
        timer = Signal(range(self.divisor))
        m.d.comb += [self.line.eq(bits[0]), self.ready.eq(left == 0)]
        with m.If(left == 0):
            with m.If(self.valid):
                m.d.sync += [
                    bits.eq(Cat(Const(0, 1), self.byte, Const(1, 1))),
                    left.eq(BITS), timer.eq(self.divisor - 1),
                ]  # fmt: skip
        with m.Elif(timer != 0):
            m.d.sync += timer.eq(timer - 1)
        with m.Else():
            m.d.sync += [
                timer.eq(self.divisor - 1), left.eq(left - 1),
                bits.eq(Cat(bits[1:], Const(1, 1))),
            ]  # fmt: skip
        return m
