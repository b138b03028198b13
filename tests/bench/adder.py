"""What every evaluator is given: one adder with flags, its gates, and all its inputs."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
from amaranth.back import rtlil
from amaranth.hdl import ClockDomain, Module, Mux
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

from carrywave.rtl.adder import RippleCarryAdder
from carrywave.sim.netlist.synthesis import SCRIPT, parse, run_yosys

WIDTH = 8
INPUTS = {"a": WIDTH, "b": WIDTH, "invert": 1, "carry_in": 1}
OUTPUTS = {"result": WIDTH, "n": 1, "v": 1, "z": 1, "c": 1}
BITS = sum(INPUTS.values())
CASES = 1 << BITS

# Two-input gates and inverters, which every evaluator knows; the drawn netlist has multiplexers.
TO_GATES = (*SCRIPT, "setattr -unset keep w:*", "abc -g AND,OR,XOR", "opt_clean", "splitnets")


# The same gates as cells of words one bit wide: CXXRTL knows no others.
WORD_CELLS = (
    "write_verilog -noattr gates.v", "design -reset", "read_verilog gates.v", "proc",
    "hierarchy -top top",
)  # fmt: skip


class AdderWithFlags(wiring.Component):
    """Adds, or with `invert` and a carry subtracts. One clock later:

    Members
    -------
    a, b : In(8)
    invert : In(1), b is inverted
    carry_in : In(1)
    result : Out(8)
    n, v, z, c : Out(1)
    """

    def __init__(self):
        members = {name: In(width) for name, width in INPUTS.items()}
        super().__init__(members | {name: Out(width) for name, width in OUTPUTS.items()})

    def elaborate(self, platform):
        m = Module()
        m.submodules.adder = adder = RippleCarryAdder(WIDTH)
        m.d.comb += [
            adder.a.eq(self.a),
            adder.b.eq(Mux(self.invert, ~self.b, self.b)),
            adder.carry_in.eq(self.carry_in),
        ]
        m.d.sync += [
            self.result.eq(adder.sum),
            self.n.eq(adder.sum[-1]),
            self.v.eq(adder.carry[-1] ^ adder.carry[-2]),
            self.z.eq(~adder.sum.any()),
            self.c.eq(adder.carry[-1]),
        ]
        return m


@cache
def written(*commands):
    """The gates as the last of some commands of Yosys writes them."""
    dut, module = AdderWithFlags(), Module()
    domain = ClockDomain("sync", reset_less=True)
    module.domains += domain
    module.submodules.dut = dut
    ports = [domain.clk, *(getattr(dut, name) for name in (*INPUTS, *OUTPUTS))]
    text = rtlil.convert(module, ports=ports, emit_src=False)
    return run_yosys(text, (*TO_GATES, *commands[:-1], f"{commands[-1]} FILE"), ".text")


@cache
def gates():
    """The gates as this project reads them."""
    return parse(json.loads(written("write_json")))


def wires(netlist):
    """The wires of the inputs, and those that become the outputs, lowest bit first."""
    following = dict(netlist.flops)
    sources = [wire for name in INPUTS for wire in netlist.inputs[name]]
    return sources, [following[wire] for name in OUTPUTS for wire in netlist.outputs[name]]


def inputs(cases):
    """The inputs of numbered cases, by name: every input is one of CASES."""
    values, shift = {}, 0
    for name, width in INPUTS.items():
        values[name] = cases >> shift & (1 << width) - 1
        shift += width
    return values


@cache
def expected():
    """The outputs of every case as one number, by plain arithmetic: no carry and no gate."""
    case = inputs(np.arange(CASES))
    b = np.where(case["invert"] == 1, 255 - case["b"], case["b"])
    total = case["a"] + b + case["carry_in"]
    result = total % 256
    signed = (case["a"] ^ 128) + (b ^ 128) - 256 + case["carry_in"]
    overflow = (signed < -128) | (signed > 127)
    flags = (result > 127) | overflow << 1 | (result == 0) << 2 | (total > 255) << 3
    return (result | flags << WIDTH).astype(np.uint16)
