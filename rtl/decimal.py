"""Packed-decimal correction: turns the binary sum of two digits into the decimal one."""

from amaranth.hdl import Cat, Const, Module, Mux
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

from .adder import RippleCarryAdder
from .variant import Variant

__all__ = ["DecimalCorrection"]

DIGIT = 4


class DecimalCorrection(wiring.Component):
    """Corrects both digits of an uncorrected sum or difference. Combinational.

    A sum's digit that reached ten is 6 too small; a difference's digit that borrowed is 6 too
    large. NMOS corrects each digit by itself; on CMOS the low digit's correction may borrow from
    the high digit, which happens only with digits above 9.

    Parameters
    ----------
    variant : Variant

    Members
    -------
    sum : In(8), the adder's sum, uncorrected
    low_carry, high_carry : In(1), the adder's carries out of each digit
    subtract : In(1), correct a difference, not a sum
    low_ten : Out(1), the low digit of the sum shows 10 to 15
    carry : Out(1), the decimal carry: high digit above 9, or its carry
    result : Out(8)
    """

    sum: In(2 * DIGIT)
    low_carry: In(1)
    high_carry: In(1)
    subtract: In(1)
    low_ten: Out(1)
    carry: Out(1)
    result: Out(2 * DIGIT)

    def __init__(self, variant):
        self.variant = Variant(variant)
        super().__init__()

    def elaborate(self, platform):
        m = Module()
        m.submodules.low = low = RippleCarryAdder(DIGIT)
        m.submodules.high = high = RippleCarryAdder(DIGIT)

        def above_nine(digit):
            return digit[3] & (digit[2] | digit[1])

        low_sum, high_sum = self.sum[:DIGIT], self.sum[DIGIT:]
        low_borrow = self.subtract & ~self.low_carry
        high_borrow = self.subtract & ~self.high_carry
        low_six = ~self.subtract & self.low_carry
        high_six = ~self.subtract & self.carry
        zero = Const(0, 1)
        m.d.comb += [
            self.low_ten.eq(above_nine(low_sum)),
            self.carry.eq(self.high_carry | above_nine(high_sum)),
            low.a.eq(low_sum),
            # +6 is 0110; -6 is 1010 in four bits.
            low.b.eq(Cat(zero, low_six | low_borrow, low_six, low_borrow)),
            high.a.eq(high_sum),
            self.result.eq(Cat(low.sum, high.sum)),
        ]
        if self.variant is Variant.CMOS:
            # -6 for the low digit is 1111 1010 on the whole byte, so the high digit gets 1111; if
            # it is corrected too, 1010 + 1111 = 1001.
            m.d.comb += [
                high.b.eq(
                    Mux(
                        low_borrow,
                        Cat(~zero, ~high_borrow, ~high_borrow, ~zero),
                        Cat(zero, high_six | high_borrow, high_six, high_borrow),
                    )
                ),
                high.carry_in.eq(low_borrow & low.carry[DIGIT]),
            ]
        else:
            m.d.comb += high.b.eq(Cat(zero, high_six | high_borrow, high_six, high_borrow))
        return m
