"""Interrupts: when a request is heard, which one wins, and which vector it takes."""

from amaranth.hdl import Module, Signal
from amaranth.lib import enum, wiring
from amaranth.lib.wiring import In, Out

from .variant import Variant

__all__ = ["Cause", "Interrupts"]


class Cause(enum.Enum, shape=2):
    """Why the present sequence of clocks runs."""

    INSTRUCTION = 0
    NMI = 1
    RESET = 2
    IRQ = 3


class Interrupts(wiring.Component):
    """Decides at the end of an instruction what comes next.

    The decision stands on what was requested in the last but one clock, so it is a register that
    lags the request by one clock. NMI is an edge and is remembered until taken; IRQ is a level and
    heard only while I is clear. Reset takes effect at once. On NMOS an NMI that arrives in the
    first four clocks of BRK or of an interrupt's entry takes that entry's vector.

    Parameters
    ----------
    variant : Variant

    Members
    -------
    irq_n, nmi_n, reset_n : In(1), the pins, active low
    masked : In(1), the I flag
    last : In(1), the clock is the last of its sequence
    heeded : In(1), with `last`: the sequence may be followed by an interrupt
    choosing : In(1), the clock in which an entry settles on its vector
    take : Out(1), with `last`: an interrupt's entry follows
    cause : Out(Cause)
    """

    irq_n: In(1)
    nmi_n: In(1)
    reset_n: In(1)
    masked: In(1)
    last: In(1)
    heeded: In(1)
    choosing: In(1)
    take: Out(1)
    cause: Out(Cause, init=Cause.RESET)

    def __init__(self, variant):
        self.variant = Variant(variant)
        super().__init__()
        self.nmi_before = Signal(init=1)
        self.nmi_pending = Signal()
        self.nmi_decided = Signal()
        self.irq_decided = Signal()

    def elaborate(self, platform):
        m = Module()
        edge = Signal()
        m.d.comb += [
            edge.eq(self.nmi_before & ~self.nmi_n),
            self.take.eq(self.last & self.heeded & (self.nmi_decided | self.irq_decided)),
        ]
        m.d.sync += [
            self.nmi_before.eq(self.nmi_n),
            self.nmi_decided.eq(self.nmi_pending | edge),
            self.irq_decided.eq(~self.irq_n & ~self.masked),
        ]
        taken = Signal()
        m.d.sync += self.nmi_pending.eq((self.nmi_pending & ~taken) | edge)
        with m.If(self.last):
            m.d.sync += self.cause.eq(Cause.INSTRUCTION)
            with m.If(self.take):
                m.d.sync += self.cause.eq(Cause.IRQ)
                with m.If(self.nmi_decided):
                    m.d.comb += taken.eq(1)
                    m.d.sync += self.cause.eq(Cause.NMI)
        if self.variant is not Variant.CMOS:
            shared = (self.cause == Cause.INSTRUCTION) | (self.cause == Cause.IRQ)
            with m.If(self.choosing & self.nmi_pending & shared):
                m.d.comb += taken.eq(1)
                m.d.sync += self.cause.eq(Cause.NMI)
        with m.If(~self.reset_n):
            m.d.sync += [self.cause.eq(Cause.RESET), self.nmi_pending.eq(0)]
        return m
