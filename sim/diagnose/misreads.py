"""Bytes looked up in the wrong place, told from what an emulator answers then.

The shipped adapters lay out what a case lists and clear the rest: who looks elsewhere finds another
of these bytes, or 0.
"""

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np

from ..cases.case_memory import Places, reread
from ..cases.layout import Cases, Outcomes
from ..family.instructions import Instruction
from ..witness.model import Model
from .inputs import Column
from .question import Cause, Question

_BYTES: Final = {
    "opcode": "the opcode", "m": "the operand", "offset": "the offset",
    "pointer": "the pointer's place",
    "pointer.low": "the low byte of the pointer", "pointer.high": "the high byte of the pointer",
    "address.low": "the low byte of the address", "address.high": "the high byte of the address",
    "vector.low": "the low byte of the vector", "vector.high": "the high byte of the vector",
    **{f"pull{i}": f"pulled byte {i + 1}" for i in range(3)},
}  # fmt: skip


@dataclass
class _Misread:
    """The model, where the byte `name` is looked for elsewhere, as `how` says.

    "counted": it and those in a row with it are counted on from the byte before, without the wrap
    in their page where they wrap, and without leaving it where they do not; "as": it is looked for
    where `other` lies; "exchanged": and `other` where this one lies; "nowhere": it, and `other` if
    there is one, are looked for where nothing lies.
    """

    variant: str
    how: str
    name: str
    other: str = ""

    def execute(self, cases: Cases) -> Outcomes:
        """Answers what is found there."""
        return Model(self.variant).execute(reread(cases, cases, self.variant, self._sought))

    def _sought(self, form: Instruction, cases: Cases) -> Places:
        found = self.places(form, cases)
        return {name: partial(_known, place) for name, place in found.items()}

    def places(self, form: Instruction, cases: Cases) -> dict[str, Column]:
        """Where it looks in cases of one form."""
        lies = {
            name: cases["read_address"][:, i].astype(np.int32) for i, name in enumerate(form.reads)
        }
        if self.name not in lies:
            return {}
        if self.how == "nowhere":
            both = self.name, self.other
            return {name: np.full(len(cases), -1) for name in both if name in lies}
        if self.how in ("as", "exchanged"):
            if self.other not in lies:
                return {}
            places = {self.name: lies[self.other]}
            return places | {self.other: lies[self.name]} if self.how == "exchanged" else places
        first, wraps = lies[self.name], _wraps(form, self.name, self.variant)
        before = first & 0xFF00 | first - 1 & 0xFF if wraps else first - 1
        found: dict[str, Column] = {}
        for i, name in enumerate(form.reads[form.reads.index(self.name) :]):
            if _wraps(form, name, self.variant) is not wraps or wraps is None:
                break
            on = before + 1 + i
            found[name] = (on if wraps else before & 0xFF00 | on & 0xFF) & 0xFFFF
        return found


def _known(place: Column, found: Mapping[str, Any]) -> Column:
    """A place that what is read until then does not change."""
    return place


def _wraps(form: Instruction, name: str, variant: str) -> bool | None:
    """Whether a byte that lies in a row with others wraps in its page; None if it is in no row."""
    (place,) = (clock.address for clock in form.sequence(variant) if clock.reads == name)
    assert place is not None
    if place.kind == "join":
        return True if place.parts[1].kind == "sum" else None
    return False if place.kind == "sum" and place.parts[1].kind == "number" else None


def misread(question: Question) -> list[Cause]:
    """The wrong places that give all of the answers, of the likeliest kind."""
    names = list(dict.fromkeys(name for form in question.forms for name in form.reads))
    sought = [name for name in names if name != "opcode"]
    kinds: dict[str, Iterable[tuple[str, ...]]] = {
        "counted": ((name,) for name in sought),
        "exchanged": itertools.pairwise(sought),
        "nowhere": [*((name,) for name in sought), *itertools.pairwise(sought)],
        "as": ((name, other) for name in sought for other in names if name != other),
    }
    for how, choices in kinds.items():
        found = []
        for choice in choices:
            witness = _Misread(question.variant, how, *choice)
            moved = _moved(question, witness)
            if moved and question.fits(witness):
                cause, change = _in_words(witness, *moved)
                alike = f"{how} {witness.name} {witness.other}"
                found.append(question.cause("mistake", cause, change, alike=alike))
        if found:
            return found
    return []


def _moved(question: Question, witness: _Misread) -> tuple[str, int, int] | None:
    """A byte that is looked up elsewhere in a wrong case, where it lies, and where it is sought.

    None if there is another wrong case, in which none is.
    """
    example = None
    for form in question.forms:
        of_it = question.keys == form.opcode if form.mode.length else True
        rows = np.flatnonzero(question.wrong & of_it)
        cases = question.cases[rows]
        moved = np.zeros(len(rows), np.bool_)
        for name, sought in witness.places(form, cases).items():
            lies = cases["read_address"][:, form.reads.index(name)].astype(np.int32)
            elsewhere = lies != sought
            moved |= elsewhere
            if example is None and elsewhere.any():
                first = elsewhere.argmax()
                example = name, int(lies[first]), int(sought[first])
        if not moved.all():
            return None
    return example


def _in_words(witness: _Misread, name: str, lies: int, sought: int) -> tuple[str, str]:
    byte = _BYTES[name]
    where = f"{byte} lies at {lies:04X}"
    must = f"{byte} must be read at its own address"
    if witness.how == "nowhere":
        if witness.other:
            more = f", and for {_BYTES[witness.other]} too"
            return f"reads elsewhere where {where}{more}", "each must be read at its own address"
        return f"reads elsewhere where {where}", must
    cause = f"reads {sought:04X} where {where}"
    if witness.how == "exchanged":
        return f"{cause}, and {lies:04X} where {_BYTES[witness.other]} lies", must
    if witness.how == "as":
        return cause, must
    turn = "carry into the next page" if lies - sought & 0xFFFF == 0x100 else "wrap within its page"
    return cause, f"the address of {byte} must {turn}"
