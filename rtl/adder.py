"""The adder: full adders in a row, with every carry on a port."""

from amaranth.hdl import Cat, Module
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

__all__ = ["RippleCarryAdder", "full_adder"]


def full_adder(a, b, carry_in):
    """Draws one full adder and returns its four outputs: propagate, generate, sum and carry out.

    An expression, not a component of its own: eight components would put 56 named copies of eight
    bits into every waveform, and the simulator takes nearly twice as long over them.
    """
    propagate = a ^ b
    generate = a & b
    return propagate, generate, propagate ^ carry_in, generate | (propagate & carry_in)


class RippleCarryAdder(wiring.Component):
    """Adds two numbers and a carry; ``carry[i]`` enters bit i and ``carry[width]`` leaves.
    Combinational.

    Parameters
    ----------
    width : int
        Bits in each operand, at least 1.

    Members
    -------
    a, b : In(width)
    carry_in : In(1)
    carry_set : In(width), bit i forces the carry out of bit i, as a decimal digit that reached ten
        does
    sum : Out(width)
    carry : Out(width + 1)
    propagate : Out(width), bit i hands on a carry that comes in
    generate : Out(width), bit i makes a carry whatever comes in
    """

    def __init__(self, width):
        if width < 1:
            raise ValueError(f"an adder has at least 1 bit, not {width}")
        self.width = width
        super().__init__(
            {
                "a": In(width),
                "b": In(width),
                "carry_in": In(1),
                "carry_set": In(width),
                "sum": Out(width),
                "carry": Out(width + 1),
                "propagate": Out(width),
                "generate": Out(width),
            }
        )
        # Synthesis would absorb the carries into wider gates; a learner wants to see each of them.
        self.carry.attrs["keep"] = 1

    def elaborate(self, platform):
        m = Module()
        bits = [full_adder(self.a[i], self.b[i], self.carry[i]) for i in range(self.width)]
        propagate, generate, sums, carries = zip(*bits, strict=True)
        m.d.comb += [
            self.propagate.eq(Cat(propagate)),
            self.generate.eq(Cat(generate)),
            self.sum.eq(Cat(sums)),
            self.carry.eq(Cat(self.carry_in, Cat(carries) | self.carry_set)),
        ]
        return m
