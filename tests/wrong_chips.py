"""Mistakes that are planted in the gates of a board's unit."""

from dataclasses import replace


def with_wrong_overflow(netlist):
    """V is carry 7 XOR carry 6 in this one."""
    name = next(name for name in netlist.names if name.endswith("unit.alu.adder.carry"))
    carry = netlist.names[name]
    pair = {carry[8], carry[7]}
    gates = [
        replace(gate, inputs=(carry[7], carry[6]))
        if gate.kind == "XOR" and {*gate.inputs} == pair else gate
        for gate in netlist.gates
    ]  # fmt: skip
    assert sum(one != other for one, other in zip(gates, netlist.gates, strict=True)) == 1
    return netlist.replaced(gates)
