"""The adder: its ports, every carry among them, and the ripple of full adders."""

from amaranth.hdl import Cat, Module, Signal
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

__all__ = ["Adder", "RippleCarryAdder", "addition", "named"]


def addition(width):
    """The outputs of an adder: members of its signature, and of one that shows what it did."""
    return {
        "sum": Out(width),
        "carry": Out(width + 1),
        "propagate": Out(width),
        "generate": Out(width),
    }


class Adder(wiring.Component):
    """Adds two numbers and a carry; ``carry[i]`` enters bit i and ``carry[width]`` leaves.

    Combinational. Subclasses differ in how they find the carries, which they draw in `carries`.
    There, ``carry[i]`` must depend on no bit of `carry_set` from i up: what forces a carry may be
    worked out from the sum below it, and the gates would close a loop.

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
                **addition(width),
            }
        )
        # Synthesis would absorb the carries into wider gates; a learner wants to see each of them.
        self.carry.attrs["keep"] = 1

    def carries(self, m, propagate, generate):
        """The carry out of each bit, lowest first.

        `propagate` and `generate` are an expression for each bit; the ports of these names have the
        same values.
        """
        raise NotImplementedError

    def elaborate(self, platform):
        m = Module()
        # Not a component for each bit: seven ports a bit would crowd every waveform, and the
        # simulator would take nearly twice as long.
        propagate = [a ^ b for a, b in zip(self.a, self.b, strict=True)]
        generate = [a & b for a, b in zip(self.a, self.b, strict=True)]
        m.d.comb += [
            self.propagate.eq(Cat(propagate)),
            self.generate.eq(Cat(generate)),
            self.sum.eq(Cat(p ^ self.carry[i] for i, p in enumerate(propagate))),
            self.carry.eq(Cat(self.carry_in, self.carries(m, propagate, generate))),
        ]
        return m


def named(m, name, value):
    """A signal that holds an expression, so that waveform and netlist show it by name."""
    signal = Signal(len(value), name=name)
    m.d.comb += signal.eq(value)
    return signal


class RippleCarryAdder(Adder):
    """An `Adder` of full adders in a row; each waits for the carry of the one below it."""

    def carries(self, m, propagate, generate):
        """Two gates a bit, one bit after another."""
        bits = enumerate(zip(propagate, generate, strict=True))
        return Cat(g | (p & self.carry[i]) for i, (p, g) in bits) | self.carry_set
