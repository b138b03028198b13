"""The arithmetic-logic unit: one adder, its carries named, and the flags drawn from them."""

from amaranth.hdl import Cat, Module, Mux, Signal
from amaranth.lib import enum, wiring
from amaranth.lib.wiring import In, Out

from .adder import RippleCarryAdder
from .decimal import DIGIT, DecimalCorrection
from .lookahead import LookaheadAdder
from .prefix import PrefixAdder
from .variant import Variant

__all__ = ["ADDERS", "Alu", "Operation"]

#: The adders that the ALU can be built with, by name.
ADDERS = {"ripple": RippleCarryAdder, "lookahead": LookaheadAdder, "prefix": PrefixAdder}

WIDTH = 2 * DIGIT
ONES = (1 << WIDTH) - 1


class Operation(enum.Enum, shape=4):
    """What is done with the inputs; `c` is the carry flag. 'Chain': the adder does it."""

    PASS = 0  # a
    AND = 1  # a AND b
    OR = 2  # a OR b
    XOR = 3  # a XOR b
    BIT = 4  # a AND b; N and V are bits 7 and 6 of b
    SHIFT_RIGHT = 5  # 0 into bit 7, bit 0 into the carry
    ROTATE_RIGHT = 6  # c into bit 7, bit 0 into the carry
    SHIFT_LEFT = 7  # chain: a + a
    ROTATE_LEFT = 8  # chain: a + a + c
    ADD = 9  # chain: a + b + c, decimal if `decimal`
    SUBTRACT = 10  # chain: a + NOT b + c, decimal if `decimal`
    COMPARE = 11  # chain: a + NOT b + 1
    INCREMENT = 12  # chain: a + 0 + 1
    DECREMENT = 13  # chain: a + FF + 0
    OFFSET = 14  # chain: a + b, the low byte of a branch's target
    EXTEND = 15  # chain: a + the sign of b, the high byte of a target in another page


class Alu(wiring.Component):
    """Result and flags of one operation on two bytes. Combinational.

    C is carry[8], V is carry[8] XOR carry[7], N is bit 7 and Z is 'no bit set'. In decimal mode the
    carry out of the low digit is also set when that digit shows 10 to 15; the carries stay those of
    the uncorrected sum, and so do V and, but for CMOS, N and Z.

    Parameters
    ----------
    variant : Variant
    adder : str
        The form of the adder, of `ADDERS`. The corrections of the decimal digits stay as they are.

    Members
    -------
    operation : In(Operation)
    a, b : In(8)
    carry_in : In(1), the carry flag; each operation decides whether it enters the chain
    decimal : In(1), the decimal flag; heeded by ADD and SUBTRACT only
    operand : Out(8), what the adder was given for b
    carry : Out(9), the chain; carry[i] enters bit i
    propagate, generate : Out(8)
    sum : Out(8), the adder's sum, uncorrected
    result : Out(8)
    n, v, z, c : Out(1)
    """

    operation: In(Operation)
    a: In(WIDTH)
    b: In(WIDTH)
    carry_in: In(1)
    decimal: In(1)
    operand: Out(WIDTH)
    carry: Out(WIDTH + 1)
    propagate: Out(WIDTH)
    generate: Out(WIDTH)
    sum: Out(WIDTH)
    result: Out(WIDTH)
    n: Out(1)
    v: Out(1)
    z: Out(1)
    c: Out(1)

    def __init__(self, variant, adder="ripple"):
        self.variant = Variant(variant)
        if adder not in ADDERS:
            raise ValueError(f"adder {adder!r}: expected one of {', '.join(ADDERS)}")
        self.adder = adder
        super().__init__()

    def elaborate(self, platform):
        m = Module()
        m.submodules.adder = adder = ADDERS[self.adder](WIDTH)
        add = Signal()
        subtract = Signal()
        chain_carry = Signal()
        m.d.comb += [
            self.operand.eq(self.b),
            self.result.eq(adder.sum),
            self.c.eq(adder.carry[WIDTH]),
        ]
        with m.Switch(self.operation):
            with m.Case(Operation.PASS):
                m.d.comb += self.result.eq(self.a)
            with m.Case(Operation.AND, Operation.BIT):
                m.d.comb += self.result.eq(self.a & self.b)
            with m.Case(Operation.OR):
                m.d.comb += self.result.eq(self.a | self.b)
            with m.Case(Operation.XOR):
                m.d.comb += self.result.eq(self.a ^ self.b)
            with m.Case(Operation.SHIFT_RIGHT):
                m.d.comb += [self.result.eq(self.a[1:]), self.c.eq(self.a[0])]
            with m.Case(Operation.ROTATE_RIGHT):
                m.d.comb += [self.result.eq(Cat(self.a[1:], self.carry_in)), self.c.eq(self.a[0])]
            with m.Case(Operation.SHIFT_LEFT):
                m.d.comb += self.operand.eq(self.a)
            with m.Case(Operation.ROTATE_LEFT):
                m.d.comb += [self.operand.eq(self.a), chain_carry.eq(self.carry_in)]
            with m.Case(Operation.ADD):
                m.d.comb += [add.eq(1), chain_carry.eq(self.carry_in)]
            with m.Case(Operation.SUBTRACT):
                m.d.comb += [
                    subtract.eq(1),
                    self.operand.eq(~self.b),
                    chain_carry.eq(self.carry_in),
                ]
            with m.Case(Operation.COMPARE):
                m.d.comb += [self.operand.eq(~self.b), chain_carry.eq(1)]
            with m.Case(Operation.INCREMENT):
                m.d.comb += [self.operand.eq(0), chain_carry.eq(1)]
            with m.Case(Operation.DECREMENT):
                m.d.comb += self.operand.eq(ONES)
            with m.Case(Operation.EXTEND):
                # Only a forward branch that carried or a backward one that did not comes here.
                m.d.comb += [
                    self.operand.eq(self.b[-1].replicate(WIDTH)),
                    chain_carry.eq(~self.b[-1]),
                ]
        m.d.comb += [
            adder.a.eq(self.a),
            adder.b.eq(self.operand),
            adder.carry_in.eq(chain_carry),
            self.sum.eq(adder.sum),
            self.carry.eq(adder.carry),
            self.propagate.eq(adder.propagate),
            self.generate.eq(adder.generate),
        ]

        judged = Signal(WIDTH)  # the byte that N and Z speak of
        m.d.comb += judged.eq(self.result)
        if self.variant is not Variant.BINARY:
            m.submodules.correction = correction = DecimalCorrection(self.variant)
            m.d.comb += [
                correction.sum.eq(adder.sum),
                correction.low_carry.eq(adder.carry[DIGIT]),
                correction.high_carry.eq(adder.carry[WIDTH]),
                correction.subtract.eq(subtract),
                adder.carry_set[DIGIT - 1].eq(add & self.decimal & correction.low_ten),
            ]
            with m.If((add | subtract) & self.decimal):
                m.d.comb += self.result.eq(correction.result)
                if self.variant is Variant.NMOS:
                    m.d.comb += judged.eq(adder.sum)
            with m.If(add & self.decimal):
                m.d.comb += self.c.eq(correction.carry)
        bit_test = self.operation == Operation.BIT
        m.d.comb += [
            self.n.eq(Mux(bit_test, self.b[-1], judged[-1])),
            self.v.eq(Mux(bit_test, self.b[-2], adder.carry[WIDTH] ^ adder.carry[WIDTH - 1])),
            self.z.eq(~judged.any()),
        ]
        return m
