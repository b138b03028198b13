"""How a viewer shows a waveform: which signals in which group, as text, hexadecimal or single bits.

One table for all viewers. GTKWave takes it as a save file, Surfer as a file of commands.
"""

from __future__ import annotations

import os
import shlex
from dataclasses import dataclass
from typing import IO, Final

from .read import first_clocks
from .signals import EMULATOR, PERIOD, SIGNALS, SignalSpec

#: The groups from above, each with its signals; what is left out is found in the viewer's tree.
GROUPS: Final = {
    "instruction": "mnemonic control.clock_number sync",
    "bus": "address data_in data_out write",
    "pins": "clk reset_n irq_n nmi_n",
    "registers": "pc a x y stack.sp",
    "flags": "status.n status.v status.d status.i status.z status.c",
    "adder": "alu.operation alu.a alu.operand alu.sum alu.result "
    "alu.c8 alu.c7 alu.c6 alu.c5 alu.c4 alu.c3 alu.c2 alu.c1 alu.c0",
    "from the adder": "alu.n alu.v alu.z alu.c",
    "stack": "stack.push stack.pull",
}
GTKWAVE, SURFER = ENDINGS = ".gtkw", ".sucl"
_SPECS: Final = {spec.path: spec for spec in SIGNALS}
#: As GTKWave counts it: 200 dots show 2^12 ns, so a clock is some fifty dots wide.
_ZOOM: Final = -12.0
_SHOWN: Final = 24  # clocks that Surfer's window is to show, half or twice as many
_FORMATS: Final = {"ascii": "ASCII", "bin": "Binary", "hex": "Hexadecimal"}


@dataclass(frozen=True)
class View:
    """A dump as a viewer is to show it: how many clocks it has, and the one to begin at."""

    dump: str
    clocks: int
    start: int
    emulator: bool = False

    def groups(self) -> dict[str, list[SignalSpec]]:
        """The signals of each group; an emulator's where the dump has them."""
        named = {}
        for name, paths in GROUPS.items():
            named[name] = [_SPECS[f"unit.{path}"] for path in paths.split()]
            if name == "flags" and self.emulator:
                named["emulator"] = [*EMULATOR]
        return named


def view_of(dump: str, start: int | None = None) -> View:
    """How to show a dump: from its first instruction on, if no clock is given to `start` at.

    A part of a run begins with its first clock. Raises DumpError.
    """
    head, first, clocks = first_clocks(dump, beside=EMULATOR)
    if start is None:
        begins = (head["unit.sync"] == 1) & (head["unit.mnemonic"] != "RESET")
        start = first + (int(begins.argmax()) if first == 0 else 0)
    return View(dump, clocks, start, EMULATOR[0].path in head)


def name_of(spec: SignalSpec) -> str:
    """What a row is called: with its scope, since two are a `c`. GTKWave cuts names at a point."""
    return spec.path.removeprefix("unit.").replace(".", " ")


def format_of(spec: SignalSpec) -> str:
    """As which a signal is shown: "ascii", "bin" for a bit, else "hex"."""
    return "ascii" if spec.text else "bin" if spec.width == 1 else "hex"


def write_layout(file: IO[str], path: str, view: View) -> None:
    """Writes how a viewer shows a dump; the ending of the file's `path` says which viewer."""
    if path.lower().endswith(SURFER):
        _write_surfer(file, view)
    else:
        _write_gtkwave(file, path, view)


def opening_command(path: str, dump: str) -> str:
    """What to type to see a dump in this layout, in the folder from which both are named."""
    if path.lower().endswith(SURFER):
        return shlex.join(["surfer", dump, "--command-file", path])
    return shlex.join(["gtkwave", dump, path])


def _write_gtkwave(file: IO[str], path: str, view: View) -> None:
    from vcd.gtkw import GTKWSave

    save = GTKWSave(file)
    # From how these two lie to each other GTKWave finds the dump in whatever folder it is started.
    save.savefile(os.path.basename(path), abspath=False)
    folder = os.path.dirname(os.path.abspath(path))
    save.dumpfile(os.path.relpath(view.dump, folder), abspath=False)
    save.timestart(view.start * PERIOD)
    save.zoom_markers(_ZOOM, view.start * PERIOD)
    save.size(1400, 900)
    save.sst_expanded(False)  # the tree of signals: the waves have its place
    save.treeopen("unit.")
    save.signals_width(240)
    for name, specs in view.groups().items():
        save.begin_group(name)
        for spec in specs:
            span = f"[{spec.width - 1}:0]" if spec.width > 1 else ""
            save.trace(f"{spec.path}{span}", name_of(spec), datafmt=format_of(spec))
        save.end_group(name, closed=True)  # takes no row of its own so; the group is open


def _write_surfer(file: IO[str], view: View) -> None:
    """The commands act on the row that has the focus, and rows have letters for numbers.

    A group is made around its first row, and what is added while that has the focus comes into it;
    a folded one takes the next row behind it. Source: the package wavedisp 1.4.1, which writes such
    files (READ). The zoom's commands are from memory; one that Surfer does not know is left out.
    """

    def focus(row: int) -> str:
        return "item_focus " + "".join("abcdefghijklmnop"[int(digit, 16)] for digit in f"{row:x}")

    lines = ["# How Surfer shows a waveform of Carrywave."]
    for header, (name, specs) in enumerate(view.groups().items()):
        for row, spec in enumerate(specs, header + 1):
            lines += [f"variable_add {spec.path}"]
            if row == header + 1:
                lines += [focus(header), f"group_marked {name.replace(' ', '_')}"]
            lines += [focus(row), f"item_set_format {_FORMATS[format_of(spec)]}"]
            if name_of(spec) != spec.name:
                lines += [f"item_rename {name_of(spec)}"]
        lines += [focus(header)]
        if " " in name:
            lines += [f"item_rename {name}"]
        lines += ["group_fold_recursive", focus(header)]
    lines += ["group_unfold_all", "item_unfocus", "zoom_fit"]
    halved = max(0, round(view.clocks / _SHOWN).bit_length() - 1)
    lines += ["zoom_in"] * halved + ["goto_start", f"cursor_set {view.start * PERIOD}"]
    file.write("\n".join(lines) + "\n")
