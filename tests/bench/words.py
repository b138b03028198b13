"""A netlist as NumPy calls that write into arrays which are kept from call to call.

Faster than integers for a small netlist asked for millions of cases; the whole unit's wires do not
fit the processor's cache that way, and `gates` keeps to integers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from carrywave.sim.netlist.compiled import cone
from carrywave.sim.netlist.synthesis import ONE, ZERO, Netlist

__all__ = ["compile_words"]

CALLS: Final = {
    "AND": "and_({0}, {1}, {out})",
    "OR": "or_({0}, {1}, {out})",
    "XOR": "xor({0}, {1}, {out})",
    "NOT": "not_({0}, {out})",
    "MUX": "xor({0}, {1}, {out}); and_({out}, {2}, {out}); xor({out}, {0}, {out})",
}


def compile_words(
    netlist: Netlist, wires: Sequence[int], sources: Sequence[int]
) -> Callable[..., Any]:
    """``function(arrays of words of sources, ones)``: the arrays of `wires`, until the next call.

    An operator would make a new array for each gate; here a gate writes over one that is read no
    more, if it can over one of its own inputs, which then goes through the cache once.
    """
    gates = cone(netlist, wires, sources)
    last = {wire: i for i, gate in enumerate(gates) for wire in gate.inputs}
    names = {ZERO: "zero", ONE: "ones"} | {wire: f"s{i}" for i, wire in enumerate(sources)}
    kept, free, lines, count = set(wires), list[str](), list[str](), 0
    owned: set[int] = set()
    for i, gate in enumerate(gates):
        dead = [w for w in set(gate.inputs) if last[w] == i and w in owned and w not in kept]
        if gate.kind != "MUX":  # which reads its inputs again after it has begun to write
            free += [names[wire] for wire in dead]
        if not free:
            free.append(f"w{count}")
            count += 1
        out = free.pop()
        if gate.kind == "MUX":
            free += [names[wire] for wire in dead]
        lines.append(CALLS[gate.kind].format(*(names[wire] for wire in gate.inputs), out=out))
        names[gate.output] = out
        owned.add(gate.output)
        owned.difference_update(dead)

    def tuple_of(variables: Sequence[str]) -> str:
        return f"({''.join(f'{variable}, ' for variable in variables)})"

    statements = (
        f"{tuple_of([names[wire] for wire in sources])} = s" if sources else "pass",
        f"{tuple_of([f'w{i}' for i in range(count)])} = w" if count else "pass",
        *lines,
        f"return {tuple_of([names[wire] for wire in wires])}",
    )
    text = "def words(s, ones, zero, w):\n    " + "\n    ".join(statements)
    space: dict[str, Any] = {
        "and_": np.bitwise_and, "or_": np.bitwise_or, "xor": np.bitwise_xor, "not_": np.invert,
    }  # fmt: skip
    # The text holds nothing but the names and calls written above.
    exec(compile(text, "<netlist words>", "exec"), space)
    arrays: dict[int, list[Any]] = {}

    def function(values: Sequence[Any], ones: Any) -> Any:
        size = len(ones)
        if size not in arrays:
            arrays.clear()
            arrays[size] = [np.zeros_like(ones) for _ in range(count + 1)]
        zero, *kept_arrays = arrays[size]
        return space["words"](values, ones, zero, kept_arrays)

    return function
