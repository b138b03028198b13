"""What a check reports: one signal, at one time, in one instruction."""

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..vcd.read import Columns
from ..vcd.signals import PERIOD, SIGNALS

Array = npt.NDArray[Any]

SHOWN: Final = 20  # findings kept; the others are counted
WIDTHS: Final = {spec.path: spec.width for spec in SIGNALS}


@dataclass(frozen=True, order=True, slots=True)
class Finding:
    """One signal that is not what it must be."""

    clock: int
    signal: str
    instruction: str  # mnemonic and address
    found: str
    expected: str

    def __str__(self) -> str:
        """One line, with the time as a viewer shows it."""
        return (
            f"{self.signal} at {self.clock * PERIOD} ns (clock {self.clock}), "
            f"in {self.instruction}: is {self.found}, must be {self.expected}"
        )


@dataclass
class CheckReport:
    """What was compared, and what was not as it must be."""

    variant: str = ""
    clocks: int = 0
    instructions: int = 0  # with the entries of interrupts and resets
    entries: int = 0  # these alone
    first: int = 0  # clock
    compared: int = 0  # values
    disagreements: int = 0
    findings: list[Finding] = field(default_factory=list)  # the first ones, by time

    @property
    def agree(self) -> bool:
        """True if something was compared and nothing differed."""
        return self.compared > 0 and not self.disagreements

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "agree": self.agree,
            "variant": self.variant,
            "checked": {
                "instructions": self.instructions, "entries": self.entries,
                "clocks": self.clocks, "values": self.compared,
            },
            "disagreements": self.disagreements,
            "findings": [
                {
                    "signal": finding.signal, "time": finding.clock * PERIOD,
                    "clock": finding.clock, "instruction": finding.instruction,
                    "found": finding.found, "expected": finding.expected,
                }
                for finding in self.findings
            ],
        }  # fmt: skip


class Window:
    """Clocks whose sequences are complete: row r is clock first + r, and starts[k] begins one."""

    def __init__(self, columns: Columns, first: int, starts: Array, report: CheckReport) -> None:
        self.columns, self.first, self.starts, self.report = columns, first, starts, report
        self.names: list[str] = []  # of each sequence, with its address

    def __getitem__(self, path: str) -> Array:
        return self.columns[path]

    def must(self, path: str, expected: Any, rows: Any = slice(None), late: Any = 0) -> None:
        """Notes where a signal is not as expected in the given rows.

        What an instruction leaves shows in the first clock of the next one: `late` is by how many
        clocks a row lies behind the instruction that a finding is to name.
        """
        found = self.columns[path][rows]
        self.report.compared += len(found)
        bad = np.flatnonzero(found != expected)
        if not len(bad):
            return
        self.report.disagreements += len(bad)
        rows = np.arange(len(self.columns[path]))[rows]
        expected, late = (np.broadcast_to(value, found.shape) for value in (expected, late))
        for i in bad[:SHOWN]:
            k = int(np.searchsorted(self.starts, rows[i] - late[i], "right")) - 1
            values = (spell(path, value) for value in (found[i], expected[i]))
            clock = self.first + int(rows[i])
            self.report.findings.append(Finding(clock, path, self.names[k], *values))


def spell(path: str, value: Any) -> str:
    """A value as a report gives it: a text in quotes, a bit as 0 or 1, a number in hexadecimal."""
    if isinstance(value, str):
        return repr(str(value))
    digits = (WIDTHS[path] + 3) // 4
    return f"{int(value)}" if WIDTHS[path] == 1 else f"{int(value):0{digits}X}"
