"""One instruction's cases, its answers, and whether a hypothesis gives them all."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from ..cases.kinds import BY_KEY, keys_of
from ..cases.layout import Cases, Outcomes
from ..family.members import EVENTS
from ..mistakes.mistake import Mistake
from ..witness.comparison import FIELDS, Witness, differences
from .inputs import TARGETS, Truths

Kind = Literal["mistake", "pair", "formula", "none"]

#: With D set these are another computation.
_DECIMAL: Final = ("ADC", "SBC", "CMP", "CPX", "CPY")
_KINDS: Final = 16  # of rows, by the fields that are wrong,
_PROBE: Final = 24  # and rows of a kind, that a hypothesis is first tried on


@dataclass(frozen=True)
class Cause:
    """What makes one instruction's answers wrong, and what to change.

    `kind` tells how it was found: a planted "mistake" or another behaviour known as a whole, a
    "pair" of them, a "formula", or "none", where nothing fits. It accounts for the `fields`, in
    `explains` of the `wrong` cases; causes of one instruction and place with the same fields are
    alternatives that these cases do not tell apart, those with other fields come on top of it.
    """

    instruction: str  # a mnemonic, "IRQ", "NMI" or "RESET"
    cause: str
    change: str
    explains: int
    kind: Kind
    numbers: tuple[int, ...] = ()  # of the mistakes
    fields: tuple[str, ...] = ()
    wrong: int = 0
    place: str = ""  # which of its cases, if not all: "in absolute mode"
    alike: str = ""  # the cause without the addresses that are its example
    variant: str = ""  # of the witness that answers alike, where it is another than asked for
    mistakes: tuple[Mistake, ...] = field(default=(), repr=False)

    @property
    def group(self) -> tuple[str, str, tuple[str, ...]]:
        """What alternatives have in common."""
        return self.instruction, self.place, self.fields

    def to_json(self) -> dict[str, Any]:
        """The same as plain dictionaries, lists and numbers."""
        return {
            "instruction": self.instruction, "cause": self.cause, "change": self.change,
            "explains": self.explains, "wrong": self.wrong, "kind": self.kind,
            "numbers": list(self.numbers), "fields": list(self.fields), "place": self.place,
        }  # fmt: skip


@dataclass
class Budget:
    """What may still be searched for: where all is wrong, nothing would help.

    `left` are fields, for formulas.
    """

    left: int = 250
    searches: int = 12  # for wrong addresses, of instructions

    def search(self) -> bool:
        """Takes a search, if there is one."""
        self.searches -= 1
        return self.searches >= 0

    def spend(self, count: int) -> bool:
        """Takes so many, if there are."""
        if count <= self.left:
            self.left -= count
            return True
        return False


class Question:
    """One instruction's cases, what is right and what the emulator answered."""

    def __init__(
        self, name: str, cases: Cases, expected: Outcomes, actual: Outcomes, variant: str,
        skip: Collection[str], budget: Budget, place: str = "",
    ) -> None:  # fmt: skip
        self.name, self.variant, self.skip = name, variant, skip
        self.budget, self.place = budget, place
        self.cases, self.expected, self.actual = cases, expected, actual
        self.fields = {
            name: mask for name, mask in differences(expected, actual, skip).items() if mask.any()
        }
        if name == "RESET" and variant != "cmos" and "p.d" not in self.fields:
            # The makers leave D open, and whoever compares may have put the right one there.
            self.skip = (*skip, "p.d")
        self.wrong = any_of(self.fields.values(), len(cases))
        self.keys = keys_of(cases)
        self.forms = [BY_KEY[key] for key in np.unique(self.keys).tolist()]
        self.pushes = name in EVENTS or self.forms[0].pushes
        self.stores = any(form.access in ("write", "modify") for form in self.forms)
        #: Which write is that of the unmodified byte, the next one's byte being the result.
        self.unmodified = [0] if self.stores and expected["writes"].max() > 1 else []
        #: Whether the unmodified bytes are all right. One who does not write them may have had them
        #: put in: then they do not tell what was read.
        self.first_right = bool(self.unmodified) and np.array_equal(
            *(side["write_value"][expected["writes"] > 1, 0] for side in (expected, actual))
        )
        # A few rows of the commonest kinds: nearly all hypotheses fall there.
        kinds = self.wrong.astype(np.int64) + 2 * (cases["p"] & 8 > 0)
        for i, mask in enumerate(self.fields.values()):
            kinds += mask.astype(np.int64) << 2 + i
        values, counts = np.unique(kinds, return_counts=True)
        some = [np.flatnonzero(kinds == kind) for kind in values[np.argsort(-counts)[:_KINDS]]]
        self._try_on(np.concatenate([rows[:: len(rows) // _PROBE + 1] for rows in some]))

    def _try_on(self, rows: npt.NDArray[np.int64]) -> None:
        self.rows = rows
        self.probe = self.cases[rows], self.actual[rows]

    def fits(self, witness: Witness, only: Collection[str] = FIELDS) -> bool:
        """Whether it answers as the emulator does in all cases, in some fields or in all."""
        found = self._differences(witness, *self.probe, only)
        if any(mask.any() for mask in found.values()):
            return False
        found = self._differences(witness, self.cases, self.actual, only)
        more = np.flatnonzero(any_of(found.values(), len(self.cases)))
        if not len(more):
            return True
        # What has slipped through the few shall not again.
        self._try_on(np.union1d(self.rows, more[:: len(more) // 8 + 1]))
        return False

    def even(self, answers: Outcomes, actual: Outcomes) -> Outcomes:
        """What a hypothesis answers, with the unmodified bytes that do not tell what was read."""
        if self.first_right:
            address = answers["write_address"]
            twice = (answers["writes"] == 2) & (address[:, 0] == address[:, 1])
            twice &= actual["writes"] == 2
            answers["write_value"][twice, 0] = actual["write_value"][twice, 0]
        return answers

    def _differences(
        self, witness: Witness, cases: Cases, actual: Outcomes, only: Collection[str]
    ) -> dict[str, Truths]:
        """Where a witness answers otherwise."""
        skip = {*self.skip, *FIELDS}.difference(only) | {*self.skip}
        return differences(self.even(witness.execute(cases), actual), actual, skip)

    def at(self, rows: Truths, place: str) -> Question:
        """The same for some of the cases."""
        place = ", ".join(filter(None, (self.place, place)))
        return Question(
            self.name, self.cases[rows], self.expected[rows], self.actual[rows], self.variant,
            self.skip, self.budget, place,
        )  # fmt: skip

    def addressing(self) -> Iterator[Question]:
        """Each addressing mode by itself, if there are several."""
        if len(self.forms) > 1:
            for form in self.forms:
                yield self.at(self.keys == form.opcode, f"in {form.mode.name} mode")

    @property
    def in_one_mode(self) -> bool:
        """Whether of several addressing modes one alone is wrong."""
        wrong = {int(key) for key in np.unique(self.keys[self.wrong])}
        return len(self.forms) > 1 and len(wrong) == 1

    def modes(self) -> list[Question]:
        """The wrong ones of binary and decimal mode, if there are cases of both."""
        if self.name not in _DECIMAL or self.in_modes() != {False, True}:
            return []
        decimal = self.cases["p"] & 8 > 0
        parts = (self.at(~decimal, "in binary mode"), self.at(decimal, "in decimal mode"))
        return [part for part in parts if part.fields]

    def in_modes(self) -> set[bool]:
        """Whether there are cases of binary (False) and decimal (True) mode."""
        if self.variant == "binary":
            return {False}
        return set(np.unique(self.cases["p"] & 8 > 0).tolist())

    def result_fields(self) -> tuple[str, ...]:
        """Where the result may go."""
        if self.name in ("ASL", "LSR", "ROL", "ROR", "INC", "DEC"):
            in_memory = self.expected["writes"] > 0
            return ("a",) * (not in_memory.all()) + ("write_value",) * bool(in_memory.any())
        return (TARGETS.get(self.name, ""),)

    def cause(
        self, kind: Kind, cause: str, change: str, fields: Iterable[str] | None = None, **more: Any
    ) -> Cause:
        """A cause of all that is wrong, or of some fields."""
        chosen = set(self.fields if fields is None else fields)
        explained = [self.fields[name] for name in chosen if kind != "none"]
        return Cause(
            self.name, cause, change, int(any_of(explained, len(self.cases)).sum()), kind,
            fields=tuple(name for name in FIELDS if name in chosen),
            wrong=int(self.wrong.sum()), place=self.place, **more,
        )  # fmt: skip


def any_of(masks: Iterable[Truths], rows: int) -> Truths:
    """The rows that any of the masks has."""
    found = np.zeros(rows, np.bool_)
    for mask in masks:
        found |= mask
    return found
