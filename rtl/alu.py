"""The arithmetic-logic unit: one adder, and the flags, which are drawn from its carries."""

from amaranth.hdl import Cat, Const, Module, Mux, Signal
from amaranth.lib import enum, wiring
from amaranth.lib.wiring import In, Out

from .adder import RippleCarryAdder, addition
from .decimal import DIGIT, DecimalCorrection
from .lookahead import LookaheadAdder
from .prefix import PrefixAdder
from .status import Flags
from .variant import Variant

__all__ = ["ADDERS", "Alu", "AluOperation"]

#: The adders that the ALU can be built with, by name.
ADDERS = {"ripple": RippleCarryAdder, "lookahead": LookaheadAdder, "prefix": PrefixAdder}

WIDTH = 2 * DIGIT
ONES = (1 << WIDTH) - 1


class AluOperation(enum.Enum, shape=4):
    """What is done with the inputs; `c` is the carry flag. 'adder': its sum is the result."""

    PASS = 0  # a
    AND = enum.auto()  # a AND b
    OR = enum.auto()  # a OR b
    XOR = enum.auto()  # a XOR b
    BIT = enum.auto()  # a AND b; N and V are bits 7 and 6 of b
    SHIFT_RIGHT = enum.auto()  # 0 into bit 7, bit 0 into the carry
    ROTATE_RIGHT = enum.auto()  # c into bit 7, bit 0 into the carry
    SHIFT_LEFT = enum.auto()  # adder: a + a
    ROTATE_LEFT = enum.auto()  # adder: a + a + c
    ADD = enum.auto()  # adder: a + b + c, decimal if `decimal`
    SUBTRACT = enum.auto()  # adder: a + NOT b + c, decimal if `decimal`
    COMPARE = enum.auto()  # adder: a + NOT b + 1
    INCREMENT = enum.auto()  # adder: a + 0 + 1
    DECREMENT = enum.auto()  # adder: a + FF + 0
    OFFSET = enum.auto()  # adder: a + b, the low byte of a branch's target
    EXTEND = enum.auto()  # adder: a + the sign of b, the high byte of a target in another page


class Alu(wiring.Component):
    """Result and flags of one operation on two bytes. Combinational.

    C is carry[8], V is carry[8] XOR carry[7], N is bit 7 and Z is 'no bit set'. In decimal mode a
    digit of a sum also carries when it shows 10 to 15, the high one into C. V always goes by the
    uncorrected sum; so do N and Z, but on CMOS they go by the corrected one.

    Parameters
    ----------
    variant : Variant
    adder : str
        The form of the adder, of `ADDERS`. The corrections of the decimal digits stay as they are.

    Members
    -------
    operation : In(AluOperation)
    a, b : In(8)
    carry_in : In(1), the carry flag; each operation decides whether it enters the chain
    decimal : In(1), the decimal flag; heeded by ADD and SUBTRACT only
    operand : Out(8), what the adder was given for b
    sum, carry, propagate, generate : as of an `Adder` of 8 bits; the sum is uncorrected
    result : Out(8)
    flags : Out(Flags), N V Z C as the operation leaves them; I and D are 0
    """

    def __init__(self, variant, adder="ripple"):
        self.variant = Variant(variant)
        if adder not in ADDERS:
            raise ValueError(f"adder {adder!r}: expected one of {', '.join(ADDERS)}")
        self.adder = adder
        super().__init__(
            {
                "operation": In(AluOperation),
                "a": In(WIDTH),
                "b": In(WIDTH),
                "carry_in": In(1),
                "decimal": In(1),
                "operand": Out(WIDTH),
                **addition(WIDTH),
                "result": Out(WIDTH),
                "flags": Out(Flags),
            }
        )
        # Also apart, so that waveform and netlist show each by name.
        self.n, self.v, self.z, self.c = (Signal(name=flag) for flag in "nvzc")

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
            with m.Case(AluOperation.PASS):
                m.d.comb += self.result.eq(self.a)
            with m.Case(AluOperation.AND, AluOperation.BIT):
                m.d.comb += self.result.eq(self.a & self.b)
            with m.Case(AluOperation.OR):
                m.d.comb += self.result.eq(self.a | self.b)
            with m.Case(AluOperation.XOR):
                m.d.comb += self.result.eq(self.a ^ self.b)
            with m.Case(AluOperation.SHIFT_RIGHT):
                m.d.comb += [self.result.eq(self.a[1:]), self.c.eq(self.a[0])]
            with m.Case(AluOperation.ROTATE_RIGHT):
                m.d.comb += [self.result.eq(Cat(self.a[1:], self.carry_in)), self.c.eq(self.a[0])]
            with m.Case(AluOperation.SHIFT_LEFT):
                m.d.comb += self.operand.eq(self.a)
            with m.Case(AluOperation.ROTATE_LEFT):
                m.d.comb += [self.operand.eq(self.a), chain_carry.eq(self.carry_in)]
            with m.Case(AluOperation.ADD):
                m.d.comb += [add.eq(1), chain_carry.eq(self.carry_in)]
            with m.Case(AluOperation.SUBTRACT):
                m.d.comb += [
                    subtract.eq(1),
                    self.operand.eq(~self.b),
                    chain_carry.eq(self.carry_in),
                ]
            with m.Case(AluOperation.COMPARE):
                m.d.comb += [self.operand.eq(~self.b), chain_carry.eq(1)]
            with m.Case(AluOperation.INCREMENT):
                m.d.comb += [self.operand.eq(0), chain_carry.eq(1)]
            with m.Case(AluOperation.DECREMENT):
                m.d.comb += self.operand.eq(ONES)
            with m.Case(AluOperation.EXTEND):
                # Only a branch into another page comes here: forward adds 1, backward FF.
                m.d.comb += [
                    self.operand.eq(self.b[-1].replicate(WIDTH)),
                    chain_carry.eq(~self.b[-1]),
                ]
        m.d.comb += [
            adder.a.eq(self.a),
            adder.b.eq(self.operand),
            adder.carry_in.eq(chain_carry),
            *(getattr(self, port).eq(getattr(adder, port)) for port in addition(WIDTH)),
        ]

        judged = Signal(WIDTH)  # the byte that N and Z are drawn from
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
        bit_test = self.operation == AluOperation.BIT
        m.d.comb += [
            self.n.eq(Mux(bit_test, self.b[-1], judged[-1])),
            self.v.eq(Mux(bit_test, self.b[-2], adder.carry[WIDTH] ^ adder.carry[WIDTH - 1])),
            self.z.eq(~judged.any()),
            self.flags.eq(Cat(self.c, self.z, Const(0, 2), self.v, self.n)),
        ]
        return m
