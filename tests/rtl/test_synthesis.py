"""The hardware as a synthesis tool sees it."""

import re

import pytest
from amaranth.back import rtlil
from usual import USUAL

from carrywave.rtl.adder import RippleCarryAdder
from carrywave.rtl.alu import ADDERS
from carrywave.rtl.datapath import Unit

# Arithmetic and order; equality is how an opcode is decoded.
ARITHMETIC = {"$add", "$sub", "$neg", "$mul", "$lt", "$le", "$gt", "$ge", "$alu", "$shift", "$shl"}


def cells(text):
    return set(re.findall(r"^\s*cell (\$\w+) ", text, re.MULTILINE))


@pytest.mark.parametrize("adder", ADDERS)
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


@pytest.mark.parametrize("adder", ADDERS)
@pytest.mark.parametrize("variant", USUAL)
def test_every_adder_keeps_its_carries_by_name(variant, adder):
    text = rtlil.convert(Unit(variant, adder), emit_src=False)
    kept = re.findall(
        r"attribute \\keep 1\s+(?:attribute .*\s+)*wire width (\d+) .*\\carry$", text, re.M
    )
    corrections = ["5", "5"] if variant != "binary" else []
    # The ALU's adder and its own port, SP, PC, the clock number.
    assert sorted(kept) == sorted(["9", "9", "9", "17", "4", *corrections])
