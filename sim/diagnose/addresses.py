"""Rules by which emulators look in the wrong place: for an operand, a pointer's bytes, a target.

Common practice of the trade. What lies where a case lists nothing is 0, as behind the shipped
adapters. They are tried where no mistake of the catalogue fits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from ..cases.case_memory import Places
from ..cases.kinds import BY_KEY, alike, keys_of, symbols_of
from ..cases.layout import Cases, Outcomes, unnamed
from ..family.instructions import Instruction
from ..mistakes.mistake import Mistake, Mistaken
from ..witness.model import Model
from .question import Cause, Question

Found = Mapping[str, Any]
Place = Callable[[Found], Any]

_OTHER: Final[dict[str, str]] = {"x": "y", "y": "x"}
#: What is added in the place of the index, or done with it: words, and how.
_WITH: Final[dict[str, Callable[[Any, Any, Found], Any]]] = {
    "{other} is added where {index} must be": lambda base, i, f: base + f[_OTHER[f["index"]]],
    "A is added where {index} must be": lambda base, i, f: base + f["a"],
    "no index is added": lambda base, i, f: base,
    "the index is joined by OR, not added": lambda base, i, f: base | i,
    "the index is joined by XOR, not added": lambda base, i, f: base ^ i,
    "the index is subtracted": lambda base, i, f: base - i,
    "one more than the index is added": lambda base, i, f: base + i + 1,
    "one less than the index is added": lambda base, i, f: base + i - 1,
    "the index is added twice": lambda base, i, f: base + 2 * i,
    "the index and C are added": lambda base, i, f: base + i + (f["p"] & 1),
    "only the low seven bits of the index are added": lambda base, i, f: base + (i & 0x7F),
    "only the low four bits of the index are added": lambda base, i, f: base + (i & 0x0F),
    "the index is taken for a signed number": lambda base, i, f: base + (i ^ 128) - 128,
}
#: Where a pointer's high byte is looked for, told where its low byte is.
_HIGHS: Final[dict[str, Place]] = {
    "beyond its page": lambda f: f["at"] + 1,
    "at the start of its page's other half": lambda f: f["at"] & ~0x7F | f["at"] + 1 & 0x7F,
    "with the low seven bits of its place alone":
        lambda f: f["at"] & 0xFF00 | f["at"] + 1 & 0x7F,
    "where the low byte lies": lambda f: f["at"],
    "two bytes behind the low one": lambda f: f["at"] & 0xFF00 | f["at"] + 2 & 0xFF,
    "a byte before the low one": lambda f: f["at"] & 0xFF00 | f["at"] - 1 & 0xFF,
    "in the other byte of an even pair": lambda f: f["at"] ^ 1,
    "in page zero": lambda f: f["at"] + 1 & 0xFF,
    "at 0000 where its page ends":
        lambda f: np.where(f["at"] & 0xFF == 0xFF, 0, f["at"] + 1),
    "in its own page": lambda f: f["at"] & 0xFF00 | f["at"] + 1 & 0xFF,
}  # fmt: skip


def _base(one: Instruction) -> Place:
    """What an index is added to."""
    if one.mode.crossing is None:
        return lambda f: f["address.low"]
    return lambda f: f["address.high"] << 8 | f["address.low"]


def _rules(one: Instruction) -> Iterator[tuple[str, str, Places]]:
    """What may be done, what must be, and where bytes are then looked for."""
    if "pointer.low" in one.reads:
        yield from _highs(one, lambda f: f["pointer.high"] << 8 | f["pointer.low"], "the pointer")
    elif "x" in one.pointer:
        yield from _through_x(one)
    elif one.index and one.access:
        if one.pointer:
            yield from _highs(one, lambda f: f["pointer"], "the pointer")
            yield (
                "the operand is looked for where the pointer lies",
                "",
                _operand(lambda f: f["pointer"]),
            )
        mask = 0xFF if one.mode.crossing is None else 0xFFFF
        must = f"{one.index.upper()} must be added to " + (
            "what the pointer holds" if one.pointer else "the address behind the opcode"
        )
        for words, place in _indexed(one, _base(one)):
            yield words, must, _operand(_masked(place, mask))
            if mask == 0xFFFF:
                yield (
                    f"{words}, within the page", must,
                    _operand(_in_page_of(_base(one), place)),
                )  # fmt: skip
        if mask == 0xFFFF:
            words = "an address beyond FFFF stays in page FF"
            yield words, "it must wrap to 0000", _operand(lambda f: _in_last_page(one, f))
            words = "the sum is taken modulo FFFF"
            yield words, "it must be modulo 10000", _operand(lambda f: _total(one, f) % 0xFFFF)
    elif one.access:
        base: Place = _held if "address.high" in one.reads else _base(one)
        for index in "xy":
            yield (
                f"{index.upper()} is added, though the mode has no index",
                "nothing must be added to the address behind the opcode",
                _operand(_masked(_plus(base, index), 0xFFFF)),
            )
        if "address.high" in one.reads and one.access != "read":  # which tells no places apart
            yield (
                "the high byte of the address is left out",
                "",
                _operand(lambda f: f["address.low"]),
            )


def _total(one: Instruction, found: Found) -> Any:
    return _base(one)(found) + found[one.index]


def _in_last_page(one: Instruction, found: Found) -> Any:
    total = _total(one, found)
    return np.where(total > 0xFFFF, 0xFF00 | total & 0xFF, total)


def _through_x(one: Instruction) -> Iterator[tuple[str, str, Places]]:
    must = "the pointer must lie where the byte behind the opcode and X say, within page zero"
    for words, place in _indexed(one, lambda f: f["pointer"]):
        low, high = {"address.low": _masked(place, 0xFF)}, {"address.high": _behind(place)}
        yield f"for the pointer, {words}", must, {**low, **high}
        yield f"for the high byte of the pointer, {words}", must, high
        yield f"for the low byte of the pointer, {words}", must, low
    yield from _highs(one, lambda f: f["pointer"] + f["x"] & 0xFF, "the pointer")
    places: list[tuple[str, Place]] = [
        ("the operand is looked for where the pointer lies", lambda f: f["pointer"] + f["x"] & 255),
        ("Y is added to what the pointer holds", lambda f: _held(f) + f["y"] & 0xFFFF),
        ("X is added to what the pointer holds, too", lambda f: _held(f) + f["x"] & 0xFFFF),
    ]
    for words, where in places:
        yield words, "the operand must lie where the pointer says", _operand(where)


def _held(found: Found) -> Any:
    return found["address.high"] << 8 | found["address.low"]


def _highs(one: Instruction, low: Place, what: str) -> Iterator[tuple[str, str, Places]]:
    turn = "the byte behind its low one is wanted"
    for words, high in _HIGHS.items():
        found = {"address.high": _told_where(high, low)}
        yield f"the high byte of {what} is looked for {words}", turn, found


def _indexed(one: Instruction, base: Place) -> Iterator[tuple[str, Place]]:
    index = one.index
    for words, how in _WITH.items():
        told = words.format(index=index.upper(), other=_OTHER[index].upper())
        yield told, _done_with(how, base, index)


# Places out of places


def _masked(place: Place, mask: int) -> Place:
    return lambda f: place(f) & mask


def _plus(base: Place, index: str) -> Place:
    return lambda f: base(f) + f[index]


def _behind(place: Place) -> Place:
    return lambda f: place(f) + 1 & 0xFF


def _in_page_of(base: Place, place: Place) -> Place:
    return lambda f: base(f) & 0xFF00 | place(f) & 0xFF


def _told_where(high: Place, low: Place) -> Place:
    return lambda f: high({**f, "at": low(f)}) & 0xFFFF


def _done_with(how: Callable[[Any, Any, Found], Any], base: Place, index: str) -> Place:
    return lambda f: how(base(f), f[index], {**f, "index": index})


def _operand(place: Place) -> Places:
    return {"m": place, "stored": place}


@dataclass(frozen=True)
class _Aimed:
    """The model, whose branches go elsewhere when taken; their clocks follow, or do not."""

    variant: str
    target: Callable[[Any, Any], Any]  # told PC of the branch, and the offset
    timed: bool

    def execute(self, cases: Cases) -> Outcomes:
        """Answers in which a branch that is taken goes there."""
        outcomes = Model(self.variant).execute(cases)
        for key, rows in alike(keys_of(cases)):
            form = BY_KEY[key]
            if not form.branches:
                continue
            found = symbols_of(unnamed(cases).take(rows).view(cases.dtype), form)
            pc, offset = found["pc"].astype(np.int32), found["offset"].astype(np.int32)
            taken = outcomes["cycles"][rows] > 2
            target = self.target(pc, offset) & 0xFFFF
            outcomes["pc"][rows] = np.where(taken, target, outcomes["pc"][rows])
            if self.timed:
                more = target >> 8 != (pc + 2 & 0xFFFF) >> 8
                outcomes["cycles"][rows] = np.where(taken, 3 + more, 2)
        return outcomes


@dataclass(frozen=True)
class _Stacked:
    """The model, whose pushes are written elsewhere."""

    variant: str
    place: Callable[[Any], Any]  # told where they must be

    def execute(self, cases: Cases) -> Outcomes:
        """Answers in which all that is written lies there."""
        outcomes = Model(self.variant).execute(cases)
        there = np.arange(outcomes["write_address"].shape[1]) < outcomes["writes"][:, None]
        moved = self.place(outcomes["write_address"].astype(np.int32)) & 0xFFFF
        outcomes["write_address"] = np.where(there, moved, 0)
        return outcomes


#: Where a push is written.
_STACKS: Final[dict[str, Callable[[Any], Any]]] = {
    "the stack is written in page zero": lambda address: address & 0xFF,
    "the stack is written in page 2": lambda address: address + 0x100,
}
_STACK_MUST: Final = "a byte must be pushed at 0100 + SP"

#: Where a branch goes that is taken.
_TARGETS: Final[dict[str, Callable[[Any, Any], Any]]] = {
    "the offset is taken for a number without sign": lambda pc, o: pc + 2 + o,
    "the target is counted from the offset's own address":
        lambda pc, o: pc + 1 + (o ^ 128) - 128,
    "the target is counted from the branch's own address": lambda pc, o: pc + (o ^ 128) - 128,
    "the target is counted from a byte behind the next instruction":
        lambda pc, o: pc + 3 + (o ^ 128) - 128,
    "the target stays in the page of the next instruction":
        lambda pc, o: (pc + 2) & 0xFF00 | pc + 2 + o & 0xFF,
    "an offset from 80 on is a size with a sign, not two's complement":
        lambda pc, o: pc + 2 + np.where(o > 127, 128 - o, o),
    "an offset from 80 on goes back one byte too few":
        lambda pc, o: pc + 2 + (o ^ 128) - 128 + (o > 127),
    "an offset from 80 on goes back one byte too many":
        lambda pc, o: pc + 2 + (o ^ 128) - 128 - (o > 127),
    "the offset has lost its bit 7": lambda pc, o: pc + 2 + (o & 127),
}  # fmt: skip
_TARGET_MUST: Final = "the offset, a signed number, must be added to the next instruction's address"


_ALTERNATIVES: Final = 3  # that are told
_MOST_FORMS: Final = 3  # that are wrong: where more are, it is not where they look


def misplaced(question: Question) -> list[Cause]:
    """The rules that give all of the answers, the likeliest first.

    A read from where nothing lies is 0 wherever that is: only the cases in which it is right by
    chance tell such rules apart, so there may be several.
    """
    if question.forms[0].branches:
        return _misaimed(question)
    if question.pushes:
        return [
            question.cause("mistake", words, _STACK_MUST)
            for words, place in _STACKS.items()
            if question.fits(_Stacked(question.variant, place))
        ]
    keys = np.unique(question.keys[question.wrong]).tolist()
    wrong = [BY_KEY[key] for key in keys if BY_KEY[key].mode.address is not None]
    if not 0 < len(wrong) <= _MOST_FORMS or not question.budget.search():
        return []
    found: list[Cause] = []
    pays = any(form.pays_for_crossing(question.variant) for form in wrong)
    for words, must, _ in _rules(wrong[0]):
        made = _made(question.name, words, wrong)
        for form in (made, made.with_its_clocks())[: 1 + pays]:
            if question.fits(Mistaken(form, variant=question.variant)):
                told = f"{words}, and the clocks follow" if form.timed else words
                found.append(
                    question.cause("mistake", told, must or "it must lie where the mode says")
                )
        if len(found) == _ALTERNATIVES:
            break
    question.budget.searches += bool(found)  # what was found costs nothing
    return found


def _made(name: str, words: str, wrong: Sequence[Instruction]) -> Mistake:
    """A mistake by the words of its rule, in each of these forms that has it."""

    def places(one: Instruction, variant: str) -> Places:
        if one not in wrong:
            return {}
        return next((found for told, _, found in _rules(one) if told == words), {})

    return Mistake(0, "", "", words, "", frozenset({name}), places=places, stage=-1)


def _misaimed(question: Question) -> list[Cause]:
    for words, target in _TARGETS.items():
        for timed in (True, False):
            if question.fits(_Aimed(question.variant, target, timed)):
                told = f"{words}, and the clocks follow" if timed else words
                return [question.cause("mistake", told, _TARGET_MUST)]
    return []
