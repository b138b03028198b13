"""The hardware as a synthesis tool sees it."""

import re

import pytest
from amaranth.back import rtlil
from usual import USUAL, first_of

from carrywave.rtl.adder import RippleCarryAdder
from carrywave.rtl.alu import ADDERS
from carrywave.rtl.datapath import Unit
from carrywave.sim.netlist.compiled import cone
from carrywave.sim.netlist.synthesis import SCRIPT, drawn_netlist, rtlil_of, run_yosys

# Arithmetic and order; equality is how an opcode is decoded.
ARITHMETIC = {"$add", "$sub", "$neg", "$mul", "$lt", "$le", "$gt", "$ge", "$alu", "$shift", "$shl"}


def cells(text):
    return set(re.findall(r"^\s*cell (\$\w+) ", text, re.MULTILINE))


@pytest.mark.parametrize("adder", first_of([*ADDERS]))
@pytest.mark.parametrize("variant", USUAL)
def test_no_operator_does_arithmetic_that_the_adder_should(variant, adder):
    found = cells(rtlil.convert(Unit(variant, adder), emit_src=False))
    assert {"$and", "$or", "$xor", "$dff"} <= found
    assert not found & ARITHMETIC


def test_the_rule_sees_an_operator_that_adds():
    class Wrong(RippleCarryAdder):
        def elaborate(self, platform):
            m = super().elaborate(platform)
            twice = type(self.sum)(8, name="twice")
            m.d.comb += twice.eq(self.sum + 1)
            return m

    assert cells(rtlil.convert(Wrong(8), emit_src=False)) & ARITHMETIC == {"$add"}


@pytest.mark.parametrize("adder", first_of([*ADDERS]))
@pytest.mark.parametrize("variant", USUAL)
def test_every_adder_keeps_its_carries_by_name(variant, adder):
    text = rtlil.convert(Unit(variant, adder), emit_src=False)
    kept = re.findall(
        r"attribute \\keep 1\s+(?:attribute .*\s+)*wire width (\d+) .*\\carry$", text, re.M
    )
    corrections = ["5", "5"] if variant != "binary" else []
    # The ALU's adder and its own port, SP, PC, the clock number.
    assert sorted(kept) == sorted(["9", "9", "9", "17", "4", *corrections])


LOOPS = (*SCRIPT[:3], "opt_clean", "tee -q -o FILE scc")


@pytest.mark.parametrize("adder", first_of([*ADDERS]))
def test_no_word_looks_like_a_loop(adder):
    """A decimal digit's carry waits for the sum below it: bit by bit that is no loop."""
    assert "Found 0 SCCs." in run_yosys(rtlil_of("nmos", adder), LOOPS, ".txt")


def test_a_word_of_which_one_bit_waits_for_another_is_found(monkeypatch):
    def by_words(self, m, propagate, generate):
        return self.generate | (self.propagate & self.carry[:-1]) | self.carry_set

    monkeypatch.setattr(RippleCarryAdder, "carries", by_words)
    assert "Found 0 SCCs." not in run_yosys(rtlil_of("nmos"), LOOPS, ".txt")


@pytest.mark.parametrize("variant", USUAL)
def test_no_output_waits_for_an_input_but_those_that_the_ports_name(variant):
    netlist = drawn_netlist(variant)
    of_port = {wire: name for name, wires in netlist.inputs.items() for wire in wires}
    waits = {}
    for name, wires in netlist.outputs.items():
        read = {*wires, *(wire for gate in cone(netlist, wires) for wire in gate.inputs)}
        waits[name] = {of_port[wire] for wire in read & of_port.keys()}
    # Of a byte that is written the proof says that no byte on the bus has a part in it.
    assert waits.pop("data_out") == {"data_in"}
    assert waits.pop("write") == {"reset_n"}
    assert set().union(*waits.values()) == set()
    assert len(waits) == 4
