"""What matters in a waveform: the clocks that a timing diagram is drawn around, and why."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from carrywave.sim.family.instructions import BY_OPCODE

from ..vcd.read import CHUNK, Columns, read_clocks
from ..vcd.signals import EMULATOR, SIGNALS

#: The hardware's signal for each of an emulator's; the status byte's are its flags.
BESIDE: Final = {
    spec.path: other.path
    for spec in EMULATOR
    for other in SIGNALS
    if other.name == spec.name and other.scope in ("unit", "unit.status", "unit.stack")
}
#: What is looked for, the first of these that there is.
DISAGREEMENT, NMI, IRQ, RESET, CROSSING, OVERFLOW = RANKS = range(6)
_ENTRIES: Final = {"NMI": (NMI, "unit.nmi_n"), "IRQ": (IRQ, "unit.irq_n"), "RESET": (RESET, "")}
LEAD: Final = 4  # clocks that are seen before what matters
_KEPT: Final = 64  # clocks of one chunk that are looked at with the next: the longest sequence
_NEAR: Final = 12  # clocks before an entry in which the pin's edge is shown, too


def differing(columns: Columns) -> tuple[int, list[str]]:
    """The first fetch that begins with an emulator's signals unlike the hardware's, and which.

    Within an instruction they still are those before it; no signals, if all are alike.
    """
    known = [path for path in BESIDE if path in columns]
    fetches = np.flatnonzero(columns.get("unit.sync", []))
    unlike = {path: (columns[path] != columns[BESIDE[path]])[fetches] for path in known}
    wrong = np.any([*unlike.values(), np.zeros(len(fetches), np.bool_)], axis=0)
    first = int(wrong.argmax()) if wrong.any() else 0
    at = int(fetches[first]) if len(fetches) else 0
    return at, [path for path in known if len(fetches) and unlike[path][first]]


@dataclass(frozen=True)
class Choice:
    """A clock that matters and why; `since` is the one from which on it is to be seen."""

    since: int
    clock: int
    why: str


def choose(path: str | os.PathLike[str], chunk: int = CHUNK) -> Choice:
    """What matters most in a dump; of a kind, the first. Raises DumpError.

    Where nothing does, the first instruction, or the first clock of a part of a run.
    """
    look = _Look()
    read_clocks(path, look.chunk, chunk, EMULATOR)
    if look.found:
        return look.found[min(look.found)]
    begin = look.start if look.begin is None else look.begin
    why = "from the first instruction on: no interrupt, page crossing or overflow is in it"
    return Choice(begin, begin, why)


class _Look:
    """Goes through a dump, chunk by chunk, and keeps the first of each kind."""

    def __init__(self) -> None:
        self.found: dict[int, Choice] = {}
        self.start = 0  # the first clock of the file
        self.begin: int | None = None  # that of the first instruction
        self.kept: Columns = {}

    def chunk(self, columns: Columns, first: int) -> None:
        """Takes the next clocks of the file, the first of which is the clock `first`."""
        if self.kept:
            first -= len(self.kept["unit.sync"])
            columns = {name: np.concatenate([self.kept[name], columns[name]]) for name in columns}
        else:
            self.start = first
        self.kept = {name: column[-_KEPT:] for name, column in columns.items()}
        begins = np.flatnonzero(columns["unit.sync"])
        names = columns["unit.mnemonic"][begins]
        if self.begin is None:
            after = [0] if self.start else begins[names != "RESET"]
            self.begin = first + int(after[0]) if len(after) else None
        self._entries(columns, first, begins, names)
        self._disagreement(columns, first)
        if len(begins) > 1:
            self._crossing(columns, first, begins, names)
            self._overflow(columns, first, begins, names)

    def _keep(self, rank: int, since: int, clock: int, why: str) -> None:
        since = max(self.start, since - LEAD)
        self.found.setdefault(rank, Choice(since, clock, f"around {why} in clock {clock}"))

    def _entries(self, columns: Columns, first: int, begins: Any, names: Any) -> None:
        for name, (rank, pin) in _ENTRIES.items():
            at = [int(begin) for begin in begins[names == name]]
            if rank == RESET:  # that which a run begins with is its set-up
                at = [begin for begin in at if first + begin > self.start]
            if not at:
                continue
            since = at[0]
            if pin:
                levels = columns[pin]
                falls = np.flatnonzero(levels[1:] < levels[:-1]) + 1
                near = falls[(falls <= since) & (falls > since - _NEAR)]
                since = int(near[-1]) if len(near) else since
            self._keep(rank, first + since, first + at[0], f"the entry of the {name}")

    def _disagreement(self, columns: Columns, first: int) -> None:
        at, wrong = differing(columns)
        if wrong:
            names = " ".join(path.rpartition(".")[2].upper() for path in wrong)
            clock = first + at
            self._keep(DISAGREEMENT, clock, clock, f"the emulator's disagreement in {names}")

    def _crossing(self, columns: Columns, first: int, begins: Any, names: Any) -> None:
        variant = str(columns["unit.variant"][0])
        lengths = np.diff(begins)
        for i in np.flatnonzero(lengths > _least(variant)[columns["unit.data_in"][begins[:-1]]]):
            begin = int(begins[i])
            code = BY_OPCODE.get(int(columns["unit.data_in"][begin]))
            if code is None or code.mnemonic != names[i]:  # an entry, which fetches nothing
                continue
            more = int(lengths[i]) - code.clocks_on(variant)
            decimal = variant == "cmos" and code.mnemonic in ("ADC", "SBC")
            if more > (columns["unit.status.d"][begin] if decimal else code.branches):
                clock = first + begin + code.clocks_on(variant) - 1 + 2 * code.branches
                self._keep(CROSSING, first + begin, clock, f"the page crossing of {code.mnemonic}")
                return

    def _overflow(self, columns: Columns, first: int, begins: Any, names: Any) -> None:
        v = columns["unit.status.v"]
        sets = (v[begins[:-1]] == 0) & (v[begins[1:]] == 1)
        for i in np.flatnonzero(sets & np.isin(names[:-1], ("ADC", "SBC")))[:1]:
            self._keep(
                OVERFLOW, first + int(begins[i]), first + int(begins[i + 1]),
                f"the overflow of {names[i]}, whose V stands",
            )  # fmt: skip


def _least(variant: str) -> Any:
    """The clocks that each opcode always takes; of those outside the documented set too many."""
    known = {code: one.clocks_on(variant) for code, one in BY_OPCODE.items()}
    return np.array([known.get(code, _KEPT) for code in range(256)])
