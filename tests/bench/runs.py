"""Clocks a second of a whole program on the same unit: ours, Amaranth's simulator, compiled ones.

The program is the ferry's office with its timer. Each engine ends in the same registers' program
counter and the same memory, or its figure does not count.
"""

from __future__ import annotations

import shutil
import subprocess
import time
import zlib
from pathlib import Path

from carrywave.sim.netlist.synthesis import rtlil_of, run_yosys
from carrywave.sim.program.assembler import load
from carrywave.sim.program.bench import run_program
from carrywave.sim.program.predicted import run_predicted

from .adder import TO_GATES, WORD_CELLS
from .evaluators import MissingError, cxxrtl_headers

PROGRAM = Path(__file__).parents[1] / "examples/programs/ferry.s"
#: Clocks: enough for a second or more of each.
FEW, MANY = 3_000, 3_000_000

HARNESS = """
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <map>
DECLARATIONS
static std::uint8_t ram[65536];
int main(int, char **argv) {
  std::FILE *file = std::fopen("memory.bin", "rb");
  if (std::fread(ram, 1, 65536, file) != 65536) return 1;
  long clocks = std::atol(argv[1]);
  std::map<long, int> irq;
  int level = 1;
  std::clock_t began = std::clock();
  PREPARE
  SET(irq_n, 1); SET(nmi_n, 1); SET(reset_n, 1);
  for (long clock = 0; clock < clocks; clock++) {
    std::uint32_t address = GET(address);
    if (GET(sync)) switch (address) { EVENTS }
    if (!irq.empty() && irq.begin()->first == clock) {
      level = irq.begin()->second;
      irq.erase(irq.begin());
      SET(irq_n, level);
    }
    SET(data_in, ram[address]);
    SETTLE
    if (GET(write)) ram[address] = GET(data_out);
    TICK
  }
  double took = double(std::clock() - began) / CLOCKS_PER_SEC;
  std::FILE *left = std::fopen("left.bin", "wb");
  std::fwrite(ram, 1, 65536, left);
  std::fclose(left);
  std::printf("%u %f\\n", unsigned(GET(address)), took);
}
"""


def harness(**parts):
    """The C++ around a compiled unit."""
    events = "".join(
        f"case {address}: irq[clock + {event.delay}] = {event.level}; break;"
        for address, (event,) in load(PROGRAM).pin_events.items()
    )
    text = HARNESS.replace("EVENTS", events)
    for name, part in parts.items():
        text = text.replace(name, part)
    return text


class Ours:
    """All instructions at once; the model guesses."""

    name = "carrywave, the gates"
    clocks = MANY

    def __init__(self, folder):
        """Nothing to build."""

    def run(self, clocks):
        """Where the next byte is fetched, what is left in memory, and the seconds."""
        program = load(PROGRAM)
        began = time.process_time()
        run = self.engine(program, clocks)
        return run.final.pc, bytes(program.memory), time.process_time() - began

    def engine(self, program, clocks):
        """The run itself."""
        return run_predicted(program, max_clocks=clocks, keep_writes=False)


class Simulated(Ours):
    """The RTL, clock by clock, in Python."""

    name = "Amaranth's simulator"
    clocks = FEW

    def engine(self, program, clocks):
        """The run itself."""
        return run_program(program, max_clocks=clocks, keep_writes=False)


class Compiled:
    """A program of its own that has the unit in it."""

    clocks = MANY
    command = ()

    def __init__(self, folder):
        self.folder = folder

    def need(self, *programs):
        """Raises MissingError for a program that is not there."""
        for program in programs:
            if not shutil.which(program):
                raise MissingError(f"install {program}")

    def build(self, *command):
        """Runs a compiler."""
        subprocess.run(command, cwd=self.folder, text=True, capture_output=True, check=True)

    def run(self, clocks):
        """As `Ours.run`; the address is that of the clock that comes next."""
        (self.folder / "memory.bin").write_bytes(load(PROGRAM).memory)
        ran = subprocess.run(
            [*self.command, str(clocks)], cwd=self.folder, text=True, capture_output=True,
            check=True,
        )  # fmt: skip
        address, seconds = ran.stdout.split()
        return int(address), (self.folder / "left.bin").read_bytes(), float(seconds)


class Verilator(Compiled):
    """C++ from Verilog."""

    name = "Verilator"
    command = ("obj_dir/Vtop",)

    def __init__(self, folder):
        super().__init__(folder)
        self.need("verilator", "g++", "make")
        # As words it is wrong in decimal mode (25 + 25 is 5A): the carries are a loop to it,
        # through the correction. As gates there is none.
        script = (*TO_GATES, "splitnets", "write_verilog -noattr FILE")
        text = run_yosys(rtlil_of("nmos"), script, ".v")
        (folder / "top.v").write_text(text)
        (folder / "bench.cpp").write_text("".join([
            '#include "Vtop.h"\n#define GET(port) top.port\n#define SET(port, to) top.port = to\n',
            harness(
                DECLARATIONS="", PREPARE="Vtop top; top.clk = 0; top.eval();",
                SETTLE="top.eval();", TICK="top.clk = 1; top.eval(); top.clk = 0; top.eval();",
            ),
        ]))  # fmt: skip
        self.build(
            "verilator", "--cc", "--exe", "--build", "-O3", "--x-assign", "fast",
            "--x-initial", "fast", "--noassert", "-Wno-fatal", "--top-module", "top",
            "-CFLAGS", "-O3 -march=native", "top.v", "bench.cpp",
        )  # fmt: skip


class Cxxrtl(Compiled):
    """C++ from Yosys."""

    name = "CXXRTL"
    command = ("./bench",)

    def __init__(self, folder):
        super().__init__(folder)
        self.need("g++")
        headers = cxxrtl_headers()
        # The carries as a vector look like a loop; as single nets they are none.
        script = ("flatten", "splitnets", *WORD_CELLS, "write_cxxrtl -O6 -g0 FILE")
        (folder / "top.cc").write_text(run_yosys(rtlil_of("nmos"), script, ".cc"))
        get = "#define GET(port) top.p_##port.get<std::uint32_t>()\n"
        text = harness(
            DECLARATIONS='#include "top.cc"',
            PREPARE="cxxrtl_design::p_top top; top.step();",
            SETTLE="top.step();",
            TICK="top.p_clk.set(true); top.step(); top.p_clk.set(false); top.step();",
        )
        for port in ("irq_n", "nmi_n", "reset_n", "data_in", "data_out"):
            for call in ("GET", "SET"):
                text = text.replace(f"{call}({port}", f"{call}({port.replace('_', '__')}")
        (folder / "bench.cpp").write_text(
            f"{get}#define SET(port, to) top.p_##port.set<std::uint32_t>(to)\n{text}"
        )
        self.build(
            "g++", "-O3", "-march=native", "-std=c++17", f"-I{headers}", "-o", "bench", "bench.cpp"
        )


ENGINES = (Simulated, Verilator, Cxxrtl, Ours)


def engines(folder):
    """Those that can be built here, each held to the others; and why the rest cannot."""
    found, missing = [], {}
    for number, kind in enumerate(ENGINES):
        place = folder / f"run{number}"
        place.mkdir()
        try:
            found.append(kind(place))
        except MissingError as error:
            missing[kind.name] = str(error)
    left = {engine.name: zlib.crc32(engine.run(FEW)[1]) for engine in found}
    assert len(set(left.values())) == 1, f"memory is not the same after {FEW} clocks: {left}"
    many = {e.name: zlib.crc32(e.run(MANY // 10)[1]) for e in found if e.clocks == MANY}
    assert len(set(many.values())) == 1, f"memory is not the same after {MANY // 10}: {many}"
    return found, missing


def rates(found, rounds):
    """Clocks a second by engine, each round once."""
    figures = {engine.name: [] for engine in found}
    for _ in range(rounds):
        for engine in found:
            figures[engine.name].append(engine.clocks / engine.run(engine.clocks)[2])
    return figures
