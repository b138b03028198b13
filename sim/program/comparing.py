"""An emulator put through a program: each instruction that the program executes, in order."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from shlex import quote
from typing import Any, Final

import numpy as np

from ..cases.case_memory import possible
from ..cases.sampled import batches, forms_named
from ..emulator.verdict import Trial, Verdict
from ..family.instructions import notation_of
from ..witness.comparison import Witness
from .assembler import Program
from .executed import executed
from .part import RunPart
from .predicted import run_predicted
from .ran import Run

AROUND: Final = 3  # instructions of the run that are shown before the first wrong one


@dataclass(frozen=True)
class Place:
    """An instruction of a run: its number, from 1, its first clock, its address, and how it reads.

    `line` is its line in the listing, 0 where there is none.
    """

    number: int
    clock: int
    address: int
    text: str
    line: int = 0


@dataclass
class ProgramVerdict:
    """How an emulator stands beside a program's run on the gates.

    `before` are the instructions before the first wrong one, `wrong` that one; `loaded` are the
    options with which the listing or image was read, as a command has them.
    """

    listing: str
    run: Run
    verdict: Verdict
    before: list[Place]
    wrong: Place | None = None
    loaded: str = field(default="", kw_only=True)

    @property
    def agree(self) -> bool:
        """Whether something was compared and nothing differs."""
        return self.verdict.agree

    @property
    def window_command(self) -> str | None:
        """What writes the waveform around the first wrong instruction."""
        if self.wrong is None:
            return None
        clock, variant = self.wrong.clock, self.verdict.variant
        which = f" --variant {variant}" * (variant != "nmos")
        last = min(clock + 50, self.run.clocks)
        # A run that nothing ends takes its end from here.
        which += f" --max-clocks {last}" * (self.run.ended != "self-jump")
        program = f"{quote(self.listing)}{self.loaded}"
        span = f"{max(0, clock - 50)}..{last}"
        return f"carrywave run {program}{which} --vcd window.vcd --clocks {span}"

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        wrong = self.wrong and {
            "number": self.wrong.number, "clock": self.wrong.clock, "address": self.wrong.address,
            "text": self.wrong.text, "line": self.wrong.line,
        }  # fmt: skip
        return {
            **self.verdict.to_json(), "listing": self.listing, "clocks": self.run.clocks,
            "instructions_run": self.run.instructions, "ended": self.run.ended, "wrong": wrong,
            "window": self.window_command,
        }  # fmt: skip


def judge_program(
    emulator: Witness, listing: str, program: Program, variant: str = "nmos",
    max_clocks: int = 100_000, *, until: int | None = None,
    max_instructions: int | None = None, skip: Collection[str] = (),
    progress: Callable[[int], object] | None = None,
) -> ProgramVerdict:  # fmt: skip
    """Puts each instruction that a program executes to the emulator, as the gates had it.

    The state and the memory are the gates' before each: so one slip is one wrong instruction. What
    is wrong is then put to the emulator with other inputs too, for the diagnosis. Raises what
    `judge` and `run_predicted` raise.
    """
    before: list[Place] = []
    found: list[Place] = []
    number = 0

    with Trial(emulator, variant, skip) as trial:

        def part(part: RunPart, end: int, count: int) -> None:
            nonlocal number
            # The last one may be cut short by the end.
            count = min(count, int(np.searchsorted(part.clocks[1:], end + 1, side="right")))
            ran = executed(part, count, variant)
            if len(ran.cases):
                compared = trial.put(ran.cases, ran.expected)
                if compared.first is not None and not found:
                    fits = ran.at[possible(ran.cases)]
                    at = int(fits[compared.first.index])
                    for place in range(max(0, at - AROUND), at + 1):
                        told = place_of(program, part, place, number)
                        (found if place == at else before).append(told)
            number += int(np.count_nonzero(part.states["cause"][:count] == 0))

        run = run_predicted(
            program, variant, max_clocks, on_clock=progress, keep_writes=False, until=until,
            max_instructions=max_instructions, on_part=part,
        )  # fmt: skip
        trial.close_evidence()
        wrong = [name for name, share in trial.total.instructions.items() if share.mismatches]
        for forms in forms_named(wrong).values() if wrong else ():
            for cases in batches(forms, "quick", 0, variant):
                trial.put(cases, counts=False)
            trial.close_evidence()
    wrong_one = found[0] if found else None
    return ProgramVerdict(listing, run, trial.verdict(False), before, wrong_one)


def place_of(program: Program, part: RunPart, at: int, number: int) -> Place:
    """Where a run is in one of a part's sequences; `number` instructions ran before the part."""
    state = part.states[at]
    number += int(np.count_nonzero(part.states["cause"][: at + 1] == 0))
    address, cause = int(state["pc"]), int(state["cause"])
    line = program.lines.get(address)
    if cause:
        return Place(number, int(part.clocks[at]), address, f"-- {part.name(at)} --")
    text = line.text if line else notation_of(part.sequence(at).code, address)
    return Place(
        number, int(part.clocks[at]), address, text or part.name(at), line.number if line else 0
    )
