"""Interrupts: when a request is heard, which one wins, and which vector its entry takes."""

from amaranth.hdl import Cat, Const, Module, Signal
from amaranth.lib import enum, wiring
from amaranth.lib.wiring import In, Out

from .variant import Variant

__all__ = ["PINS", "EntryCause", "InterruptPort", "Interrupts"]


class EntryCause(enum.Enum, shape=2):
    """Why the present sequence of clocks runs. Those with a vector are bits 2:1 of its address."""

    INSTRUCTION = 0
    NMI = 1
    RESET = 2
    IRQ = 3


#: The pins that ask for an entry, as members of a signature: active low, synchronous to the clock.
PINS = {"irq_n": In(1, init=1), "nmi_n": In(1, init=1), "reset_n": In(1, init=1)}

#: What control and the interrupts tell each other, as control sees it.
InterruptPort = wiring.Signature(
    {
        "last": Out(1),  # the clock is the last of its sequence
        "interruptible": Out(1),  # with `last`: an interrupt may follow
        "choose_vector": Out(1),  # from the next clock on, an entry's vector is settled
        "take": In(1),  # with `last`: an interrupt's entry follows
        "instruction": In(1),  # the present sequence is an instruction's, not an entry
        "mute": In(1),  # nothing is written: reset is asked for, or its sequence runs
        "reset_n": In(1),  # low: reset's sequence begins in the next clock
    }
)


class Interrupts(wiring.Component):
    """Decides at the end of an instruction what comes next.

    What counts is what was asked for by the last clock but one, so requests pass through a register
    (`nmi_decided`, `irq_decided`). NMI is an edge and is remembered until taken; IRQ is a level and
    is heard only while I is clear. Reset takes effect at once. On NMOS an NMI that arrives in the
    first four clocks of BRK or of an IRQ's entry takes that over: its vector is NMI's.

    Parameters
    ----------
    variant : Variant

    Members
    -------
    irq_n, nmi_n, reset_n : In(1), as in `PINS`
    masked : In(1), the I flag
    control : In(InterruptPort)
    vector : Out(15), the vector's address without its lowest bit: FFFA NMI, FFFC reset, FFFE IRQ
        and BRK
    """

    def __init__(self, variant):
        self.variant = Variant(variant)
        super().__init__({**PINS, "masked": In(1), "control": In(InterruptPort), "vector": Out(15)})
        self.cause = Signal(EntryCause, init=EntryCause.RESET)
        self.nmi_before = Signal(init=1)
        self.nmi_pending = Signal()
        self.nmi_decided = Signal()
        self.irq_decided = Signal()

    def elaborate(self, platform):
        m = Module()
        control, cause = self.control, self.cause
        edge = Signal()
        take = Signal()
        taken = Signal()  # an NMI gets its vector, and waits no longer
        instruction = cause == EntryCause.INSTRUCTION
        m.d.comb += [
            edge.eq(self.nmi_before & ~self.nmi_n),
            take.eq(control.last & control.interruptible & (self.nmi_decided | self.irq_decided)),
            control.take.eq(take),
            control.instruction.eq(instruction),
            control.mute.eq((cause == EntryCause.RESET) | ~self.reset_n),
            control.reset_n.eq(self.reset_n),
            self.vector.eq(Cat(cause.as_value() | instruction.replicate(2), Const(-1, 13))),
        ]
        m.d.sync += [
            self.nmi_before.eq(self.nmi_n),
            self.nmi_decided.eq(self.nmi_pending | edge),
            self.irq_decided.eq(~self.irq_n & ~self.masked),
            self.nmi_pending.eq((self.nmi_pending & ~taken) | edge),
        ]
        with m.If(control.last):
            m.d.sync += cause.eq(EntryCause.INSTRUCTION)
            with m.If(take):
                m.d.sync += cause.eq(EntryCause.IRQ)
                with m.If(self.nmi_decided):
                    m.d.comb += taken.eq(1)
                    m.d.sync += cause.eq(EntryCause.NMI)
        if self.variant is not Variant.CMOS:
            shared = instruction | (cause == EntryCause.IRQ)
            with m.If(control.choose_vector & self.nmi_pending & shared):
                m.d.comb += taken.eq(1)
                m.d.sync += cause.eq(EntryCause.NMI)
        with m.If(~self.reset_n):
            m.d.sync += [cause.eq(EntryCause.RESET), self.nmi_pending.eq(0)]
        return m
