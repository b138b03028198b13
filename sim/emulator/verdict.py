"""The verdict on an emulator: put beside the gates, what differs and why, what was covered."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np

from ..cases.case_memory import complemented, possible
from ..cases.kinds import instruction_of
from ..cases.layout import CASE, OUTCOME, Cases, Outcomes
from ..cases.sampled import batches, forms_named
from ..op.operation import operation_command
from ..witness.comparison import FIELDS, Comparison, Disagreement, Witness, outside_of
from ..witness.evened import evened
from ..witness.gates import Gates
from .coverage import Coverage

if TYPE_CHECKING:
    from ..diagnose.question import Cause

EVIDENCE: Final = 1 << 21  # cases that a diagnosis is given whole
THINNED: Final = 63  # then one in so many; odd, so that no bit of a grid stands still


@dataclass(frozen=True)
class Verdict:
    """How an emulator stands beside the gates, and what is likely to be wrong with it.

    `unknown` names fields that were not compared for an instruction, because the makers leave them
    open. `left_out` is the number of cases that were not put, as no memory can hold them;
    `one_write` that of the cases in which the first of two writes to one address did not come.
    """

    variant: str
    comparison: Comparison
    likely: list[Cause] = field(default_factory=list)
    unknown: dict[str, list[str]] = field(default_factory=dict)
    left_out: int = 0
    one_write: int = 0
    coverage: Coverage = field(default_factory=Coverage)
    asked: str = ""  # the command that asks again, but for the instruction

    @property
    def agree(self) -> bool:
        """Whether something was compared and nothing differs."""
        return self.comparison.agree

    @property
    def first(self) -> Disagreement | None:
        """The first wrong case."""
        return self.comparison.first

    @property
    def waveform_command(self) -> str | None:
        """What writes the waveform of the first wrong case."""
        if self.first is None or not self.asked:
            return None
        return f"{self.asked} {instruction_of(self.first.case)} --vcd first.vcd"

    @property
    def command(self) -> str | None:
        """What draws the first wrong case, or for an event writes its waveform."""
        if self.first is None:
            return None
        return operation_command(self.first.case, self.variant) or self.waveform_command

    def to_json(self) -> dict[str, Any]:
        """The same as plain dictionaries, lists and numbers."""
        found = self.comparison.to_json()
        if self.first is not None:
            name = instruction_of(self.first.case)
            found["first"] |= {
                "instruction": name, "command": self.command, "waveform": self.waveform_command,
            }  # fmt: skip
        likely = [cause.to_json() for cause in self.likely]
        return {
            "agree": found.pop("agree"), "variant": self.variant, **found, "likely": likely,
            "unknown": self.unknown, "left_out": self.left_out, "one_write": self.one_write,
            "coverage": self.coverage.to_json(),
        }  # fmt: skip


def judge(
    emulator: Witness,
    variant: str = "nmos",
    names: Collection[str] = (),
    which: str = "quick",
    *,
    skip: Collection[str] = (),
    seed: int = 0,
    gates: Witness | None = None,
    progress: Callable[[int], object] | None = None,
) -> Verdict:
    """Puts the same cases to the gates and to the emulator.

    Those of all instructions and events, or of the `names` that `sampled.forms_named` takes.
    `which` is "quick", some thousand cases of each instruction, or "full", every one that can
    matter. `progress` is told how many are done. Raises what the emulator raises, ValueError for an
    unknown name or field, and NetlistError if the gates cannot be made.
    """
    asked_for = forms_named(names)
    with Trial(emulator, variant, skip, gates) as trial:
        for forms in asked_for.values():
            for cases in batches(forms, which, seed, variant):
                trial.put(cases)
                if progress is not None:
                    progress(trial.total.cases + trial.left_out)
            trial.close_evidence()
    asked = _asked(emulator, variant, which, seed, skip)
    return trial.verdict("RESET" in asked_for, asked)


class Trial:
    """An emulator beside the gates, some cases at a time. Use as a context manager.

    The `emulator` is a witness, or whoever answers what is given to `take`.
    """

    def __init__(
        self, emulator: Any, variant: str, skip: Collection[str] = (),
        gates: Witness | None = None,
    ) -> None:  # fmt: skip
        """Raises as `judge` does."""
        self.emulator, self.variant, self.skip = emulator, variant, skip
        self.total = nothing_compared(skip)
        self.left_out = self.one_write = 0
        self.opcodes: set[int] = set()
        self._gates = gates
        self._evidence = _Evidence()
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        """Begins a thread that waits for the emulator."""
        self._beside = self._stack.enter_context(ThreadPoolExecutor(1))
        self._stack.enter_context(_closed_if_interrupted(self.emulator))
        return self

    def __exit__(self, *how: Any) -> bool | None:
        """Ends it; the emulator is closed if something was raised."""
        return self._stack.__exit__(*how)

    def put(
        self, cases: Cases, expected: Outcomes | None = None, *, counts: bool = True
    ) -> Comparison:
        """Puts cases; what the gates have `expected`, if that is known already.

        Tells how these compare. Without `counts` they are evidence alone.
        """
        fitting = possible(cases)
        if not fitting.all():
            self.left_out += int(np.count_nonzero(~fitting)) if counts else 0
            cases = cases[fitting]
            expected = None if expected is None else expected[fitting]
        # The emulator is another process's work: the other thread mostly waits for it.
        answers = self._beside.submit(self.emulator.execute, cases)
        if expected is None:
            if self._gates is None:
                self._gates = Gates(self.variant)
            expected = self._gates.execute(cases)
        return self.take(cases, expected, answers.result(), counts=counts)

    def take(
        self, cases: Cases, expected: Outcomes, answered: Outcomes, *, counts: bool = True
    ) -> Comparison:
        """The same where the emulator has answered already."""
        actual = evened(cases, expected, answered, self.variant)
        part = Comparison.of(cases, expected, actual, self.skip, outside_of(self.emulator))
        self._evidence.add(part, (cases, expected, actual))
        if counts:
            self.total = self.total.merge(part)
            self.one_write += int(np.count_nonzero(actual["writes"] != answered["writes"]))
            instructions = cases["event"] == 0
            self.opcodes.update(np.unique(cases["read_value"][instructions, 0]).tolist())
        return part

    def close_evidence(self) -> None:
        """Ends the cases of an instruction: they are evidence if one of them is wrong."""
        self._evidence.close()

    def verdict(self, reset: bool, asked: str = "") -> Verdict:
        """What it comes to; `reset`, if cases of RESET were among them."""
        known = self.variant == "cmos" or not reset or "p.d" in self.total.skipped
        with complemented(getattr(self.emulator, "complements", False)):
            likely = self._evidence.diagnose(self.variant, self.total.skipped)
        return Verdict(
            self.variant, self.total, likely,
            {} if known else {"RESET": ["p.d"]}, self.left_out, self.one_write,
            Coverage(frozenset(self.opcodes), self.variant), asked,
        )  # fmt: skip


def nothing_compared(skip: Collection[str]) -> Comparison:
    """A comparison of no cases yet. Raises ValueError if a field is unknown, or none is left."""
    outcomes = np.zeros(0, OUTCOME)
    comparison = Comparison.of(np.zeros(0, CASE), outcomes, outcomes, skip)
    if len(comparison.skipped) == len(FIELDS):
        raise ValueError("no field is left to compare")
    return comparison


@contextmanager
def _closed_if_interrupted(emulator: Witness) -> Iterator[None]:
    """What waits for an emulator is not to wait on when nobody waits for it."""
    try:
        yield
    except BaseException:
        close = getattr(emulator, "close", None)
        if close is not None:
            close()
        raise


def _asked(emulator: Witness, variant: str, which: str, seed: int, skip: Collection[str]) -> str:
    option = getattr(emulator, "option", None)
    if option is None:
        return ""
    words = ["carrywave compare", option]
    words += [f"--variant {variant}"] * (variant != "nmos") + ["--cases full"] * (which == "full")
    words += [f"--seed {seed}"] * bool(seed) + [f"--skip {','.join(skip)}"] * bool(skip)
    return " ".join(words)


Records = tuple[Cases, Outcomes, Outcomes]


class _Evidence:
    """All cases of the instructions that are wrong, the right ones too, while there is room."""

    def __init__(self) -> None:
        self.kept: list[Records] = []
        self.rows = 0
        self._present: list[Records] = []
        self._wrong = False

    def add(self, part: Comparison, records: Records) -> None:
        """Some cases of the present instruction."""
        self._wrong |= part.mismatches > 0
        if self.rows > EVIDENCE:
            cases, expected, actual = (array[::THINNED] for array in records)
            records = cases.copy(), expected.copy(), actual.copy()
        self._present.append(records)

    def close(self) -> None:
        """Ends the present instruction."""
        if self._wrong:
            self.kept += self._present
            self.rows += sum(len(cases) for cases, _, _ in self._present)
        self._present, self._wrong = [], False

    def diagnose(self, variant: str, skipped: Collection[str]) -> list[Cause]:
        if not self.kept:
            return []
        from ..diagnose.diagnosis import diagnose

        cases, expected, actual = (
            np.concatenate(column) for column in zip(*self.kept, strict=True)
        )
        return diagnose(cases, expected, actual, variant, skipped)
