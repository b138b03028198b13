"""The page's gates give the bench's own answers: the ALU on every input, the unit case by case."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest
from usual import USUAL

from carrywave.sim.cases.layout import plain
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.netlist.alu_gates import MNEMONICS, AluGates, Inputs
from carrywave.sim.netlist.synthesis import Gate, Netlist, drawn_netlist
from carrywave.sim.settle.settling import settle
from carrywave.sim.witness.gates import Gates

Runner = Callable[..., Any]

#: A digest of each wire over all 65,536 inputs: its words, each times an odd number of its own.
DIGESTS = """
const alu = new Alu(VARIANT), found = {};
for (const [name, use] of Object.entries(DATA.uses))
  for (const d of use.decimal && VARIANT !== "binary" ? [0, 1] : [0])
    for (const c of use.carry ? [0, 1] : [0]) {
      const planes = Object.values(alu.every(use, c, d)).flat();
      found[[name, c, d]] = planes.map(plane => plane.reduce(
        (sum, word, i) => sum + Math.imul(word, Math.imul(2 * i + 1, 0x9E3779B1)) | 0, 0) >>> 0);
    }
told(found);
"""


@cache
def digests(variant: str) -> dict[str, list[int]]:
    """The same by the bench."""
    alu, found = AluGates(variant), {}
    rows = np.arange(65536, dtype=np.uint32)
    left, m = (rows >> 8).astype(np.uint8), (rows & 255).astype(np.uint8)
    weights = (np.arange(2048, dtype=np.uint32) * 2 + 1) * np.uint32(0x9E3779B1)
    for name, use in MNEMONICS.items():
        for d in range(1 + (use.decimal and variant != "binary")):
            for c in range(1 + use.carry):
                inputs = Inputs(left, m, np.full_like(m, c), np.full_like(m, d))
                planes = alu._function(alu.planes(use.operation, inputs), (1 << 65536) - 1)
                words = (np.frombuffer(p.to_bytes(8192, "little"), "<u4") for p in planes)
                sums = [int((w * weights).sum(dtype=np.uint32)) for w in words]
                found[f"{name},{c},{d}"] = sums
    return found


def turned(netlist: Netlist, gate: Gate) -> Netlist:
    """The netlist with another kind of gate in one place."""
    other = {"AND": "OR", "OR": "AND", "XOR": "OR", "NOT": "AND", "MUX": "MUX"}[gate.kind]
    inputs = gate.inputs * 2 if gate.kind == "NOT" else gate.inputs
    inputs = (inputs[1], inputs[0], inputs[2]) if gate.kind == "MUX" else inputs
    wrong = Gate(other, gate.output, inputs)
    return netlist.replaced([wrong if one is gate else one for one in netlist.gates])


@pytest.mark.parametrize("variant", USUAL)
def test_the_alu_answers_every_input_of_every_operation_as_the_bench_does(
    run_script: Runner, variant: str
) -> None:
    wanted = digests(variant)
    found = run_script(f"const VARIANT = '{variant}';{DIGESTS}", variant)
    assert len(found) == {"nmos": 27, "cmos": 27, "binary": 23}[variant]
    assert found == wanted


def test_a_wrong_gate_of_the_alu_is_found(run_script: Runner) -> None:
    """That of the highest carry, which C and V hang on."""
    netlist = drawn_netlist("nmos")
    wire = netlist.names["alu.carry"][8]
    gate = next(one for one in netlist.gates if one.output == wire)
    assert gate.kind == "OR"
    found = run_script(f"const VARIANT = 'nmos';{DIGESTS}", netlist=turned(netlist, gate))
    wanted = digests("nmos")
    assert {name.split(",")[0] for name in wanted if found[name] != wanted[name]} >= {"ADC", "ASL"}


#: Each case on the machine as the page runs it, from its first clock to the next one's.
CASES = """
const machine = new Machine(VARIANT, {pins: {}, memory: [], lines: {}, labels: {}});
const put = (name, value) => machine.places.flops[name].forEach((at, bit) => {
  machine.flops[at] = -(value >> bit & 1);
});
told(GIVEN.map(({pc, a, x, y, sp, p, reads}) => {
  machine.flops.fill(0);
  for (const [name, value] of Object.entries({pc, register_a: a, register_x: x, register_y: y,
    "stack.pointer": sp, "status.flags": p & 15 | p >> 2 & 48, low: y, high: x, latch: a,
    "control.opcode": ~sp, "interrupts.nmi_before": 1})) put(name, value);
  for (const [address, byte] of reads) machine.memory[address] = byte;
  machine.clock = 0;
  machine.due.clear();
  machine.evaluate();
  const writes = [];
  do {
    if (machine.write) writes.push([machine.address, machine.byte]);
    machine.forward();
  } while (!machine.begins && machine.clock < 9);
  const flags = machine.flop("status.flags");
  const [a1, x1, y1, s1] = ["register_a", "register_x", "register_y", "stack.pointer"]
    .map(name => machine.flop(name));
  const outcome = {pc: machine.flop("pc"), a: a1, x: x1, y: y1, sp: s1,
    p: flags & 15 | (flags & 48) << 2 | 48, cycles: machine.clock, writes};
  for (const [address] of [...reads, ...writes]) machine.memory[address] = 0;
  return outcome;
}));
"""


def outcomes(run_script: Runner, variant: str, count: int, netlist: Netlist | None = None) -> int:
    """How many of so many random cases come out otherwise than by the bench's gates."""
    cases = sampled_cases(count, 7, events=["instruction"], variant=variant)
    assert len(np.unique(cases["read_value"][:, 0])) > (150 if count > 2000 else 120)
    wanted = [plain(one) for one in Gates(variant).execute(cases)]
    given = [plain(one) for one in cases]
    found = run_script(f"const VARIANT = '{variant}';{CASES}", variant, given, netlist)
    assert len(found) == count
    return sum(one != other for one, other in zip(found, wanted, strict=True))


@pytest.mark.parametrize("variant", USUAL)
def test_the_unit_does_each_instruction_as_the_bench_does(run_script: Runner, variant: str) -> None:
    assert outcomes(run_script, variant, 400) == 0


@pytest.mark.exhaustive
def test_the_unit_does_many_thousands_of_cases_as_the_bench_does(run_script: Runner) -> None:
    assert outcomes(run_script, "nmos", 20_000) == 0


@pytest.mark.exhaustive
def test_a_wrong_gate_of_the_unit_is_found(run_script: Runner) -> None:
    """One of the stack pointer's, which no operation of the ALU knows."""
    netlist = drawn_netlist("nmos")
    wire = netlist.names["stack.sum"][3]
    gate = next(one for one in netlist.gates if one.output == wire)
    assert outcomes(run_script, "nmos", 2000, turned(netlist, gate)) > 20


@pytest.mark.exhaustive
def test_what_it_settles_through_is_what_settle_tells(run_script: Runner) -> None:
    asked = [("ADC", 0xFF, 1, 0, 0), ("SBC", 0x50, 0xF0, 1, 0), ("ADC", 0x58, 0x46, 1, 1),
             ("CMP", 0x80, 1, 0, 0), ("ROL", 0x81, 0, 1, 0), ("EOR", 0x0F, 0xFF, 0, 0)]  # fmt: skip
    found = run_script("""
      const alu = new Alu("nmos");
      told(GIVEN.map(([name, left, m, c, d]) =>
        alu.settle(DATA.uses[name], {left: 0, m: 0, c: 0, d}, {left, m, c, d})));
    """, given=asked)  # fmt: skip
    compared = 0
    for steps, (name, left, m, c, d) in zip(found, asked, strict=True):
        numbers = [left, m][: 1 + MNEMONICS[name].operand]
        told = settle(name, numbers, c, bool(d))
        assert [step["moved"] for step in steps] == list(told.moved)
        for step, wanted in zip(steps, told.steps, strict=True):
            assert {port: step[port] for port in wanted} == wanted
            compared += len(wanted)
    assert compared > 400
