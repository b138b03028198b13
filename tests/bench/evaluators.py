"""The evaluators: each answers all cases once to be checked, and many times to be timed.

Times are processor time of one thread, without packing cases into planes or compiling anything.
"""

from __future__ import annotations

import itertools
import resource
import shutil
import subprocess
import time
from contextlib import redirect_stderr, redirect_stdout
from functools import cached_property
from importlib import import_module
from io import StringIO
from pathlib import Path

import numpy as np
from amaranth.sim import Simulator

from carrywave.sim.netlist.compiled import compile_wires, pack, unpack

from .adder import (
    CASES,
    INPUTS,
    OUTPUTS,
    WORD_CELLS,
    AdderWithFlags,
    expected,
    gates,
    inputs,
    wires,
    written,
)
from .kept_words import compile_words

SPAN = 0.3  # seconds that a timing takes at least
SAMPLE = 3000


class MissingError(Exception):
    """Not installed here; the message says what to install."""


class Evaluator:
    """`outputs` answers each of `cases`, `answer` does so to be timed."""

    name = ""
    cases = np.arange(CASES)

    def __init__(self, folder):
        self.folder = folder

    def outputs(self):
        """One number a case, as `expected` has them."""
        raise NotImplementedError

    def check(self):
        """Raises AssertionError at a wrong case."""
        answers = self.outputs()
        wrong = np.flatnonzero(answers != expected()[self.cases])
        assert answers.shape == self.cases.shape
        assert not len(wrong), f"{self.name}: case {self.cases[wrong[0]]} of {len(wrong)} is wrong"

    def answer(self):
        """Answers every case once."""
        raise NotImplementedError

    def rate(self, span=SPAN):
        """Cases a second."""
        rounds, began = 0, time.process_time()
        while (took := time.process_time() - began) < span:
            self.answer()
            rounds += 1
        return rounds * len(self.cases) / took


class Clocked(Evaluator):
    """The RTL, a sample of the cases, in any order."""

    name = "Amaranth's simulator, RTL"

    def __init__(self, folder):
        super().__init__(folder)
        self.cases = np.random.default_rng(1).integers(0, CASES, SAMPLE)
        rows = {name: column.tolist() for name, column in inputs(self.cases).items()}
        self.rows = list(zip(*rows.values(), strict=True))

    def answer(self):
        dut, answers = AdderWithFlags(), []
        ports = [getattr(dut, name) for name in INPUTS]
        registers = [getattr(dut, name) for name in OUTPUTS]

        async def testbench(ctx):
            for row in self.rows:
                for port, value in zip(ports, row, strict=True):
                    ctx.set(port, value)
                await ctx.tick()
                answers.append([ctx.get(register) for register in registers])

        simulator = Simulator(dut)
        simulator.add_clock(1e-6)
        simulator.add_testbench(testbench)
        simulator.run()
        return answers

    def outputs(self):
        return joined(np.array(self.answer()).T)


def joined(columns):
    """The outputs as one number a case."""
    shifts = itertools.accumulate(OUTPUTS.values(), initial=0)
    return sum(column << shift for column, shift in zip(columns, shifts, strict=False))


class PyRtl(Evaluator):
    """PyRTL's simulations take one case a step; a step shows what the one before it left."""

    def __init__(self, folder):
        super().__init__(folder)
        try:
            import pyrtl
        except ImportError:
            raise MissingError("pip install pyrtl") from None
        self.pyrtl = pyrtl
        names = {name: column.tolist() for name, column in inputs(self.cases).items()}
        self.rows = [
            dict(zip(names, row, strict=True)) for row in zip(*names.values(), strict=True)
        ]

    @cached_property
    def block(self):
        pyrtl, netlist = self.pyrtl, gates()
        block = pyrtl.Block()
        with pyrtl.set_working_block(block, no_sanity_check=True):
            wire = {}
            for name, width in INPUTS.items():
                port = pyrtl.Input(width, name)
                wire |= {bit: port[i] for i, bit in enumerate(netlist.inputs[name])}
            registers = {q: pyrtl.Register(1) for q, _ in netlist.flops}
            for gate in netlist.gates:
                operands = [wire[bit] for bit in gate.inputs]
                wire[gate.output] = {
                    "AND": lambda a, b: a & b,
                    "OR": lambda a, b: a | b,
                    "XOR": lambda a, b: a ^ b,
                    "NOT": lambda a: ~a,
                }[gate.kind](*operands)
            for q, d in netlist.flops:
                registers[q].next <<= wire[d]
            for name, width in OUTPUTS.items():
                port = pyrtl.Output(width, name)
                port <<= pyrtl.concat_list([registers[bit] for bit in netlist.outputs[name]])
        return block

    def simulation(self):
        raise NotImplementedError

    def answer(self):
        step = self.simulation().step
        for row in self.rows:
            step(row)

    def outputs(self):
        simulation, answers = self.simulation(), []
        for row in [*self.rows, self.rows[0]]:
            simulation.step(row)
            answers.append([simulation.inspect(name) for name in OUTPUTS])
        return joined(np.array(answers[1:]).T)


class PyRtlFast(PyRtl):
    """Straight-line Python, a case a call."""

    name = "PyRTL FastSimulation"

    def simulation(self):
        return self.pyrtl.FastSimulation(block=self.block, tracer=None)


class PyRtlCompiled(PyRtl):
    """C, called for each case."""

    name = "PyRTL CompiledSimulation"

    def __init__(self, folder):
        super().__init__(folder)
        if not shutil.which("gcc"):
            raise MissingError("install gcc")

    @cached_property
    def compiled(self):
        outputs = [self.block.get_wirevector_by_name(name) for name in OUTPUTS]
        tracer = self.pyrtl.SimulationTrace(outputs, block=self.block)
        return self.pyrtl.CompiledSimulation(tracer, block=self.block)

    def simulation(self):
        for values in self.compiled.tracer.trace.values():
            values.clear()  # it keeps each step's
        return self.compiled


class Program(Evaluator):
    """A program of its own: `check` makes it print each output, a number makes it time itself.

    It prints the sum of all outputs, so that none can be left out, and the seconds.
    """

    command = ()

    def run(self, *arguments):
        ran = subprocess.run(
            [*self.command, *arguments], cwd=self.folder, text=True, capture_output=True, check=True
        )
        return ran.stdout.split()

    def outputs(self):
        return np.array(self.run("check"), np.int64)

    def rate(self, span=SPAN):
        rounds = 1
        while True:
            total, seconds = self.run(str(rounds))
            assert int(total) == int(expected().sum()) * rounds
            if float(seconds) >= span:
                return rounds * CASES / float(seconds)
            # As many as fill the span, by what the last ones took.
            rounds = max(rounds + 1, int(1.2 * span * rounds / max(float(seconds), span / 50)))

    def need(self, *programs):
        for program in programs:
            if not shutil.which(program):
                raise MissingError(f"install {program}")

    def build(self, *command):
        subprocess.run(command, cwd=self.folder, text=True, capture_output=True, check=True)


IVERILOG_BENCH = """
module bench;
  reg clk = 0, check;
  reg [17:0] i;
  reg [63:0] total = 0;
  integer round, rounds, n;
  wire [7:0] result;
  wire flag_n, v, z, c;
  top dut(.clk(clk), .a(i[7:0]), .b(i[15:8]), .invert(i[16]), .carry_in(i[17]),
    .result(result), .n(flag_n), .v(v), .z(z), .c(c));
  initial begin
    check = $test$plusargs("check");
    if (!$value$plusargs("rounds=%d", rounds)) rounds = 1;
    for (round = 0; round < rounds; round = round + 1)
      for (n = 0; n < 262144; n = n + 1) begin
        i = n;
        #1 clk = 1;
        #1 clk = 0;
        if (check) $display("%0d", {c, z, v, flag_n, result});
        total = total + {c, z, v, flag_n, result};
      end
    if (!check) $display("%0d", total);
  end
endmodule
"""


class Icarus(Program):
    """Event-driven, interpreted."""

    name = "Icarus Verilog"
    command = ("vvp", "bench")

    def __init__(self, folder):
        super().__init__(folder)
        self.need("iverilog", "vvp")
        (folder / "top.v").write_text(written("write_verilog -noattr"))
        (folder / "bench.v").write_text(IVERILOG_BENCH)
        self.build("iverilog", "-g2005", "-o", "bench", "top.v", "bench.v")

    def run(self, argument):
        if argument == "check":
            return super().run("+check")
        # It cannot time itself.
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        (total,) = super().run(f"+rounds={argument}")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        return total, took


HARNESS = """
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <ctime>
DECLARATIONS
int main(int, char **argv) {
  bool check = !std::strcmp(argv[1], "check");
  long rounds = check ? 1 : std::atol(argv[1]);
  std::uint64_t total = 0;
  std::clock_t began = std::clock();
  PREPARE
  for (long round = 0; round < rounds; round++)
    for (std::uint32_t i = 0; i < 262144; i++) {
      std::uint32_t a = i & 255, b = i >> 8 & 255, invert = i >> 16 & 1, carry_in = i >> 17;
      std::uint32_t result, n, v, z, c;
      ANSWER
      std::uint32_t outputs = result | n << 8 | v << 9 | z << 10 | c << 11;
      if (check) std::printf("%u\\n", outputs);
      total += outputs;
    }
  double took = double(std::clock() - began) / CLOCKS_PER_SEC;
  if (!check) std::printf("%llu %f\\n", (unsigned long long)total, took);
}
"""


def harness(declarations, prepare, answer):
    parts = {"DECLARATIONS": declarations, "PREPARE": prepare, "ANSWER": answer}
    text = HARNESS
    for mark, part in parts.items():
        text = text.replace(mark, part)
    return text


class Verilator(Program):
    """C++, a case a pass."""

    name = "Verilator"
    command = ("obj_dir/Vtop",)

    def __init__(self, folder):
        super().__init__(folder)
        self.need("verilator", "g++", "make")
        (folder / "top.v").write_text(written("write_verilog -noattr"))
        text = harness(
            '#include "Vtop.h"',
            "Vtop top;",
            "top.a = a; top.b = b; top.invert = invert; top.carry_in = carry_in;"
            "top.clk = 0; top.eval(); top.clk = 1; top.eval();"
            "result = top.result; n = top.n; v = top.v; z = top.z; c = top.c;",
        )
        (folder / "bench.cpp").write_text(text)
        self.build(
            "verilator", "--cc", "--exe", "--build", "-O3", "--x-assign", "fast",
            "--x-initial", "fast", "--noassert", "-Wno-fatal",
            "-CFLAGS", "-O3 -march=native", "top.v", "bench.cpp",
        )  # fmt: skip


def cxxrtl_headers():
    """Where the headers of the compiled C++ are. Raises MissingError."""
    try:
        import pyosys
    except ImportError:
        raise MissingError("pip install pyosys, whose wheel has the headers") from None
    headers = Path(pyosys.__file__).parent / "share/include/backends/cxxrtl/runtime"
    if not headers.is_dir():
        raise MissingError("a pyosys whose wheel has the headers")
    return headers


class Cxxrtl(Program):
    """C++ from Yosys, a case a pass."""

    name = "CXXRTL"
    command = ("./bench",)

    def __init__(self, folder):
        super().__init__(folder)
        self.need("g++")
        headers = cxxrtl_headers()
        (folder / "top.cc").write_text(written(*WORD_CELLS, "write_cxxrtl -O6 -g0"))
        set_inputs = "".join(f"top.p_{p.replace('_', '__')}.set({p});" for p in INPUTS)
        text = harness(
            '#include "top.cc"',
            "cxxrtl_design::p_top top;",
            # What an output shows is stale until the step after the edge.
            f"{set_inputs} top.p_clk.set(true); top.step(); top.p_clk.set(false); top.step();"
            + "".join(f"{p} = top.p_{p}.get<std::uint32_t>();" for p in OUTPUTS),
        )
        (folder / "bench.cpp").write_text(text)
        self.build(
            "g++", "-O3", "-march=native", "-std=c++17", f"-I{headers}", "-o", "bench", "bench.cpp"
        )


class Sized(Evaluator):
    """An evaluator that takes many cases at a time; `size` is how many, 2^size."""

    sizes = range(16, 22)

    def __init__(self, folder):
        super().__init__(folder)
        self.size = self.sizes[0]

    @property
    def size(self):
        return self._size

    @size.setter
    def size(self, size):
        self._size = size
        self.cases = np.arange(max(CASES, 1 << size)) % CASES
        self.prepare(self.cases.reshape(-1, 1 << size))

    def prepare(self, blocks):
        """Packs the cases, a block at a time."""
        raise NotImplementedError


def planes(block):
    """The planes of the inputs, as integers."""
    return [plane for name, column in inputs(block).items() for plane in pack(column, INPUTS[name])]


class Integers(Sized):
    """This project's evaluator, a wire one Python integer."""

    name = "carrywave, integers"
    sizes = range(15, 20)

    def __init__(self, folder):
        netlist = gates()
        sources, self.wires = wires(netlist)
        self.function = compile_wires(netlist, self.wires, sources)
        super().__init__(folder)

    def prepare(self, blocks):
        self.ones = (1 << blocks.shape[1]) - 1
        self.blocks = [planes(block) for block in blocks]

    def answer(self):
        for block in self.blocks:
            self.function(block, self.ones)

    def outputs(self):
        rows = 1 << self.size
        return np.concatenate([
            unpack(self.function(block, self.ones), rows, np.uint16) for block in self.blocks
        ])  # fmt: skip


class Words(Integers):
    """The same function, a wire a NumPy array of 64-bit words."""

    name = "carrywave, NumPy words"
    sizes = range(17, 22)

    def prepare(self, blocks):
        size = blocks.shape[1] // 8
        self.ones = np.full(size // 8, 2**64 - 1, np.uint64)
        self.blocks = [
            [np.frombuffer(plane.to_bytes(size, "little"), "<u8") for plane in planes(block)]
            for block in blocks
        ]

    def outputs(self):
        answers = []
        for block in self.blocks:
            answer = self.function(block, self.ones)
            numbers = [int.from_bytes(array.tobytes(), "little") for array in answer]
            answers.append(unpack(numbers, 1 << self.size, np.uint16))
        return np.concatenate(answers)


class KeptWords(Words):
    """NumPy calls that write into arrays which are kept."""

    name = "carrywave, NumPy words kept"

    def __init__(self, folder):
        super().__init__(folder)
        netlist = gates()
        sources, self.wires = wires(netlist)
        self.function = compile_words(netlist, self.wires, sources)


class KyuPy(Sized):
    """Bit-parallel, its gates a table that compiled code walks through."""

    name = "KyuPy LogicSim, numba"

    def __init__(self, folder):
        try:
            import_module("numba")  # without it KyuPy works, many times slower
            with redirect_stderr(StringIO()), redirect_stdout(StringIO()):  # it misses a GPU aloud
                from kyupy import log
                from kyupy.circuit import Circuit, Line, Node
                from kyupy.logic_sim import LogicSim
        except ImportError:
            raise MissingError("pip install kyupy numba") from None
        log.filter = 2  # it says how long it took
        netlist = gates()
        sources, results = wires(netlist)
        self.simulator = LogicSim
        self.circuit = circuit = Circuit("adder")
        nets = {}
        for wire in (*sources, *(gate.output for gate in netlist.gates)):
            nets[wire] = Node(circuit, f"w{wire}")
        for i, wire in enumerate(sources):
            circuit.io_nodes.append(port := Node(circuit, f"i{i}", "input"))
            Line(circuit, port, nets[wire])
        for gate in netlist.gates:
            kind = "INV1" if gate.kind == "NOT" else f"{gate.kind}2"
            node = Node(circuit, f"g{gate.output}", kind)
            Line(circuit, node, nets[gate.output])
            for pin, wire in enumerate(gate.inputs):
                Line(circuit, nets[wire], (node, pin))
        for i, wire in enumerate(results):
            circuit.io_nodes.append(port := Node(circuit, f"o{i}", "output"))
            Line(circuit, nets[wire], port)
        super().__init__(folder)

    def prepare(self, blocks):
        self.blocks = []
        rows = blocks.shape[1]
        for block in blocks:
            # Both options make it faster.
            simulator = self.simulator(self.circuit, rows, m=2, c_reuse=True, strip_forks=True)
            packed = [plane.to_bytes(rows // 8, "little") for plane in planes(block)]
            simulator.s[0, : len(packed), 0] = [np.frombuffer(plane, np.uint8) for plane in packed]
            simulator.s_to_c()
            self.blocks.append(simulator)

    def answer(self):
        for simulator in self.blocks:
            simulator.c_prop()

    def outputs(self):
        answers = []
        count = sum(OUTPUTS.values())
        for simulator in self.blocks:
            simulator.s_to_c()
            simulator.c_prop()
            simulator.c_to_s()
            numbers = [int.from_bytes(p.tobytes(), "little") for p in simulator.s[1, -count:, 0]]
            answers.append(unpack(numbers, simulator.sims, np.uint16))
        return np.concatenate(answers)


EVALUATORS = (
    Clocked, PyRtlFast, PyRtlCompiled, Icarus, Verilator, Cxxrtl, KyuPy, Integers, Words, KeptWords,
)  # fmt: skip
