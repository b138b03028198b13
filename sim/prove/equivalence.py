"""Equivalence: the netlist that a restructuring optimiser makes is the drawn one.

Both get the same symbols for inputs and flip-flops, which are matched by name; then every output
and every flip-flop's next value must be the same in all states, reachable or not, and so must what
it holds at power-up.
"""

from dataclasses import asdict, dataclass, field
from functools import lru_cache
from typing import Any, Final

import z3

from ..netlist.compiled import compile_wires
from ..netlist.synthesis import Netlist, NetlistError, netlist_by
from .terms import BitTable, Query, UnknownError, Wire, term_of

#: The carries are no longer kept by name. Flip-flops stay as they are, without enable or reset of
#: their own, so that they can be matched.
OPTIMISED: Final = (
    "hierarchy -top top", "proc", "flatten", "setattr -unset keep w:*",
    "opt -full -nodffe -nosdff", "techmap", "opt -full -nodffe -nosdff",
    "abc -g AND,OR,XOR,MUX", "opt_clean",
)  # fmt: skip


@dataclass
class Equivalence:
    """How many outputs and next values were compared, and how many are proved equal."""

    outputs: int
    equal: int
    gates: tuple[int, int]  # of the drawn netlist and of the other
    different: list[str] = field(default_factory=list)
    unproved: list[str] = field(default_factory=list)  # the solver gave up

    @property
    def agree(self) -> bool:
        """True if something was compared, and all is equal."""
        return 0 < self.outputs == self.equal

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


@lru_cache(maxsize=4)
def optimised_netlist(variant: str = "nmos", adder: str = "ripple") -> Netlist:
    """The same unit in fewer gates. Raises NetlistError if it cannot be made."""
    return netlist_by(OPTIMISED, variant, adder)


def equivalence(drawn: Netlist, other: Netlist, timeout: float = 60) -> Equivalence:
    """Compares two netlists; `timeout` is in seconds, for one question to the solver.

    Raises NetlistError if they do not have the same inputs, outputs and flip-flops.
    """
    table = BitTable()
    names = flop_names(drawn, other)
    left, right = (functions(netlist, names, table) for netlist in (drawn, other))
    if left.keys() != right.keys():
        raise NetlistError("two netlists with other outputs cannot be compared")
    result = Equivalence(len(left), len(left), (len(drawn.gates), len(other.gates)))
    pairs = [
        (name, z3.Xor(term_of(wire), term_of(right[name])))
        for name, wire in left.items()
        if wire is not right[name]
    ]
    result.different += [
        f"power-up {name}[{i}]"
        for name in names
        for i, wires in enumerate(zip(drawn.names[name], other.names[name], strict=True))
        if drawn.initial.get(wires[0], 0) != other.initial.get(wires[1], 0)
    ]
    _search(Query(timeout), pairs, result)
    result.equal -= len(result.different) + len(result.unproved)
    return result


def _search(query: Query, pairs: list[tuple[str, Any]], result: Equivalence) -> None:
    """Finds those that can differ: all at once, which is fastest, or else by halves."""
    if len(pairs) > 1:
        if query.possible(z3.Or(*(differs for _, differs in pairs))):
            for half in (pairs[: len(pairs) // 2], pairs[len(pairs) // 2 :]):
                _search(query, half, result)
        return
    for name, differs in pairs:
        try:
            if query.model(differs) is not None:
                result.different.append(name)
        except UnknownError:
            result.unproved.append(name)


def flop_names(*netlists: Netlist) -> list[str]:
    """Names that between them are all the flip-flops, each once, in every netlist."""
    flops = [{q for q, _ in netlist.flops} for netlist in netlists]
    names: list[str] = []
    found: list[set[int]] = [set() for _ in netlists]
    # The widest first: a few bits of a register may have a name of their own.
    known = netlists[0].names
    for name in sorted(known, key=lambda name: (-len(known[name]), "$" in name)):
        wires = [netlist.names.get(name, ()) for netlist in netlists]
        fresh = [set(w) <= q - f for w, q, f in zip(wires, flops, found, strict=True)]
        if all(wires) and all(fresh) and len({len(w) for w in wires}) == 1:
            names.append(name)
            for f, w in zip(found, wires, strict=True):
                f.update(w)
    for netlist, have, named in zip(netlists, flops, found, strict=True):
        if have != named:
            one = netlist.called(min(have - named))
            raise NetlistError(f"two netlists with other flip-flops cannot be compared: {one}")
    return names


def functions(netlist: Netlist, names: list[str], table: BitTable) -> dict[str, Wire]:
    """Every output and next value over the symbols of inputs and flip-flops, by name and bit."""
    places = netlist.inputs | {name: netlist.names[name] for name in names}
    sources = [wire for wires in places.values() for wire in wires]
    symbols = [bit for name, wires in places.items() for bit in table.symbol(name, len(wires))]
    after = dict(netlist.flops)
    wanted = {f"{name}[{i}]": w for name, ws in netlist.outputs.items() for i, w in enumerate(ws)}
    wanted |= {f"next {n}[{i}]": after[w] for n in names for i, w in enumerate(netlist.names[n])}
    values = compile_wires(netlist, list(wanted.values()), sources)(symbols, 1)
    return dict(zip(wanted, values, strict=True))
