"""The unit as Verilog: what tools say of it, and its run in a stranger's design, clock by clock.

Icarus Verilog and Verilator are asked where they are installed.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from usual import first_of

from carrywave.sim.netlist import verilog
from carrywave.sim.netlist.synthesis import FLOPS, PORTS, module_of
from carrywave.sim.netlist.verilog import export_verilog, tidied
from carrywave.sim.program.assembler import assemble
from carrywave.waves.run.listing import run_listing
from carrywave.waves.vcd.read import read_clocks

ROOT = Path(__file__).parents[3]
EXAMPLE = ROOT / "tests" / "examples" / "hardware" / "system.v"
HELLO = EXAMPLE.with_name("hello.s")
LISTINGS = {"hello": HELLO, "compare": ROOT / "waves" / "programs" / "signed_compare.s"}
SENT = [f"sent {byte:02x}" for byte in b"Hello\n"]
BUILT = [("nmos", "ripple"), ("cmos", "prefix"), ("binary", "lookahead")]
REGISTERS = ("pc", "a", "x", "y", "sp", "p")
CLOCKS = 400


def tool(name: str) -> Any:
    """Skips a test where a tool is not installed."""
    return pytest.mark.skipif(shutil.which(name) is None, reason=f"{name} is not installed")


def said(folder: Path, *command: object) -> str:
    """What a tool says, which must not be unhappy."""
    done = subprocess.run([*map(str, command)], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr + done.stdout
    return done.stdout + done.stderr


def clocks_of(columns: list[dict[str, Any]]) -> list[str]:
    """The waveform of `carrywave run`, as the example prints its clocks."""
    flags = {"n": 7, "v": 6, "d": 3, "i": 2, "z": 1, "c": 0}
    rows = []
    for some in columns:
        col = {path.removeprefix("unit."): values.tolist() for path, values in some.items()}
        for i in range(len(col["address"])):
            write = col["write"][i]
            byte = col["data_out" if write else "data_in"][i]
            p = 0x30 | sum(col[f"status.{flag}"][i] << bit for flag, bit in flags.items())
            rows.append(
                f"{col['address'][i]:04x} {write} {byte:02x} {col['sync'][i]}0 "
                f"{col['control.clock_number'][i]:x} {col['pc'][i]:04x} {col['a'][i]:02x} "
                f"{col['x'][i]:02x} {col['y'][i]:02x} {col['stack.sp'][i]:02x} {p:02x}"
            )
    return rows


@pytest.fixture(scope="module")
def design(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example beside the unit and the listings' memories."""
    folder = tmp_path_factory.mktemp("design")
    shutil.copy(EXAMPLE, folder)
    export_verilog(folder / "unit_nmos.v")
    for name, listing in LISTINGS.items():
        memory = assemble(listing.read_text()).memory
        (folder / f"{name}.hex").write_text("\n".join(f"{byte:02x}" for byte in memory))
    return folder


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """What sends is held to the run of the same listing, where memory stands in for the UART."""
    waveform = tmp_path_factory.mktemp("run") / "hello.vcd"
    assert run_listing(HELLO, str(waveform)).agree
    return rows_of(waveform)


def rows_of(waveform: Path) -> list[str]:
    found: list[dict[str, Any]] = []
    read_clocks(
        waveform, lambda columns, first: found.append({k: np.array(v) for k, v in columns.items()})
    )
    return clocks_of(found)


@pytest.mark.parametrize(("variant", "adder"), first_of(BUILT))
def test_ports_and_registers_have_their_names_and_nothing_is_escaped(
    design: Path, variant: str, adder: str
) -> None:
    path = design / f"unit_{variant}.v"
    if not path.exists():
        export_verilog(path, variant, adder)
    text = path.read_text()
    ((name, ports),) = re.findall(r"^module (\w+)\(([^)]*)\)", text, re.MULTILINE)
    shown = {f"registers__{register}" for register in REGISTERS}
    assert name == module_of(variant, adder)
    assert {*ports.split(", ")} == {"clk", "ready", *PORTS} | shown
    assert "\\" not in text
    registers = set(re.findall(r"^  reg (?:\[\d+:0\] )?(\w+) = ", text, re.MULTILINE))
    # Those that are ports have the ports' names.
    others = {flop.replace(".", "_") for flop in FLOPS} - registers
    assert others == {
        "pc",
        "register_a",
        "register_x",
        "register_y",
        "stack_pointer",
        "control_clock_number",
    }
    wires = set(re.findall(r"^  wire (?:\[\d+:0\] )?(\w+)", text, re.MULTILINE))
    assert {"alu_carry", "alu_adder_carry", "pc_adder_carry", "stack_adder_carry"} <= wires


@tool("verilator")
@pytest.mark.exhaustive
@pytest.mark.parametrize(("variant", "adder"), BUILT)
def test_verilator_has_nothing_to_say(tmp_path: Path, variant: str, adder: str) -> None:
    export_verilog(tmp_path / "unit.v", variant, adder)
    assert said(tmp_path, "verilator", "--lint-only", "-Wall", "unit.v") == ""


@tool("verilator")
@pytest.mark.exhaustive
def test_verilator_sees_a_loop_and_a_width_where_they_are_not_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(verilog, "tidied", lambda text: text)
    export_verilog(tmp_path / "unit.v")
    with pytest.raises(AssertionError, match=r"(?s)WIDTH.*UNOPTFLAT|UNOPTFLAT.*WIDTH"):
        said(tmp_path, "verilator", "--lint-only", "-Wall", "unit.v")


def test_a_constant_gets_the_width_of_what_it_is_compared_with() -> None:
    module = "module m(a);\n  wire [5:0] a;\n  wire [8:0] carry;\n  assign b = a == 2'h3;\n"
    assert tidied(module) == (
        "module m(a);\n  wire [5:0] a;\n  wire [8:0] carry /*verilator split_var*/;\n"
        "  assign b = a == 6'h3;\n"
    )


@tool("iverilog")
@pytest.mark.parametrize("standard", first_of(["-g2005", "-g2012"]))
def test_a_strangers_design_runs_as_here_in_icarus(
    design: Path, expected: list[str], standard: str
) -> None:
    said_nothing = said(design, "iverilog", standard, "-Wall", "-Wno-timescale", "-o", "system",
                        "system.v", "unit_nmos.v")  # fmt: skip
    assert said_nothing == ""
    out = said(design, "vvp", "system", *asked(expected))
    assert_the_same(out, expected)
    assert sent(out) == SENT
    compared = rows_of(ROOT / "waves" / "reference" / "signed_compare.vcd")
    out = said(design, "vvp", "system", *asked(compared, "compare"))
    assert_the_same(out, compared)
    assert sent(out) == []


@tool("iverilog")
@pytest.mark.exhaustive
def test_a_slower_line_is_waited_for(design: Path, expected: list[str]) -> None:
    said(design, "iverilog", "-P", "bench.DIVISOR=4", "-o", "slow", "system.v", "unit_nmos.v")
    out = said(design, "vvp", "slow", "+image=hello.hex", "+cycles=400")
    assert sent(out) == SENT
    with pytest.raises(AssertionError):
        assert_the_same(said(design, "vvp", "slow", *asked(expected)), expected)


@tool("verilator")
@pytest.mark.exhaustive
def test_a_strangers_design_runs_as_here_in_verilator(design: Path, expected: list[str]) -> None:
    files = ("system.v", "unit_nmos.v")
    quickly = ("-MAKEFLAGS", "OPT_FAST=-O0 OPT_SLOW=-O0 OPT_GLOBAL=-O0")
    said(design, "verilator", "--binary", "-O0", *quickly, "--top-module", "bench", *files)
    out = said(design, "obj_dir/Vbench", *asked(expected))
    assert_the_same(out, expected)
    assert sent(out) == SENT
    lint = ("--lint-only", "-Wall", "-Wno-DECLFILENAME", "--top-module", "system")
    assert said(design, "verilator", *lint, *files) == ""


def asked(expected: list[str], name: str = "hello") -> tuple[str, str]:
    return f"+image={name}.hex", f"+cycles={min(CLOCKS, len(expected))}"


def sent(out: str) -> list[str]:
    return re.findall(r"^sent ..$", out, re.MULTILINE)


def assert_the_same(out: str, expected: list[str]) -> None:
    rows = re.findall(r"^[0-9a-f]{4} .*$", out, re.MULTILINE)
    assert len(rows) == min(CLOCKS, len(expected)) > 100
    assert rows == expected[: len(rows)]


@tool("iverilog")
@pytest.mark.exhaustive
@pytest.mark.skipif(find_spec("cocotb") is None, reason="cocotb is not installed")
def test_a_strangers_design_runs_as_here_in_cocotb(design: Path, expected: list[str]) -> None:
    shutil.copy(EXAMPLE.with_name("cocotb_system.py"), design)
    command = (sys.executable, "cocotb_system.py", "hello.hex", "rows.txt")
    (design / "rows.txt").write_text("\n".join(expected))
    out = said(design, *command)
    assert f"{len(expected)} cycles agree" in out
    assert sent(out) == SENT
    row = expected[-1]
    wrong = row[:-1] + f"{int(row[-1], 16) ^ 1:x}"
    (design / "rows.txt").write_text("\n".join([*expected[:-1], wrong]))
    with pytest.raises(AssertionError, match=f"cycle {len(expected) - 1}: {row}, expected"):
        said(design, *command)


@tool("iverilog")
@pytest.mark.exhaustive
def test_a_design_that_writes_in_every_clock_of_the_two_still_agrees_and_one_late_does_not(
    design: Path, expected: list[str], tmp_path: Path
) -> None:
    """Writing twice harms neither memory nor a busy line; a byte taken a clock too early does."""

    def run(old: str, new: str) -> str:
        text = EXAMPLE.read_text()
        assert text.count(old) == 1
        (tmp_path / "system.v").write_text(text.replace(old, new))
        for name in ("unit_nmos.v", "hello.hex"):
            shutil.copy(design / name, tmp_path)
        said(tmp_path, "iverilog", "-o", "system", "system.v", "unit_nmos.v")
        return said(tmp_path, "vvp", "system", *asked(expected))

    out = run("write & ready", "write")
    assert_the_same(out, expected)
    assert sent(out) == SENT
    assert sent(run("{4'd10, 1'b1, data, 1'b0}", "{4'd10, 1'b1, ~data, 1'b0}")) != SENT
    with pytest.raises(AssertionError):
        assert_the_same(run("ready <= ~ready", "ready <= 1"), expected)


@pytest.mark.exhaustive
def test_the_command_writes_them(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "unit_cmos.v"
    status, out, error = carrywave("netlist", "--verilog", path, "--variant", "cmos")
    assert (status, error) == (0, "")
    assert out.endswith(f"{path}: Verilog, module unit_cmos\n")
    assert "module unit_cmos(" in path.read_text()
    status, out, error = carrywave("netlist", "--verilog", tmp_path / "unit.txt")
    assert (status, out) == (2, "")
    assert error == f"carrywave: {tmp_path / 'unit.txt'}: the name must end in .v\n"
