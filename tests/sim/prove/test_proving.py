"""Proof: what is right is proved, what is planted is refuted, and of nothing nothing is proved.

The specification is itself held to a second source, the model, on seeded samples of every opcode.
"""

from __future__ import annotations

import ast
import dataclasses
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import z3
from usual import USUAL, first_of

from carrywave.sim.cases.kinds import BY_KEY, symbols_of
from carrywave.sim.cases.layout import Cases
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.address import join, named, number
from carrywave.sim.family.instructions import BY_MNEMONIC, ENTRIES, INSTRUCTIONS, NAMES, Instruction
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.sim.family.modes import Mode
from carrywave.sim.family.status_byte import FLAG_BITS, FLAGS, flags_of
from carrywave.sim.netlist import synthesis as netlists
from carrywave.sim.netlist.synthesis import (
    ZERO,
    Gate,
    Netlist,
    NetlistError,
    drawn_netlist,
    netlist_by,
)
from carrywave.sim.prove import proving as proofs
from carrywave.sim.prove.equivalence import Equivalence, equivalence, optimised_netlist
from carrywave.sim.prove.machine import STATE, Machine
from carrywave.sim.prove.prover import Prover, Refuted, case_of
from carrywave.sim.prove.proving import ProofReport, RowProof, VariantProof, proof_size, prove
from carrywave.sim.prove.report import describe
from carrywave.sim.prove.specification import SYMBOLS, Specification, specify
from carrywave.sim.prove.terms import DECLARED, BitTable, Query, UnknownError, read_terms, term_of
from carrywave.sim.witness.comparison import compare
from carrywave.sim.witness.gates import Gates
from carrywave.sim.witness.model import Model
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.vcd.recorded import write_refuted

ROOM = Path(__file__).parents[3] / "sim" / "prove"
SOME = ("ADC", "SBC", "BRK", "RTI", "PLP", "BCC", "JSR", "INC", "ROR", "IRQ", "NMI", "RESET")
FORMS = tuple(BY_KEY.values())


def form_of(name: str, mode: str = "") -> Instruction:
    """The instruction in that mode, or an entry."""
    return BY_MNEMONIC[name][mode] if mode else ENTRIES[name]


def altered(name: str, bit: int, kind: str, variant: str = "nmos") -> Netlist:
    """The netlist with another kind of gate behind a named wire."""
    drawn = drawn_netlist(variant)
    wire = drawn.names[name][bit]
    (old,) = [gate for gate in drawn.gates if gate.output == wire]
    assert old.kind != kind
    inputs = old.inputs if len(old.inputs) > 1 else old.inputs * 2
    gates = [Gate(kind, wire, inputs[:2]) if gate is old else gate for gate in drawn.gates]
    return drawn.replaced(gates)


def shown(refuted: Refuted, netlist: Netlist) -> bool:
    """Whether model and gates, put into that state, differ there: in the outcome or on the bus."""
    gates, case = Gates(refuted.variant, netlist), refuted.case.reshape(1)
    differ = not compare(Model(refuted.variant), gates, case).agree
    return differ or bool(gates.off_bus_rows.any())


KEPT: list[tuple[Netlist, Netlist, Equivalence]] = []


@pytest.fixture(autouse=True)
def _compared_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every report proves the optimised netlist equal: of the same two, here, the first only."""

    def kept(drawn: Netlist, other: Netlist, timeout: float) -> Equivalence:
        for one, two, result in KEPT:
            if one is drawn and two is other:
                return result
        KEPT.append((drawn, other, equivalence(drawn, other, timeout)))
        return KEPT[-1][-1]

    monkeypatch.setattr(proofs, "equivalence", kept)


def alone(report: ProofReport) -> VariantProof:
    (one,) = report.variants.values()
    return one


# What is right is proved


@pytest.mark.parametrize("variant", first_of(VARIANTS))
def test_the_gates_follow_the_specification(variant: str) -> None:
    done: list[int] = []
    report = prove(variant, SOME, done.append)
    one = alone(report)
    assert (report.agree, report.first) == (True, None)
    assert list(one.rows) == [name for name in NAMES if name in SOME]
    # 12 of the state, 2 of what follows; of each clock the address and what the pins tell; of each
    # write the byte. BCC goes three ways; ADC in cmos two, BRK and IRQ in nmos.
    each = {name: row.properties for name, row in one.rows.items()}
    assert each["JSR"] == 14 + 6 * 2 + 2
    assert each["BCC"] == 3 * 14 + 2 * (2 + 3 + 4)
    # With X, the clock that waits for a carry is another one if it comes; what CMOS reads then is
    # not told.
    cmos = variant == "cmos"
    modify = [14 + 2 * clocks + (1 if cmos else 2) for clocks in (5, 6, 6, 7, 7)]
    assert each["INC"] == sum(modify) - 2 * cmos
    assert each["BRK"] == (1 if variant == "cmos" else 2) * (14 + 7 * 2 + 3)
    # Of a clock of reset: what it begins, the write, 4 that the pins ask, 15 that are left be and
    # the 5 other outputs; of one more 15 and the three of control.
    assert each["RESET"] == (14 if cmos else 13) + 7 * 2 + (2 + 4 + 15 + 5) + (15 + 3)
    # Eight modes, of which three may cross a page. In each way CMOS has a clock more in decimal
    # mode, whose address is not told.
    ways = [14 + 2 * clocks for clocks in (2, 3, 4, 4, 4, 5, 4, 5, 6, 5, 6)]
    assert each["ADC"] == sum(ways) + cmos * (sum(ways) + len(ways))
    assert one.equivalence.outputs == one.equivalence.equal == 131
    assert done == list(range(1, proof_size(variant, SOME)))
    assert one.to_json()["instructions"]["ADC"]["opcodes"] == [
        0x69, 0x65, 0x75, 0x6D, 0x7D, 0x79, 0x61, 0x71,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "mode", "variant", "count"),
    [
        ("BCC", "relative", "nmos", 3),
        ("ADC", "immediate", "nmos", 1),
        ("SBC", "zero page", "cmos", 2),
        ("BRK", "implied", "binary", 2),
        ("IRQ", "", "cmos", 1),
    ],
)
def test_paths_are_possible_exclusive_and_all(
    name: str, mode: str, variant: str, count: int
) -> None:
    machine = Machine(drawn_netlist(variant))
    prover = Prover(machine, specify(form_of(name, mode), variant))
    ways = [z3.And(*path.condition) for path in prover.paths]
    assert len(ways) == count
    assert all(prover.query.possible(way) for way in ways)
    assert prover.query.model(z3.Not(z3.Or(*ways))) is None
    for i, one in enumerate(ways):
        assert all(prover.query.model(one, other) is None for other in ways[:i])


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize(
    ("name", "mode"),
    first_of([("ADC", "zero page"), ("BRK", "implied"), ("RESET", ""), ("RTI", "implied"),
              ("BCC", "relative"), ("JSR", "absolute"), ("INC", "zero page")], 3),
)  # fmt: skip
def test_each_property_can_be_violated(
    name: str, mode: str, variant: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    judge = Prover._judge
    wanted: list[str] = []

    def contrary(self: Prover, condition: tuple[Any, ...], properties: Any) -> None:
        for field, (actual, expected) in properties.items():
            wrong = z3.Not(expected) if z3.is_bool(expected) else ~expected
            judge(self, condition, {field: (actual, wrong)})
            wanted.append(field)

    monkeypatch.setattr(Prover, "_judge", contrary)
    proof = Prover(Machine(drawn_netlist(variant)), specify(form_of(name, mode), variant)).prove()
    assert [refuted.field for refuted in proof.refuted] == wanted
    assert len(wanted) == proof.properties > 14


# The other adders


@pytest.mark.exhaustive
@pytest.mark.parametrize("adder", ["lookahead", "prefix"])
def test_sums_and_differences_are_proved_of_every_adder(adder: str) -> None:
    report = prove("nmos", ["ADC", "SBC"], adder=adder)
    assert report.agree
    one = alone(report)
    assert one.total.properties > 100
    assert report.to_json()["adder"] == adder
    # The netlists are those with that adder: the drawn one has its gates.
    assert one.equivalence.gates[0] == len(drawn_netlist("nmos", adder).gates)
    assert one.equivalence.gates[0] != len(drawn_netlist("nmos").gates)


@pytest.mark.parametrize("adder", first_of(["lookahead", "prefix"]))
def test_a_wrong_span_is_refuted_and_the_command_that_shows_it_has_the_adder(adder: str) -> None:
    drawn = drawn_netlist("binary", adder)
    wire = drawn.names["alu.adder.generate_4"][4 if adder == "prefix" else 0]
    gates = [Gate("AND", g.output, g.inputs) if g.output == wire else g for g in drawn.gates]
    wrong = drawn.replaced(gates)
    assert wrong != drawn
    report = prove("binary", ["CMP", "NOP"], netlist=wrong, optimised=wrong, adder=adder)
    rows = alone(report).rows
    assert rows["CMP"].refuted
    assert rows["NOP"].agree
    assert report.first is not None
    assert shown(report.first, wrong)
    command = f"carrywave prove CMP --variant binary --adder {adder} --vcd FILE.vcd writes"
    assert command in describe(report.first, adder)


# Of nothing nothing is proved


def test_an_impossible_assumption_proves_nothing() -> None:
    prover = Prover(Machine(drawn_netlist("nmos")), specify(form_of("NOP", "implied"), "nmos"))
    prover._judge((z3.BoolVal(False),), {"a": (z3.BoolVal(True), z3.BoolVal(True))})
    assert prover.proof.properties == 0
    assert not RowProof([prover.proof]).agree
    prover._judge((), {"a": (z3.BoolVal(True), z3.BoolVal(True))})
    assert prover.proof.properties == 1
    assert RowProof([prover.proof]).agree


def test_no_properties_fail(carrywave: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> None:
    assert not ProofReport({}).agree
    assert not RowProof().agree
    monkeypatch.setattr(Prover, "_judge", lambda *_: None)
    status, out, _ = carrywave("prove", "NOP", "--json")
    found = json.loads(out)
    assert (status, found["agree"]) == (1, False)
    assert found["variants"]["nmos"]["instructions"]["NOP"]["properties"] == 0


def test_what_the_solver_gives_up_is_not_proved(
    carrywave: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def give_up(*_: Any) -> None:
        raise UnknownError

    monkeypatch.setattr(Query, "model", give_up)
    status, out, _ = carrywave("prove", "NOP", "--json")
    one = json.loads(out)["variants"]["nmos"]
    row = one["instructions"]["NOP"]
    assert status == 1
    assert row["properties"] == row["unproved"] > 0
    assert one["equivalence"]["equal"] + len(one["equivalence"]["unproved"]) == 131
    assert "unproved" in carrywave("prove", "NOP")[1]


def test_a_time_limit_is_heeded() -> None:
    a, b, c = z3.BitVecs("a b c", 48)
    hard = [a * b == c, z3.ULT(a, b), a * a + b * b == c * c + 12345, z3.UGT(a, 1 << 40)]
    with pytest.raises(UnknownError):
        Query(0.05).model(*hard)


# What is planted is refuted


@pytest.mark.parametrize(
    ("wire", "bit", "kind", "name", "fields"),
    first_of([
        ("alu.carry", 4, "AND", "CPX", {"p.n", "p.z", "p.c"}),
        ("stack.adder.carry", 3, "AND", "JSR", {"sp", "write_address[1]"}),
        ("interrupts.take", 0, "OR", "CLI", {"next"}),
        ("status.pushed", 4, "AND", "PHP", {"write_value[0]"}),
        ("alu.carry", 8, "AND", "ADC", {"p.c", "p.v"}),
        ("alu.correction.result", 5, "OR", "SBC", {"a"}),
        ("pc_adder.carry", 7, "OR", "RTS", {"pc"}),
        ("alu.z", 0, "AND", "INC", {"p.z"}),
    ], 4),
)  # fmt: skip
def test_an_altered_gate_is_refuted_by_a_state_that_shows_it(
    wire: str, bit: int, kind: str, name: str, fields: set[str]
) -> None:
    netlist = altered(wire, bit, kind)
    one = alone(prove("nmos", [name], netlist=netlist, optimised=netlist))
    refuted = one.total.refuted
    assert not one.agree
    assert {r.instruction.mnemonic for r in refuted} == {name}
    assert fields <= {r.field for r in refuted}
    plain = [r for r in refuted if not r.beside]
    # What comes next is in no outcome: it stands here alone.
    assert plain or fields == {"next"}
    assert all(shown(r, netlist) for r in plain if r.field != "next")
    assert not any(shown(r, drawn_netlist("nmos")) for r in refuted)


@pytest.mark.exhaustive
def test_v_without_the_carry_is_refuted_where_there_is_a_carry() -> None:
    def mistaken(instruction: Instruction, variant: str) -> Specification:
        right = specify(instruction, variant)
        return dataclasses.replace(right, after=right.after | {"v": "(bvsaddo a m)"})

    first = prove("binary", ["ADC"], specification=mistaken).first
    assert first is not None
    assert (first.instruction, first.field) == (form_of("ADC", "immediate"), "p.v")
    case = first.case
    (_, m), a, c = case["read_value"][:2].tolist(), int(case["a"]), int(case["p"]) & 1
    signed = [byte - 256 if byte > 127 else byte for byte in (a, m)]
    overflow = [not -128 <= sum(signed) + carry <= 127 for carry in (0, c)]
    assert c == 1
    assert overflow == [bool(first.expected), bool(first.actual)]
    assert overflow[0] != overflow[1]


def test_a_changed_line_of_the_rtl_is_refuted(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from carrywave.rtl import decode
    from carrywave.rtl.alu import AluOperation

    def swapped(row: Any) -> Any:
        change = row[0] == ("11101000",)
        return (row[0], AluOperation.DECREMENT, *row[2:]) if change else row

    monkeypatch.setenv("CARRYWAVE_CACHE", str(tmp_path))
    monkeypatch.setattr(decode, "ACTIONS", tuple(map(swapped, decode.ACTIONS)))
    netlist = netlist_by(netlists.SCRIPT, "nmos")
    one = alone(prove("nmos", ["INX", "DEX"], netlist=netlist, optimised=netlist))
    assert {r.field for r in one.total.refuted} >= {"x", "p.z"}
    assert {r.instruction.mnemonic for r in one.total.refuted} == {"INX"}
    first = one.total.refuted[0]
    assert (first.expected - first.actual) % 256 == 2
    assert all(shown(r, netlist) for r in one.total.refuted)


def test_a_sequence_that_never_ends_is_refuted() -> None:
    drawn = drawn_netlist("nmos")
    (sync,) = drawn.outputs["sync"]
    gates = [g if g.output != sync else Gate("AND", sync, (ZERO, ZERO)) for g in drawn.gates]
    netlist = drawn.replaced(gates)
    report = prove("nmos", ["NOP"], netlist=netlist, optimised=netlist)
    found = {r.field: (r.expected, r.actual) for r in alone(report).total.refuted}
    assert found["cycles"] == (2, 8)


@pytest.mark.exhaustive
def test_a_report_names_instruction_field_and_state(
    carrywave: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    netlist = altered("alu.carry", 8, "AND")
    monkeypatch.setattr(proofs, "drawn_netlist", lambda *_: netlist)
    monkeypatch.setattr(proofs, "optimised_netlist", lambda *_: netlist)
    wave = tmp_path / "state.vcd"
    status, out, _ = carrywave("prove", "CPX", "CLC", "--vcd", wave)
    assert status == 1
    assert re.search(r"Refuted: CPX immediate, nmos: p\.c is \w and should be \w\n", out)
    assert re.search(r"\n  E0 \w\w at \w{4}; A \w\w X \w\w Y \w\w SP \w\w P \w\w \(\w{6}\)\n", out)
    assert "carrywave prove CPX --variant nmos --vcd FILE.vcd" in out
    assert f"{wave}: written" in out
    # It is the RTL that runs there, and that is right.
    assert carrywave("check", wave)[0] == 0
    monkeypatch.setattr(proofs, "optimised_netlist", optimised_netlist)
    status, out, _ = carrywave("prove", "CPX", "CLC", "--json")
    found = json.loads(out)
    assert (status, found["agree"], found["first"]["instruction"]) == (1, False, "CPX")
    assert found["first"]["field"] == "p.c"
    assert found["variants"]["nmos"]["instructions"]["CLC"]["refuted"] == 0
    # What was altered is no longer what is optimised, either.
    assert found["variants"]["nmos"]["equivalence"]["different"]
    monkeypatch.setattr(proofs, "optimised_netlist", lambda *_: netlist)
    unwritable = tmp_path / "absent" / "state.vcd"
    assert carrywave("prove", "CPX", "--vcd", unwritable)[::2] == (
        2, f"carrywave: {unwritable}: No such file or directory\n",
    )  # fmt: skip


def test_the_state_is_told_with_all_that_matters(tmp_path: Path) -> None:
    netlist = altered("stack.adder.carry", 3, "AND")
    report = prove("nmos", ["RTI", "NMI"], netlist=netlist, optimised=netlist)
    texts = {name: describe(row.refuted[0]) for name, row in alone(report).rows.items()}
    assert "above SP" in texts["RTI"]
    assert "vector" in texts["NMI"]
    assert all(name in text for name, text in texts.items())
    assert report.first is not None
    with (tmp_path / "state.vcd").open("w") as file:
        write_refuted(report.first, file)
    assert check_dump(tmp_path / "state.vcd").agree


def test_a_pin_that_matters_is_told_and_no_other() -> None:
    drawn = drawn_netlist("nmos")
    (decided,) = drawn.names["interrupts.irq_decided"]
    deaf = tuple((q, ZERO if q == decided else d) for q, d in drawn.flops)
    netlist = dataclasses.replace(drawn, flops=deaf)
    refuted = alone(prove("nmos", ["NOP"], netlist=netlist, optimised=netlist)).total.refuted
    assert [(r.field, r.expected, r.actual) for r in refuted] == [("next", 1, 0)]
    assert refuted[0].beside == {"irq_n.0": 0}
    assert not int(refuted[0].case["p"]) & 4
    assert "irq_n.0 0" in describe(refuted[0])


# Equivalence


@pytest.mark.exhaustive
@pytest.mark.parametrize("variant", VARIANTS)
def test_the_optimised_netlist_is_the_drawn_one(variant: str) -> None:
    drawn, optimised = drawn_netlist(variant), optimised_netlist(variant)
    result = equivalence(drawn, optimised)
    assert result.agree
    # 30 output pins and 101 flip-flops; and there was something to prove.
    assert result.outputs == result.equal == 30 + 101
    assert len(optimised.gates) < 0.9 * len(drawn.gates)


@pytest.mark.exhaustive
def test_an_altered_optimised_netlist_is_not() -> None:
    optimised = optimised_netlist("nmos")
    wire = optimised.outputs["write"][0]
    gates = [
        Gate("NOT", wire, gate.inputs[:1]) if gate.output == wire else gate
        for gate in optimised.gates
    ]
    result = equivalence(drawn_netlist("nmos"), optimised.replaced(gates))
    assert not result.agree
    assert result.different == ["write[0]"]
    assert result.equal == result.outputs - 1


def test_netlists_with_other_pins_or_registers_are_not_compared() -> None:
    drawn = drawn_netlist("nmos")
    fewer = dataclasses.replace(drawn, flops=drawn.flops[1:])
    with pytest.raises(NetlistError, match=r"^two netlists with other flip-flops cannot be"):
        equivalence(drawn, fewer)
    outputs = {name: wires for name, wires in drawn.outputs.items() if name != "sync"}
    with pytest.raises(NetlistError, match=r"^two netlists with other outputs cannot be"):
        equivalence(drawn, dataclasses.replace(drawn, outputs=outputs))


# Wires as terms


def test_bits_mean_what_their_gates_mean() -> None:
    table = BitTable()
    a, b, s = (table.symbol(name, 0)[0] for name in "abs")
    plain = [table.symbols[name][0] for name in "abs"]
    mux = a ^ (s & (a ^ b))
    pairs = [
        (mux, z3.If(plain[2], plain[1], plain[0])),
        ((a ^ 1) ^ (b ^ 1), z3.Xor(plain[0], plain[1])),
        ((a | b) & (s ^ 1), z3.And(z3.Or(plain[0], plain[1]), z3.Not(plain[2]))),
    ]
    query = Query(10)
    assert all(query.model(term_of(bit) != term) is None for bit, term in pairs)
    assert query.model(term_of(mux) != plain[0]) is not None
    folded = [a & 0, a & 1, a | 0, a | 1, a ^ 0, a ^ 1 ^ 1, a & a, a | a, a ^ a, a ^ (a ^ b)]
    assert folded == [0, a, a, 1, a, a, a, a, 0, b]
    assert [a & (a ^ 1), a | (a ^ 1), a ^ (a ^ 1)] == [0, 1, 1]
    assert (a & b) is (b & a)


# The specification against the model


def values_of(case: Cases, instruction: Instruction) -> dict[str, int]:
    """The symbols' values in a case."""
    known = dict.fromkeys(SYMBOLS, 0) | {"nmi_before": 1}
    known |= {name: 1 for name in SYMBOLS if name.startswith(("irq_n", "nmi_n"))}
    named = symbols_of(case, instruction)
    known |= {name: int(value) for name, value in named.items() if name in SYMBOLS}
    return known | flags_of(int(case["p"]))


def told(specification: Specification, cases: Cases) -> list[dict[str, int]]:
    """What the specification says of cases, by the fields of an outcome."""
    texts = dict(specification.after)
    clocks = specification.instruction.sequence(specification.variant)
    writes = [clock for clock in clocks if clock.writes]
    for i, clock in enumerate(writes):
        texts[f"write_value{i}"] = specification.written[clock.writes]
        texts[f"write_address{i}"] = str(specification.address(clock))
    one, zero = z3.BitVecVal(1, 1), z3.BitVecVal(0, 1)
    terms = [z3.If(t, one, zero) if z3.is_bool(t) else t for t in read_terms(texts).values()]
    whole, widths = z3.Concat(*terms), [term.size() for term in terms]
    result = []
    for case in cases:
        known = values_of(case, specification.instruction)
        pairs = [
            (term, z3.BitVecVal(known[n], SYMBOLS[n]) if SYMBOLS[n] else z3.BoolVal(bool(known[n])))
            for n, term in DECLARED.items()
        ]
        number = z3.simplify(z3.substitute(whole, *pairs)).as_long()
        fields: dict[str, int] = {"writes": len(writes)}
        for name, width in zip(reversed(texts), reversed(widths), strict=True):
            fields[name], number = number & ((1 << width) - 1), number >> width
        result.append(fields)
    return result


def answered(outcome: Any, fields: dict[str, int]) -> dict[str, int]:
    """What the model says of the same fields."""
    found: dict[str, int] = {}
    for name in fields:
        if name in FLAG_BITS:
            found[name] = int(outcome["p"]) >> FLAG_BITS[name] & 1
        elif name[-1].isdigit():
            found[name] = int(outcome[name[:-1]][int(name[-1])])
        else:
            found[name] = int(outcome[name])
    return found


def samples(instruction: Instruction, count: int, seed: int) -> Cases:
    name = instruction.mnemonic
    chosen = INSTRUCTIONS if instruction.opcode is None else [instruction]
    cases = sampled_cases(count, seed, chosen, [name if name in EVENTS else "instruction"])
    # What is masked is no IRQ.
    return cases[cases["p"] & 4 == 0] if name == "IRQ" else cases


@pytest.mark.parametrize("variant", first_of(VARIANTS))
def test_the_specification_is_the_model_on_samples_of_every_opcode(variant: str) -> None:
    checked = 0
    for seed, form in enumerate(FORMS):
        count = {"ADC": 60, "SBC": 60, "IRQ": 16}.get(form.mnemonic, 6)
        cases = samples(form, count, seed)
        assert len(cases) >= 6
        specification = specify(form, variant)
        outcomes = Model(variant).execute(cases)
        for case, outcome, fields in zip(cases, outcomes, told(specification, cases), strict=True):
            assert fields == answered(outcome, fields), (str(form), case)
            checked += len(fields)
        undefined = {"d"} if (form.mnemonic, variant != "cmos") == ("RESET", True) else set()
        assert set(FLAGS) - specification.after.keys() == undefined
    assert len(FORMS) == 154
    assert checked > 12_000


def test_that_comparison_sees_a_changed_term() -> None:
    adc = form_of("ADC", "zero page")
    cases, right = samples(adc, 200, 7), specify(adc, "nmos")
    changed = {"v": "(bvsaddo a m)", "c": "(bvuaddo a m)", "n": "(negative (sum a m c))"}
    outcomes = Model("nmos").execute(cases)
    for flag, term in changed.items():
        wrong = dataclasses.replace(right, after=right.after | {flag: term})
        differ = [
            {k for k in fields if fields[k] != answered(outcome, fields)[k]}
            for case, outcome, fields in zip(cases, outcomes, told(wrong, cases), strict=True)
        ]
        assert set().union(*differ) == {flag}
        assert 0 < sum(map(bool, differ)) < 100


def test_the_specification_knows_neither_hardware_nor_model() -> None:
    def modules(file: Path) -> set[str]:
        nodes = list(ast.walk(ast.parse(file.read_text())))
        plain = {a.name for n in nodes if isinstance(n, ast.Import) for a in n.names}
        return plain | {
            "." * n.level + str(n.module) for n in nodes if isinstance(n, ast.ImportFrom)
        }

    family = {
        f"..family.{name}" for name in ("address", "instructions", "bus_clocks", "status_byte")
    }
    standard = {"collections.abc", "dataclasses", "itertools", "typing"}
    assert modules(ROOM / "specification.py") == standard | family
    files = list(ROOM.glob("*.py"))
    assert len(files) == 9
    for file in files:
        below = ("..witness", "carrywave")
        assert not {m for m in modules(file) if m.startswith(below) or m == "amaranth"}


def test_every_opcode_reads_its_own_bytes() -> None:
    for form in FORMS:
        for variant in VARIANTS:
            read = [clock.reads for clock in form.sequence(variant) if clock.reads]
            assert len(read) == len(set(read))
            assert set(read) <= set(SYMBOLS)
            assert form.opcode is None or read[0] == "opcode"
            written = [clock.writes for clock in form.sequence(variant) if clock.writes]
            assert all(specify(form, variant).written[name] for name in written)


def test_what_is_left_over_has_names_of_its_own() -> None:
    """A latch that had the name of a byte would be that byte, and no proof would notice."""
    shared = set(STATE.values()) & set(SYMBOLS)
    assert shared == {"pc", "a", "x", "y", "sp", *FLAGS, "nmi_before", "nmi_pending"}


def test_a_mode_that_is_not_built_yet_needs_no_line_of_the_specification() -> None:
    """An indexed mode, drawn here: a clock in the middle comes only where the sum leaves a page."""
    base = join(named("address.high"), named("address.low"))
    row = "R pc opcode · R pc+1 address.low · R pc+2 address.high · X pc+2 - · R ea m"
    mode = Mode("indexed", "{},X", 3, "address", base + join(number(0), named("x")),
                rows={"read": row})  # fmt: skip
    lda = Instruction("LDA", mode, 0xBD, 4, "nz")
    specification, query = specify(lda, "nmos"), Query(10)
    (crossed, longer), (same, shorter) = specification.ways()
    assert [clock.reads for clock in longer if clock not in shorter] == [""]
    texts = {
        "cycles": specification.after["cycles"], "crossed": crossed[0], "same": same[0],
        "carry": "(bvuaddo address.low x)", "a": f"(= {specification.after['a']} m)",
    }  # fmt: skip
    terms = read_terms(texts)
    clocks = z3.If(terms["carry"], z3.BitVecVal(5, 4), z3.BitVecVal(4, 4))
    for claim in (
        terms["cycles"] == clocks, terms["crossed"] == terms["carry"],
        terms["same"] == z3.Not(terms["carry"]), terms["a"],
    ):  # fmt: skip
        assert query.model(z3.Not(claim)) is None
    assert query.model(terms["cycles"] != 4) is not None
    known = dict.fromkeys(SYMBOLS, 0) | {"address.low": 0xF0, "address.high": 0x12, "x": 0x20}
    case = case_of(lda, known | {"pc": 0x0400, "m": 0x5A}, "nmos")
    assert case["read_address"].tolist()[:4] == [0x0400, 0x0401, 0x0402, 0x1310]
    assert case["read_value"].tolist()[:4] == [0xBD, 0xF0, 0x12, 0x5A]


def test_a_state_of_the_solver_is_the_case_with_these_bytes() -> None:
    for seed, form in enumerate(FORMS):
        for case in samples(form, 3, seed):
            known = values_of(case, form)
            assert case_of(form, known | {"opcode": 0x5A}, "nmos")["p"] == case["p"] | 0x30
            again = case_of(form, known, "nmos")
            for name in set(case.dtype.names) - {"p"}:
                assert np.array_equal(again[name], case[name]), (str(form), name)


# The command line


@pytest.mark.exhaustive
def test_the_command_proves_and_counts(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    status, out, error = carrywave("prove", "nop", "irq", "--variant", "all", "--json")
    found = json.loads(out)
    assert (status, error, found["agree"], found["first"]) == (0, "", True, None)
    assert list(found["variants"]) == list(VARIANTS)
    for one in found["variants"].values():
        assert set(one["instructions"]) == {"NOP", "IRQ"}
        assert one["instructions"]["NOP"] == {
            "opcodes": [0xEA], "properties": 18, "refuted": 0, "unproved": 0,
        }  # fmt: skip
        assert one["equivalence"]["outputs"] == one["equivalence"]["equal"] == 131
        assert one["seconds"] > 0
    wave = tmp_path / "state.vcd"
    status, out, _ = carrywave("prove", "NOP", "--vcd", wave)
    assert status == 0
    assert "18 of 18 properties proved for all states" in out
    assert f"{wave}: nothing to write" in out
    assert not wave.exists()


@pytest.mark.exhaustive
def test_the_command_names_the_adder(carrywave: Callable[..., Any]) -> None:
    status, out, _ = carrywave("prove", "NOP", "--adder", "prefix", "--variant", "binary")
    assert status == 0
    assert "binary, prefix adder: 18 of 18 properties proved for all states, " in out
    assert carrywave("prove", "NOP", "--adder", "skip") == (
        2, "", "carrywave: Invalid value for '--adder': 'skip' is not one of 'ripple', "
        "'lookahead', 'prefix'.\n",
    )  # fmt: skip


def test_what_is_no_instruction_is_one_clear_line(carrywave: Callable[..., Any]) -> None:
    status, out, error = carrywave("prove", "ADX")
    assert (status, out) == (2, "")
    assert error.startswith("carrywave: ")
    assert "'ADX' is not a documented mnemonic; did you mean" in error
    assert error.count("\n") == 1
    with pytest.raises(ValueError, match=r"^row 'ADX': expected a mnemonic or one of IRQ, NMI, R"):
        prove("nmos", ["ADX"])
    with pytest.raises(ValueError, match=r"^variant 'x': expected one of nmos, cmos, binary, all$"):
        prove("x")


def test_no_netlist_is_one_clear_line(
    carrywave: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: str) -> Netlist:
        raise NetlistError("Yosys is not installed: pip install pyosys")

    monkeypatch.setattr(proofs, "drawn_netlist", fail)
    assert carrywave("prove", "NOP") == (
        2, "", "carrywave: Yosys is not installed: pip install pyosys\n",
    )  # fmt: skip


WITHOUT = """
import sys
sys.modules["z3"] = None
from carrywave.sim.cli.main import main
sys.argv = ["carrywave", "prove", "NOP"]
main()
"""
LIGHT = """
import sys
import carrywave.sim.cli.main
sys.exit("z3" in sys.modules)
"""


def test_without_z3_one_line_says_how_to_get_it() -> None:
    done = subprocess.run([sys.executable, "-c", WITHOUT], capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (
        2, "", "carrywave: prove needs z3: pip install 'carrywave[proof]'\n",
    )  # fmt: skip
    assert subprocess.run([sys.executable, "-c", LIGHT]).returncode == 0


def test_a_state_is_a_case_of_the_opcode() -> None:
    netlist = altered("alu.z", 0, "AND")
    refuted = alone(prove("nmos", ["LDA", "PLA"], netlist=netlist, optimised=netlist)).total.refuted
    assert len(refuted) >= 4
    for one in refuted:
        case, reads = one.case, len(one.instruction.reads)
        assert int(case["read_value"][0]) == one.instruction.opcode
        assert int(case["read_address"][0]) == int(case["pc"])
        assert int(case["reads"]) == reads
        assert not np.any(case["read_value"][reads:])
