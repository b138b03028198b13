"""The compiled netlist: the same function for integers, arrays of words and a solver's terms."""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pytest
import z3
from usual import USUAL

from carrywave.sim.netlist.compiled import (
    EXPRESSIONS,
    FUNCTIONS,
    compile_clock,
    compile_wires,
    cone,
)
from carrywave.sim.netlist.synthesis import ONE, ZERO, Gate, Netlist, NetlistError, drawn_netlist

MEANING: dict[str, Callable[..., int]] = {
    "AND": lambda a, b: a & b,
    "OR": lambda a, b: a | b,
    "XOR": lambda a, b: a ^ b,
    "NOT": lambda a: 1 - a,
    "MUX": lambda a, b, s: b if s else a,
}
LATE = ("data_out",)
EARLY = ("address", "write", "sync", "stopped", "clock_number")


def small(*gates: Gate) -> Netlist:
    """Inputs a = 2, b = 3, s = 4 and the data bus 5; no flip-flops."""
    return Netlist(gates, (), {"abs": (2, 3, 4), "data_in": (5,)}, {}, {})


def settled(netlist: Netlist, known: dict[int, int]) -> dict[int, int]:
    """Every wire, gate by gate and one case at a time: slow, and written without the compiler."""
    wires = {ZERO: 0, ONE: 1, **known}
    for gate in netlist.gates:
        wires[gate.output] = MEANING[gate.kind](*(wires[wire] for wire in gate.inputs))
    return wires


class Rig:
    """A netlist's clock, and random states of it."""

    def __init__(self, variant: str, rows: int) -> None:
        self.netlist, self.rows = drawn_netlist(variant), rows
        self.early = [wire for name in EARLY for wire in self.netlist.outputs[name]]
        self.late = [wire for name in LATE for wire in self.netlist.outputs[name]]
        self.clock = compile_clock(self.netlist, self.early, self.late)
        rng = random.Random(rows)
        pins = [wires for name, wires in self.netlist.inputs.items() if name != "data_in"]
        self.flops = [q for q, _ in self.netlist.flops]
        self.pins = [wire for wires in pins for wire in wires]
        self.data = list(self.netlist.inputs["data_in"])
        self.value = {w: rng.getrandbits(rows) for w in (*self.flops, *self.pins, *self.data)}

    def run(self, of: Callable[[int], Any]) -> tuple[list[Any], list[Any], list[Any]]:
        """Next state, early and late wires, from planes made by `of`."""
        planes = {wire: of(value) for wire, value in self.value.items()}
        clock = self.clock(
            [planes[q] for q in self.flops],
            [planes[w] for w in self.pins],
            of((1 << self.rows) - 1),
        )
        early = next(clock)
        with pytest.raises(StopIteration) as stop:
            clock.send([planes[w] for w in self.data])
        after, late = stop.value.value
        return list(after), list(early), list(late)

    def wanted(self) -> tuple[list[int], list[int], list[int]]:
        """The same from every row by itself."""
        rows = [
            settled(self.netlist, {wire: value >> i & 1 for wire, value in self.value.items()})
            for i in range(self.rows)
        ]

        def planes(wires: list[int]) -> list[int]:
            return [sum(row[wire] << i for i, row in enumerate(rows)) for wire in wires]

        return planes([d for _, d in self.netlist.flops]), planes(self.early), planes(self.late)


# Gates


@pytest.mark.parametrize("kind", list(MEANING))
def test_each_kind_of_gate_is_its_truth_table(kind: str) -> None:
    assert set(MEANING) == set(EXPRESSIONS) == set(FUNCTIONS)
    count = MEANING[kind].__code__.co_argcount
    netlist = small(Gate(kind, 9, (2, 3, 4)[:count]))
    a, b, s, ones = 0b10101010, 0b11001100, 0b11110000, 0xFF
    (plane,) = compile_wires(netlist, [9], [2, 3, 4])([a, b, s], ones)
    assert FUNCTIONS[kind](ones, *(a, b, s)[:count]) == plane
    for i in range(8):
        inputs = [x >> i & 1 for x in (a, b, s)[:count]]
        assert plane >> i & 1 == MEANING[kind](*inputs)


def test_constants_are_wires_too() -> None:
    netlist = small(Gate("AND", 8, (ONE, 2)), Gate("OR", 9, (ZERO, 8)), Gate("NOT", 10, (ONE,)))
    assert compile_wires(netlist, [9, 10, ONE, ZERO], [2])([0b01], 0b11) == (0b01, 0, 0b11, 0)


def test_a_cone_holds_what_the_wires_depend_on_and_no_more() -> None:
    first, second = Gate("AND", 7, (2, 3)), Gate("NOT", 8, (7,))
    netlist = small(first, Gate("XOR", 9, (3, 4)), second)
    assert cone(netlist, [8]) == [first, second]
    assert cone(netlist, [8], [7]) == [second]
    assert cone(netlist, [2]) == []


def test_an_early_wire_that_waits_for_memory_is_refused() -> None:
    netlist = small(Gate("AND", 7, (2, 5)), Gate("NOT", 8, (7,)))
    with pytest.raises(
        NetlistError, match=r"^wire 8 must be settled before memory answers, and waits for data_in$"
    ):
        compile_clock(netlist, [8], [])
    compile_clock(netlist, [2], [8])


# The drawn netlist


@pytest.mark.parametrize("variant", USUAL)
def test_integers_settle_as_gate_by_gate(variant: str) -> None:
    rig = Rig(variant, 70)
    assert rig.run(lambda value: value) == rig.wanted()


@pytest.mark.parametrize("variant", USUAL)
def test_arrays_of_words_settle_as_integers_do(variant: str) -> None:
    rig = Rig(variant, 256)

    def words(value: int) -> Any:
        return np.frombuffer(value.to_bytes(32, "little"), np.uint64)

    arrays, integers = rig.run(words), rig.run(lambda value: value)
    count = 0
    for some, others in zip(arrays, integers, strict=True):
        for array, integer in zip(some, others, strict=True):
            assert array.dtype == np.uint64
            assert int.from_bytes(array.tobytes(), "little") == integer
            count += 1
    assert count > 100


@pytest.mark.parametrize("variant", USUAL)
def test_a_solver_s_terms_settle_as_integers_do(variant: str) -> None:
    for rows in (1, 2):
        rig = Rig(variant, rows)
        terms = rig.run(partial(z3.BitVecVal, bv=rows))
        integers = rig.run(lambda value: value)
        count = 0
        for some, others in zip(terms, integers, strict=True):
            for term, integer in zip(some, others, strict=True):
                assert z3.simplify(term).as_long() == integer
                count += 1
        assert count > 100


@pytest.mark.parametrize("variant", USUAL)
def test_a_solver_s_variables_give_the_adder_s_chain(variant: str) -> None:
    """The carries as terms over A, the operand and the carry that enters."""
    names = drawn_netlist(variant).names
    sources = [*names["alu.adder.a"], *names["alu.adder.b"], names["alu.adder.carry_in"][0]]
    if variant != "binary":  # what forces a carry in decimal mode: kept out here
        sources += [wire for wire in names["alu.adder.carry_set"] if wire != ZERO]
    bits = [z3.BitVec(f"s{i}", 1) for i in range(17)]
    zero = z3.BitVecVal(0, 1)
    evaluate = compile_wires(drawn_netlist(variant), names["alu.adder.carry"], sources)
    carry = evaluate([*bits, *[zero] * (len(sources) - 17)], z3.BitVecVal(1, 1))
    a, b = z3.Concat(*bits[7::-1]), z3.Concat(*bits[15:7:-1])
    solver, total = z3.Solver(), z3.ZeroExt(1, a) + z3.ZeroExt(1, b) + z3.ZeroExt(8, bits[16])
    solver.add(carry[8] != z3.Extract(8, 8, total))
    assert solver.check() == z3.unsat
    assert len(carry) == 9
