"""What joins a board's own hardware to its pins and its clock."""

from amaranth.hdl import ClockDomain, Elaboratable, Module, Signal

__all__ = ["BoardTop"]


class BoardTop(Elaboratable):
    """A component with a serial line, on a board of amaranth-boards that has a UART.

    Parameters
    ----------
    inner : Component with `receive` and `transmit`
    halve : bool
        Run at half the board's clock.
    socket : MemberSocket or None
        One within `inner`, whose pins are the platform's resource "member".
    """

    def __init__(self, inner, halve=False, socket=None):
        self.inner, self.halve, self.socket = inner, halve, socket

    def elaborate(self, platform):
        m = Module()
        if self.halve:
            half = Signal()
            m.domains.board = whole = ClockDomain(local=True, reset_less=True)
            m.domains.sync = domain = ClockDomain(reset_less=True)
            clock = platform.request(platform.default_clk)
            m.d.comb += [whole.clk.eq(clock.i), domain.clk.eq(half)]
            m.d.board += half.eq(~half)
            platform.add_clock_constraint(half, platform.default_clk_frequency / 2)
        m.submodules.inner = inner = self.inner
        uart = platform.request("uart")
        m.d.comb += [inner.receive.eq(uart.rx.i), uart.tx.o.eq(inner.transmit)]
        if self.socket is not None:
            there, pins = platform.request("member"), self.socket.pins
            m.d.comb += [getattr(pins, pin).eq(getattr(there, pin).i)
                         for pin in ("address", "read", "sync", "data")]  # fmt: skip
            m.d.comb += [getattr(there, pin).o.eq(getattr(pins, pin))
                         for pin in ("phi", "irq_n", "nmi_n", "reset_n", "drive")]  # fmt: skip
            m.d.comb += [there.data.o.eq(pins.driven), there.data.oe.eq(pins.drive)]
        return m
