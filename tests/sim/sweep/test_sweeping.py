"""The sweep: it agrees; whatever is planted is named by instruction, field and case."""

from __future__ import annotations

import importlib
import inspect
import io
import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from rich.console import Console
from usual import first_of

from carrywave.sim.cases.exhaustive import exhaustive_count
from carrywave.sim.family.instructions import BY_MNEMONIC, INSTRUCTIONS, NAMES
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.sim.mistakes.catalogue import BY_NUMBER
from carrywave.sim.mistakes.mistake import Mistaken
from carrywave.sim.netlist.synthesis import (
    SCRIPT,
    Gate,
    Netlist,
    drawn_netlist,
    parse,
    rtlil_of,
    run_yosys,
)
from carrywave.sim.sweep import sweeping as module
from carrywave.sim.sweep.report import draw_sweep
from carrywave.sim.sweep.sweeping import BUS, Share, SweepReport, sweep, sweep_size
from carrywave.sim.system.workers import WorkerError
from carrywave.sim.witness.comparison import FIELDS, Comparison, Disagreement
from carrywave.sim.witness.gates import Gates
from carrywave.sim.witness.model import Model

FLAGS = {"p.n", "p.v", "p.d", "p.i", "p.z", "p.c"}


def wrong_rows(report: SweepReport, variant: str = "nmos") -> dict[str, set[str]]:
    """The fields that are wrong, by row."""
    return {
        row.name: set(row.tally.fields)
        for row in report.variants[variant].rows
        if row.tally.mismatches
    }


def is_a_case_of(report: SweepReport, name: str, model: Any, witness: Any) -> Disagreement:
    """Whether the first wrong case of a row is what both say of it, and is so at its index."""
    (one,) = report.variants.values()
    (row,) = (row for row in one.rows if row.name == name)
    first = row.first
    assert first is not None
    assert 0 <= first.index < row.tally.cases
    case = first.case.reshape(1)
    if name in EVENTS:
        assert first.case["event"] == EVENTS.index(name)
    else:
        assert first.case["read_value"][0] in row.opcodes
    assert model.execute(case).tobytes() == first.expected.tobytes()
    assert witness.execute(case).tobytes() == first.actual.tobytes()
    comparison = Comparison.of(case, model.execute(case), witness.execute(case))
    fields = {field for tally in comparison.instructions.values() for field in tally.fields}
    off_bus = getattr(witness, "off_bus_rows", np.zeros(1, bool))
    assert set(row.first_fields) == fields | ({BUS} if off_bus.all() else set())
    assert row.first_fields
    return first


# It agrees


@pytest.mark.parametrize(
    "variant",
    ["nmos", *(pytest.param(one, marks=pytest.mark.exhaustive) for one in VARIANTS[1:])],
)
def test_every_instruction_and_entry_agrees_on_everything(variant: str) -> None:
    report = sweep(variant, jobs=1)
    assert report.agree
    (one,) = report.variants.values()
    assert [row.name for row in one.rows] == list(NAMES)
    opcodes = [opcode for row in one.rows for opcode in row.opcodes]
    assert sorted(opcodes) == sorted(one.opcode for one in INSTRUCTIONS)
    entries = (*INSTRUCTIONS, *EVENTS[1:])
    assert one.comparison.cases == sum(map(exhaustive_count, entries)) > 10_000_000
    assert one.comparison.cases == sweep_size(variant)
    assert one.comparison.uncounted == 0
    for row in one.rows:
        # Every field that is there to compare: what is written only where something is.
        writes = row.name in ("PHA", "PHP", "JSR", "BRK", "IRQ", "NMI") or any(
            one.access in ("write", "modify") for one in INSTRUCTIONS if one.mnemonic == row.name
        )
        absent = set() if writes else {"write_value", "write_address"}
        assert row.share.fields == {*FIELDS, BUS} - absent


OTHER_ADDERS = ("lookahead", "prefix")


@pytest.mark.exhaustive
@pytest.mark.parametrize("adder", OTHER_ADDERS)
def test_the_sweep_agrees_with_every_other_adder_on_everything(adder: str) -> None:
    report = sweep("cmos", adder=adder)
    assert report.agree
    assert report.variants["cmos"].comparison.cases == sweep_size("cmos") > 10_000_000


# In the other variants an adder has no other part: `tests/rtl/test_alu.py` puts every input to the
# gates of each adder in each of them.
@pytest.mark.exhaustive
@pytest.mark.parametrize("adder", OTHER_ADDERS)
@pytest.mark.parametrize("variant", VARIANTS)
def test_the_sweep_agrees_with_every_other_adder(variant: str, adder: str) -> None:
    # Each use of it: two operands, one and its own double, one and a constant, an address. All
    # other instructions make their bytes without it.
    names = ("ADC", "SBC", "CMP", "ROL", "DEC", "BCC")
    report = sweep(variant, names, adder=adder)
    assert report.agree
    assert report.variants[variant].comparison.cases == sweep_size(variant, names) > 5_000_000
    assert report.to_json()["adder"] == adder


@pytest.mark.parametrize(
    ("where", "old", "new", "expected"),
    [
        # A span that makes a carry where its upper half does or its lower half does.
        ("prefix.PrefixAdder.carries", "on & below for", "below for",
         {"ADC", "SBC", "CMP", "INC", "ASL", "BCC"}),
        pytest.param(
            "lookahead.LookaheadAdder._carries", "propagate[s : s + GROUP].all()",
            "propagate[s : s + GROUP].any()", {"ADC", "SBC", "CMP", "INC", "ASL", "BCC"},
        ),
    ],
)  # fmt: skip
@pytest.mark.exhaustive
def test_the_sweep_sees_a_span_that_is_wrong(
    monkeypatch: pytest.MonkeyPatch, where: str, old: str, new: str, expected: set[str]
) -> None:
    with_line(monkeypatch, where, old, new)
    adder = where.split(".")[0]
    design = run_yosys(rtlil_of("nmos", adder), [*SCRIPT, "write_json FILE"], ".json")
    gates = Gates("nmos", parse(json.loads(design)))
    # The program counter and the stack pointer have adders of their own, which are ripples.
    report = sweep("nmos", ["ADC", "SBC", "CMP", "INC", "ASL", "BCC", "PHA", "NOP"], gates)
    assert set(wrong_rows(report)) == expected
    # Another adder knows nothing of it.
    assert sweep("nmos", ["CMP"], adder="ripple").agree


@pytest.mark.exhaustive
def test_processes_give_what_one_gives() -> None:
    names = ["PLA", "NOP", "INX", "IRQ"]
    netlist = changed(drawn_netlist("binary"), "stack.adder.carry", 4)
    reports = [
        sweep("binary", names, Gates("binary", netlist), jobs=jobs).to_json() for jobs in (1, 2, 3)
    ]
    assert not reports[0]["agree"]
    assert set(reports[0]["variants"]["binary"]["instructions"]) == set(names)
    for report in reports:
        assert report["variants"]["binary"].pop("seconds") > 0
    assert reports[0] == reports[1] == reports[2]


def test_all_variants_are_swept_in_turn_and_progress_counts_up() -> None:
    seen: list[int] = []
    report = sweep("all", ["CLC", "SED"], progress=seen.append)
    assert report.agree
    assert list(report.variants) == list(VARIANTS)
    assert seen == sorted(seen)
    assert len(seen) == 6
    assert seen[-1] == sweep_size("all", ["CLC", "SED"]) == 3 * 2 * 8_576


def test_nothing_compared_is_no_agreement() -> None:
    assert not SweepReport({}).agree
    assert not Share().comparison.agree


def test_names_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^row 'XYZ': expected a mnemonic, IRQ, NMI or RESET$"):
        sweep("nmos", ["ADC", "XYZ"])
    with pytest.raises(ValueError, match=r"^variant 'none': expected one of nmos, cmos, binary$"):
        sweep("none", ["CLC"])


# One gate of the netlist


def changed(netlist: Netlist, name: str, bit: int) -> Netlist:
    """The netlist with an OR for an AND, an AND for an OR or an OR for a XOR at a named wire."""
    wire = netlist.names[name][bit]
    (old,) = (gate for gate in netlist.gates if gate.output == wire)
    kind = {"AND": "OR", "OR": "AND", "XOR": "OR"}[old.kind]
    new = replace(old, kind=kind)
    return netlist.replaced([new if gate is old else gate for gate in netlist.gates])


@pytest.mark.parametrize(
    ("name", "bit", "expected"),
    first_of([
        # The carry out of bit 7: C, and V beside it; compares have no V.
        ("alu.adder.carry", 8, {"ADC": {"p.c", "p.v"}, "CMP": {"p.c"}, "NOP": set()}),
        # The sum's bit 2: the result and what is drawn from it; not the carries.
        ("alu.adder.sum", 2, {"ADC": {"a", "p.z"}, "INX": {"x", "p.z"}, "CMP": {"p.z"}}),
        # The stack pointer's adder.
        ("stack.adder.carry", 4, {"PLA": {"sp"}, "INX": set()}),
        # The program counter's: a case's own bytes are where the next ones are read.
        ("pc_adder.carry", 9, {"NOP": {"pc", BUS}, "CLC": {"pc", BUS}}),
    ]),
)  # fmt: skip
def test_a_gate_that_is_changed_is_named(
    name: str, bit: int, expected: dict[str, set[str]]
) -> None:
    # The variant without decimal mode: fields are then those of one sum.
    gates = Gates("binary", changed(drawn_netlist("binary"), name, bit))
    report = sweep("binary", list(expected), gates)
    assert not report.agree
    found = wrong_rows(report, "binary")
    assert set(found) == {row for row, fields in expected.items() if fields}
    for row, fields in found.items():
        assert fields >= expected[row], row
        is_a_case_of(report, row, Model("binary"), gates)
    if "NOP" in expected and not expected["NOP"]:
        assert "NOP" not in found


def test_a_gate_that_only_the_bus_shows_is_named() -> None:
    netlist = drawn_netlist("nmos")
    (stopped,) = netlist.outputs["stopped"]
    spare = 1 + max(gate.output for gate in netlist.gates)
    outputs = {**netlist.outputs, "stopped": (spare,)}
    faulty = replace(netlist, outputs=outputs).replaced(
        [*netlist.gates, Gate("NOT", spare, (stopped,))]
    )
    gates = Gates("nmos", faulty)
    report = sweep("nmos", ["CLC", "NMI"], gates)
    assert wrong_rows(report) == {"CLC": {BUS}, "NMI": {BUS}}
    for row in report.variants["nmos"].rows:
        assert row.tally.mismatches == row.tally.cases == row.tally.fields[BUS]
        assert row.first_fields == (BUS,)
        first = is_a_case_of(report, row.name, Model(), gates)
        assert first.index == 0
        assert first.expected.tobytes() == first.actual.tobytes()


# One line of the RTL


def with_line(monkeypatch: pytest.MonkeyPatch, where: str, old: str, new: str) -> None:
    """Changes one line of a class's method in `rtl`: of `elaborate` unless another is named."""
    place, name, *method = where.split(".")
    source = importlib.import_module(f"carrywave.rtl.{place}")
    owner, function = getattr(source, name), method[0] if method else "elaborate"
    text = textwrap.dedent(inspect.getsource(getattr(owner, function)))
    assert text.count(old) == 1
    space = dict(vars(source))
    exec(text.replace(old, new), space)
    monkeypatch.setattr(owner, function, space[function])


@pytest.mark.parametrize(
    ("where", "old", "new", "expected"),
    first_of([
        ("adder.RippleCarryAdder.carries", "g | (p & carry) | forced", "g | forced",
         {"CMP": "p.c", "INX": "x", "NOP": "pc"}),
        # A step is now NOT, a rest the negative: -NOT pc is pc + 1, and only the bus shows it.
        ("adder.RippleCarryAdder.carries", "g | (p & carry)",
         "g | (p | carry)", {"INX": "x", "NOP": BUS}),
        ("alu.Alu", "adder.carry[WIDTH] ^ adder.carry[WIDTH - 1]", "adder.carry[WIDTH]",
         {"ADC": "p.v"}),
        ("stack.StackPointer", "adder.carry_in.eq(self.pull)", "adder.carry_in.eq(self.push)",
         {"PHA": "sp", "PLA": "sp"}),
        ("status.StatusRegister", "~(flag ^ self.condition[0])", "flag ^ self.condition[0]",
         {"BNE": "pc"}),
    ]),
)  # fmt: skip
def test_a_line_of_the_rtl_that_is_changed_is_named(
    monkeypatch: pytest.MonkeyPatch, where: str, old: str, new: str, expected: dict[str, str]
) -> None:
    with_line(monkeypatch, where, old, new)
    design = run_yosys(rtlil_of("nmos"), [*SCRIPT, "write_json FILE"], ".json")
    gates = Gates("nmos", parse(json.loads(design)))
    report = sweep("nmos", [*expected, "CLD"], gates)
    found = wrong_rows(report)
    # The program counter has an adder too, and with that all instructions are wrong.
    assert set(found) - {"CLD"} == set(expected)
    assert ("CLD" in found) == where.startswith("adder")
    for row, field in expected.items():
        assert field in found[row]
        is_a_case_of(report, row, Model(), gates)


# One line of the model


@pytest.mark.parametrize(
    ("number", "names", "expected"),
    [
        (1, ["ADC", "CMP"], {"ADC": {"p.v"}}),
        (45, ["TSX", "TXS"], {"TSX": {"p.n", "p.z"}}),
        (46, ["PLA", "PHA"], {"PLA": {"p.n", "p.z"}}),
        (47, ["PHP", "BRK", "IRQ"], {"PHP": {"write_value"}, "BRK": {"write_value"}}),
        (48, ["IRQ", "NMI", "BRK"], {"IRQ": {"write_value"}, "NMI": {"write_value"}}),
        (65, ["RESET", "NMI"], {"RESET": {"p.i"}}),
    ],
)
def test_a_line_of_the_model_that_is_changed_is_named(
    number: int, names: list[str], expected: dict[str, set[str]]
) -> None:
    model = Mistaken(BY_NUMBER[number])
    report = sweep("nmos", names, model=model)
    assert wrong_rows(report) == expected
    for row in expected:
        is_a_case_of(report, row, model, Gates())


def test_a_masked_irq_counts_for_the_irq_and_not_for_the_instruction_it_runs() -> None:
    class Deaf(Model):
        """Takes no interrupt, and forgets C when it should run the instruction."""

        def execute(self, cases: Any) -> Any:
            outcomes = super().execute(cases)
            outcomes["p"][cases["event"] == 1] ^= 1
            return outcomes

    report = sweep("nmos", ["ADC", "IRQ"], Deaf(), jobs=1)
    assert wrong_rows(report) == {"IRQ": {"p.c"}}
    (adc, irq) = report.variants["nmos"].rows
    assert adc.tally.mismatches == 0
    assert irq.tally.mismatches == irq.tally.cases == exhaustive_count("IRQ")
    masked = irq.share.comparison
    assert set(masked.instructions) == {"IRQ"}


def test_the_first_case_is_the_first_in_the_order_of_the_report() -> None:
    model = Mistaken(BY_NUMBER[47])
    one = sweep("nmos", ["PHP", "BRK", "CLC"], model=model).variants["nmos"]
    row = one.first_row
    assert row is not None
    assert row.name == "BRK"
    assert row.first is not None
    assert row.first.index == 0
    assert one.comparison.first == row.first


# Shares


def test_shares_merge_as_if_they_were_one() -> None:
    from carrywave.sim.cases.exhaustive import exhaustive_cases

    cases = next(exhaustive_cases(BY_MNEMONIC["INX"]["implied"]))[:3000]
    expected = Model().execute(cases)
    actual, off_bus = expected.copy(), np.zeros(len(cases), bool)
    actual["x"][[1700, 2100, 2999]] ^= 4
    off_bus[[1500, 2100]] = True
    whole = Share.of("INX", cases, expected, actual, off_bus)
    assert (whole.off_bus, whole.off_bus_only, whole.comparison.mismatches) == (2, 1, 3)
    for cut in (0, 1000, 1501, 1701, 3000):
        parts = [
            Share.of("INX", cases[here], expected[here], actual[here], off_bus[here])
            for here in (slice(0, cut), slice(cut, None))
            if len(cases[here])
        ]
        merged = Share()
        for part in parts:
            merged = merged.merge(part)
        assert merged == whole
    assert whole.first_off_bus is not None
    assert whole.first_off_bus.index == 1500


# Processes


def test_what_a_witness_raises_in_a_process_is_raised_here() -> None:
    # Something that all processes can import, and that is no witness.
    with pytest.raises(ValueError, match=r"^actual outcomes: expected the OUTCOME layout"):
        sweep("nmos", ["CLC", "SEC"], SimpleNamespace(execute=len), jobs=2)


class Deadly:
    """Ends the process it is sent to."""

    def execute(self, cases: Any) -> Any:
        raise AssertionError

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[int]]:
        return os._exit, (1,)


def test_a_process_that_dies_is_one_clear_error() -> None:
    with pytest.raises(WorkerError, match=r"^a process has ended before its time$"):
        sweep("nmos", ["CLC", "SEC"], Deadly(), jobs=2)


def children(pid: int) -> list[int]:
    path = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(word) for word in path.read_text().split()] if path.exists() else []


def alive(pid: int) -> bool:
    status = Path(f"/proc/{pid}/stat")
    return status.exists() and status.read_text().rsplit(") ", 1)[1][0] != "Z"


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")
@pytest.mark.parametrize("number", first_of([signal.SIGINT, signal.SIGKILL]))
def test_no_process_is_left_behind(number: signal.Signals) -> None:
    program = (
        "import signal\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from carrywave.sim.sweep import sweeping\n"
        "sweeping.processors = lambda: 2\n"
        "from carrywave.sim.cli.main import main\n"
        "main()\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", program, "sweep", "--variant", "all"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    until = time.monotonic() + 120
    while len(begun := children(parent.pid)) < 2:
        assert time.monotonic() < until
        assert parent.poll() is None
        time.sleep(0.02)
    if number == signal.SIGINT:
        os.killpg(parent.pid, number)  # as a terminal does
    else:
        parent.send_signal(number)
    out, err = parent.communicate(timeout=120)
    assert out == ""
    if number == signal.SIGINT:
        assert (parent.returncode, err.strip()) == (130, "")
    while any(map(alive, begun)):
        assert time.monotonic() < until
        time.sleep(0.02)


# The command

Answer = tuple[int, str, str]


def test_the_command_shows_a_row_each(carrywave: Callable[..., Answer]) -> None:
    status, out, err = carrywave("sweep", "clc", "IRQ", "Pha")
    assert (status, err) == (0, "")
    lines = [line.split() for line in out.splitlines()]
    assert ["CLC", "18", "8,576", "14", "0"] in lines
    assert ["PHA", "48", "262,656", "16", "0"] in lines
    assert ["IRQ", "262,656", "16", "0"] in lines
    assert ["all", "2", "533,888", "0"] in lines
    assert "nmos: 533,888 cases, agrees, " in out


def test_the_table_fits_80_columns_with_all_variants(carrywave: Callable[..., Answer]) -> None:
    status, out, _ = carrywave("sweep", "SED", "RESET", "--variant", "all")
    assert status == 0
    assert "…" not in out
    assert max(map(len, out.splitlines())) <= 80
    for variant in VARIANTS:
        assert f"{variant}: 271,232 cases, agrees, " in out


def test_the_command_names_the_adder(carrywave: Callable[..., Answer]) -> None:
    status, out, _ = carrywave("sweep", "INX", "--adder", "prefix")
    assert status == 0
    assert "nmos, prefix adder: 9,600 cases, agrees, " in out
    status, out, _ = carrywave("sweep", "INX", "--adder", "lookahead", "--json")
    assert (status, json.loads(out)["adder"]) == (0, "lookahead")


def test_the_command_s_json_has_it_all(carrywave: Callable[..., Answer]) -> None:
    status, out, err = carrywave("sweep", "INX", "NMI", "--variant", "cmos", "--json")
    assert (status, err, out.count("\n")) == (0, "", 1)
    value = json.loads(out)
    assert value["agree"] is True
    (one,) = value["variants"].values()
    assert one.keys() >= {"cases", "mismatches", "seconds", "instructions", "first"}
    assert (one["cases"], one["mismatches"], one["first"]) == (9_600 + 262_656, 0, None)
    assert one["instructions"]["INX"]["opcodes"] == [0xE8]
    assert one["instructions"]["INX"]["cases"] == 9_600
    assert one["instructions"]["INX"]["mismatches"] == 0
    assert "x" in one["instructions"]["INX"]["compared"]
    assert one["instructions"]["NMI"]["opcodes"] == []


def test_the_command_tells_instruction_field_and_case(
    carrywave: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    faulty = Gates("nmos", changed(drawn_netlist("nmos"), "alu.adder.sum", 2))
    monkeypatch.setattr(module, "Gates", lambda variant, adder: faulty)
    status, out, _ = carrywave("sweep", "INX", "NOP")
    assert status == 1
    assert "First wrong case: INX, number " in out
    assert "Wrong in this case of INX: x" in out
    (row,) = (line.split() for line in out.splitlines() if line.startswith("NOP"))
    assert row == ["NOP", "EA", "131,584", "14", "0"]
    status, out, _ = carrywave("sweep", "INX", "NOP", "--json")
    assert status == 1
    first = json.loads(out)["variants"]["nmos"]["first"]
    assert first["instruction"] == "INX"
    assert "x" in first["fields"]
    assert first["expected"]["x"] == (first["case"]["x"] + 1) % 256 != first["actual"]["x"]


def test_a_case_that_only_the_bus_shows_is_drawn_too() -> None:
    netlist = drawn_netlist("nmos")
    outputs = {**netlist.outputs, "stopped": (1,)}
    report = sweep("nmos", ["CLC"], Gates("nmos", replace(netlist, outputs=outputs)))
    console = Console(width=80, file=io.StringIO())
    draw_sweep(report, console)
    text = console.file.getvalue()
    assert "Disagree: 8,576 of 8,576 cases." in text
    assert "bus:8,576" in text
    assert "Wrong in this case of CLC: bus." in text


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["ADX"], "'ADX' is not a documented mnemonic; did you mean "),
        (
            ["ADC", "--adder", "skip"],
            "carrywave: Invalid value for '--adder': 'skip' is not one of 'ripple', 'lookahead', "
            "'prefix'.\n",
        ),
        (["ADC", "--variant", "none"], "'none' is not one of 'nmos', 'cmos', 'binary', 'all'."),
    ],
)
def test_what_the_command_cannot_use_is_one_line(
    carrywave: Callable[..., Answer], arguments: list[str], message: str
) -> None:
    status, out, err = carrywave("sweep", *arguments)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert message in err


def test_a_cache_that_cannot_be_written_is_told_once_and_the_work_goes_on(
    carrywave: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("CARRYWAVE_CACHE", str(tmp_path / "file" / "cache"))
    drawn_netlist.cache_clear()
    monkeypatch.setattr(
        module, "Gates", lambda variant, adder: Gates(variant, drawn_netlist(variant, adder))
    )
    status, out, err = carrywave("sweep", "CLC", "--variant", "all", "--json")
    drawn_netlist.cache_clear()
    assert (status, json.loads(out)["agree"]) == (0, True)
    assert err == (
        f"carrywave: {tmp_path / 'file' / 'cache'}: Not a directory: what takes long is made each "
        "time; set CARRYWAVE_CACHE to a folder that can be written\n"
    )
