"""What a program executes, as cases: each instruction with the state and memory that it had."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..cases.kinds import BY_KEY, KEYS, alike, lay_reads
from ..cases.layout import CASE, OUTCOME, WRITES, Cases, Outcomes, unnamed
from ..family.members import EVENTS
from ..family.status_byte import ALWAYS, FLAG_BITS, LOWEST_FIRST
from .lanes import CAUSE_OF
from .part import RunPart

_I: Final = LOWEST_FIRST.index("i")
#: The event of a cause, by number.
EVENT_OF: Final = np.array([
    EVENTS.index(name) if name in EVENTS else 0
    for name, _ in sorted(CAUSE_OF.items(), key=lambda item: item[1])
], np.uint8)  # fmt: skip
#: The status byte of the unit's six flags.
P_OF: Final = np.array([
    ALWAYS + sum((flags >> i & 1) << FLAG_BITS[flag] for i, flag in enumerate(LOWEST_FIRST))
    for flags in range(64)
], np.uint8)  # fmt: skip


class Executed(NamedTuple):
    """Cases, what the gates made of each, and which sequences of the part they are."""

    cases: Cases
    expected: Outcomes
    at: npt.NDArray[np.int64]


def executed(
    part: RunPart, count: int, variant: str, only: npt.NDArray[np.bool_] | None = None
) -> Executed:
    """The first so many sequences of a part as cases, or `only` the chosen ones of these.

    Resets are none, nor what a reset cuts short, nor BRK and IRQ whose vector an NMI takes, nor an
    IRQ that was decided before I was set: as a case that is the instruction that runs instead.
    """
    states, clocks = part.states[:count], part.clocks[:count]
    after = part.states[1 : count + 1]
    event = EVENT_OF[states["cause"]]
    keys = keys_of_part(part, count)
    if only is not None:
        keys = np.where(only, keys, KEYS - 1)
    opcode = part.memory.at(states["pc"], clocks)
    cases, expected = np.zeros(count, CASE), left_by(part, count)
    for register in ("pc", "a", "x", "y", "sp"):
        cases[register] = states[register]
    cases["p"], cases["event"] = P_OF[states["flags"]], event
    whole = part.pins.whole("reset_n", clocks, part.clocks[1 : count + 1])
    kept = np.zeros(count, np.bool_)
    for key, rows in alike(keys):
        if key not in BY_KEY or key == EVENTS.index("RESET") << 8:
            continue
        form = BY_KEY[key]
        some, when = unnamed(cases)[rows].view(CASE), clocks[rows]
        columns: dict[str, Any] = {
            name: some[name].astype(np.int64) for name in ("pc", "a", "x", "y", "sp", "p")
        }
        columns["opcode"] = opcode[rows].astype(np.int64)
        for by, clock in enumerate(form.sequence(variant)):
            if clock.reads and clock.reads != "opcode" and clock.address is not None:
                where = clock.address.over(columns)
                where = np.broadcast_to(where, rows.shape).astype(np.uint16)
                columns[clock.reads] = part.memory.at(where, when + by).astype(np.int64)
        lay_reads(some, form, columns, variant)
        unnamed(cases)[rows] = unnamed(some)
        kept[rows] = whole[rows]
        if "vector.low" in columns:
            vector = columns["vector.low"] | columns["vector.high"] << 8
            kept[rows] &= after["pc"][rows] == vector
            if form.mnemonic == "IRQ":
                kept[rows] &= states["flags"][rows] >> _I & 1 == 0
    at = np.flatnonzero(kept)
    return Executed(unnamed(cases)[at].view(CASE), unnamed(expected)[at].view(OUTCOME), at)


def keys_of_part(part: RunPart, count: int) -> npt.NDArray[np.int64]:
    """The key of each of the first so many sequences: its opcode, or 256 times its event."""
    states = part.states[:count]
    event = EVENT_OF[states["cause"]].astype(np.int64)
    return np.where(event > 0, event << 8, part.memory.at(states["pc"], part.clocks[:count]))


def left_by(part: RunPart, count: int) -> Outcomes:
    """What each of the first so many sequences left on the gates."""
    expected, after = np.zeros(count, OUTCOME), part.states[1 : count + 1]
    clocks = part.clocks[:count]
    for register in ("pc", "a", "x", "y", "sp"):
        expected[register] = after[register]
    expected["p"] = P_OF[after["flags"]]
    expected["cycles"] = np.diff(part.clocks[: count + 1])
    wrote = part.writes.before(int(part.clocks[count]))
    lane = np.searchsorted(clocks, wrote.clock, side="right") - 1
    nth = np.arange(len(lane)) - np.searchsorted(lane, lane)
    few = nth < WRITES
    expected["writes"] = np.bincount(lane, minlength=count)
    expected["write_address"][lane[few], nth[few]] = wrote.address[few]
    expected["write_value"][lane[few], nth[few]] = wrote.value[few]
    return expected
