"""A socket for a member of the family itself: its clock, and its bus turned without contention.

Simulated only, with a model of a member's pins; tried on no hardware.
"""

from amaranth.hdl import Module, Signal
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

__all__ = ["MEMBER", "MemberSocket"]

#: The pins of a member, seen from the socket. `data` is one bus: it is driven where `drive` is 1.
MEMBER = wiring.Signature(
    {
        "phi": Out(1),
        "address": In(16),
        "read": In(1),  # R/W: 1 while the member reads
        "sync": In(1),
        "data": In(8),
        "driven": Out(8),
        "drive": Out(1),
        "irq_n": Out(1, init=1),
        "nmi_n": Out(1, init=1),
        "reset_n": Out(1),
    }
)


class MemberSocket(wiring.Component):
    """Gives a member its clock, and the player its bus.

    A member changes its address after the clock falls, and drives data only while it is high and
    for a hold time behind (makers' timing diagrams, from memory). So the socket drives only while
    the clock is high and the member reads, and one clock of ours longer, for the hold time; between
    that and the next rise of the clock nobody drives.

    Parameters
    ----------
    low, high : int
        Clocks of ours for which the member's clock is low and high, at least 4 each. A member has a
        slowest clock as well as a fastest one: its data sheet has both.

    Members
    -------
    pins : Out(MEMBER)
    Those of `CasePlayer` that go to a bus, seen from the member.
    """

    def __init__(self, low, high):
        super().__init__({
            "pins": Out(MEMBER), "ask": Out(1), "step": Out(1), "address": Out(16),
            "data_out": Out(8), "write": Out(1), "sync": Out(1), "data_in": In(8),
            "irq_n": In(1), "nmi_n": In(1), "reset_n": In(1),
        })  # fmt: skip
        self.low, self.high = low, high

    def drives(self, clock):
        """Whether it drives the data bus in the clock behind this one."""
        return (clock >= self.low - 1) & ~self.write

    def elaborate(self, platform):
        m = Module()
        pins, period = self.pins, self.low + self.high
        clock = Signal(range(period))  # the member's clock falls at the beginning of clock 0
        m.d.sync += clock.eq(clock + 1)
        with m.If(clock == period - 1):
            m.d.sync += clock.eq(0)

        # All that goes out comes from a flip-flop: no pin shows what is between two values.
        m.d.sync += [
            pins.phi.eq((clock >= self.low - 1) & (clock < period - 1)),
            pins.drive.eq(self.drives(clock)),
            pins.driven.eq(self.data_in),
        ]
        with m.If(clock == self.low - 3):  # settled long ago, if the clock is slow enough
            m.d.sync += [
                self.address.eq(pins.address), self.write.eq(~pins.read), self.sync.eq(pins.sync),
            ]  # fmt: skip
        with m.If(clock == period - 2):
            m.d.sync += self.data_out.eq(pins.data)
        for pin in ("irq_n", "nmi_n", "reset_n"):  # they change just after the member's clock fell
            m.d.sync += getattr(pins, pin).eq(getattr(self, pin))
        m.d.comb += [self.ask.eq(clock == self.low - 2), self.step.eq(clock == 0)]
        return m
