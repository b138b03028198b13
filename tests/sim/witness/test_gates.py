"""The gates witness against the model and against the clocked RTL, and its watch on the bus."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from usual import USUAL

from carrywave.sim.cases.layout import CASE, WRITES, Cases
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.instructions import BY_MNEMONIC, INSTRUCTIONS
from carrywave.sim.family.members import EVENTS
from carrywave.sim.netlist.synthesis import Gate, Netlist, drawn_netlist
from carrywave.sim.witness.clocked import Clocked
from carrywave.sim.witness.comparison import compare
from carrywave.sim.witness.gates import BATCH, Gates
from carrywave.sim.witness.model import Model

ADC = BY_MNEMONIC["ADC"]["immediate"]
DECIMAL = [form for name in ("ADC", "SBC") for form in BY_MNEMONIC[name].values()]


def changed(netlist: Netlist, output: int, kind: str) -> Netlist:
    """The netlist with another kind of gate at a wire."""
    (old,) = (gate for gate in netlist.gates if gate.output == output)
    assert len(old.inputs) == 2
    assert old.kind != kind
    new = replace(old, kind=kind)
    return netlist.replaced([new if gate is old else gate for gate in netlist.gates])


def inverted(netlist: Netlist, output: int) -> Netlist:
    """The netlist with an inverter behind the gate that drives an output of the unit."""
    spare = 1 + max(gate.output for gate in netlist.gates)
    outputs = {
        name: tuple(spare if wire == output else wire for wire in wires)
        for name, wires in netlist.outputs.items()
    }
    assert outputs != netlist.outputs
    return replace(netlist, outputs=outputs).replaced(
        [*netlist.gates, Gate("NOT", spare, (output,))]
    )


# Against the others


@pytest.mark.parametrize("variant", USUAL)
def test_gates_agree_with_the_model_on_samples_of_everything(variant: str) -> None:
    seed = int(np.random.default_rng().integers(1 << 32))
    print(f"sampled_cases(100_000, {seed}, variant={variant!r})")
    gates = Gates(variant)
    comparison = compare(
        Model(variant), gates, sampled_cases(100_000, seed, variant=variant), batch=50_000
    )
    assert comparison.agree, comparison.to_json()
    assert comparison.cases == 100_000
    assert comparison.uncounted == 0
    assert len(comparison.instructions) == len(BY_MNEMONIC) + 3
    assert gates.off_bus == 0


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_gates_agree_with_the_model_in_decimal_mode(variant: str) -> None:
    cases = sampled_cases(100_000, 11, DECIMAL, ["instruction"])
    cases["p"] |= 8
    comparison = compare(Model(variant), Gates(variant), cases)
    assert comparison.agree, comparison.to_json()
    assert set(comparison.instructions) == {"ADC", "SBC"}


@pytest.mark.exhaustive
@pytest.mark.parametrize("adder", ["prefix", "lookahead"])
def test_clocks_and_gates_agree_with_every_other_adder(adder: str) -> None:
    cases = sampled_cases(400, seed=20261126)
    comparison = compare(Clocked(adder=adder), Gates(adder=adder), cases)
    assert (comparison.cases, comparison.mismatches) == (400, 0)
    assert compare(Model(), Gates(adder=adder), cases).agree


@pytest.mark.parametrize("variant", USUAL)
def test_gates_agree_with_the_rtl_clock_by_clock(variant: str) -> None:
    cases = sampled_cases(250, 3, variant=variant)
    comparison = compare(Clocked(variant), Gates(variant), cases)
    assert comparison.agree, comparison.to_json()
    assert len(comparison.instructions) > 40
    assert set(cases["event"]) == set(range(len(EVENTS)))


def test_gates_and_model_see_an_address_overlap_as_the_case_tells_it() -> None:
    # Each byte is presented when it is read: an operand may lie in the instruction.
    cases = np.zeros(1, CASE)
    cases["pc"], cases["a"], cases["reads"] = 0x0201, 0x10, 4
    cases["read_value"][0, :4] = [0x6D, 0x01, 0x02, 0x21]
    cases["read_address"][0, :4] = [0x0201, 0x0202, 0x0203, 0x0201]
    gates = Gates()
    assert gates.execute(cases)["a"].tolist() == [0x31]
    assert Model().execute(cases)["a"].tolist() == [0x31]
    assert gates.off_bus == 0


@pytest.mark.parametrize("read", range(1, 4))
def test_a_byte_that_lies_elsewhere_is_not_read(read: int) -> None:
    """At the published address there is its complement then, in the clock that reads it."""
    cases = sampled_cases(3_000, 13, [BY_MNEMONIC["LDA"]["absolute"]], ["instruction"])
    right = Gates().execute(cases)
    cases["read_address"][:, read] ^= 0x0100
    gates = Gates()
    outcomes = gates.execute(cases)
    if read < 3:  # the address is another: there is nothing either
        assert gates.off_bus == len(cases)
    else:
        assert gates.off_bus == 0
        assert (outcomes["a"] == right["a"] ^ 0xFF).all()


# How it takes them


def test_many_at_once_are_answered_as_each_alone() -> None:
    cases = sampled_cases(400, 9, variant="cmos")
    # Some bytes lie elsewhere: then pages are crossed that the case does not tell of.
    cases["read_address"][::3, 2] ^= 0x0001
    cases["read_address"][::5, 1] ^= 0x0100
    gates = Gates("cmos")
    together, off_bus = gates.execute(cases), gates.off_bus_rows
    alone = [(gates.execute(cases[i : i + 1]), gates.off_bus) for i in range(len(cases))]
    assert together.tobytes() == b"".join(outcome.tobytes() for outcome, _ in alone)
    counts = [off_bus.sum(), *(count for _, count in alone)]
    assert np.diff(counts).tolist() == off_bus.tolist()
    assert 20 < off_bus.sum() < 380


def test_more_than_a_batch_of_one_opcode_is_answered_in_order() -> None:
    cases = sampled_cases(BATCH + 5, 2, [ADC], ["instruction"])
    outcomes = Gates().execute(cases)
    assert outcomes.tobytes() == Model().execute(cases).tobytes()


@pytest.mark.parametrize("shape", [(), (0,), (6, 4)])
def test_outcomes_have_the_shape_of_the_cases(shape: tuple[int, ...]) -> None:
    cases = sampled_cases(24, 4)[: int(np.prod(shape))].reshape(shape)
    outcomes = Gates().execute(cases)
    assert outcomes.shape == shape
    assert outcomes.tobytes() == Model().execute(cases).tobytes()


def test_an_opcode_outside_the_set_is_an_error() -> None:
    cases = np.zeros(3, CASE)
    cases["read_value"][:, 0] = [0xEA, 0x02, 0xEA]
    with pytest.raises(ValueError, match=r"^opcode 02: undocumented on this variant$"):
        Gates().execute(cases)


def test_a_witness_goes_to_another_process() -> None:
    netlist = drawn_netlist("binary")
    carry = netlist.names["alu.adder.carry"][3]
    gates = Gates("binary", changed(netlist, carry, "AND"))
    copy = pickle.loads(pickle.dumps(gates))
    assert copy.unit.netlist == gates.unit.netlist
    cases = sampled_cases(500, 5)
    assert copy.execute(cases).tobytes() == gates.execute(cases).tobytes()


def test_what_an_earlier_instruction_left_does_not_matter(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Registers that no case speaks of are loaded with noise: other noise changes nothing."""
    cases = sampled_cases(3_000, 6)
    before = Gates().execute(cases).tobytes()
    load = Gates._load

    def noisy(self: Gates, cases: Cases, ones: int, *, ahead: bool) -> list[int]:
        state = load(self, cases, ones, ahead=ahead)
        rng = np.random.default_rng(1)
        for name in ("low", "high", "latch", "control.opcode"):
            for i in self.unit.flops[name]:
                state[i] = int.from_bytes(rng.bytes((ones.bit_length() + 7) // 8), "little") & ones
        return state

    monkeypatch.setattr(Gates, "_load", noisy)
    assert Gates().execute(cases).tobytes() == before


# The bus


def test_an_output_that_is_wrong_on_the_bus_alone_is_counted_there() -> None:
    netlist = drawn_netlist("nmos")
    (stopped,) = netlist.outputs["stopped"]
    gates = Gates("nmos", inverted(netlist, stopped))
    cases = sampled_cases(300, 8)
    comparison = compare(Model("nmos"), gates, cases)
    assert comparison.agree
    assert gates.off_bus == len(cases)
    assert gates.off_bus_rows.all()


@pytest.mark.parametrize("name", ["address", "write", "sync", "clock_number"])
def test_every_output_is_watched(name: str) -> None:
    netlist = drawn_netlist("nmos")
    cases = sampled_cases(2_000, 10)
    wires = netlist.outputs[name]
    for wire in wires:
        gates = Gates("nmos", inverted(netlist, wire))
        gates.execute(cases)
        assert gates.off_bus > len(cases) // 2


def test_rows_off_the_bus_are_those_and_no_others() -> None:
    """Where bit 8 of the address is set no write is shown: on the stack, and in odd pages."""
    netlist = drawn_netlist("nmos")
    (write,), page = netlist.outputs["write"], netlist.outputs["address"][8]
    even = 1 + max(gate.output for gate in netlist.gates)
    outputs = {**netlist.outputs, "write": (even + 1,)}
    gates = Gates("nmos", replace(netlist, outputs=outputs).replaced([
        *netlist.gates, Gate("NOT", even, (page,)), Gate("AND", even + 1, (write, even)),
    ]))  # fmt: skip
    cases = sampled_cases(20_000, 12, INSTRUCTIONS, ["instruction"])
    gates.execute(cases)
    right = Model().execute(cases)
    there = np.arange(WRITES) < right["writes"][:, None]
    wanted = (there & (right["write_address"] & 0x0100 > 0)).any(axis=1)
    assert 0 < wanted.sum() < there.any(axis=1).sum()
    assert (gates.off_bus_rows == wanted).all()
    assert gates.off_bus == wanted.sum()
    gates.execute(cases[~wanted])
    assert gates.off_bus == wanted.sum()
    assert not gates.off_bus_rows.any()


def test_a_modify_writes_back_what_it_read() -> None:
    """Bit 3 of the written data is wrong: both writes of an outcome show it."""
    netlist = drawn_netlist("nmos")
    gates = Gates("nmos", inverted(netlist, netlist.outputs["data_out"][3]))
    modify = [form for form in INSTRUCTIONS if form.access == "modify"]
    cases = sampled_cases(5_000, 12, modify, ["instruction"])
    right, wrong = Model().execute(cases), gates.execute(cases)
    assert set(right["writes"]) == {2}
    assert (wrong["write_value"][:, :2] == right["write_value"][:, :2] ^ 0x08).all()
    last = cases["reads"].astype(int) - 1
    operand = cases["read_value"][np.arange(len(cases)), last]
    assert (right["write_value"][:, 0] == operand).all()
    assert set(Model("cmos").execute(cases)["writes"]) == {1}
