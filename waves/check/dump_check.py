"""Checks a dump against the model with nothing but the file.

At every clock the chain must be an adder's chain and the ALU's flags must follow from it; the bus
must show the published activity; and between instructions the registers, flags and writes must be
the model's. What no rule can check are the pins, the bytes that memory holds and the state at
power-up: they are the run's input. Two reads of one address must still agree.
"""

import os
from itertools import pairwise

import numpy as np

from carrywave.sim.cases.kinds import BY_KEY
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.sim.witness.model import decide_event

from ..vcd.read import CHUNK, Columns, read_clocks
from .findings import SHOWN, CheckReport, Finding, Window
from .rules import judge_alike, judge_chain

Alike = tuple[int, bool]  # a key of BY_KEY, and whether an NMI takes the vector


def check_dump(path: str | os.PathLike[str], chunk: int = CHUNK) -> CheckReport:
    """Checks a file in constant memory. Raises DumpError if it is no whole dump of this bench."""
    checker = _Checker()
    checker.report.clocks = read_clocks(path, checker.consume, chunk)
    checker.finish()
    return checker.report


class _Checker:
    """Takes the clocks in chunks and judges each sequence of clocks once it is complete."""

    def __init__(self) -> None:
        self.report = CheckReport()
        self.kept: Columns = {}  # the clocks of the sequence that is not complete
        self.memory: dict[int, int] = {}
        self.follow = ""  # the event that must come next; "" before the first
        self.nmi_waiting = False
        self.nmi_before = 1
        self.opcode_before: int | None = None
        self.begun, self.end = False, 0
        self.unknown = False  # what the first sequence of a later part of a run had waiting

    def consume(self, columns: Columns, first: int) -> None:
        """Judges the sequences that these clocks complete."""
        if not self.report.variant:
            self.report.first = first
            self.report.variant = str(columns["unit.variant"][0])
        if self.kept:
            first -= len(self.kept["unit.sync"])
            columns = {
                path: np.concatenate([self.kept[path], column]) for path, column in columns.items()
            }
        starts = np.flatnonzero(columns["unit.sync"])
        if not self.begun and first:
            # Part of a run: of a sequence whose beginning it does not show, the adder is judged.
            head = int(starts[0]) if len(starts) else len(columns["unit.sync"])
            self._judge_head({path: column[:head] for path, column in columns.items()}, first)
            columns = {path: column[head:] for path, column in columns.items()}
            starts, first = starts - head, first + head
            if not len(starts):
                return
            self.begun, self.unknown = True, True
            self.nmi_before = int(columns["unit.nmi_n"][0])
        elif not self.begun and (not len(starts) or starts[0] != 0):
            starts = np.concatenate([[0], starts])
        self.begun, self.end = True, first + len(columns["unit.sync"])
        window = Window(columns, first, starts, self.report)
        if self.report.variant in VARIANTS:
            self._judge(window)
        self.kept = {path: column[starts[-1] :] for path, column in columns.items()}

    def _judge_head(self, columns: Columns, first: int) -> None:
        """Judges clocks of a sequence that has begun before them."""
        if len(columns["unit.sync"]) and self.report.variant in VARIANTS:
            window = Window(columns, first, np.array([0, len(columns["unit.sync"])]), self.report)
            window.names = [f"{columns['unit.mnemonic'][0]}, begun before"]
            judge_chain(window)

    def finish(self) -> None:
        """Judges what can be judged of a last, incomplete sequence, and orders the findings."""
        report = self.report
        if report.variant not in VARIANTS:
            report.disagreements += 1
            found, expected = repr(report.variant), "a known variant"
            report.findings.append(Finding(0, "unit.variant", "the first clock", found, expected))
        elif self.kept:
            count = len(self.kept["unit.sync"])
            window = Window(self.kept, self.end - count, np.array([0, count]), report)
            self._judge(window, closing=True)
        report.findings = sorted(report.findings)[:SHOWN]

    def _judge(self, window: Window, closing: bool = False) -> None:
        """Judges a window's sequences; `closing`: there is one, which the file's end cut short."""
        groups = self._name_sequences(window, closing)
        length = int(window.starts[-1])
        judged = Window(
            {path: column[:length] for path, column in window.columns.items()},
            window.first, window.starts, self.report,
        )  # fmt: skip
        judged.names = window.names
        judge_chain(judged)
        self._judge_memory(window, length)
        for (key, hijacked), members in groups.items():
            judge_alike(window, BY_KEY[key], hijacked, *np.array(members).T)
        self.report.findings = sorted(self.report.findings)[:SHOWN]

    def _name_sequences(self, window: Window, closing: bool) -> dict[Alike, list[tuple[int, bool]]]:
        """Says what each sequence must be, by the pins and the byte fetched; groups what is alike.

        A member of a group is the sequence's number, and whether it was cut short.
        """
        starts = window.starts.tolist()
        irq_n, nmi_n, reset_n, masked, data, pc = (
            window[f"unit.{path}"].tolist()
            for path in ("irq_n", "nmi_n", "reset_n", "status.i", "data_in", "pc")
        )
        mnemonics = window["unit.mnemonic"]
        groups: dict[Alike, list[tuple[int, bool]]] = {}
        for k, (start, end) in enumerate(pairwise(starts)):
            event = mnemonics[start] if mnemonics[start] in EVENTS else "instruction"
            follow = self.follow or event
            key = EVENTS.index(follow) << 8 or data[start]
            name = BY_KEY[key].mnemonic if key in BY_KEY else "?"
            window.names.append(f"{name} at {pc[start]:04X}")
            window.must("unit.mnemonic", name, slice(start, end))
            if self.opcode_before is not None:
                window.must("unit.control.opcode", self.opcode_before, slice(start, start + 1))
            self.opcode_before = 0 if follow in EVENTS[1:] else data[start]

            # What follows is decided in the last clock but one: an NMI edge in the last one waits.
            edges = []
            for row in range(start, end):
                if self.nmi_before and not nmi_n[row]:
                    edges.append(row - start)
                self.nmi_before = nmi_n[row]
            cut = not all(reset_n[start:end])
            hijacked = False
            if name in ("BRK", "IRQ") and self.report.variant != "cmos":
                hijacked = self.nmi_waiting or any(edge < 4 for edge in edges)
                if hijacked:
                    self.nmi_waiting = False
                    edges = [edge for edge in edges if edge >= 4]
            last = end - start - 1
            waiting = self.nmi_waiting or any(edge < last for edge in edges)
            then = end - 2
            self.follow = decide_event(name, bool(masked[then]), not irq_n[then], waiting)
            if self.unknown and not closing:
                waiting |= mnemonics[end] == "NMI"
                self.follow = "NMI" if mnemonics[end] == "NMI" else self.follow
            self.unknown = False
            self.nmi_waiting = last in edges or (waiting and self.follow != "NMI")
            if cut:
                self.follow, self.nmi_waiting = "RESET", False
            cut |= closing
            if key in BY_KEY:
                groups.setdefault((key, hijacked), []).append((k, cut))
                self.report.instructions += not cut
                self.report.entries += not cut and follow in EVENTS[1:]
            elif not cut or end - start > 1:  # the unit must not go on with it
                window.must("unit.data_in", "a documented opcode", slice(start, start + 1))
        return groups

    def _judge_memory(self, w: Window, length: int) -> None:
        """What is read must be what was written, or read, there before."""
        memory = self.memory
        names = ("address", "data_in", "data_out", "write")
        columns = (w[f"unit.{name}"][:length].tolist() for name in names)
        expected = []
        for address, data_in, data_out, write in zip(*columns, strict=True):
            expected.append(memory.get(address, data_in))
            memory[address] = data_out if write else expected[-1]
        w.must("unit.data_in", np.array(expected, np.int64), slice(0, length))
