"""The hardware of a board as gates: many boards at once, a case each; or one on its line."""

from __future__ import annotations

import ctypes
import json
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ..cases.layout import OUTCOME, Cases, Outcomes
from ..netlist.compiled import EXPRESSIONS, compile_wires, pack, unpack
from ..netlist.synthesis import ONE, ZERO, Netlist, parse, run_yosys
from ..system.children import temporary_folder
from .frames import CASE_KIND, FLAG, case_payload, framed, outcome_of, unframed

if TYPE_CHECKING:
    from amaranth.lib.wiring import Component

SCRIPT: Final = (
    "hierarchy -top top", "proc", "flatten", "opt", "memory", "setundef -undriven -zero", "opt",
    "techmap", "opt_expr", "opt_merge", "opt_clean",
    "dfflegalize -cell $_DFF_P_ 01", "simplemap", "opt_expr", "opt_merge", "opt_clean",
)  # fmt: skip
DIVISOR: Final = 4  # clocks in a bit of a line that no line limits
ROOM: Final = 64  # bytes; each of them costs some 20 gates
KILOHERTZ: Final = 200  # about what it is, in C
LANES: Final = 1 << 14
POWER_UP: Final = 100  # clocks


@dataclass(frozen=True)
class GateMachine:
    """The gates of some hardware, and the state of its flip-flops at power-up."""

    netlist: Netlist
    state: list[int]


def machine_of(component: Component, ports: Sequence[str]) -> GateMachine:
    """What Yosys makes of a component. Raises NetlistError if it makes nothing of it."""
    return machine_of_rtlil(rtlil_of(component, ports))


def rtlil_of(component: Component, ports: Sequence[str]) -> str:
    """A component as a module `top`, in RTLIL."""
    from amaranth.back import rtlil
    from amaranth.hdl import ClockDomain, Module

    module, domain = Module(), ClockDomain("sync", reset_less=True)
    module.domains += domain
    module.submodules.board = component
    signals = [domain.clk, *(getattr(component, port) for port in ports)]
    return str(rtlil.convert(module, ports=signals, emit_src=False))


def machine_of_rtlil(text: str) -> GateMachine:
    """What Yosys makes of a module `top`. Raises NetlistError if it makes nothing of it."""
    design = json.loads(run_yosys(text, (*SCRIPT, "write_json FILE"), ".json"))
    netlist, known = parse(design), dict[int, int]()
    for net in design["modules"]["top"]["netnames"].values():
        init = reversed(net["attributes"].get("init", ""))
        known |= {bit: int(value == "1") for bit, value in zip(net["bits"], init, strict=False)
                  if isinstance(bit, int) and value in "01"}  # fmt: skip
    return GateMachine(netlist, [known.get(q, 0) for q, _ in netlist.flops])


def core_machine(variant: str) -> GateMachine:
    """A board of a variant without its line."""
    return machine_of_rtlil(core_rtlil(variant))


def core_rtlil(variant: str) -> str:
    """The same as a module `top`, for whoever makes something else of it."""
    from carrywave.rtl.board.player_board import PlayerCore, UnitSocket

    ports = ("byte", "valid", "ready", "answer", "answer_valid", "answer_ready")
    return rtlil_of(PlayerCore(UnitSocket(variant), b"\0"), ports)


def board_machine(variant: str, socket: Component | None = None) -> GateMachine:
    """A board of a variant with its line."""
    from carrywave.rtl.board.player_board import PlayerBoard

    board = PlayerBoard(variant, DIVISOR, ROOM, KILOHERTZ, socket)
    return machine_of(board, ("receive", "transmit"))


class ManyBoards:
    """A witness: as many boards as there are cases, each asked one case in a frame."""

    complements = True  # what is not listed, as `case_memory` has it

    def __init__(self, machine: GateMachine) -> None:
        """`machine` is a `core_machine`."""
        net = machine.netlist
        self._inputs = [*net.inputs]
        wires = [*net.outputs["answer"], *net.outputs["answer_valid"], *(d for _, d in net.flops)]
        self._clock = compile_wires(net, wires, net.sources)
        self._state = machine.state
        for _ in range(POWER_UP):
            self._state = self._after(self._state, {}, 1)[9:]

    def _after(self, state: Sequence[int], inputs: dict[str, list[int]], ones: int) -> list[int]:
        quiet = {"byte": [0] * 8, "valid": [0], "answer_ready": [ones]} | inputs
        given = [plane for name in self._inputs for plane in quiet[name]]
        return list(self._clock([*state, *given], ones))

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises NoEndError for one that has no end."""
        cases = np.asarray(cases)
        flat = cases.reshape(-1)
        outcomes = np.zeros(len(flat), OUTCOME)
        for start in range(0, len(flat), LANES):
            part = flat[start : start + LANES]
            answers = self.converse([framed(case_payload(one), CASE_KIND, 0) for one in part])
            for i, answer in enumerate(answers, start):
                found = unframed(answer.removesuffix(bytes([FLAG])))
                assert found is not None, f"case {i}: {answer.hex(' ')}"
                outcomes[i] = outcome_of(found[0])
        return outcomes.reshape(cases.shape)

    def converse(self, frames: Sequence[bytes], clocks: int = 2000) -> list[bytes]:
        """Tells each board a frame, and hears the answer of each, within so many clocks."""
        rows, longest = len(frames), max(map(len, frames))
        ones = (1 << rows) - 1
        flags = bytes([FLAG])
        padded = b"".join(frame.rjust(longest, flags) for frame in frames)
        told = np.frombuffer(padded, np.uint8).reshape(rows, longest)
        state = [ones * bit for bit in self._state]
        heard, valid, clock, left = [], [], 0, ones
        while left:
            given = {"byte": pack(told[:, clock], 8), "valid": [ones]} if clock < longest else {}
            after = self._after(state, given, ones)
            byte, present, state = after[:8], after[8], after[9:]
            if present:
                heard.append(unpack(byte, rows, np.uint8))
                valid.append(unpack([present], rows, np.uint8).view(np.bool_))
                ended = present
                for bit, plane in enumerate(byte):
                    ended &= plane if FLAG >> bit & 1 else plane ^ ones
                left &= ~ended
            clock += 1
            assert clock < clocks, "a board does not answer"
        said, there = np.array(heard).T, np.array(valid).T
        return [bytes(row[mask]) for row, mask in zip(said, there, strict=True)]


class Line:
    """One board on its serial line, bit by bit.

    In C, where there is a compiler, at some hundred thousand clocks a second; else in Python.
    """

    def __init__(self, machine: GateMachine) -> None:
        """`machine` is a `board_machine`."""
        net = machine.netlist
        self._state = np.array(machine.state, np.uint8)
        wires = [*net.outputs["transmit"], *(d for _, d in net.flops)]
        compiler = shutil.which("cc")
        self.compiled = compiler is not None
        if compiler is None:
            self._clock = compile_wires(net, wires, net.sources)
        else:
            self._library = _in_c(compiler, net, wires)

    def run(self, bits: np.ndarray[Any, np.dtype[np.uint8]]) -> np.ndarray[Any, Any]:
        """The line from the board, clock by clock, while the one to it is as given."""
        out = np.empty(len(bits), np.uint8)
        if self.compiled:
            self._library.run(*(each.ctypes.data_as(ctypes.c_void_p)
                                for each in (self._state, bits, out)), len(bits))  # fmt: skip
            return out
        state = self._state.tolist()
        for i, bit in enumerate(bits.tolist()):
            out[i], *state = self._clock([*state, bit], 1)
        self._state = np.array(state, np.uint8)
        return out


PIECE: Final = 60  # gates in a function: for long ones compilers take much longer


def _in_c(compiler: str, net: Netlist, wires: Sequence[int]) -> Any:
    """A library with `run`: the netlist clock by clock, a wire a byte."""
    places = {wire: i for i, wire in enumerate([ZERO, ONE, *net.sources])}
    places |= {gate.output: i for i, gate in enumerate(net.gates, len(places))}
    flops, first = len(net.flops), 2
    pieces = [net.gates[i : i + PIECE] for i in range(0, len(net.gates), PIECE)]
    lines = [f"static unsigned char w[{len(places)}] = {{0, 1}}, d[{flops}];", "enum {ones = 1};"]
    for number, piece in enumerate(pieces):
        lines.append(f"static void f{number}(void) {{")
        for gate in piece:
            expression = EXPRESSIONS[gate.kind].format(*(f"w[{places[i]}]" for i in gate.inputs))
            lines.append(f" w[{places[gate.output]}] = {expression};")
        lines.append("}")
    lines += [
        "void run(unsigned char *q, const unsigned char *bits, unsigned char *out, long n) {",
        f" for (int i = 0; i < {flops}; i++) w[{first} + i] = q[i];",
        " for (long k = 0; k < n; k++) {", f"  w[{first + flops}] = bits[k];",
        *(f"  f{number}();" for number in range(len(pieces))),
        f"  out[k] = w[{places[wires[0]]}];",
        *(f"  d[{i}] = w[{places[wire]}];" for i, wire in enumerate(wires[1:])),
        f"  for (int i = 0; i < {flops}; i++) w[{first} + i] = d[i];",
        " }", f" for (int i = 0; i < {flops}; i++) q[i] = w[{first} + i];", "}", "",
    ]  # fmt: skip
    with temporary_folder() as folder:
        source, library = Path(folder, "board.c"), Path(folder, "board.so")
        source.write_text("\n".join(lines))
        subprocess.run([compiler, "-O1", "-shared", "-fPIC", "-o", library, source], check=True)
        return ctypes.CDLL(str(library))
