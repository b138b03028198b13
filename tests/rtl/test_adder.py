"""Every adder against sums: in Amaranth's simulator, and as gates at every width."""

import gc
import json
from functools import cache

import numpy as np
import pytest
from amaranth.back import rtlil
from amaranth.hdl import Cat, Module
from usual import first_of

from carrywave.rtl.adder import Adder
from carrywave.rtl.alu import ADDERS
from carrywave.sim import netlist
from carrywave.sim.netlist.compiled import compile_wires, cone, pack, unpack
from carrywave.sim.netlist.synthesis import SCRIPT, Gate, parse, run_yosys

ONE_BY_ONE = pytest.mark.parametrize("name", ADDERS)
INPUTS = ("a", "b", "carry_in", "carry_set")
OUTPUTS = ("sum", "carry", "propagate", "generate")
#: Up to the ALU's, the program counter's, and where lookahead has a group left over or a third
#: level and prefix a step that reaches no further than the carry out.
WIDTHS = (*range(1, 9), 11, 15, 16, 17, 30)


def test_the_names_are_those_that_the_commands_take():
    assert tuple(ADDERS) == netlist.ADDERS
    assert len({*ADDERS.values()}) == 3


# In the simulator


@ONE_BY_ONE
@pytest.mark.parametrize("width", [1, 3, 4, 5])
def test_sum_and_every_carry_are_those_of_addition(settle, name, width):
    adder = ADDERS[name](width)
    rows = [
        {"a": a, "b": b, "carry_in": c}
        for a in range(2**width)
        for b in range(2**width)
        for c in (0, 1)
    ]
    outputs = Cat(adder.sum, adder.carry, adder.propagate, adder.generate)
    values = settle(adder, rows, outputs)
    assert len(values) == 2 ** (2 * width + 1)
    for row, value in zip(rows, values, strict=True):
        a, b, c = row.values()
        carry = sum((a % 2**i + b % 2**i + c) // 2**i << i for i in range(width + 1))
        expected = (a + b + c) % 2**width | carry << width
        expected |= (a ^ b) << 2 * width + 1 | (a & b) << 3 * width + 1
        assert value == expected, row


@ONE_BY_ONE
def test_a_forced_carry_enters_the_next_bit(settle, name):
    adder = ADDERS[name](8)
    rows = [{"a": a, "b": 0, "carry_in": 0, "carry_set": 0x08} for a in range(0, 256, 16)]
    values = settle(adder, rows, Cat(adder.sum, adder.carry[8]))
    assert values == [row["a"] + 0x10 for row in rows]


@ONE_BY_ONE
def test_what_sets_a_carry_may_come_from_the_sum_below_it(settle, name):
    class Ten(Adder):
        """Two digits, of which the lower carries from ten on."""

        def elaborate(self, platform):
            m = Module()
            m.submodules.adder = adder = ADDERS[name](8)
            digit = adder.sum[:4]
            m.d.comb += [
                adder.a.eq(self.a),
                adder.b.eq(self.b),
                adder.carry_in.eq(self.carry_in),
                adder.carry_set[3].eq(digit[3] & (digit[2] | digit[1])),
                self.sum.eq(adder.sum),
            ]
            return m

    ten = Ten(8)
    rows = [{"a": a, "b": 0x11 * b, "carry_in": a & 1} for a in range(0, 256, 3) for b in range(10)]
    assert settle(ten, rows, ten.sum[4:]) == [
        (row["a"] // 16 + row["b"] // 16 + (row["a"] % 16 + row["b"] % 16 + row["a"] % 2 > 9)) % 16
        for row in rows
    ]


@pytest.mark.filterwarnings("ignore::amaranth.hdl.UnusedElaboratable")
@ONE_BY_ONE
def test_an_adder_without_bits_is_refused(name):
    with pytest.raises(ValueError, match=r"^an adder has at least 1 bit, not 0$"):
        ADDERS[name](0)
    gc.collect()  # the half-made component is reported as unused here, not in a later test


# As gates


@cache
def netlist_of(name):
    """The adders of all widths side by side; a port's name has the width."""
    m, ports = Module(), {}
    for width in WIDTHS:
        m.submodules[f"w{width}"] = adder = ADDERS[name](width)
        ports |= {f"{port}_{width}": (getattr(adder, port), None) for port in (*INPUTS, *OUTPUTS)}
    text = rtlil.convert(m, ports=ports, emit_src=False)
    return parse(json.loads(run_yosys(text, [*SCRIPT, "write_json FILE"], ".json")))


def wires(netlist, width, ports, place):
    return [wire for port in ports for wire in getattr(netlist, place)[f"{port}_{width}"]]


def on_gates(netlist, width, columns):
    """The outputs of rows of inputs, by name."""
    sources = wires(netlist, width, INPUTS, "inputs")
    function = compile_wires(netlist, wires(netlist, width, OUTPUTS, "outputs"), sources)
    rows = len(columns["a"])
    planes = [
        plane
        for port in INPUTS
        for plane in pack(columns[port], len(netlist.inputs[f"{port}_{width}"]))
    ]
    values = iter(function(planes, (1 << rows) - 1))
    return {
        port: unpack([next(values) for _ in netlist.outputs[f"{port}_{width}"]], rows, np.uint32)
        for port in OUTPUTS
    }


def by_digits(width, a, b, carry_in, carry_set):
    """The same by sums of one binary digit after another, which come to 0, 1, 2 or 3."""
    carry, total = carry_in.astype(np.uint32), np.zeros(len(a), np.uint32)
    found = {"sum": total, "carry": carry.copy(), "propagate": a ^ b, "generate": a & b}
    for i in range(width):
        digit = (a >> i) % 2 + (b >> i) % 2 + carry
        carry = np.maximum(digit // 2, (carry_set >> i) % 2)
        found["sum"] = found["sum"] + (digit % 2 << i)
        found["carry"] = found["carry"] + (carry << i + 1)
    return found


def wrong_rows(netlist, width, columns):
    """How many rows differ in each output."""
    expected, found = by_digits(width, **columns), on_gates(netlist, width, columns)
    return {port: int((expected[port] != found[port]).sum()) for port in OUTPUTS}


RIGHT = dict.fromkeys(OUTPUTS, 0)


def every(width, *, forced):
    """Every input; with `forced`, every carry that is set, too."""
    rows = np.arange(1 << 2 * width + 1 + width * forced, dtype=np.uint32)
    mask = (1 << width) - 1
    return {
        "a": rows & mask,
        "b": rows >> width & mask,
        "carry_in": rows >> 2 * width & 1,
        "carry_set": rows >> 2 * width + 1,
    }


def sampled(width):
    """Many inputs, half of them with carries that run far, and a quarter with none that is set."""
    rng = np.random.default_rng(width)
    columns = {
        port: rng.integers(0, 2 if port == "carry_in" else 1 << width, 20_000, np.uint32)
        for port in INPUTS
    }
    # b is NOT a but for bit 0.
    columns["b"][::2] = columns["a"][::2] ^ (1 << width) - 1 ^ (columns["b"] & 1)[::2]
    columns["carry_set"][::4] = 0
    return columns


@pytest.mark.parametrize("name", first_of(list(ADDERS)))
def test_the_gates_of_eight_bits_add_everything(name):
    columns = every(8, forced=False)
    assert len(columns["a"]) == 2**17
    assert wrong_rows(netlist_of(name), 8, columns) == RIGHT
    # The digits are those of the whole sums, too.
    digits = by_digits(8, **columns)
    total = sum(columns[port] for port in ("a", "b", "carry_in"))
    assert (digits["sum"] | digits["carry"] >> 8 << 8 == total).all()


@ONE_BY_ONE
@pytest.mark.parametrize("width", WIDTHS)
def test_the_gates_of_each_width_add_with_any_carry_set(name, width):
    columns = every(width, forced=True) if width <= 5 else sampled(width)
    assert len(columns["a"]) in (16, 128, 1024, 8192, 65536, 20_000)
    assert wrong_rows(netlist_of(name), width, columns) == RIGHT


@ONE_BY_ONE
def test_no_carry_waits_for_one_that_is_set_above_it(name):
    netlist = netlist_of(name)
    for width in WIDTHS:
        ports = {port: netlist.inputs[f"{port}_{width}"] for port in INPUTS}
        for i, carry in enumerate(netlist.outputs[f"carry_{width}"]):
            read = {carry, *(w for gate in cone(netlist, [carry]) for w in gate.inputs)}
            assert {*ports["carry_in"], *ports["carry_set"][:i], *ports["a"][:i]} <= read
            assert not read & {*ports["carry_set"][i:], *ports["a"][i:], *ports["b"][i:]}


@pytest.mark.parametrize(
    ("name", "signal", "bit"),
    [
        ("ripple", "carry", 6),
        ("lookahead", "generate_4", 0),
        ("lookahead", "carry", 7),
        ("prefix", "generate_4", 6),
        ("prefix", "propagate_2", 3),
    ],
)
@pytest.mark.parametrize("place", [0, 1])
def test_the_comparison_sees_one_gate_that_leaves_something_out(name, signal, bit, place):
    netlist = netlist_of(name)
    wire = netlist.names[f"w8.{signal}"][bit]
    (gate,) = (gate for gate in netlist.gates if gate.output == wire)
    assert gate.kind in ("AND", "OR")
    short = Gate(gate.kind, wire, (gate.inputs[place],) * 2)
    wrong = netlist.replaced(short if one is gate else one for one in netlist.gates)
    found = wrong_rows(wrong, 8, sampled(8))
    assert found["carry"] > 0, found
    assert (found["propagate"], found["generate"]) == (0, 0)
    # No other adder has been touched.
    assert wrong_rows(wrong, 7, sampled(7)) == RIGHT
