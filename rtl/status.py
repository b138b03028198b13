"""The status register: six flags, what updates each, and the byte that is pushed for them."""

from amaranth.hdl import Cat, Const, Module, Mux
from amaranth.lib import data, enum, wiring
from amaranth.lib.wiring import In, Out

__all__ = ["Flags", "StatusRegister", "StatusSource"]


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


class StatusRegister(wiring.Component):
    """Holds N V D I Z C. A flag is updated at the end of a clock in which its bit of ``update`` is
    1.

    Members
    -------
    source : In(StatusSource)
    update : In(Flags), a bit for each flag
    n, v, z, c : In(1), from the ALU
    value : In(1), for VALUE
    data : In(8), for BUS
    software : In(1), bit 4 (B) of the pushed byte: 1 for BRK and PHP
    condition : In(3), a branch's: bits 2:1 select N V C Z, bit 0 the value that takes it
    flags : Out(Flags)
    pushed : Out(8), N V 1 B D I Z C
    taken : Out(1)
    """

    source: In(StatusSource)
    update: In(Flags)
    n: In(1)
    v: In(1)
    z: In(1)
    c: In(1)
    value: In(1)
    data: In(8)
    software: In(1)
    condition: In(3)
    flags: Out(Flags)
    pushed: Out(8)
    taken: Out(1)

    def elaborate(self, platform):
        m = Module()
        flags = self.flags
        from_alu = {"n": self.n, "v": self.v, "z": self.z, "c": self.c}
        for bit, name in ((0, "c"), (1, "z"), (2, "i"), (3, "d"), (6, "v"), (7, "n")):
            with m.If(self.update[name]):
                with m.Switch(self.source):
                    if name in from_alu:
                        with m.Case(StatusSource.ALU):
                            m.d.sync += flags[name].eq(from_alu[name])
                    with m.Case(StatusSource.BUS):
                        m.d.sync += flags[name].eq(self.data[bit])
                    with m.Case(StatusSource.VALUE):
                        m.d.sync += flags[name].eq(self.value)
                    if name in "id":
                        with m.Case(StatusSource.INTERRUPT):
                            m.d.sync += flags[name].eq(name == "i")
        flag = Mux(
            self.condition[2],
            Mux(self.condition[1], flags.z, flags.c),
            Mux(self.condition[1], flags.v, flags.n),
        )
        m.d.comb += [
            self.taken.eq(~(flag ^ self.condition[0])),
            self.pushed.eq(
                Cat(
                    flags.c, flags.z, flags.i, flags.d, self.software, Const(1, 1), flags.v, flags.n
                )
            ),
        ]
        return m
