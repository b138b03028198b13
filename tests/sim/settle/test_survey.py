"""Every input settled: held to a simulation of every gate in each step, and to arithmetic."""

import json
from fractions import Fraction

import numpy as np
import pytest
from usual import USUAL

from carrywave.sim.family.members import VARIANTS
from carrywave.sim.netlist import ADDERS
from carrywave.sim.netlist.alu_gates import MNEMONICS, AluGates, Inputs
from carrywave.sim.netlist.compiled import unpack
from carrywave.sim.netlist.synthesis import Gate, drawn_netlist
from carrywave.sim.settle import settling as settle
from carrywave.sim.settle import survey as surveys
from carrywave.sim.settle.settling import alu_of, depth_of, generations, settled
from carrywave.sim.settle.survey import Output, expected_carries, survey, survey_of

GATES = {
    "AND": lambda a, b: a & b, "OR": lambda a, b: a | b, "XOR": lambda a, b: a != b,
    "NOT": lambda a: ~a, "MUX": lambda a, b, select: np.where(select, b, a),
}  # fmt: skip
FLAGS = {"ADC": "nvzc", "CMP": "nzc", "AND": "nz", "INX": "nz"}


def columns(mnemonic):
    """A, M and carry of every input: by carry, A and M."""
    sizes = {"ADC": (2, 256, 256), "INX": (1, 256, 1)}.get(mnemonic, (1, 256, 256))
    carry, a, m = (axis.ravel() for axis in np.indices(sizes))
    return a, m, carry


def every_gate(netlist, mnemonic):
    """For each output's wire the step that changed it last, and how often it changed: columns of
    booleans, every gate whose inputs may have changed in every step."""
    names, (a, m, carry) = netlist.names, columns(mnemonic)
    operation = MNEMONICS[mnemonic].operation.value
    values = {0: np.zeros(len(a), bool), 1: np.ones(len(a), bool)}

    def set_inputs(given):
        for port, column in given.items():
            for i, wire in enumerate(names.get(f"alu.{port}", ())):
                values[wire] = np.broadcast_to(column >> i & 1 == 1, len(a))

    zero = np.zeros(1, int)
    set_inputs(
        dict.fromkeys(("a", "b", "carry_in", "decimal"), zero) | {"operation": zero + operation}
    )
    part, wanted = [], set()
    ports = ("operand", "carry", "sum", "result", "n", "v", "z", "c")
    watched = [wire for port in ports for wire in names[f"alu.{port}"]]
    wanted.update(watched)
    for gate in reversed(netlist.gates):
        if gate.output in wanted and gate.output not in values:
            part.append(gate)
            wanted.update(gate.inputs)
    for gate in reversed(part):
        values[gate.output] = GATES[gate.kind](*(values[wire] for wire in gate.inputs))
    set_inputs({"a": a, "b": m, "carry_in": carry})
    last = {wire: np.zeros(len(a), int) for wire in watched}
    times = {wire: np.zeros(len(a), int) for wire in watched}
    step, moving = 0, {w for port in ("a", "b", "carry_in") for w in names[f"alu.{port}"]}
    while moving:
        step += 1
        new = {
            gate.output: GATES[gate.kind](*(values[wire] for wire in gate.inputs))
            for gate in part if moving.intersection(gate.inputs)
        }  # fmt: skip
        moved = {wire: values[wire] != column for wire, column in new.items()}
        moving = {wire for wire, rows in moved.items() if rows.any()}
        for wire in moving.intersection(watched):
            last[wire][moved[wire]] = step
            times[wire] += moved[wire]
        values |= new
    return last, times


def expected_outputs(netlist, mnemonic):
    """The outputs as `survey` describes them, out of `every_gate`."""
    last, times = every_gate(netlist, mnemonic)
    names, (a, m, carry) = netlist.names, columns(mnemonic)
    chain = mnemonic in ("ADC", "CMP", "INX")
    ports = {p: names[f"alu.{p}"] for p in (*("carry", "sum") * chain, "result", *FLAGS[mnemonic])}
    groups = {}
    for port, wires in ports.items():
        for i, wire in enumerate(wires):
            bit = f"c{i}" if port == "carry" else port if len(port) == 1 else f"{port}[{i}]"
            groups[bit] = [wire]
    groups |= {port: wires for port, wires in ports.items() if len(wires) > 1}
    groups["flags"] = [ports[flag][0] for flag in FLAGS[mnemonic]]
    every = [wire for wires in ports.values() for wire in wires]
    groups["all"] = [*every, *names["alu.operand"]] if chain else every
    found = {}
    for name, wires in groups.items():
        steps = np.max([last[wire] for wire in wires], axis=0)
        row = int(steps.argmax())
        twice = np.any([times[wire] > 1 for wire in wires], axis=0)
        found[name] = Output(
            name, tuple(np.bincount(steps).tolist()), (int(a[row]), int(m[row]), int(carry[row])),
            int(twice.sum()),
        )  # fmt: skip
    return found


@pytest.mark.parametrize("mnemonic", FLAGS)
@pytest.mark.parametrize("adder", ADDERS)
def test_outputs_settle_as_in_a_simulation_of_every_gate(adder, mnemonic):
    found = survey(mnemonic, adders=[adder])
    expected = expected_outputs(drawn_netlist("nmos", adder), mnemonic)
    assert {output.name: output for output in found.adders[0].outputs} == expected
    assert found.inputs == len(columns(mnemonic)[0]) == sum(expected["all"].counts) >= 256


def test_the_comparison_sees_a_gate_that_answers_later(delayed):
    netlist = drawn_netlist("nmos")
    found = surveyed(AluGates("nmos", delayed(netlist, netlist.names["alu.carry"][6])))
    expected = expected_outputs(netlist, "ADC")
    differ = {output.name for output in found.outputs if output != expected[output.name]}
    assert {"c6", "c7", "c8", "sum[6]", "n", "all"} <= differ
    assert differ.isdisjoint({"c0", "c5", "sum[5]"})
    assert (found.wrong, found.agree) == (0, True)  # late, but right in the end


def surveyed(alu, mnemonic="ADC"):
    use = MNEMONICS[mnemonic]
    return survey_of(alu, use, Inputs.every(use, "binary"), "ripple")


@pytest.mark.parametrize("adder", ADDERS)
def test_last_values_are_those_of_plain_arithmetic_on_every_input(adder):
    a, m, carry = columns("ADC")
    alu, use, ones = (
        AluGates("nmos", drawn_netlist("nmos", adder)),
        MNEMONICS["ADC"],
        (1 << 2**17) - 1,
    )
    zero = np.zeros(len(a), np.uint8)
    old, new = (
        alu.planes(use.operation, Inputs(*given, zero))
        for given in ((zero,) * 3, [column.astype(np.uint8) for column in (a, m, carry)])
    )
    values = settled(alu.gates, dict(zip(alu.source_wires, old, strict=True)), ones)
    for changed in generations(alu, values.copy(), new, ones):
        values |= changed
    total, signed = a + m + carry, (a ^ 128) + (m ^ 128) + carry - 256
    wanted = {
        "sum": total & 255, "carry": a ^ m ^ total, "n": total >> 7 & 1,
        "v": (signed < -128) | (signed > 127), "z": total & 255 == 0, "c": total > 255,
    }  # fmt: skip
    for port, column in wanted.items():
        read = unpack([values[wire] for wire in alu.outputs[port]], len(a), np.uint16)
        assert np.array_equal(read, column), port
    assert len(a) == 1 << 17


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize("adder", ADDERS)
def test_every_instruction_ends_as_without_delay(adder, variant):
    inputs = 0
    for mnemonic in MNEMONICS:
        found = survey(mnemonic, variant, [adder])
        assert (found.adders[0].wrong, found.agree) == (0, True), mnemonic
        inputs += found.inputs
    assert inputs == 2 * (1 << 17) + 7 * (1 << 16) + 8 * 256 + 2 * 512


def test_last_values_that_differ_are_counted(monkeypatch):
    whole = surveys.generations

    def short(*given):
        steps = list(whole(*given))
        yield from steps[:-1]

    monkeypatch.setattr(surveys, "generations", short)
    found = survey("ADC")
    # The last step is Z's, of the worst inputs.
    worst = expected_outputs(drawn_netlist("nmos"), "ADC")["z"]
    assert found.adders[0].wrong == worst.counts[-1] > 0
    assert not found.agree


def longest(a, m, carry, width):
    """The longest carry sequence of each pair, place by place."""
    length, found = np.zeros_like(a), np.zeros_like(a)
    for i in range(width):
        x, y = a >> i & 1, m >> i & 1
        makes = x & y if i else (x + y + carry) >> 1  # the lowest place makes one of a carry-in
        carry = (x + y + carry) >> 1
        length = np.where(makes == 1, 1, np.where(carry == 1, length + 1, 0))
        found = np.maximum(found, length)
    return found


@pytest.mark.parametrize("carry", [0, 1])
@pytest.mark.parametrize("width", range(1, 9))
def test_the_recurrence_counts_what_enumeration_counts(width, carry):
    a, m = (axis.ravel() for axis in np.indices((1 << width, 1 << width)))
    counts = np.bincount(longest(a, m, np.full_like(a, carry), width), minlength=width + 1)
    assert expected_carries(carry, width) == tuple(counts.tolist())
    assert counts.sum() == 4**width


@pytest.mark.parametrize("adder", ADDERS)
@pytest.mark.parametrize(("mnemonic", "carries"), [("ADC", (0, 1)), ("SBC", (0, 1)), ("CMP", (1,))])
def test_the_gates_carry_as_far_as_expected(mnemonic, carries, adder):
    found = survey(mnemonic, adders=[adder]).adders[0].carries
    assert tuple(c.carry_in for c in found) == carries
    assert [c.counts for c in found] == [expected_carries(carry) for carry in carries]


@pytest.mark.parametrize("mnemonic", ["AND", "INX", "ASL"])
def test_one_operand_or_no_chain_has_no_expected_distribution(mnemonic):
    assert survey(mnemonic).adders[0].carries == ()


def test_a_wrong_carry_gate_is_seen_in_the_distribution():
    netlist = drawn_netlist("nmos")
    wire = netlist.names["alu.carry"][5]
    gates = [Gate("AND", g.output, g.inputs) if g.output == wire else g for g in netlist.gates]
    found = surveyed(AluGates("nmos", netlist.replaced(gates)))
    assert found.wrong == 0  # the wrong gates, too, end as they do without delay
    assert not found.agree
    assert found.carries[0].counts != expected_carries(0)


def depths(alu, stopped):
    """The longest path's gates, and those of the longest that begins at no wire of `stopped` and
    goes through none."""
    depth, free = {}, dict.fromkeys([w for w in alu.source_wires if w not in stopped], 0)
    for gate in alu.gates:
        depth[gate.output] = 1 + max(depth.get(wire, 0) for wire in gate.inputs)
        reached = [free[wire] for wire in gate.inputs if wire in free]
        if reached and gate.output not in stopped:
            free[gate.output] = 1 + max(reached)
    return max(depth.values()), max(free.values())


@pytest.mark.parametrize("adder", ADDERS)
@pytest.mark.parametrize("variant", VARIANTS)
def test_the_longest_path_begins_at_the_operation_and_passes_through_the_correction(variant, adder):
    alu = alu_of(variant, adder)
    found, operation = depth_of(alu), set(alu.sources["operation"])
    assert found == depths(alu, operation)[0] > depths(alu, operation)[1]
    # Without the gates that D reaches, which are the correction's, too, there is a shorter one.
    reached = set(alu.sources.get("decimal", ()))
    for gate in alu.gates:
        if reached.intersection(gate.inputs):
            reached.add(gate.output)
    shorter = depths(alu, reached)[1]
    assert shorter == found if variant == "binary" else shorter < found
    # No input takes it: with the operation standing and D clear every wire settles earlier.
    use = MNEMONICS["ADC"]
    every = Inputs.every(use, "binary")
    zero = Inputs(*(np.zeros(len(every), np.uint8) for _ in range(4)))
    old, new = (alu.planes(use.operation, inputs) for inputs in (zero, every))
    ones = (1 << len(every)) - 1
    values = settled(alu.gates, dict(zip(alu.source_wires, old, strict=True)), ones)
    assert 15 < len(list(generations(alu, values, new, ones))) - 1 < found


def test_an_output_tells_its_mean_and_shares():
    output = Output("n", (6, 0, 1, 1), (1, 2, 0), 0)
    assert (output.mean, output.worst) == (Fraction(5, 8), 3)
    assert [output.within(Fraction(k, 8)) for k in (1, 6, 7, 8)] == [0, 0, 2, 3]


def test_three_adders_settle_and_only_gates_whose_inputs_change_are_worked_out(monkeypatch):
    worked_out = []
    for kind, function in settle.FUNCTIONS.items():

        def counted(*planes, function=function):
            worked_out.append(1)
            return function(*planes)

        monkeypatch.setitem(settle.FUNCTIONS, kind, counted)
    found = survey("ADC", adders=ADDERS)
    everything = sum(adder.gates * adder["all"].worst for adder in found.adders)
    assert everything // 10 < len(worked_out) < everything // 5
    assert [adder.adder for adder in found.adders] == list(ADDERS)
    assert found.agree
    worst = [adder["sum"].worst for adder in found.adders]
    assert worst[0] > worst[1] >= worst[2]


def test_a_survey_is_plain_values():
    found = survey("CMP", "cmos", ADDERS)
    value = json.loads(json.dumps(found.to_json()))
    assert (value["mnemonic"], value["variant"], value["inputs"]) == ("CMP", "cmos", 1 << 16)
    assert value["from"] == {"a": 0, "b": 0, "carry_in": 0, "decimal": 0}
    assert [adder["adder"] for adder in value["adders"]] == list(ADDERS)
    (carries,) = value["adders"][0]["longest_carries"]
    assert (carries["mean"], carries["counts"]) == ("168197/65536", carries["expected"])
    z = next(output for output in value["adders"][0]["outputs"] if output["name"] == "z")
    assert sum(z["inputs_by_step"]) == 1 << 16
    assert list(z["worst_input"]) == ["a", "b", "carry_in"]
    assert z["worst"] == len(z["inputs_by_step"]) - 1
