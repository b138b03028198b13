"""Bytes looked for in the wrong place, and branches that go elsewhere: the rule is named."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest
from usual import first_of

from carrywave.sim.cases.case_memory import possible, reread
from carrywave.sim.cases.kinds import forms_of, keys_of
from carrywave.sim.cases.layout import Cases, Outcomes
from carrywave.sim.cases.sampled import quick_cases
from carrywave.sim.diagnose import addresses, misreads
from carrywave.sim.diagnose.diagnosis import diagnose
from carrywave.sim.diagnose.question import Cause
from carrywave.sim.family.instructions import BY_OPCODE
from carrywave.sim.witness.model import Model

# Emulators by opcode: where the operand's byte is found, in numbers and with nothing of the
# diagnosis. What the next lines say is what each must be told.


def word(f: Any) -> Any:
    return f["address.high"] << 8 | f["address.low"]


def elsewhere(**places: Callable[[Any], Any]) -> dict[str, Any]:
    return {name.replace("_", "."): place for name, place in places.items()}


WRONG: list[tuple[int, str, dict[str, Any]]] = [
    (0x94, "Y is added where X must be", elsewhere(m=lambda f: f["address.low"] + f["y"] & 255)),
    (0xB5, "A is added where X must be", elsewhere(m=lambda f: f["address.low"] + f["a"] & 255)),
    (0xA1, "for the high byte of the pointer, no index is added",
     elsewhere(address_high=lambda f: f["pointer"] + 1 & 255)),
    (0x6C, "the high byte of the pointer is looked for with the low seven bits of its place alone",
     elsewhere(address_high=lambda f: f["pointer.high"] << 8 | f["pointer.low"] + 1 & 0x7F)),
    (0xB1, "the high byte of the pointer is looked for where the low byte lies",
     elsewhere(address_high=lambda f: f["pointer"])),
    (0xB5, "the index is joined by OR, not added",
     elsewhere(m=lambda f: f["address.low"] | f["x"])),
    (0x81, "the operand is looked for where the pointer lies",
     elsewhere(m=lambda f: f["pointer"] + f["x"] & 255)),
    (0x99, "an address beyond FFFF stays in page FF",
     elsewhere(m=lambda f: np.where(word(f) + f["y"] > 0xFFFF,
                                    0xFF00 | word(f) + f["y"] & 255, word(f) + f["y"]))),
    (0x6C, "the high byte of the pointer is looked for at 0000 where its page ends",
     elsewhere(address_high=lambda f: np.where(
         f["pointer.low"] == 255, 0, (f["pointer.high"] << 8) + f["pointer.low"] + 1))),
    (0x9D, "the sum is taken modulo FFFF",
     elsewhere(m=lambda f: np.where(word(f) + f["x"] >= 0xFFFF, word(f) + f["x"] - 0xFFFF,
                                    word(f) + f["x"]))),
    (0x9D, "the index is subtracted", elsewhere(m=lambda f: word(f) - f["x"] & 0xFFFF)),
    (0xAD, "X is added, though the mode has no index",
     elsewhere(m=lambda f: word(f) + f["x"] & 0xFFFF)),
]  # fmt: skip


@cache
def cases_of(name: str) -> Cases:
    cases = np.concatenate([quick_cases(form, 4, "nmos") for form in forms_of(name)])
    return cases[possible(cases)]


def told(name: str, answers: Outcomes) -> list[Cause]:
    cases = cases_of(name)
    return diagnose(cases, Model().execute(cases), answers, "nmos")


def emulated(opcode: int, places: dict[str, Any]) -> Outcomes:
    """The right answers, but for one opcode's, which finds its bytes there."""
    name = BY_OPCODE[opcode].mnemonic
    cases = cases_of(name)
    answers = Model().execute(cases)
    rows = np.flatnonzero(keys_of(cases) == opcode)
    of_it = cases[rows]
    found = Model().execute(reread(of_it, of_it, "nmos", lambda form, _: places))
    found["cycles"] = answers["cycles"][rows]
    if BY_OPCODE[opcode].access == "write":
        columns: dict[str, Any] = {reg: of_it[reg].astype(np.int32) for reg in ("pc", *"axy")}
        for i, read in enumerate(BY_OPCODE[opcode].reads):
            columns[read] = of_it["read_value"][:, i].astype(np.int32)
        found["write_address"][:, 0] = places["m"](columns)
    answers[rows] = found
    return answers


@pytest.mark.parametrize(("opcode", "words", "places"), first_of(WRONG, 5))
def test_a_wrong_place_is_named(opcode: int, words: str, places: dict[str, Any]) -> None:
    name = BY_OPCODE[opcode].mnemonic
    answers = emulated(opcode, places)
    wrong = int(np.count_nonzero(answers != Model().execute(cases_of(name))))
    causes = told(name, answers)
    assert words in [cause.cause for cause in causes]
    assert {cause.explains for cause in causes} == {wrong}
    assert len({cause.group for cause in causes}) == 1  # others are alternatives
    assert wrong > 10
    if BY_OPCODE[opcode].access == "write":  # which tells all places apart
        assert len(causes) == 1


TARGETS = [
    ("the offset is taken for a number without sign", lambda pc, o: pc + 2 + o),
    ("the target is counted from the offset's own address",
     lambda pc, o: pc + 1 + np.where(o > 127, o - 256, o)),
    ("the offset has lost its bit 7", lambda pc, o: pc + 2 + o % 128),
]  # fmt: skip


@pytest.mark.parametrize(("words", "target"), first_of(TARGETS, 2))
@pytest.mark.parametrize("follow", [True, False])
def test_a_wrong_target_is_one_mistake(words: str, target: Any, follow: bool) -> None:
    cases = cases_of("BNE")
    right = Model().execute(cases)
    answers, taken = right.copy(), right["cycles"] > 2
    pc, offset = cases["pc"].astype(int), cases["read_value"][:, 1].astype(int)
    to = target(pc, offset) % 65536
    answers["pc"][taken] = to[taken]
    if follow:
        more = to // 256 != (pc + 2) % 65536 // 256
        answers["cycles"][taken] = (3 + more)[taken]
    causes = told("BNE", answers)
    assert [cause.cause for cause in causes] == [words + ", and the clocks follow" * follow]
    assert causes[0].explains == np.count_nonzero(answers != right)


def test_a_rule_of_one_mode_is_told_before_what_fits_in_part() -> None:
    """The index of LDX absolute,Y has lost its bit 7: most of it is as if it were signed."""
    cases = cases_of("LDX")
    rows = np.flatnonzero(keys_of(cases) == 0xBE)
    answers = emulated(0xBE, elsewhere(m=lambda f: word(f) + f["y"] % 128 & 0xFFFF))
    low = cases["read_value"][rows, 1].astype(int)
    answers["cycles"][rows] = 4 + (low + cases["y"][rows] % 128 > 255)
    (cause,) = told("LDX", answers)
    words = "only the low seven bits of the index are added, and the clocks follow"
    assert (cause.cause, cause.place) == (words, "in absolute,Y mode")
    assert cause.explains == np.count_nonzero(answers != Model().execute(cases))


@pytest.mark.parametrize("name", ["PHA", "BRK", "NMI"])
def test_a_stack_in_another_page_is_told(name: str) -> None:
    right = Model().execute(cases_of(name))
    answers = right.copy()
    answers["write_address"] &= 0xFF
    (cause,) = told(name, answers)
    assert cause.cause == "the stack is written in page zero"
    assert cause.explains == len(right)


@pytest.mark.parametrize("name", ["BRK", "NMI"])
def test_a_vector_that_is_looked_for_elsewhere_is_told(name: str) -> None:
    """What lies there is 0, as behind the shipped adapters, and so are both of its bytes."""
    answers = Model().execute(cases_of(name)).copy()
    answers["pc"] = 0
    (cause,) = told(name, answers)
    lies = "FFFE" if name == "BRK" else "FFFA"
    where = f"reads elsewhere where the low byte of the vector lies at {lies}"
    assert cause.cause == f"{where}, and for the high byte of the vector too"


def test_what_is_no_place_is_not_called_one(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = emulated(0xB5, WRONG[1][2])
    monkeypatch.delitem(addresses._WITH, "A is added where {index} must be")
    assert "A is added where X must be" not in [cause.cause for cause in told("LDA", answers)]


def test_only_so_many_instructions_are_searched() -> None:
    """Where all is wrong no rule is tried for long."""
    cases = np.concatenate([cases_of(name) for name in ("LDA", "LDX", "STA", "STX", "EOR")])
    right = Model().execute(cases)
    answers = right.copy()
    answers["a"] ^= cases["y"]
    causes = diagnose(cases, right, answers, "nmos")
    assert {cause.instruction for cause in causes} == {"LDA", "LDX", "STA", "STX", "EOR"}


@pytest.mark.parametrize(
    ("lies", "sought", "turn"),
    [(0x0000, 0xFF00, "carry into the next page"), (0x3C00, 0x3B00, "carry into the next page"),
     (0x0000, 0x0100, "wrap within its page"), (0xFF00, 0x0000, "wrap within its page")],
)  # fmt: skip
def test_a_byte_that_must_carry_is_not_told_to_wrap(lies: int, sought: int, turn: str) -> None:
    witness = misreads._Misread("nmos", "counted", "address.high")
    assert misreads._in_words(witness, "address.high", lies, sought)[1].endswith(f"must {turn}")
