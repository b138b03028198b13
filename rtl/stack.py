"""The stack pointer: eight bits, and the adder that moves them; the page is always page one."""

from amaranth.hdl import Cat, Const, Module
from amaranth.lib import enum, wiring
from amaranth.lib.wiring import In, Out

from .adder import RippleCarryAdder

__all__ = ["StackMove", "StackPointer"]

PAGE = 0x01


class StackMove(enum.Enum, shape=2):
    """What becomes of the pointer at the end of the clock."""

    HOLD = 0
    PUSH = 1  # one lower: after the byte was written
    PULL = 2  # one higher: before the byte is read
    LOAD = 3


class StackPointer(wiring.Component):
    """Holds SP, which points at the next free byte. It moves at the end of the clock.

    Members
    -------
    move : In(StackMove)
    load : In(8), for LOAD
    pointer : Out(8)
    address : Out(16), 0100 to 01FF
    push, pull : Out(1), high in a clock that moves the pointer down or up
    """

    move: In(StackMove)
    load: In(8)
    pointer: Out(8)
    address: Out(16)
    push: Out(1)
    pull: Out(1)

    def elaborate(self, platform):
        m = Module()
        m.submodules.adder = adder = RippleCarryAdder(8)
        m.d.comb += [
            self.push.eq(self.move == StackMove.PUSH),
            self.pull.eq(self.move == StackMove.PULL),
            adder.a.eq(self.pointer),
            adder.b.eq(self.push.replicate(8)),
            adder.carry_in.eq(self.pull),
            self.address.eq(Cat(self.pointer, Const(PAGE, 8))),
        ]
        with m.If(self.move == StackMove.LOAD):
            m.d.sync += self.pointer.eq(self.load)
        with m.Else():
            m.d.sync += self.pointer.eq(adder.sum)
        return m
