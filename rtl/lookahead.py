"""The carry-lookahead adder: groups of four bits say whether they make or hand on a carry."""

from amaranth.hdl import Cat

from .adder import Adder, either, named

__all__ = ["LookaheadAdder"]

GROUP = 4


def arrives(sources, above):
    """Whether a carry comes out at the top: some source makes one, and all above it hand it on.

    ``above[i]`` says whether the place just above ``sources[i]`` hands a carry on. Drawn as a wide
    AND for each source and a wide OR of these.
    """
    return Cat(Cat(source, *above[i:]).all() for i, source in enumerate(sources)).any()


class LookaheadAdder(Adder):
    """An `Adder` whose carries are sums of products, four bits at a time.

    No carry waits for another within its group of four. Groups are themselves taken four at a
    time, so up to 16 bits are two levels and up to 64 three. Weinberger &
    Smith, *A logic for high-speed addition*, NBS Circular 591, 1958 (from memory).
    """

    def carries(self, m, propagate, generate):
        """Begins with groups of one bit. ``generate_4[1]``: bits 4 to 7 together make a carry."""
        made = named(m, "generate_1", either(self.generate, self.carry_set))
        return Cat(self._carries(m, made, self.propagate, 1))

    def _carries(self, m, generate, propagate, span):
        """The carries out of groups of `span` bits; ``carry[i * span]`` enters group i."""
        count = len(generate)
        starts = range(0, count, GROUP)

        def out(start, i):
            into = self.carry[start * span]
            return arrives([into, *generate[start : i + 1]], propagate[start : i + 1])

        if count <= GROUP:
            return [out(0, i) for i in range(count)]
        wide = span * GROUP
        made = [arrives(generate[s : s + GROUP], propagate[s + 1 : s + GROUP]) for s in starts]
        handed_on = [propagate[s : s + GROUP].all() for s in starts]
        above = self._carries(
            m,
            named(m, f"generate_{wide}", Cat(made)),
            named(m, f"propagate_{wide}", Cat(handed_on)),
            wide,
        )
        found = []
        for start, last in zip(starts, above, strict=True):
            end = min(start + GROUP, count)
            found += [*(out(start, i) for i in range(start, end - 1)), last]
        return found
