"""The checks are graded: faults are seen, proved invisible, or reported; mistakes are found.

The grade itself must be able to fail: with fewer cases, faults are left over and are listed.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from amaranth.sim import Simulator
from rich.console import Console
from usual import USUAL, first_of

from carrywave.rtl.datapath import Unit
from carrywave.rtl.interrupts import EntryCause
from carrywave.sim.cases.exhaustive import exhaustive_cases, exhaustive_count
from carrywave.sim.cases.kinds import forms_of
from carrywave.sim.cases.layout import Cases
from carrywave.sim.family.instructions import BY_MNEMONIC, BY_OPCODE, INSTRUCTIONS
from carrywave.sim.family.members import VARIANTS
from carrywave.sim.grade import faults as fault_module
from carrywave.sim.grade import grading as grades
from carrywave.sim.grade import redundant
from carrywave.sim.grade.exposure import Exposure, count_inputs, documented_inputs, expose
from carrywave.sim.grade.faults import (
    FLOP,
    GATE,
    PORT,
    Fault,
    Injector,
    Pin,
    Trace,
    Wires,
    equivalents,
    fault_sites,
    readers_of,
)
from carrywave.sim.grade.grading import FaultVerdict, Grade, Judge, VariantGrade, sampled
from carrywave.sim.grade.reached import POWER_UP, STEPS, opcodes_by_step
from carrywave.sim.grade.redundant import INVARIANTS, KINDS, READ_IN, FaultProver, ProofError
from carrywave.sim.grade.report import draw_grade
from carrywave.sim.grade.scenarios import (
    BEGIN,
    FOREVER,
    INPUT,
    MEMORY,
    PINS,
    SCENARIOS,
    DisagreementError,
    Lane,
    alike,
    image,
    trace_cases,
    trace_lanes,
    watched,
)
from carrywave.sim.mistakes.catalogue import BY_NUMBER, MISTAKES
from carrywave.sim.netlist.compiled import pack, unpack
from carrywave.sim.netlist.synthesis import FLOPS, ONE, ZERO, Gate, Netlist, drawn_netlist
from carrywave.sim.system.workers import workers
from carrywave.sim.witness import clocked
from carrywave.sim.witness.comparison import differences
from carrywave.sim.witness.gates import Gates
from carrywave.sim.witness.model import Model
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.vcd.dump import Dump

Answer = tuple[int, str, str]
FEW = 1 << 15  # one in so many of the sweep's cases: sixteen of each opcode's


@cache
def injector(variant: str) -> Injector:
    return Injector(drawn_netlist(variant))


@cache
def judge(variant: str) -> Judge:
    return Judge(variant, samples=[sampled(FEW, variant)])


def wire(name: str, place: int = 0, variant: str = "nmos") -> int:
    return drawn_netlist(variant).names[name][place]


def some_faults(variant: str, count: int) -> list[Fault]:
    """Other ones each time; the seed is printed with a failure."""
    seed = random.randrange(10**6)
    print("seed", seed)
    return random.Random(seed).sample(fault_sites(drawn_netlist(variant)).faults, count)


# Faults


@pytest.fixture
def small() -> Netlist:
    """A flip-flop that takes (x AND y) XOR (x AND 1), and a port that shows x AND y."""
    gates = (Gate("AND", 10, (2, 3)), Gate("AND", 11, (2, ONE)), Gate("XOR", 12, (10, 11)))
    return Netlist(gates, ((4, 12),), {"x": (2,), "y": (3,)}, {"both": (10,)}, {})


def test_each_wire_and_each_pin_of_a_shared_one_is_a_fault(small: Netlist) -> None:
    sites = fault_sites(small)
    wires = {Fault(w, v) for w in (2, 3, 4, 10, 11, 12) for v in (0, 1)}
    shared = {(2, Pin(GATE, 0, 0)), (2, Pin(GATE, 1, 0)), (10, Pin(GATE, 2, 0)), (10, Pin(PORT, 0))}
    pins = {Fault(w, v, pin) for w, pin in shared for v in (0, 1)}
    tied = {Fault(ONE, 0, Pin(GATE, 1, 1))}
    assert set(sites.faults) == wires | pins | tied
    assert len(sites.faults) == len(wires | pins | tied) == 21
    # y, the second AND and the XOR have one reader each; the flip-flop has none.
    assert sites.equivalent == 2 * 3


def test_faults_that_nobody_can_tell_apart_are_seen_in_the_same_cases(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    injected, faults = injector("nmos"), some_faults("nmos", 40)
    trace = trace_cases(injected, "nmos", sampled(FEW, "nmos")[::8])

    def told_apart(faults: Sequence[Fault]) -> list[Fault]:
        groups = equivalents(injected.netlist, faults).items()
        others = [(one, fault) for one, alike in groups for fault in alike if fault != one]
        assert len(others) > 3
        return [
            fault for one, fault in others
            if injected.seen(trace, fault, every=True) != injected.seen(trace, one, every=True)
        ]  # fmt: skip

    assert told_apart(faults) == []
    monkeypatch.setattr(fault_module, "DECIDED", {**fault_module.DECIDED, ("AND", 0, 1): 1})
    ends = [
        Fault(gate.inputs[0], 1, Pin(GATE, number))
        for number, gate in enumerate(injected.netlist.gates) if gate.kind == "AND"
    ]  # fmt: skip
    assert told_apart(ends[:12]) != []


def test_an_input_that_decides_its_gate_alone_is_as_good_as_the_output() -> None:
    assert fault_module.DECIDED == {
        ("AND", 0, 0): 0, ("AND", 1, 0): 0, ("OR", 0, 1): 1, ("OR", 1, 1): 1,
        ("NOT", 0, 0): 1, ("NOT", 0, 1): 0,
    }  # fmt: skip


@pytest.mark.parametrize("variant", USUAL)
def test_no_pin_of_the_netlist_is_left_out(variant: str) -> None:
    netlist = drawn_netlist(variant)
    sites = fault_sites(netlist)
    pins = sum(len(gate.inputs) for gate in netlist.gates) + len(netlist.flops)
    pins += sum(map(len, netlist.outputs.values()))
    tied = [fault for fault in sites.faults if fault.wire in (ZERO, ONE)]
    of_pins = [fault for fault in sites.faults if fault.pin is not None]
    assert len(of_pins) + sites.equivalent == 2 * pins - len(tied)
    driven = len(netlist.gates) + len(netlist.flops) + sum(map(len, netlist.inputs.values()))
    assert len(sites.faults) - len(of_pins) == 2 * driven > 4000
    assert len(set(sites.faults)) == len(sites.faults)
    assert {fault.pin.kind for fault in of_pins if fault.pin} == {GATE, FLOP, PORT}


def apply(netlist: Netlist, fault: Fault) -> Netlist:
    """The netlist with the fault built in, for any witness that takes a netlist."""

    def read(wire: int, pin: Pin) -> int:
        if wire == fault.wire and fault.pin in (None, pin):
            return ONE if fault.value else ZERO
        return wire

    gates = tuple(
        Gate(
            gate.kind,
            gate.output,
            tuple(read(wire, Pin(GATE, number, i)) for i, wire in enumerate(gate.inputs)),
        )
        for number, gate in enumerate(netlist.gates)
    )
    flops = tuple((q, read(d, Pin(FLOP, number))) for number, (q, d) in enumerate(netlist.flops))
    outputs: dict[str, tuple[int, ...]] = {}
    number = 0
    for name, wires in netlist.outputs.items():
        outputs[name] = tuple(read(wire, Pin(PORT, number + i)) for i, wire in enumerate(wires))
        number += len(wires)
    return Netlist(gates, flops, netlist.inputs, outputs, netlist.names)


def test_a_fault_is_built_into_what_reads_it(small: Netlist) -> None:
    wide = apply(small, Fault(10, 1))
    assert wide.gates[2].inputs == (ONE, 11)
    assert wide.outputs == {"both": (ONE,)}
    narrow = apply(small, Fault(10, 0, Pin(PORT, 0)))
    assert (narrow.gates, narrow.outputs) == (small.gates, {"both": (ZERO,)})
    assert apply(small, Fault(12, 1)).flops == ((4, ONE),)


@pytest.mark.exhaustive
@pytest.mark.parametrize("variant", VARIANTS)
def test_a_fault_is_seen_in_just_the_cases_in_which_the_sweep_would_see_it(variant: str) -> None:
    """Against the witness of the sweep itself, with the fault built into its netlist."""
    netlist, cases = drawn_netlist(variant), sampled(FEW, variant)
    cases = np.concatenate([block for block, _ in alike(cases)])
    trace = trace_cases(injector(variant), variant, cases)
    expected = Model(variant).execute(cases)
    faults, compared = some_faults(variant, 8), 0
    for fault in faults:
        witness = Gates(variant, apply(netlist, fault))
        wrong = differences(expected, witness.execute(cases)).values()
        seen = np.logical_or.reduce([*wrong, witness.off_bus_rows])
        mask = injector(variant).seen(trace, fault, every=True)
        assert (unpack([mask], len(cases), np.uint8).view(bool) == seen).all(), fault
        first = injector(variant).seen(trace, fault)
        assert first & ~mask == 0
        assert bool(first) == bool(mask)
        compared += len(cases)
    assert compared == 8 * len(cases) > 8 * 1500


def test_a_netlist_that_is_wrong_without_a_fault_measures_nothing() -> None:
    broken = apply(drawn_netlist("nmos"), Fault(wire("alu.z"), 0))
    with pytest.raises(DisagreementError, match=r"^nmos: the gates do not agree with the model$"):
        trace_cases(Injector(broken), "nmos", sampled(FEW, "nmos"))


# Runs from power-up


def lane_sample(name: str, count: int) -> list[Lane]:
    lanes = list(SCENARIOS[name].lanes())
    return random.Random(name).sample(lanes, min(count, len(lanes)))


EVENT_OF = {EntryCause.IRQ: "IRQ", EntryCause.NMI: "NMI", EntryCause.RESET: "RESET"}


def simulate(variant: str, lane: Lane, clocks: int, dump: Dump | None = None) -> list[list[int]]:
    """The output ports in each clock, in Amaranth's simulator."""
    memory = bytearray(image(lane))
    ports = list(drawn_netlist(variant).outputs)
    shown: list[list[int]] = []

    async def testbench(ctx: Any, unit: Unit) -> None:
        name = "?"
        for clock in range(clocks):
            for pin in PINS:
                low = any(p == pin and c <= clock < c + width for p, c, width in lane.lows)
                ctx.set(getattr(unit, pin), int(not low))
            place = ctx.get(unit.address) % MEMORY
            ctx.set(unit.data_in, memory[place])
            shown.append([ctx.get(getattr(unit, port)) for port in ports])
            if dump is not None:
                if ctx.get(unit.sync):
                    built = BY_OPCODE.get(memory[place])
                    name = built.mnemonic if built else "?"
                    if ctx.get(unit.control.position.as_value()) == STEPS["ENTER"]:
                        name = EVENT_OF[ctx.get(unit.interrupts.cause)]
                dump.clock(ctx, unit, name)
            if ctx.get(unit.write):
                memory[place] = ctx.get(unit.data_out)
            for i in range(INPUT.start, INPUT.stop):
                memory[i] ^= 0xFF
            await ctx.tick()

    clocked.simulate(testbench, variant)
    return shown


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize("name", SCENARIOS)
def test_runs_of_the_netlist_are_those_of_the_simulated_hardware(name: str, variant: str) -> None:
    lanes, clocks = lane_sample(name, 6), SCENARIOS[name].clocks
    trace = trace_lanes(injector(variant), lanes, clocks)
    outputs = drawn_netlist(variant).outputs
    shown = np.array(
        [
            [unpack([v[w] for w in ws], len(lanes), np.uint16) for ws in outputs.values()]
            for v in trace.values
        ]
    )
    for row, lane in enumerate(lanes):
        assert shown[:, :, row].tolist() == simulate(variant, lane, clocks)
    assert shown.shape == (clocks, len(outputs), 6)


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize("name", ["requests", "pairs", "discards"])
def test_runs_hold_to_the_model(name: str, variant: str, tmp_path: Path) -> None:
    clocks = sequences = 0
    for lane in lane_sample(name, 3):
        file = StringIO()
        with Dump(file, variant) as dump:
            simulate(variant, lane, SCENARIOS[name].clocks, dump)
        path = tmp_path / "lane.vcd"
        path.write_text(file.getvalue())
        report = check_dump(path)
        assert report.agree, (lane, report.findings)
        clocks += report.clocks
        sequences += report.instructions
    assert clocks == 3 * SCENARIOS[name].clocks
    assert sequences >= 6


def test_power_up_is_how_the_hardware_begins() -> None:
    unit = Unit("nmos")
    held: dict[str, int] = {}

    async def testbench(ctx: Any) -> None:
        for path in drawn_netlist("nmos").names:
            signal: Any = unit
            for name in {"register_a": "a", "register_x": "x", "register_y": "y"}.get(
                path, path
            ).split("."):
                signal = getattr(signal, name, None)
            if path in FLOPS:
                value = ctx.get(signal.as_value() if hasattr(signal, "as_value") else signal)
                held[path] = getattr(value, "value", value)

    simulator = Simulator(unit)
    simulator.add_clock(1e-6)
    simulator.add_testbench(testbench)
    simulator.run()
    assert held == dict.fromkeys(FLOPS, 0) | POWER_UP
    flops = {q for q, _ in drawn_netlist("nmos").flops}
    assert {w for name in FLOPS for w in drawn_netlist("nmos").names[name]} == flops


def test_requests_come_at_each_clock_of_each_instruction_and_entry() -> None:
    lanes = list(SCENARIOS["requests"].lanes())
    for form in INSTRUCTIONS:
        body = [lane for lane in lanes if lane.code[1] == form.opcode and lane.code[0] == 0x58]
        for pin in PINS:
            for width in (1, FOREVER):
                clocks = {c for lane in body for p, c, w in lane.lows if (p, w) == (pin, width)}
                assert clocks >= set(range(BEGIN + 1, BEGIN + 2 + form.clocks + 2)), str(form)
    opcodes = {lane.code[1] for lane in SCENARIOS["stops"].lanes()}
    assert opcodes | set(BY_OPCODE) == set(range(256))


# Proofs


def test_each_opcode_reaches_the_steps_of_its_sequence() -> None:
    reached = {variant: opcodes_by_step(variant) for variant in VARIANTS}
    for variant, steps in reached.items():
        assert steps[STEPS["FIRST"]] == set(range(256))
        stores = {form.opcode for form in INSTRUCTIONS if form.access == "write"}
        branches = {form.opcode for form in INSTRUCTIONS if form.branches}
        assert (steps[STEPS["WRITE"]], steps[STEPS["BRANCH_HIGH"]]) == (stores, branches)
        sums = {form.opcode for name in ("ADC", "SBC") for form in forms_of(name)}
        assert steps.get(STEPS["REPEAT"], set()) == (sums if variant == "cmos" else set())


@pytest.mark.exhaustive
def test_what_leads_nowhere_is_known() -> None:
    prover = judge("nmos").prover
    for name in ("pc_adder.carry", "stack.adder.carry"):
        reason = prover.reason(Fault(drawn_netlist("nmos").names[name][-1], 1))
        assert reason is not None
        assert reason.kind == "open"


@pytest.mark.exhaustive
def test_an_interrupt_that_is_taken_must_have_been_decided_upon() -> None:
    """`taken` clears what waits, if it was decided upon: but nothing else ever waits then."""
    netlist = drawn_netlist("nmos")
    decided = wire("interrupts.nmi_decided")
    reasons = [
        judge("nmos").prover.reason(Fault(decided, 1, pin)) for pin in readers_of(netlist)[decided]
    ]
    assert ("unreachable", ("nmi",)) in reasons
    assert None in reasons


@pytest.mark.exhaustive
@pytest.mark.parametrize(
    "variant",
    ["nmos", *(pytest.param(one, marks=pytest.mark.exhaustive) for one in VARIANTS[1:])],
)
def test_what_is_proved_invisible_is_never_seen(variant: str) -> None:
    """Random bytes and pins for long: no proof is worth anything if a run refutes it."""
    inj, netlist, lanes, clocks = injector(variant), drawn_netlist(variant), 2048, 48
    rng = np.random.default_rng(seed := random.randrange(10**6))
    print("seed", seed)
    ones, opcodes = (1 << lanes) - 1, np.array(list(BY_OPCODE), np.uint8)
    on = {w for n, v in POWER_UP.items() for i, w in enumerate(netlist.names[n]) if v >> i & 1}
    state = [ones if q in on else 0 for q, _ in netlist.flops]
    trace = Trace(ones)
    for _ in range(clocks):
        sync = netlist.outputs["sync"][0]
        pins = {p: pack((rng.random(lanes) > 0.1).view(np.uint8), 1)[0] for p in PINS}
        data = rng.integers(0, 256, lanes).astype(np.uint8)
        fetch = unpack([inj.settle(state, pins, [0] * 8, ones)[sync]], lanes, np.uint8).view(bool)
        documented = fetch & (rng.random(lanes) < 0.98)
        data[documented] = rng.choice(opcodes, int(documented.sum()))
        values = inj.settle(state, pins, pack(data, 8), ones)
        trace.values.append(values)
        trace.watches.append(watched(netlist, values, ones))
        state = inj.next_state(values)
    faults = fault_sites(netlist).faults
    proved = {fault: judge(variant).judge(fault).reason for fault in some_faults(variant, 500)}
    hidden = [fault for fault, reason in proved.items() if reason]
    assert [(fault, proved[fault]) for fault in hidden if inj.seen(trace, fault)] == []
    assert len(hidden) >= 5
    assert sum(bool(inj.seen(trace, fault)) for fault in faults[:100]) > 50  # it does see some


def test_an_invariant_that_does_not_hold_is_no_ground(monkeypatch: pytest.MonkeyPatch) -> None:
    right = redundant.invariants
    said: list[tuple[str, str]] = []
    begin = {STEPS[step] for step in ("FETCH", "FIRST", "ENTER")}
    for name, wrong, message in (
        ("nmi", "interrupts.nmi_decided", "does not hold"), ("position", "", "does not stay"),
    ):  # fmt: skip

        def broken(variant: str, state: Any, name: str = name, wrong: str = wrong) -> Any:
            held = state.bit(wrong) if wrong else state.at("control.position", begin)
            return right(variant, state) | {name: held}

        monkeypatch.setattr(redundant, "invariants", broken)
        with pytest.raises(ProofError, match=rf"^invariant '{name}' {message}") as raised:
            FaultProver(injector("nmos"), "nmos")
        said.append((name, str(raised.value)))
    assert len(said) == 2


@pytest.mark.parametrize(
    ("register", "step"),
    first_of([("latch", "BRANCH_HIGH"), ("low", "POINTER_X_LOW"), ("control.opcode", "READ")]),
)
def test_a_register_that_is_read_cannot_be_called_unread(
    register: str, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = tuple(name for name in READ_IN[register] if name != step)
    monkeypatch.setitem(READ_IN, register, steps)
    with pytest.raises(ProofError, match=f"^{register} is read in a step"):
        FaultProver(injector("nmos"), "nmos")


# Verdicts


@pytest.mark.parametrize("variant", USUAL)
def test_a_sample_of_faults_is_explained(variant: str) -> None:
    faults = some_faults(variant, 60)
    verdicts = [judge(variant).judge(fault) for fault in faults]
    left = [verdict for verdict in verdicts if not verdict.explained]
    # Sixteen cases of each opcode leave a few, for each of which some state is named.
    assert all(verdict.example for verdict in left)
    assert len(verdicts) == 60
    assert len(left) < 4
    assert sum(verdict.seen == "sweep" for verdict in verdicts) > 40


@pytest.mark.parametrize(
    ("fault", "stage"),
    [
        (("alu.carry", 4, 0), "sweep"),
        (("interrupts.nmi_before", 0, 1), "requests"),
        (("control.stopped", 0, 0), "stops"),
    ],
)
def test_each_kind_of_runs_is_needed(fault: tuple[str, int, int], stage: str) -> None:
    name, place, value = fault
    assert judge("nmos").judge(Fault(wire(name, place), value)).seen == stage


@cache
def weak() -> tuple[Judge, VariantGrade]:
    """A judge that knows NOP only, and what it makes of the faults of one adder's carries."""
    cases = next(iter(exhaustive_cases(BY_MNEMONIC["NOP"]["implied"])))[::64]
    weak = Judge("nmos", samples=[cases], scenarios=())
    carries = {*drawn_netlist("nmos").names["alu.carry"][4:5]}
    sites = fault_sites(drawn_netlist("nmos"))
    chosen = tuple(fault for fault in sites.faults if fault.wire in carries)
    verdicts = [weak.judge(fault) for fault in chosen]
    sites = replace(sites, faults=chosen)
    return weak, VariantGrade("nmos", drawn_netlist("nmos"), sites, verdicts, weak.cases, 0)


@pytest.mark.exhaustive
def test_too_few_cases_leave_faults_that_are_listed() -> None:
    _, graded = weak()
    assert len(graded.verdicts) > 5
    assert len(graded.unexplained) > 3
    assert not graded.agree
    listed = [fault for fault in graded.listed() if fault["reason"] == "unexplained"]
    assert len(listed) == len(graded.unexplained)
    assert all(" of " in fault["example"] for fault in listed)
    assert {fault["region"] for fault in listed} & {"alu", "alu.adder"}
    value = graded.to_json()
    assert (value["agree"], value["unexplained"]) == (False, len(listed))

    shown = StringIO()
    draw_grade(Grade({"nmos": graded}, []), Console(file=shown, width=200))
    assert shown.getvalue().count("a case is missing: ") == len(listed)
    assert f"faults: {len(graded.verdicts)}, not explained: {len(listed)}\n" in shown.getvalue()


@pytest.mark.exhaustive
def test_what_a_few_cases_leave_is_put_to_all_of_them() -> None:
    judge, _ = weak()
    top = Fault(wire("pc_adder.carry", 15), 0)  # only from FFFF
    middle = Fault(wire("alu.carry", 4), 0)
    assert not judge.judge(top).explained
    assert judge.hunt(BY_MNEMONIC["NOP"]["implied"], [top, middle]) == [top]


def test_a_fault_without_a_verdict_is_not_explained() -> None:
    sites = fault_sites(drawn_netlist("nmos"))
    verdicts = [FaultVerdict(fault, "sweep") for fault in sites.faults]
    graded = VariantGrade("nmos", drawn_netlist("nmos"), sites, verdicts, 1, 1)
    assert graded.agree
    assert not replace(graded, verdicts=verdicts[1:]).agree
    assert not replace(graded, verdicts=[]).agree
    assert not Grade({}, []).agree


def test_wires_are_called_by_their_names_or_by_what_they_lead_to() -> None:
    wires = Wires(drawn_netlist("nmos"))
    assert wires.call(wire("status.flags", 5)) == "status.flags[5]"
    assert wires.call(wire("interrupts.masked")) == "status.flags[2]"
    assert wires.call(drawn_netlist("nmos").inputs["data_in"][7]) == "data_in[7]"
    unnamed = [gate for gate in drawn_netlist("nmos").gates if gate.output not in wires.names]
    called = [wires.call(gate.output) for gate in unnamed]
    assert len(called) > 500
    assert all(", before " in call for call in called)
    regions = {wires.region(fault) for fault in fault_sites(drawn_netlist("nmos")).faults}
    assert {"alu.adder", "control.decoder", "interrupts", "status", "stack", "unit"} <= regions


# Mistakes


@pytest.mark.parametrize(
    ("mnemonic", "variant"), [("TXS", "nmos"), ("PLA", "cmos"), ("IRQ", "binary"), ("BIT", "nmos")]
)
def test_the_sweep_exposes_every_mistake_in_an_instruction(mnemonic: str, variant: str) -> None:
    form = forms_of(mnemonic)[0]
    made = {m.number for m in MISTAKES if mnemonic in m.mnemonics and variant in m.variants}
    cases, exposed = expose(variant, form)
    assert cases == exhaustive_count(form)
    assert exposed.keys() == made
    assert all(0 < count <= cases for count in exposed.values())


def test_where_no_mistake_is_made_none_is_looked_for() -> None:
    assert expose("nmos", BY_MNEMONIC["NOP"]["implied"]) == (0, {})


@pytest.mark.exhaustive
def test_every_count_of_the_catalogue_agrees_or_is_explained() -> None:
    counts = {mistake.number: count_inputs(mistake) for mistake in MISTAKES}
    told = {number: count.verdict for number, count in counts.items() if count is not None}
    assert {number for number, verdict in told.items() if verdict == "differs"} == set()
    assert len(told) > 50


@pytest.mark.parametrize(
    ("number", "verdict"), [(4, "agrees"), (35, "agrees"), (16, "explained"), (34, "explained")]
)
def test_counts_are_as_documented_or_explained(number: int, verdict: str) -> None:
    count = count_inputs(BY_NUMBER[number])
    assert count is not None
    assert count.verdict == verdict
    assert bool(BY_NUMBER[number].note) == (verdict == "explained")


def test_a_wrong_count_is_told() -> None:
    for number in (4, 16):  # a note does not explain what was counted nowhere
        mistake = replace(BY_NUMBER[number], count=257)
        count = count_inputs(mistake)
        assert count is not None
        assert count.verdict == "differs"
        exposure = Exposure(mistake, ("nmos",), count=count)
        for name in mistake.mnemonics:
            exposure.add("nmos", name, 10, 1)
        assert exposure.found
        assert not exposure.agree
        assert replace(exposure, count=None).agree


def test_a_mistake_must_be_found_in_each_instruction() -> None:
    exposure = Exposure(BY_NUMBER[7], ("nmos",))
    assert not exposure.agree
    assert not replace(exposure, variants=()).agree
    exposure.add("nmos", "ADC", 10, 1)
    assert not exposure.found
    exposure.add("nmos", "SBC", 10, 0)
    assert not exposure.found
    exposure.add("nmos", "SBC", 10, 2)
    assert exposure.found
    assert not replace(exposure, variants=("nmos", "cmos")).found
    assert exposure.cases == {"nmos": {"ADC": 10, "SBC": 20}}


def test_the_documented_inputs_are_as_many_as_they_should_be() -> None:
    for kind, count in (("binary", 131072), ("all decimal", 131072), ("valid decimal", 20000)):
        cases: Cases = documented_inputs("CPX", kind)
        assert len(cases) == count
        assert len(np.unique(cases)) == count
        assert set(np.unique(cases["p"])) == ({0, 1} if kind == "binary" else {8, 9})


# The command


@pytest.fixture
def command(
    carrywave: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Answer]:
    """Runs `carrywave grade` on a few faults, entries and mistakes."""
    txs = BY_MNEMONIC["TXS"]["implied"]
    monkeypatch.setattr(grades, "FORMS", (txs, BY_MNEMONIC["NOP"]["implied"]))
    monkeypatch.setattr(grades, "MISTAKES", (BY_NUMBER[44],))
    monkeypatch.setattr(grades, "SHARES", 2)
    monkeypatch.setattr(grades, "processors", lambda: 1)
    monkeypatch.setattr(grades, "fault_sites", few_sites)

    def run(*arguments: str) -> Answer:
        grades._usual.cache_clear()
        answer = carrywave("grade", *arguments)
        grades._usual.cache_clear()
        return answer

    return run


def few_sites(netlist: Netlist) -> Any:
    """The faults of the wires of `pc` and of a carry that leads nowhere."""
    chosen = {*netlist.names["pc"], netlist.names["pc_adder.carry"][-1]}
    sites = fault_sites(netlist)
    faults = tuple(fault for fault in sites.faults if fault.wire in chosen and not fault.pin)
    return replace(sites, faults=faults)


@pytest.mark.exhaustive
def test_the_command_prints_one_json_object(command: Callable[..., Answer]) -> None:
    status, out, err = command("--json")
    assert (status, err, out.count("\n")) == (0, "", 1)
    value = json.loads(out)
    assert value.keys() == {"agree", "variants", "mistakes", "seconds"}
    assert value["agree"] is True
    nmos = value["variants"]["nmos"]
    assert nmos.keys() == {
        "agree", "faults", "equivalent", "detected", "detected_by", "undetectable",
        "undetectable_by", "unexplained", "cases", "runs", "seconds", "undetected",
    }  # fmt: skip
    assert nmos["faults"] == nmos["detected"] + nmos["undetectable"] == 34
    assert nmos["undetectable"] == len(nmos["undetected"]) == 2
    assert nmos["unexplained"] == 0
    assert nmos["detected_by"].keys() == {"sweep", *SCENARIOS}
    assert sum(nmos["detected_by"].values()) == nmos["detected"]
    assert nmos["undetectable_by"].keys() == set(KINDS)
    assert nmos["cases"] > 0
    assert nmos["runs"] > 10_000
    (mistake,) = value["mistakes"]
    assert (mistake["number"], mistake["found"]) == (44, True)
    assert mistake["exposed"]["nmos"]["TXS"] > 0


@pytest.mark.exhaustive
def test_the_command_draws_tables(command: Callable[..., Answer]) -> None:
    status, out, err = command("--all")
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    assert "not explained" in out
    assert "pc_adder.carry[16] at 1: open" in " ".join(out.split())
    assert "TXS sets N and Z: TXS" in " ".join(out.split())
    assert out.splitlines()[-1].endswith(" s")


@pytest.mark.exhaustive
def test_a_mistake_that_is_not_found_is_exit_status_1(
    command: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(grades, "MISTAKES", (BY_NUMBER[21],))  # in LSR, of which there are no cases
    monkeypatch.setattr("carrywave.sim.grade.exposure.MISTAKES", (BY_NUMBER[21],))
    status, out, err = command()
    assert (status, err) == (1, "")
    assert "LSR keeps N: LSR" in " ".join(out.split())
    assert " not found " in out
    assert "mistakes: 1, not found as documented: 1 " in " ".join(out.split())


def test_a_broken_netlist_is_one_line_and_exit_status_2(
    command: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = apply(drawn_netlist("nmos"), Fault(wire("pc", 3), 0))
    monkeypatch.setattr(grades, "drawn_netlist", lambda variant: broken)
    message = "carrywave: nmos: the gates do not agree with the model\n"
    assert command() == (2, "", message)


WITHOUT = """
import sys
sys.modules["z3"] = None
from carrywave.sim.cli.main import main
sys.argv = ["carrywave", "grade"]
main()
"""


def test_without_z3_one_line_says_how_to_get_it() -> None:
    done = subprocess.run([sys.executable, "-c", WITHOUT], capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (
        2, "", "carrywave: grade needs z3: pip install 'carrywave[proof]'\n",
    )  # fmt: skip


# Processes


def test_what_there_is_to_grade_travels_to_other_processes() -> None:
    txs = BY_MNEMONIC["TXS"]["implied"]
    tasks = [(grades._expose, "nmos", txs), (grades._expose, "cmos", txs)]
    with workers(2) as work:
        answers = sorted(work(tasks))
    here = expose("nmos", txs)
    assert answers == [("cmos", "TXS", *here), ("nmos", "TXS", *here)]


def test_every_reason_is_told_in_words() -> None:
    assert list(KINDS) == ["open", "redundant", "unreachable", "unread"]
    assert set(INVARIANTS) == {"position", "opcode", "branch", "nmi"}
