"""Clocks that are wrong alone: the rule by which a crossing was judged is named."""

from __future__ import annotations

from functools import cache
from itertools import chain

import numpy as np
import pytest
from usual import first_of

from carrywave.sim.cases.case_memory import possible
from carrywave.sim.cases.kinds import keys_of
from carrywave.sim.cases.layout import Cases, Outcomes
from carrywave.sim.cases.sampled import quick_cases
from carrywave.sim.diagnose import crossings
from carrywave.sim.diagnose.crossings import BRANCHED, INDEXED, Judged
from carrywave.sim.diagnose.diagnosis import diagnose
from carrywave.sim.diagnose.question import Cause
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.mistakes.catalogue import BY_NUMBER
from carrywave.sim.mistakes.mistake import Mistaken
from carrywave.sim.witness.comparison import Witness
from carrywave.sim.witness.model import Model

RULES = list(chain(((words, "LDA") for words in INDEXED), ((words, "BNE") for words in BRANCHED)))


@cache
def quick() -> Cases:
    forms = [*BY_MNEMONIC["LDA"].values(), *BY_MNEMONIC["BNE"].values()]
    cases = np.concatenate([quick_cases(form, 4, "nmos") for form in forms])
    return cases[possible(cases)]


@cache
def right() -> Outcomes:
    return Model().execute(quick())


def answered(witness: Witness, name: str) -> tuple[list[Cause], int]:
    """The causes where one instruction is the witness's, and how many of its cases are wrong."""
    cases, answers = quick(), right().copy()
    codes = [form.opcode for form in BY_MNEMONIC[name].values()]
    rows = np.flatnonzero(np.isin(keys_of(cases), codes))
    answers[rows] = witness.execute(cases[rows])
    return diagnose(cases, right(), answers, "nmos"), int(np.count_nonzero(answers != right()))


@pytest.mark.parametrize(("words", "name"), first_of(RULES, 6))
def test_the_rule_is_named(words: str, name: str) -> None:
    causes, wrong = answered(Judged.by("nmos", words), name)
    assert wrong > 0
    assert [(cause.explains, cause.fields) for cause in causes] == [(wrong, ("cycles",))]
    assert f"where {words}" in causes[0].cause or _same(causes[0].cause, words, name)


def _same(cause: str, words: str, name: str) -> bool:
    """Whether the quick cases do not tell two rules apart."""
    told = cause.removeprefix("a clock more is taken where ")
    one, other = (Judged.by("nmos", rule).execute(quick()) for rule in (told, words))
    codes = [form.opcode for form in BY_MNEMONIC[name].values()]
    return bool(np.array_equal(*(side[np.isin(keys_of(quick()), codes)] for side in (one, other))))


def test_a_wrong_address_and_the_clocks_that_follow_are_one_mistake() -> None:
    told = "the other index register is added, and the clocks follow"
    causes, wrong = answered(Mistaken(BY_NUMBER[84].with_its_clocks()), "LDA")
    assert [(cause.cause, cause.explains) for cause in causes] == [(told, wrong)]
    assert "cycles" in causes[0].fields
    alone, fewer = answered(Mistaken(BY_NUMBER[84]), "LDA")
    assert [cause.cause for cause in alone] == ["the other index register is added"]
    assert 0 < fewer < wrong


def test_clocks_that_no_rule_gives_are_not_explained(monkeypatch: pytest.MonkeyPatch) -> None:
    judged = Judged.by("nmos", "it goes back")
    monkeypatch.delitem(crossings.BRANCHED, "it goes back")
    causes, _ = answered(judged, "BNE")
    assert not any("a clock more is taken where" in cause.cause for cause in causes)


def test_another_fault_beside_it_is_told_by_itself() -> None:
    def wrong_a(outcomes: Outcomes) -> Outcomes:
        outcomes["a"] ^= 1
        return outcomes

    class Both:
        def execute(self, cases: Cases) -> Outcomes:
            return wrong_a(Judged.by("nmos", "the index is not 0").execute(cases))

    causes, _ = answered(Both(), "LDA")
    assert "a clock more is taken where the index is not 0" in [cause.cause for cause in causes]
    assert all(cause.kind != "none" for cause in causes)
