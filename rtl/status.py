"""The status register: six flags, what updates each, and the byte that is pushed for them."""

from amaranth.hdl import Cat, Const, Module, Mux, Signal
from amaranth.lib import data, enum, wiring
from amaranth.lib.wiring import In, Out

__all__ = ["Flags", "StatusRegister", "StatusSource", "StatusUpdate"]


class Flags(data.Struct):
    """The six flags, lowest first as they lie in the pushed byte (4 and 5 are no flags)."""

    c: 1
    z: 1
    i: 1
    d: 1
    v: 1
    n: 1


class StatusSource(enum.Enum, shape=2):
    """Where a flag that is updated takes its value from."""

    ALU = 0  # N V Z C as the operation left them
    BUS = 1  # bits 7 6 3 2 1 0 of the byte that was pulled
    VALUE = 2  # the one value that a set or clear instruction names
    INTERRUPT = 3  # I set, D clear


#: Which flags take a new value at the end of the clock, and from where; `value` is for VALUE.
StatusUpdate = wiring.Signature({"flags": Out(Flags), "source": Out(StatusSource), "value": Out(1)})


class StatusRegister(wiring.Component):
    """Holds N V D I Z C, and updates each at the end of a clock that says so.

    Members
    -------
    update : In(StatusUpdate)
    alu_flags : In(Flags), N V Z C of the operation; I and D are not looked at
    bus : In(8)
    pushed_b : In(1), bit 4 (B) of the pushed byte: 1 for BRK and PHP
    condition : In(3), a branch's: bits 2:1 select N V C Z, bit 0 the value that takes it
    flags : Out(Flags)
    pushed : Out(8), N V 1 B D I Z C
    taken : Out(1), the condition holds
    """

    update: In(StatusUpdate)
    alu_flags: In(Flags)
    bus: In(8)
    pushed_b: In(1)
    condition: In(3)
    flags: Out(Flags)
    pushed: Out(8)
    taken: Out(1)

    def elaborate(self, platform):
        m = Module()
        flags, update = self.flags, self.update
        new = Flags(Signal(6, name="new"))
        with m.Switch(update.source):
            with m.Case(StatusSource.ALU):
                m.d.comb += new.eq(self.alu_flags)
            with m.Case(StatusSource.BUS):
                m.d.comb += new.eq(Cat(self.bus[:4], self.bus[6:]))
            with m.Case(StatusSource.VALUE):
                m.d.comb += new.eq(update.value.replicate(6))
            with m.Case(StatusSource.INTERRUPT):
                m.d.comb += new.i.eq(1)
        for flag in "czidvn":
            with m.If(update.flags[flag]):
                m.d.sync += flags[flag].eq(new[flag])
        flag = Mux(
            self.condition[2],
            Mux(self.condition[1], flags.z, flags.c),
            Mux(self.condition[1], flags.v, flags.n),
        )
        low, high = flags.as_value()[:4], flags.as_value()[4:]
        m.d.comb += [
            self.taken.eq(~(flag ^ self.condition[0])),
            self.pushed.eq(Cat(low, self.pushed_b, Const(1, 1), high)),
        ]
        return m
