"""What an emulator tells of its own run, as a guess of each sequence's state, clock and writes.

It is asked anew for each part, from the state to which the gates have come. What it is not asked
about, reset and what a reset cuts short, the model guesses.
"""

from __future__ import annotations

from functools import cache
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..cases.kinds import BY_KEY, KEYS
from ..cases.layout import WRITES
from ..emulator.own_run import PIN, START
from ..emulator.running import ROWS, Runner
from ..family.address import Term
from ..family.instructions import BY_OPCODE
from ..family.members import EVENTS
from ..family.status_byte import LOWEST_FIRST, flags_of
from ..witness.gates import LONGEST
from .ahead import Ahead, Guess
from .executed import EVENT_OF, P_OF
from .lanes import CAUSE_OF, STATE
from .leftovers import address_left, byte_left
from .memory_log import MemoryLog, Writes
from .part import ENTER, FETCH
from .pin_levels import PinLevels

_ASKED: Final = {"irq_n": EVENTS.index("IRQ"), "nmi_n": EVENTS.index("NMI")}
_CAUSE: Final = np.array([CAUSE_OF.get(name, 0) for name in EVENTS], np.uint8)
_FLAGS_OF: Final = np.array([
    sum(flags_of(byte)[flag] << i for i, flag in enumerate(LOWEST_FIRST)) for byte in range(256)
], np.uint8)  # fmt: skip
_I: Final = LOWEST_FIRST.index("i")
_BRK, _RTI = (
    next(code for code, one in BY_OPCODE.items() if one.mnemonic == name) for name in ("BRK", "RTI")
)
_IN_TIME: Final = 4  # clocks of BRK or an entry in which an NMI still takes its vector


class Told:
    """Guesses what a runner tells."""

    anew = True  # it is told before each part where that begins

    def __init__(self, runner: Runner, variant: str, pins: PinLevels) -> None:
        self.runner, self.variant, self.pins = runner, variant, pins
        self.ahead = Ahead(variant, pins, {})
        self.silent = False  # it is asked no more
        self.number = 0  # sequences that it was asked about and that ran
        #: Of the last part, what was told, a row a sequence; None where the model guessed.
        self.rows: npt.NDArray[Any] | None = None

    def begin(self, memory: bytes, state: Any, clock: int) -> None:
        """Takes up a run where the gates have brought it."""
        self.memory, self.state, self.clock = memory, state, clock

    def run(self, most: int, until: int) -> Guess:
        """Some sequences, and no sequence begins after the clock `until`."""
        most = min(most, ROWS - 1, until - self.clock + 1)
        cause = int(self.state["cause"]) if self.state["position"] == ENTER else 0
        # It is told of no reset, so nothing is asked for that may come after one.
        before = (self.pins.next_low("reset_n", self.clock) - self.clock) // LONGEST
        reset = cause == CAUSE_OF["RESET"] or before < 2
        if self.silent or reset:
            self.rows = None
            self.ahead.begin(self.memory, self.state, self.clock)
            return self.ahead.run(1 if reset else most, until)
        rows = ask(self.runner, self, min(most + 1, before), self.number)
        # The last one tells what comes next and no more.
        clocks = rows["clock"].astype(np.int64)
        count = max(1, min(len(rows) - 1, int(np.searchsorted(clocks, until, side="right"))))
        self.rows = rows[: count + 1]
        return self._guess(self.rows)

    def _guess(self, rows: npt.NDArray[Any]) -> Guess:
        """What the rows but the last one leave; of that, when it begins and why."""
        count = len(rows) - 1
        after, states = rows["after"][:count], np.zeros(count + 1, STATE)
        states[0] = self.state
        for name in ("pc", "a", "x", "y", "sp"):
            states[name][1:] = after[name]
        states["flags"][1:] = _FLAGS_OF[after["p"]]
        states["cause"][1:] = _CAUSE[np.minimum(rows["event"][1:], len(EVENTS) - 1)]
        states["position"][1:] = np.where(states["cause"][1:] > 0, ENTER, FETCH)
        clocks = rows["clock"].astype(np.int64)
        opcodes, writes = self._accesses(rows, states, clocks)
        states["nmi_before"] = self.pins.column("nmi_n", clocks - 1)
        self._wait(states, clocks, opcodes)
        masked = states["flags"] >> _I & 1
        resumed = opcodes == _RTI
        low = self.pins.column("irq_n", clocks[1:] - 1) == 0
        states["irq_decided"][1:] = low & (np.where(resumed, masked[1:], masked[:-1]) == 0)
        return Guess(states, clocks, writes)

    def _wait(
        self, states: npt.NDArray[Any], clocks: npt.NDArray[np.int64], opcodes: npt.NDArray[Any]
    ) -> None:
        """Fills in where an NMI waits, from one sequence to the next, until it is taken."""
        changes, levels = self.pins.changes("nmi_n", int(clocks[0]), int(clocks[-1]) - 1)
        before = np.concatenate([[1], levels])[:-1]
        edges = changes[(before > levels) & (changes >= clocks[0])].tolist()
        begun = np.searchsorted(clocks, edges, side="right") - 1
        waits = bool(states["nmi_pending"][0])
        at, taken = 0, CAUSE_OF["NMI"]
        causes = states["cause"]
        while at < len(opcodes):
            if not waits:  # on to the next edge
                later = begun[begun >= at]
                if not len(later):
                    return
                at = int(later[0])
            first, last = int(clocks[at]), int(clocks[at + 1]) - 1
            mine = [edge for edge in edges if first <= edge <= last]
            enters = causes[at] == CAUSE_OF["IRQ"] or (causes[at] == 0 and opcodes[at] == _BRK)
            if (
                enters
                and self.variant != "cmos"
                and (waits or any(edge < first + _IN_TIME for edge in mine))
            ):  # it takes the vector
                waits, mine = False, [edge for edge in mine if edge >= first + _IN_TIME]
            in_last = last in mine
            waits = waits or any(edge < last for edge in mine)
            states["nmi_decided"][at + 1] = waits or in_last
            waits = in_last or (waits and causes[at + 1] != taken)
            states["nmi_pending"][at + 1] = waits
            at += 1

    def _accesses(
        self, rows: npt.NDArray[Any], states: npt.NDArray[Any], clocks: npt.NDArray[np.int64]
    ) -> tuple[npt.NDArray[Any], Writes]:
        """The opcodes, and what is written; fills in what sequences leave that none reads."""
        count = len(rows) - 1
        event = EVENT_OF[states["cause"][:count]].astype(np.uint16)
        begin = np.frombuffer(self.memory, np.uint8)
        # Which opcode it is does not depend on when in its sequence an earlier byte was written.
        where = states["pc"][:count].copy()
        roughly = _writes(rows[:count], np.zeros(count, np.uint16))
        opcodes = begin[where]
        written = np.zeros(len(begin), np.bool_)
        written[roughly.address] = True
        if written[where].any():
            opcodes = MemoryLog(begin, roughly).at(where, clocks[:count])
        keys = np.where(event > 0, event << 8, opcodes)
        wrote = _writes(rows[:count], keys, self.variant)
        memory = MemoryLog(begin, wrote)
        low = np.zeros(count + 1, np.uint16)
        latch = np.zeros(count + 1, np.uint8)
        low[0] = int(self.state["low"]) | int(self.state["high"]) << 8
        latch[0] = self.state["latch"]
        first_writes: list[tuple[npt.NDArray[np.int64], npt.NDArray[Any]]] = []
        kind_of, kinds = _kinds(self.variant)
        kind = kind_of[keys]
        order = np.argsort(kind, kind="stable")
        bounds = np.concatenate([[0], np.cumsum(np.bincount(kind, minlength=len(kinds)))]).tolist()
        in_order = {name: states[name][order] for name in ("pc", "a", "x", "y", "sp")}
        when = clocks[order]
        for one, first, last in zip(kinds, bounds[:-1], bounds[1:], strict=True):
            if first == last or not one.leaves:
                continue
            some = order[first:last]
            columns: dict[str, Any] = {
                name: in_order[name][first:last].astype(np.int32) for name in one.registers
            }
            for by, name, address in one.reads:
                where = np.asarray(address.over(columns), np.uint16)
                where = np.broadcast_to(where, some.shape)
                columns[name] = memory.at(where, when[first:last] + by).astype(np.int32)
            if one.address is not None:
                low[some + 1] = one.address.over(columns)
            if one.held:
                latch[some + 1] = columns[one.held]
            if one.modifies:
                single = rows["after"]["writes"][some] == 1
                first_writes.append((some[single], columns["m"][single]))
        states["opcode"][1:] = np.where(event > 0, 0, opcodes)
        sets = np.array([(one.address is not None, one.held != "") for one in kinds])
        at = np.arange(count + 1, dtype=np.int32)
        # What is not set stays as it was.
        low_at, latch_at = (
            np.maximum.accumulate(np.where(np.append(True, set_[kind]), at, 0)) for set_ in sets.T
        )
        low = low[low_at]
        states["low"], states["high"], states["latch"] = low & 255, low >> 8, latch[latch_at]
        return opcodes, _evened(wrote, rows, first_writes)


class _Kind(NamedTuple):
    """Forms that leave the same in the registers that no program sees, and what that is made of."""

    address: Term | None
    held: str
    modifies: bool  # and writes the byte back first
    reads: tuple[tuple[int, str, Term], ...]  # the clock, the byte's name and where it lies
    registers: tuple[str, ...]

    @property
    def leaves(self) -> bool:
        """Whether there is anything to work out."""
        return self.address is not None or self.held != ""


@cache
def _kinds(variant: str) -> tuple[npt.NDArray[np.uint8], list[_Kind]]:
    """By key, the number of its kind; and the kinds."""
    kind_of, kinds = np.zeros(KEYS, np.uint8), [_Kind(None, "", False, (), ())]
    for key, form in BY_KEY.items():
        address, held = address_left(form, variant), byte_left(form)
        wanted = ({held} if held else set()) | (address.names() if address else set())
        reads = list[tuple[int, str, Term]]()
        for by, clock in reversed([*enumerate(form.sequence(variant))]):
            if clock.reads in wanted and clock.address is not None:
                reads.insert(0, (by, clock.reads, clock.address))
                wanted |= clock.address.names()
        kind = _Kind(
            address, held, form.access == "modify" and variant != "cmos", tuple(reads),
            tuple(sorted(wanted & {"pc", "a", "x", "y", "sp"})),
        )  # fmt: skip
        if kind not in kinds:
            kinds.append(kind)
        kind_of[key] = kinds.index(kind)
    return kind_of, kinds


def ask(runner: Runner, at: Any, count: int, number: int) -> npt.NDArray[Any]:
    """Rows from where `at` is: its `state`, `clock`, `memory` and `pins`. Raises EmulatorError."""
    start = np.zeros((), START)
    start["clock"], start["nmi"] = at.clock, at.state["nmi_pending"]
    if at.state["position"] == ENTER:
        start["event"] = EVENT_OF[int(at.state["cause"])]
    for name in ("pc", "a", "x", "y", "sp"):
        start[name] = at.state[name]
    start["p"] = P_OF[int(at.state["flags"])]
    moves = []
    for pin, event in _ASKED.items():
        clocks, levels = at.pins.changes(pin, at.clock - 1, at.clock + count * LONGEST)
        some = np.zeros(len(clocks), PIN)
        some["clock"], some["event"], some["level"] = clocks, event, levels
        moves.append(some)
    pins = np.concatenate(moves)
    pins = pins[np.argsort(pins["clock"], kind="stable")]
    return runner.run(start, at.memory, pins, count, number)


def _writes(rows: npt.NDArray[Any], keys: npt.NDArray[Any], variant: str = "nmos") -> Writes:
    """What rows write, in order, each in the clock in which what it is by its key writes it."""
    after = rows["after"]
    many = np.minimum(after["writes"], WRITES).astype(np.int64)
    row = np.repeat(np.arange(len(rows)), many)
    nth = np.arange(len(row)) - np.repeat(np.cumsum(many) - many, many)
    backs, most = _backs(variant)
    place = np.clip(nth + most[keys[row]] - many[row], nth, WRITES - 1)
    begun = rows["clock"].astype(np.int64)[row]
    ended = begun + after["cycles"][row]
    clock = np.maximum(ended - backs[keys[row], place], begun)
    return Writes(clock, after["write_address"][row, nth], after["write_value"][row, nth])


@cache
def _backs(variant: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """By key, how many clocks before its end each write comes; and how many there are."""
    backs, most = np.ones((KEYS, WRITES), np.int64), np.zeros(KEYS, np.int64)
    for key, form in BY_KEY.items():
        clocks = form.sequence(variant)
        written = [len(clocks) - i for i, clock in enumerate(clocks) if clock.writes]
        backs[key, : len(written)], most[key] = written, len(written)
    return backs, most


def _evened(
    wrote: Writes, rows: npt.NDArray[Any],
    first: list[tuple[npt.NDArray[np.int64], npt.NDArray[Any]]],
) -> Writes:  # fmt: skip
    """With the unmodified bytes, by row, whose write may be left out and was."""
    row = np.concatenate([np.zeros(0, np.int64), *(some for some, _ in first)])
    if not len(row):
        return wrote
    clock = rows["clock"].astype(np.int64)[row] + rows["after"]["cycles"][row] - 2
    value = np.concatenate([some for _, some in first]).astype(np.uint8)
    both = wrote.then(Writes(clock, rows["after"]["write_address"][row, 0], value))
    return both.only(np.argsort(both.clock, kind="stable"))
