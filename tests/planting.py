"""The hardware with edits in its source: the package as text, changed and loaded beside itself."""

from __future__ import annotations

import importlib
import itertools
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from carrywave.rtl import datapath
from carrywave.rtl.variant import Variant
from carrywave.sim.netlist.synthesis import SCRIPT, Netlist, netlist_by

RTL = Path(datapath.__file__).parent
COUNT = itertools.count()


@dataclass(frozen=True)
class Edit:
    """A mistake in a file of `rtl/`: text that stands there once, and what it becomes.

    `seen` is what sees it: a row of the proof and a property there, as ``INX x``; or ``refused``
    and the wire that the one line names; or ``equivalent``: nobody can see it.
    """

    file: str
    old: str
    new: str
    seen: str
    variant: str = "nmos"

    def __str__(self) -> str:
        return f"{self.seen} {self.variant}, {self.file}: {self.new.strip()[:40]}"


@contextmanager
def planted(edits: Iterable[Edit]) -> Iterator[None]:
    """In it, the unit is that of a source with these edits, whatever is built around it."""
    name = f"edited_{next(COUNT)}"
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        package = Path(folder, name)
        shutil.copytree(RTL, package, ignore=shutil.ignore_patterns("__pycache__"))
        for edit in edits:
            path = package / f"{edit.file}.py"
            text = path.read_text()
            assert text.count(edit.old) == 1, f"{edit}: there {text.count(edit.old)} times"
            path.write_text(text.replace(edit.old, edit.new))
        patch.syspath_prepend(folder)
        patch.setattr(sys, "dont_write_bytecode", True)
        try:
            unit = importlib.import_module(f"{name}.datapath").Unit
            # The variants of that package are its own.
            patch.setattr(datapath, "Unit", lambda one, *more: unit(Variant(one).value, *more))
            yield
        finally:
            for module in [one for one in sys.modules if one.partition(".")[0] == name]:
                del sys.modules[module]


def edited(edits: Iterable[Edit], variant: str) -> Netlist:
    """The netlist of the hardware with these edits."""
    with planted(edits):
        return netlist_by(SCRIPT, variant)
