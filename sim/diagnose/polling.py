"""What explains an emulator that takes an interrupt where the gates do not, or the reverse.

What follows an instruction is decided from I and the pins at one moment. An explanation decides it
at another, or in another way; it holds if it says all that the emulator did, at every instruction
that was looked at.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..family.members import EVENTS

Flags = npt.NDArray[np.bool_]
Events = npt.NDArray[np.uint8]  # indices into EVENTS

NOTHING, IRQ, NMI = (EVENTS.index(name) for name in ("instruction", "IRQ", "NMI"))
#: The clocks about an instruction's end in which a pin is looked at; 0 is its last one.
MOMENTS: Final = (-3, -2, -1, 0, 1)


@dataclass
class Boundaries:
    """Between two sequences that follow each other, a column each of what decides what follows."""

    right: Events
    theirs: Events
    enters: Flags  # BRK, or an entry: nothing follows
    delays: Flags  # CLI, SEI or PLP
    resumes: Flags  # RTI
    before: Flags  # I before the instruction, and
    after: Flags  # after it
    irq_low: dict[int, Flags]  # by `MOMENTS`
    irq_was_low: Flags  # since the entry of an IRQ, or since the emulator was set back
    irq_fell: Flags  # since the entry of an IRQ
    nmi_waits: Flags  # an edge has come in time, and was not taken
    nmi_low: Flags
    nmi_fell: dict[int, Flags]  # in this very clock, by `MOMENTS`

    def chosen(self, rows: Any) -> Boundaries:
        """Some of them."""
        columns: dict[str, Any] = {
            name: {at: one[rows] for at, one in column.items()}
            if isinstance(column, dict) else column[rows]
            for name, column in vars(self).items()
        }  # fmt: skip
        return Boundaries(**columns)

    @property
    def masked(self) -> Flags:
        """I as it counts: what CLI, SEI and PLP do to it comes too late."""
        return np.where(self.delays, self.before, self.after)

    def decided(
        self, masked: Flags | None = None, low: Flags | None = None, waiting: Flags | None = None,
        enters: Flags | None = None,
    ) -> Events:  # fmt: skip
        """What follows by the rule, with something else in the place of what counts."""
        masked = self.masked if masked is None else masked
        low = self.irq_low[-1] if low is None else low
        waiting = self.nmi_waits if waiting is None else waiting
        enters = self.enters if enters is None else enters
        asked = np.where(waiting, NMI, np.where(low & ~masked, IRQ, NOTHING))
        return np.where(enters, NOTHING, asked).astype(np.uint8)


@dataclass
class Polling:
    """An explanation: what is wrong, what to change, and what would follow."""

    cause: str
    change: str
    follows: Callable[[Boundaries], Events]
    explains: int = 0
    others: tuple[str, ...] = ()  # causes that are no different here


def pollings() -> list[Polling]:
    """All that is known, the simplest first; common practice of the trade, no source."""
    at = "what follows is decided in the last clock but one of an instruction"
    found = [
        Polling(
            "CLI, SEI and PLP act on the next interrupt at once",
            "let the instruction after CLI, SEI or PLP run as if I were what it was before",
            lambda b: b.decided(masked=b.after),
        ),
        Polling(
            "RTI acts on I one instruction late, as CLI does",
            "what RTI pulls counts at once: an IRQ may follow it",
            lambda b: b.decided(masked=np.where(b.resumes, b.before, b.masked)),
        ),
        Polling(
            "NMI is taken for as long as its pin is low",
            "take NMI once for each edge from high to low",
            lambda b: b.decided(waiting=b.nmi_waits | b.nmi_low),
        ),
        Polling(
            "IRQ is taken once for each edge",
            "take IRQ for as long as its pin is low and I is clear",
            lambda b: b.decided(low=b.irq_low[-1] & b.irq_fell),
        ),
        Polling(
            "IRQ is taken though I is set",
            "leave IRQ alone while I is set",
            lambda b: b.decided(masked=np.zeros_like(b.before)),
        ),
        Polling(
            "IRQ is remembered after its pin has gone high again",
            f"look at the pin when it counts: {at}",
            lambda b: b.decided(low=b.irq_was_low),
        ),
        Polling(
            "an interrupt is taken before the first instruction of a handler",
            "let an instruction run after each entry and after BRK",
            lambda b: b.decided(enters=np.zeros_like(b.enters)),
        ),
    ]  # fmt: skip
    late = {-3: "two clocks early", -2: "a clock early", 0: "a clock late", 1: "two clocks late"}
    for moment, words in late.items():
        found.append(Polling(f"IRQ is looked at {words}", at, _irq_at(moment)))
    found += [
        Polling(
            "NMI is looked at a clock late", at,
            lambda b: b.decided(waiting=b.nmi_waits | b.nmi_fell[0]),
        ),
        Polling(
            "NMI is looked at a clock early", at,
            lambda b: b.decided(waiting=b.nmi_waits & ~b.nmi_fell[-1]),
        ),
        Polling("IRQ is never taken", "take IRQ while its pin is low and I is clear",
                lambda b: b.decided(low=np.zeros_like(b.before))),
        Polling("NMI is never taken", "take NMI once for each edge from high to low",
                lambda b: b.decided(waiting=np.zeros_like(b.before))),
    ]  # fmt: skip
    return found


def _irq_at(moment: int) -> Callable[[Boundaries], Events]:
    return lambda seen: seen.decided(low=seen.irq_low[moment])


class PollingEvidence:
    """Explanations, each held to all boundaries that come by."""

    def __init__(self) -> None:
        self._left = pollings()
        self._kept: list[Boundaries] = []
        self.wrong = 0

    def add(self, seen: Boundaries) -> None:
        """Some boundaries. What says something else where the emulator was right is none."""
        wrong = seen.right != seen.theirs
        self.wrong += int(np.count_nonzero(wrong))
        if wrong.any():
            self._kept.append(seen.chosen(wrong))
        self._left = [
            one for one in self._left
            if np.array_equal(one.follows(seen)[~wrong], seen.theirs[~wrong])
        ]  # fmt: skip

    def causes(self) -> list[Polling]:
        """Those that explain most, until nothing is left that any explains."""
        found: list[Polling] = []
        left = [np.ones(len(seen.right), np.bool_) for seen in self._kept]
        while True:
            said = {
                one.cause: np.concatenate([
                    (one.follows(seen) == seen.theirs) & open_
                    for seen, open_ in zip(self._kept, left, strict=True)
                ])
                for one in self._left
                if self._kept
            }  # fmt: skip
            counts = {cause: int(np.count_nonzero(rows)) for cause, rows in said.items()}
            best = max(self._left, key=lambda one: counts.get(one.cause, 0), default=None)
            if best is None or not counts.get(best.cause):
                return found
            rows = said[best.cause]
            others = tuple(
                cause for cause, same in said.items()
                if cause != best.cause and np.array_equal(same, rows)
            )  # fmt: skip
            found.append(replace(best, explains=counts[best.cause], others=others))
            at = 0
            for i, open_ in enumerate(left):
                left[i] = open_ & ~rows[at : at + len(open_)]
                at += len(open_)
