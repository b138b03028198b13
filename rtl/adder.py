"""The adder: its ports, every carry among them, and the ripple of full adders."""

from amaranth.hdl import Cat, Module, Signal
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

__all__ = ["Adder", "RippleCarryAdder", "addition", "either", "named"]


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
    worked out from the sum below it, and the gates would close a loop. They are drawn bit by bit,
    for a word of which one bit waits for another looks like a loop to other tools.

    Why no `+`: it has no carries to show, and flags, page crossings and digits are drawn from them
    here. It buys no clock either: an earlier, smaller unit with `+` everywhere was 651 LUTs of an
    iCE40 and an estimated 35 to 37 MHz; with drawn carries 677, and 38 to 40.

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


def either(left, right):
    """OR, bit by bit."""
    return Cat(one | other for one, other in zip(left, right, strict=True))


class RippleCarryAdder(Adder):
    """An `Adder` of full adders in a row; each waits for the carry of the one below it."""

    def carries(self, m, propagate, generate):
        """Two gates a bit, one bit after another."""
        bits = zip(propagate, generate, self.carry, self.carry_set, strict=False)
        return Cat(g | (p & carry) | forced for p, g, carry, forced in bits)
