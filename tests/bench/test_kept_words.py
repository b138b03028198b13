"""The netlist on NumPy words, against the same netlist on integers."""

import numpy as np
import pytest
from bench.kept_words import compile_words
from usual import USUAL

from carrywave.sim.netlist.compiled import compile_wires
from carrywave.sim.netlist.synthesis import Gate, drawn_netlist

WORDS = 5


def answers(netlist, compiled_from):
    """Every named wire of the unit, from words and from integers, on the same random sources."""
    sources = [q for q, _ in netlist.flops] + [w for port in netlist.inputs.values() for w in port]
    driven = {gate.output for gate in netlist.gates}.union(sources)
    wires = sorted({wire for named in netlist.names.values() for wire in named} & driven)
    rng = np.random.default_rng(20261125)
    values = [rng.integers(0, 2**64, WORDS, np.uint64) for _ in sources]
    ones = np.full(WORDS, 2**64 - 1, np.uint64)
    words = compile_words(compiled_from, wires, sources)(values, ones)
    integers = compile_wires(netlist, wires, sources)(
        [int.from_bytes(value.tobytes(), "little") for value in values], (1 << 64 * WORDS) - 1
    )
    return [int.from_bytes(word.tobytes(), "little") for word in words], list(integers)


@pytest.mark.parametrize("variant", USUAL)
def test_every_named_wire_is_what_it_is_on_integers(variant):
    netlist = drawn_netlist(variant)
    words, integers = answers(netlist, netlist)
    assert len(words) == len(integers) > 300
    assert words == integers


def test_a_changed_gate_is_seen():
    netlist = drawn_netlist("nmos")
    carry = netlist.names["alu.carry"][5]
    gates = [Gate("AND", g.output, g.inputs[:2]) if g.output == carry else g for g in netlist.gates]
    words, integers = answers(netlist, netlist.replaced(gates))
    assert words != integers


def test_the_answer_holds_until_the_next_call_and_sizes_may_change():
    netlist = drawn_netlist("nmos")
    gate = next(g for g in netlist.gates if g.kind == "NOT")
    function = compile_words(netlist, [gate.output], list(gate.inputs))
    for size in (1, 3, 1):
        ones = np.full(size, 2**64 - 1, np.uint64)
        (answer,) = function([np.arange(size, dtype=np.uint64)], ones)
        assert (answer == ~np.arange(size, dtype=np.uint64)).all()
