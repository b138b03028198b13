"""The parallel-prefix adder: spans of bits that make or hand on a carry, doubled at each level."""

from amaranth.hdl import Cat, Const

from .adder import Adder, either, named

__all__ = ["PrefixAdder"]


class PrefixAdder(Adder):
    """An `Adder` that finds all carries at once, by spans that double until one holds all bits.

    The carry in counts as a place below bit 0, which makes a carry or makes none.
    ``generate_4[i]`` says whether the four places that end at carry i make one; each span of eight
    is two of four, and so on. P. M. Kogge & H. S. Stone, *A parallel algorithm for the efficient
    solution of a general class of recurrence equations*, IEEE Transactions on Computers C-22 (8),
    1973 (from memory).
    """

    def carries(self, m, propagate, generate):
        """What the spans that reach down to the carry in make."""
        made = named(m, "generate_1", Cat(self.carry_in, either(self.generate, self.carry_set)))
        handed_on = named(m, "propagate_1", Cat(Const(0, 1), self.propagate))
        span = 1
        while span <= self.width:
            wide = 2 * span
            made_below = Cat(Const(0, span), made[:-span])
            on_below = Cat(Const(0, span), handed_on[:-span])
            handed_up = Cat(on & below for on, below in zip(handed_on, made_below, strict=True))
            made = named(m, f"generate_{wide}", either(made, handed_up))
            if wide <= self.width:  # else there is no place left to hand a carry on from
                handed_on = named(m, f"propagate_{wide}", handed_on & on_below)
            span = wide
        return made[1:]
