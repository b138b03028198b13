"""An emulator that runs a program on its own, followed by the gates.

Where it leaves the gates' run it is set back to what they have, and goes on from there: so one slip
is one, and what has another cause is found too.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.kinds import BY_KEY, KEYS, name_of_key
from ..cases.layout import CASE, OUTCOME, WRITES, Outcomes, unnamed
from ..diagnose.polling import IRQ, MOMENTS, NMI, Boundaries, Polling, PollingEvidence
from ..emulator.running import ROWS, Runner
from ..emulator.verdict import Trial
from ..family.members import EVENTS
from ..family.status_byte import LOWEST_FIRST
from ..witness.comparison import Comparison, Tally, differences
from ..witness.evened import evened
from .assembler import Program
from .comparing import AROUND, Place, ProgramVerdict, place_of
from .executed import EVENT_OF, executed, keys_of_part, left_by
from .part import RunPart
from .predicted import run_predicted
from .told import Told, ask

MOST: Final = 256  # times that an emulator leaves the run, then it is followed no further
LIKE: Final = 1024  # instructions of the same opcode as a wrong one that are evidence too
_FLAG_I: Final = LOWEST_FIRST.index("i")
_NMI_VECTOR: Final = np.array([0xFFFA, 0xFFFB], np.uint16)
_OPCODES: Final = {
    name: [key for key, form in BY_KEY.items() if form.mnemonic in name.split()]
    for name in ("BRK", "RTI", "CLI SEI PLP")
}


@dataclass(frozen=True)
class Turn:
    """Where an emulator took an interrupt and the gates did not, or the reverse."""

    place: Place  # of the instruction before
    expected: str  # "IRQ", "NMI" or "instruction"
    found: str


@dataclass
class FollowedVerdict(ProgramVerdict):
    """How an emulator's own run stands beside the gates'.

    `turns` are where interrupts came otherwise, `polling` what explains them. `left` counts how
    often it left the run; it was `followed` up to that clock.
    """

    turns: list[Turn] = field(default_factory=list)
    polling: list[Polling] = field(default_factory=list)
    left: int = 0
    followed: int = 0

    @property
    def agree(self) -> bool:
        """Whether something was compared and nothing differs."""
        return self.verdict.agree and not self.turns

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        turns = [
            {"number": turn.place.number, "clock": turn.place.clock, "address": turn.place.address,
             "text": turn.place.text, "expected": turn.expected, "found": turn.found}
            for turn in self.turns
        ]  # fmt: skip
        polling = [
            {
                "cause": one.cause,
                "change": one.change,
                "explains": one.explains,
                "others": list(one.others),
            }
            for one in self.polling
        ]
        return {
            **super().to_json(), "agree": self.agree, "turns": turns, "polling": polling,
            "left": self.left, "followed": self.followed,
        }  # fmt: skip


def judge_run(
    runner: Runner, listing: str, program: Program, variant: str = "nmos",
    max_clocks: int = 100_000, *, until: int | None = None,
    max_instructions: int | None = None, skip: Collection[str] = (),
    progress: Callable[[int], object] | None = None,
) -> FollowedVerdict:  # fmt: skip
    """Follows an emulator through a program.

    Its rows are what the gates are held to, so that nothing here runs one instruction after
    another; unless the program sets pins where an instruction is fetched: then the model runs
    ahead, and the emulator is told the pins. Raises what `judge` and `run_predicted` raise.
    """
    with Trial(runner, variant, skip) as trial:
        follower = _Follower(runner, program, variant, trial)
        told = None if program.pin_events else follower.told
        run = run_predicted(
            program, variant, max_clocks, on_clock=progress, keep_writes=False, until=until,
            max_instructions=max_instructions, on_part=follower.part, guess=told,
        )  # fmt: skip
        trial.close_evidence()
    first = follower.first
    return FollowedVerdict(
        listing, run, trial.verdict(False), follower.before, first, follower.turns,
        follower.causes(), follower.left,
        follower.followed if follower.left == MOST else run.clocks,
    )  # fmt: skip


class _Follower:
    """What is compared, part by part."""

    def __init__(self, runner: Runner, program: Program, variant: str, trial: Trial) -> None:
        self.runner, self.program, self.variant, self.trial = runner, program, variant, trial
        self.guess: Told | None = None
        self.polling = PollingEvidence()
        self.before: list[Place] = []
        self.first: Place | None = None
        self.turns: list[Turn] = []
        self.left = self.taken = self.dropped = self.followed = 0
        self._number = 0  # instructions in parts before

    def causes(self) -> list[Polling]:
        """What explains that interrupts came otherwise."""
        found = self.polling.causes()
        for count, cause, change in (
            (self.taken, "an NMI in time does not take the vector of BRK or IRQ",
             "on NMOS, go through NMI's vector if its edge comes in the first four clocks"),
            (self.dropped, "an IRQ that was decided before SEI or PLP set I is dropped",
             "enter it all the same, and push P with I set"),
        ):  # fmt: skip
            if count:
                found.append(Polling(cause, change, lambda seen: seen.right, count))
        return found

    def told(self, pins: Any) -> Told:
        """What guesses the run: the emulator."""
        self.guess = Told(self.runner, self.variant, pins)
        return self.guess

    def part(self, part: RunPart, end: int, count: int) -> None:
        """Takes a part of the run, of which so many sequences have begun by the clock `end`."""
        count = min(count, int(np.searchsorted(part.clocks[1:], end + 1, side="right")))
        resets = ~part.pins.whole("reset_n", part.clocks[:count], part.clocks[1 : count + 1])
        resets |= EVENT_OF[part.states["cause"][:count]] == EVENTS.index("RESET")
        if self.left < MOST and count:
            self.followed = int(part.clocks[count])
            if self.guess is None:
                self._ask(part, resets)
            elif self.guess.rows is not None:
                rows = self.guess.rows[: count + 1]
                self.guess.number += count
                end = int(np.argmax(np.append(resets, True)))
                at = end if self._held(part, rows, end) else 0
                while at < end and self.left < MOST:
                    at += self._compare(part, rows[at:], at, end)
        if self.guess is not None and self.left >= MOST:
            self.guess.silent = True
        self._number += int(np.count_nonzero(part.states["cause"][:count] == 0))

    def _ask(self, part: RunPart, resets: npt.NDArray[np.bool_]) -> None:
        """Has the emulator run the part, again and again from where it has left it."""
        at, count = 0, len(resets)
        while at < count and self.left < MOST:
            if resets[at]:
                at += 1
                continue
            most = min(int(np.argmax(np.append(resets[at:], True))), ROWS - 1)
            begin = _Begin(part, at)
            rows = ask(self.runner, begin, most + 1, self._number + at)
            at += self._compare(part, rows, at, at + most)

    def _held(self, part: RunPart, rows: npt.NDArray[Any], count: int) -> bool:
        """Whether the guess made of these rows held: then the gates did all that they tell.

        Of a row the guess lacks writes beyond the third and the number of an unknown event. It has
        the unmodified byte whose write was left out: those are counted.
        """
        writes, events = rows["after"]["writes"][:count], rows["event"][1 : count + 1]
        if not part.held or (writes > WRITES).any() or (events >= len(EVENTS)).any():
            return False
        states = part.states[: count + 1]
        event = EVENT_OF[states["cause"][:count]].astype(np.uint16)
        # What a sequence runs is what the next one finds in the opcode's register.
        keys = np.where(event > 0, event << 8, states["opcode"][1:])
        self._count(part, 0, keys, rows["after"], np.zeros(count, np.bool_))
        wrote = len(part.writes.before(int(part.clocks[count])).clock)
        self.trial.one_write += wrote - int(writes.sum(dtype=np.int64))
        if count:
            self._polled(part, 0, count, keys, rows)
        return True

    def _polled(
        self, part: RunPart, begin: int, count: int, keys: npt.NDArray[Any], rows: npt.NDArray[Any]
    ) -> None:
        """Takes what decides what follows so many sequences, where a pin may have to do with it."""
        last = begin + count
        first, end = int(part.clocks[begin]) - 8, int(part.clocks[last]) + 8
        if (
            all(part.pins.high(pin, first, end) for pin in ("irq_n", "nmi_n"))
            and not part.states["cause"][begin : last + 1].any()
            and not rows["event"][1 : count + 1].any()
        ):
            return
        self.polling.add(_boundaries(part, begin, count, keys, rows))

    def _compare(self, part: RunPart, rows: npt.NDArray[Any], begin: int, end: int) -> int:
        """Compares rows with the sequences from `begin` on; how many it did, to the first wrong.

        There is a row more, of which only what happened is looked at.
        """
        expected = left_by(part, end)[begin:]
        count = len(expected)
        answered = _plain(rows["after"][:count])
        actual = evened(np.zeros(count, CASE), expected, answered, self.variant)
        events = EVENT_OF[part.states["cause"][begin : begin + count + 1]]
        turned = events[1:] != rows["event"][1 : count + 1]
        wrong = unnamed(expected) != unnamed(actual)
        out = np.flatnonzero(wrong | turned)
        done = int(out[0]) + 1 if len(out) else count
        keys = keys_of_part(part, end)[begin : begin + done]
        cases = self._count(part, begin, keys, actual, wrong[:done])
        self.trial.one_write += int(
            np.count_nonzero((actual["writes"] != answered["writes"])[:done])
        )
        # Of a wrong instruction, what follows may have come of that.
        sound = done - int(done > 0 and wrong[done - 1])
        if sound:
            self._polled(part, begin, sound, keys, rows)
        if len(out):
            last = part, begin + done - 1
            if not wrong[done - 1]:
                self._leaves(*last, self._turn(*last, rows[done]))
            elif not cases[done - 1]:
                self._leaves(*last, self._entry(*last, int(actual["pc"][done - 1])))
            else:
                right, found = (side[done - 1 : done] for side in (expected, actual))
                fields = differences(right, found, self.trial.total.skipped)
                if any(field.any() for field in fields.values()):
                    self._leaves(*last)
        return done

    def _count(
        self, part: RunPart, begin: int, keys: npt.NDArray[Any], actual: Outcomes,
        wrong: npt.NDArray[np.bool_],
    ) -> npt.NDArray[np.bool_]:  # fmt: skip
        """Counts sequences; puts what is wrong, and some of the same opcode, to the comparison.

        Tells what are cases: all but BRK and IRQ whose vector an NMI takes, of what was put.
        """
        cases, near = np.ones(len(keys), np.bool_), wrong.copy()
        for key in set(keys[wrong].tolist()):
            near[np.flatnonzero(keys == key)[-LIKE:]] = True
        ran = None
        if near.any():
            ran = executed(
                part, begin + len(keys), self.variant, np.append(np.zeros(begin, np.bool_), near)
            )
            cases[near] = near[:] = False
            cases[ran.at - begin] = near[ran.at - begin] = True
        shares = np.bincount(keys[~near & cases], minlength=KEYS)
        tallies: dict[str, Tally] = {}
        for key in np.flatnonzero(shares).tolist():
            name = name_of_key(key)
            tallies[name] = tallies.get(name, Tally(0)).merge(Tally(int(shares[key])))
            self.trial.opcodes.update({key} - set(range(256, KEYS)))
        alike = Comparison(int(shares.sum()), 0, tallies, None, self.trial.total.skipped)
        self.trial.total = self.trial.total.merge(alike)
        if ran is not None and len(ran.cases):
            self.trial.take(ran.cases, ran.expected, actual[ran.at - begin])
        return cases

    def _entry(self, part: RunPart, at: int, went: int) -> Turn:
        """An entry that is no case, and goes elsewhere."""
        place = place_of(self.program, part, at, self._number)
        vector = part.memory.at(_NMI_VECTOR, np.repeat(part.clocks[at], 2))
        found = f"on at {went:04X}"
        if part.states["pc"][at + 1] == int(vector[0]) | int(vector[1]) << 8:
            self.taken += 1
            return Turn(place, "NMI's vector", found)
        self.dropped += 1
        return Turn(place, "IRQ, though I is set since", found)

    def _turn(self, part: RunPart, at: int, following: Any) -> Turn:
        """What comes behind a sequence, and came in the emulator's run."""
        cause = EVENT_OF[int(part.states["cause"][at + 1])]
        found = min(int(following["event"]), len(EVENTS) - 1)
        return Turn(place_of(self.program, part, at, self._number), EVENTS[cause], EVENTS[found])

    def _leaves(self, part: RunPart, at: int, turn: Turn | None = None) -> None:
        """Notes that the emulator leaves the run with a sequence, or behind it."""
        self.left += 1
        place = place_of(self.program, part, at, self._number)
        if self.first is None:
            self.first = place
            for near in range(max(0, at - AROUND), at):
                self.before.append(place_of(self.program, part, near, self._number))
        if turn is not None:
            self.turns.append(turn)


class _Begin:
    """Where a runner is to begin: in the middle of a part."""

    def __init__(self, part: RunPart, at: int) -> None:
        self.state, self.clock, self.pins = part.states[at], int(part.clocks[at]), part.pins
        self.memory = part.memory_in(self.clock).tobytes()


def _plain(rows: npt.NDArray[Any]) -> Outcomes:
    """Outcomes of their own, with nothing where no write is, and bits 4 and 5 of P set."""
    actual = np.frombuffer(bytearray(rows.tobytes()), OUTCOME)
    actual["p"] |= 0x30
    for i in range(WRITES):
        none = np.flatnonzero(actual["writes"] <= i)
        if actual["write_value"][none, i].any() or actual["write_address"][none, i].any():
            actual["write_value"][none, i] = actual["write_address"][none, i] = 0
    return actual


def _boundaries(
    part: RunPart, begin: int, count: int, keys: npt.NDArray[Any], rows: npt.NDArray[Any]
) -> Boundaries:
    """What decides what follows so many sequences, where a pin has anything to do with it."""
    states = part.states[begin : begin + count + 1]
    clocks = part.clocks[begin : begin + count + 1]
    first, last = int(clocks[0]) - 8, int(clocks[-1]) + 8
    low = {pin: part.pins.span(pin, first, last) == 0 for pin in ("irq_n", "nmi_n")}
    end = clocks[1:] - 1 - first  # of each, its last clock
    right = EVENT_OF[states["cause"][1:]].astype(np.uint8)
    theirs = rows["event"][1 : count + 1]
    some = np.flatnonzero(
        _within(low["irq_n"], clocks, first) | _within(low["nmi_n"], clocks, first)
        | (right > 0) | (theirs > 0)
    )  # fmt: skip
    end, keys = end[some], keys[:count][some]
    flags = states["flags"] >> _FLAG_I & 1 > 0
    fell = {pin: np.append(False, ~one[:-1] & one[1:]) for pin, one in low.items()}
    falls = np.maximum.accumulate(np.where(fell["irq_n"], np.arange(len(fell["irq_n"])), -1))
    entered = np.where(EVENT_OF[states["cause"]] == IRQ, clocks - first, -1)
    entered[0] = -1  # to this one it was set
    entered = np.maximum.accumulate(entered)[:-1][some]
    seen, waits = np.cumsum(low["irq_n"]), states["nmi_pending"][1:] > 0
    return Boundaries(
        right=right[some], theirs=theirs[some].astype(np.uint8),
        enters=(keys >= 256) | np.isin(keys, _OPCODES["BRK"]),
        delays=np.isin(keys, _OPCODES["CLI SEI PLP"]), resumes=np.isin(keys, _OPCODES["RTI"]),
        before=flags[:-1][some], after=flags[1:][some],
        irq_low={by: low["irq_n"][end + by] for by in MOMENTS},
        irq_was_low=seen[end - 1] > seen[np.maximum(entered, 7)],
        irq_fell=(entered < 0) | (falls[end - 1] > entered),
        nmi_waits=(right[some] == NMI) | (waits[some] & ~fell["nmi_n"][end]),
        nmi_low=low["nmi_n"][end - 1],
        nmi_fell={by: fell["nmi_n"][end + by] for by in MOMENTS},
    )  # fmt: skip


def _within(low: npt.NDArray[np.bool_], clocks: npt.NDArray[np.int64], first: int) -> Any:
    """Whether a pin is low in any clock of a sequence, or just before or after it."""
    seen = np.cumsum(low)
    return seen[clocks[1:] + 2 - first] > seen[clocks[:-1] - 4 - first]
