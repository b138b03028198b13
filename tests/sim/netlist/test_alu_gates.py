"""The ALU's part of the netlist says what the whole unit says."""

import numpy as np
import pytest
from usual import USUAL

from carrywave.sim.cases.kinds import forms_of, lay_reads
from carrywave.sim.cases.layout import CASE
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.netlist.alu_gates import MNEMONICS, AluGates, Inputs
from carrywave.sim.netlist.synthesis import Gate, drawn_netlist
from carrywave.sim.witness.gates import Gates


def cases_of(mnemonic, inputs):
    """The inputs as cases of the instruction's shortest form."""
    use = MNEMONICS[mnemonic]
    form = min(forms_of(mnemonic), key=lambda form: form.clocks)
    cases = np.zeros(len(inputs), CASE)
    cases["pc"] = 0x0200
    cases["p"] = 0x30 | inputs.carry_in | inputs.decimal << 3
    byte = inputs.left if use.left == "M" else inputs.m
    read = dict.fromkeys(form.reads, 0x10) | {"m": byte.astype(np.uint16)}
    lay_reads(cases, form, {"pc": 0x0200, **read})
    if use.left != "M":
        cases[use.left.lower()] = inputs.left
    return form, cases


def wrong_rows(variant, netlist=None):
    """How many rows of all instructions differ from the unit's, and how many were compared."""
    unit, alu, wrong, rows = Gates(variant), AluGates(variant, netlist), 0, 0
    for mnemonic, use in MNEMONICS.items():
        inputs = Inputs.every(use, variant)
        form, cases = cases_of(mnemonic, inputs)
        outcomes = unit.execute(cases)
        found = alu.evaluate(use.operation, inputs)
        differs = np.zeros(len(inputs), bool)
        for flag in use.flags:
            differs |= found[flag] != outcomes["p"] >> FLAG_BITS[flag] & 1
        if form.access == "modify":
            differs |= found["result"] != outcomes["write_value"][:, outcomes["writes"][0] - 1]
        elif use.operation.name not in ("COMPARE", "BIT"):
            differs |= found["result"] != outcomes[use.left.lower()]
        wrong, rows = wrong + np.count_nonzero(differs), rows + len(inputs)
    return wrong, rows


@pytest.mark.parametrize("variant", USUAL)
def test_the_part_agrees_with_the_unit_on_every_input(variant):
    arithmetic = 2 * (1 << 17 if variant == "binary" else 1 << 18)
    assert wrong_rows(variant) == (0, arithmetic + 7 * (1 << 16) + 8 * 256 + 2 * 512)


def test_the_comparison_sees_a_wrong_gate():
    netlist = drawn_netlist("nmos")
    wire = netlist.names["alu.sum"][3]
    gates = [Gate("OR", g.output, g.inputs) if g.output == wire else g for g in netlist.gates]
    wrong, rows = wrong_rows("nmos", netlist.replaced(gates))
    assert 0 < wrong < rows


def test_the_instructions_are_those_with_arithmetic_logic_or_a_shift():
    names = "ADC AND ASL BIT CMP CPX CPY DEC DEX DEY EOR INC INX INY LSR ORA ROL ROR SBC"
    assert " ".join(sorted(MNEMONICS)) == names
    assert {name: MNEMONICS[name].left for name in ("ASL", "INC", "CPX", "DEY")} == {
        "ASL": "A", "INC": "M", "CPX": "X", "DEY": "Y",
    }  # fmt: skip
    assert MNEMONICS["CMP"].flags == "nzc"
    assert MNEMONICS["BIT"].flags == "nvz"


def test_rows_are_in_order_of_decimal_carry_left_and_operand():
    inputs = Inputs.every(MNEMONICS["SBC"])
    columns = inputs.decimal, inputs.carry_in, inputs.left, inputs.m
    for column, weight in zip(columns, (17, 16, 8, 0), strict=True):
        size = 256 if weight < 16 else 2
        assert np.array_equal(column, np.arange(1 << 18) >> weight & (size - 1))
    assert len(Inputs.every(MNEMONICS["SBC"], "binary")) == 1 << 17
    assert len(Inputs.every(MNEMONICS["ROL"])) == 512
