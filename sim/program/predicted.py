"""A run that is predicted, then held to the gates.

The model runs ahead and so guesses the state before each sequence. The gates then work out all
sequences at once, each from its guess, every flip-flop and every wire; what one leaves must be the
guess for the next, and what it writes must be what the later ones read. If so, the run is the
gates' own, by induction on the sequences. Up to the first place where it is not, it is all the
same; from there on, what the gates left is the new guess.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Final, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from ..family.instructions import BY_OPCODE
from ..netlist.synthesis import Netlist
from ..witness.gates import LONGEST, GateUnit, drawn_unit
from ..witness.registers import StoppedError
from .ahead import Ahead, Guess
from .assembler import Program
from .ending import Ending
from .kept import Kept
from .lanes import CAUSE_OF, CAUSES, NEVER, STATE, Ended, Lanes, different, taken
from .memory_log import MemoryLog, Writes
from .part import ENTER, RunPart, registers_of
from .pin_levels import PinLevels
from .ran import Run

SMALLEST: Final = 64  # sequences at a time: after a guess that was wrong
LARGEST: Final = 1 << 17  # and the most: what they need stays small


class Guessing(Protocol):
    """Whoever says what is thought to happen; `anew`, if it is told before each part."""

    anew: bool

    def begin(self, memory: bytes, state: Any, clock: int) -> None:
        """Takes up a run where the gates have brought it."""

    def run(self, most: int, until: int) -> Guess:
        """About so many sequences, and none that begins after the clock `until`."""
        ...


class Departure(NamedTuple):
    """Where the gates do otherwise than the model: in a register, "clocks", "writes" or so."""

    clock: int
    what: str
    instruction: str  # mnemonic and address
    found: str
    expected: str


class Predicted:
    """A program on a netlist, part by part."""

    def __init__(
        self, program: Program, variant: str, unit: GateUnit,
        guess: Callable[[PinLevels], Guessing] | None = None,
    ) -> None:  # fmt: skip
        """Raises NetlistError for a netlist that is not the unit's; `guess` is the model's."""
        self.program, self.variant = program, variant
        self.lanes = Lanes(unit)
        self.pins = PinLevels(program.pin_clocks)
        self.ahead: Guessing = (
            Ahead(variant, self.pins, program.pin_events) if guess is None else guess(self.pins)
        )
        self.memory = np.frombuffer(program.memory, np.uint8)
        self.state = power_up()
        self.clock = 0
        self.size = SMALLEST
        self.rounds, self.corrected = 0, 0
        self.departures: list[Departure] = []
        self.ahead.begin(bytes(self.memory), self.state, 0)

    def parts(self, last: int) -> Iterator[RunPart]:
        """The run, in parts, up to the sequence in which the clock `last` lies."""
        while self.clock <= last:
            part = self._part(last)
            yield part
            if part.stopped:
                return

    def _depart(
        self, found: Ended, states: npt.NDArray[Any], clocks: npt.NDArray[np.int64],
        memory: MemoryLog, at: int,
    ) -> None:  # fmt: skip
        """Notes what a sequence does otherwise than the model; a reset cuts it short anywhere."""
        clock = int(clocks[at])
        if found.clocks[at] == NEVER or not self.pins.high("reset_n", clock, clock + LONGEST):
            return
        opcode = int(memory.at(states["pc"][at : at + 1], clocks[at : at + 1])[0])
        form = BY_OPCODE.get(opcode)
        name = form.mnemonic if form else "?"
        if states["position"][at] == ENTER:
            name = CAUSES[int(states["cause"][at])]
        place = f"{name} at {int(states['pc'][at]):04X}"
        left, thought = found.left[at], states[at + 1]
        length, expected = int(found.clocks[at]), int(clocks[at + 1]) - clock
        told = [
            (field, f"{int(left[field]):0{digits}X}", f"{int(thought[field]):0{digits}X}")
            for field, digits in (("pc", 4), ("a", 2), ("x", 2), ("y", 2), ("sp", 2), ("flags", 2))
            if left[field] != thought[field]
        ]
        if length != expected:
            told.append(("clocks", str(length), str(expected)))
        if left["cause"] != thought["cause"]:
            follows, expected_to = (CAUSES[int(state["cause"])] for state in (left, thought))
            told.append(("what follows", follows, expected_to))
        for what, is_, must_be in told or [("writes", "others", "the model's")]:
            self.departures.append(Departure(clock + length, what, place, is_, must_be))

    def _part(self, last: int) -> RunPart:
        self.pins.past(self.clock)
        if self.ahead.anew:
            self.ahead.begin(bytes(self.memory), self.state, self.clock)
        guess = self.ahead.run(self.size, last)
        states, clocks, thought = guess
        # A unit that stops has no sequence to come: the gates are asked about the last one alone.
        count = max(1, len(states) - 1)
        if len(states) == 1:
            states = np.concatenate([states, states])
            clocks = np.concatenate([clocks, clocks + 2])
        states[0] = self.state
        begin = self.memory.copy()
        memory = MemoryLog(begin, thought)
        found: Ended | None = None
        todo = np.arange(count)
        rounds, right = 0, True
        while len(todo):
            rounds += 1
            length = np.diff(clocks)[todo]
            some = states[:count] if len(todo) == count else taken(states, todo)
            ended = self.lanes.run(some, clocks[todo], length, memory, self.pins)
            found = ended if found is None else _replaced(found, ended, todo)
            difference = different(found.left[:count], states[1 : count + 1])
            wrong = difference.matters | (found.clocks[:count] != np.diff(clocks)[:count])
            wrong[:-1] |= found.stopped[: count - 1]
            first = int(wrong.argmax()) if wrong.any() else count
            first = min(first, _first_other_write(found, thought, clocks))
            again = np.zeros(0, np.int64)
            if first < count:  # what this one does is right, what was thought to follow is not
                if right:
                    self._depart(found, states, clocks, memory, first)
                count, right = first + 1, False
                found = _cut(found, count)
                clocks = clocks[: count + 1].copy()
                if found.clocks[first] != NEVER:
                    clocks[count] = clocks[first] + int(found.clocks[first])
                states = states[: count + 1].copy()
                states[count] = found.left[first]
                before = thought.before(int(clocks[first]) + LONGEST)
                mine = found.writes.only(found.lane == first)
                thought = thought.before(int(clocks[first])).then(mine)
                if not thought.same(before):  # unless it reads what only it has written
                    memory, again = MemoryLog(begin, thought), np.array([first])
            others = np.flatnonzero(difference.any[:count]) + 1
            states[others] = found.left[others - 1]
            todo = np.union1d(others[others < count], again)
        assert found is not None
        writes = found.writes
        stopped = bool(found.stopped[count - 1] or found.clocks[count - 1] == NEVER)
        self.memory[writes.address] = writes.value
        self.state, self.clock = states[count].copy(), int(clocks[count])
        self.rounds = max(self.rounds, rounds)
        if right:
            self.size = min(2 * self.size, LARGEST)
        else:
            self.corrected += 1
            self.size = max(SMALLEST, min(2 * count, LARGEST))
            self.pins.forget(self.clock)
            self.ahead.begin(bytes(self.memory), self.state, self.clock)
        return RunPart(
            states[: count + 1],
            clocks[: count + 1],
            memory,
            writes,
            rounds,
            right,
            stopped,
            self.lanes,
            self.pins,
        )


def power_up() -> Any:
    """The state before the first clock: reset's sequence begins, all else is 0."""
    state = np.zeros(1, STATE)
    state["position"], state["cause"], state["nmi_before"] = ENTER, CAUSE_OF["RESET"], 1
    return state[0]


def _cut(found: Ended, count: int) -> Ended:
    kept = found.lane < count
    return Ended(
        found.left[:count], found.clocks[:count], found.stopped[:count], found.lane[kept],
        found.writes.only(kept),
    )  # fmt: skip


def _replaced(found: Ended, again: Ended, lanes: npt.NDArray[np.int64]) -> Ended:
    """The lanes that were run again in place of what they were."""
    for name in ("left", "clocks", "stopped"):
        getattr(found, name)[lanes] = getattr(again, name)
    kept = ~np.isin(found.lane, lanes)
    lane = np.concatenate([found.lane[kept], lanes[again.lane]])
    writes = found.writes.only(kept).then(again.writes)
    order = np.argsort(writes.clock, kind="stable")
    return Ended(found.left, found.clocks, found.stopped, lane[order], writes.only(order))


def _first_other_write(found: Ended, thought: Writes, clocks: npt.NDArray[np.int64]) -> int:
    """The first sequence that does not write what it was thought to; their number if all do."""
    mine, theirs = found.writes, thought.before(int(clocks[len(found.clocks)]))
    most = min(len(mine.clock), len(theirs.clock))
    differs = np.zeros(most, np.bool_)
    for one, other in zip(mine, theirs, strict=True):
        differs |= one[:most] != other[:most]
    if differs.any():
        at = int(differs.argmax())
        clock = min(int(mine.clock[at]), int(theirs.clock[at]))
    elif len(mine.clock) != len(theirs.clock):
        clock = int((mine if len(mine.clock) > most else theirs).clock[most])
    else:
        return len(found.clocks)
    return int(np.searchsorted(clocks, clock, side="right")) - 1


# A run, from reset to its end


def run_predicted(
    program: Program, variant: str = "nmos", max_clocks: int = 100_000,
    kept: Kept | None = None, on_clock: Callable[[int], object] | None = None,
    keep_writes: bool = True, until: int | None = None, max_instructions: int | None = None,
    netlist: Netlist | None = None, on_part: Callable[[RunPart, int, int], object] | None = None,
    guess: Callable[[PinLevels], Guessing] | None = None,
) -> Run:  # fmt: skip
    """What `run_program` tells of a run, from the gates; `netlist` is the variant's own by default.

    `on_part` is told each part, the clock after which nothing of it belongs to the run, and how
    many of its sequences begin by then. Raises StoppedError as `run_program` does, NetlistError.
    """
    unit = drawn_unit(variant, "ripple") if netlist is None else GateUnit(netlist)
    predicted = Predicted(program, variant, unit, guess)
    ending = Ending(predicted.pins, max_clocks, until, max_instructions)
    run = Run()
    for part in predicted.parts(max_clocks):
        end, why = ending.find(part.states, part.clocks, part.stopped)
        # The sequences that have ended, and the one that the end finds begun.
        over = bool(why) or part.stopped
        done = end if over else len(part)
        if over and not why:
            stop = int(part.clocks[len(part) - 1]) + 1
            if stop <= max_clocks:
                at = int(part.states["pc"][len(part) - 1])
                code = part.memory.at(np.array([at], np.uint16), part.clocks[len(part) - 1 :][:1])
                raise StoppedError(int(code[0]), at, variant)
            why, done = "clock limit", len(part) - 1
        run.instructions += int(np.count_nonzero(part.states["cause"][:done] == 0))
        if kept is not None:
            kept.take(part, done)
        finished = part.writes.before(int(part.clocks[done]))
        if keep_writes:
            run.writes.extend(np.stack(tuple(finished), axis=1).astype(np.uint32).ravel().tolist())
        if done or not run.clocks:
            run.final = registers_of(part.states[done]) if run.instructions or done else run.final
        run.last_address = int(part.states["pc"][done])
        run.clocks = int(part.clocks[done])
        if over:
            run.ended, run.clocks = why, min(max_clocks, int(ending.clock))
            program.memory[:] = part.memory_in(run.clocks).tobytes()
        if on_part is not None:
            on_part(part, run.clocks - (not over), done + over)
        if on_clock is not None:
            on_clock(run.clocks)
        if over:
            break
    run.rounds, run.corrected = predicted.rounds, predicted.corrected
    run.departures = predicted.departures
    return run


def lasts(
    program: Program, variant: str, clocks: int, until: int | None = None,
    max_instructions: int | None = None,
) -> bool:  # fmt: skip
    """Whether a run goes on for more than so many clocks, as far as the model alone can tell."""
    pins = PinLevels(program.pin_clocks)
    ahead = Ahead(variant, pins, program.pin_events)
    ahead.begin(bytes(program.memory), power_up(), 0)
    guess = ahead.run(clocks, clocks)
    ending = Ending(pins, clocks, until, max_instructions)
    _, why = ending.find(guess.states, guess.clocks)
    return why == "clock limit" or (not why and int(guess.clocks[-1]) >= clocks)
