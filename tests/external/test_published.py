"""A scalar reference out of the published tables, beside the gates.

`published.py` was written from the titles that it names, by one who had seen neither this project's
model nor its hardware: it counts a clock for each access to memory, a case at a time.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from typing import Any

import pytest
from external import published
from usual import USUAL

from carrywave.sim.cases.layout import Cases, plain
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.instructions import BY_OPCODE, INSTRUCTIONS
from carrywave.sim.family.members import EVENTS
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.witness.gates import Gates

SEED = secrets.randbits(32)
STATE = ("pc", "a", "x", "y", "sp", "p", "cycles")


def differing(cases: Cases, variant: str) -> list[tuple[dict[str, Any], Any, Any]]:
    """The cases that the two answer differently, with both answers.

    Gates read an operand where the case says; the reference, where the tables do: the addresses
    must be the same, in the same order.
    """
    wrong = []
    for case, outcome in zip(cases, Gates(variant).execute(cases), strict=True):
        asked, found = plain(case), plain(outcome)
        answer = published.step(variant, published.Case.of(**asked))
        assert answer is not None
        told = {name: getattr(answer, name) for name in STATE}
        told["writes"] = [list(write) for write in answer.writes]
        read = [address for address, _ in asked["reads"]]
        if told != found or answer.reads != read:
            wrong.append((asked, found, told))
    return wrong


@pytest.mark.parametrize("each", [30, pytest.param(300, marks=pytest.mark.exhaustive)])
@pytest.mark.parametrize("variant", USUAL)
def test_the_tables_and_the_gates_agree_on_random_cases(variant: str, each: int) -> None:
    compared = 0
    for place, instruction in enumerate(INSTRUCTIONS):
        cases = sampled_cases(each, SEED + place, [instruction], ["instruction"], variant)
        assert differing(cases, variant) == [], f"seed {SEED}"
        compared += len(cases)
    for event in EVENTS[1:]:
        cases = sampled_cases(each, SEED, events=[event], variant=variant)
        assert differing(cases, variant) == [], f"seed {SEED}"
        compared += len(cases)
    assert compared == each * (151 + 3)


def test_both_have_the_same_opcodes() -> None:
    case = sampled_cases(1, 1, events=["instruction"])[0]
    answered = set()
    for opcode in range(256):
        asked = plain(case) | {"reads": [[int(case["pc"]), opcode]]}
        if published.step("nmos", published.Case.of(**asked)) is not None:
            answered.add(opcode)
    assert answered == set(BY_OPCODE)
    assert len(answered) == 151


@pytest.mark.parametrize(
    ("place", "change"),
    [
        ("ADC", lambda outcome: outcome["p"].__ixor__(1 << FLAG_BITS["v"])),
        ("LDA", lambda outcome: outcome["cycles"].__iadd__(1)),
        ("STA", lambda outcome: outcome["write_address"].__ixor__(0x100)),
    ],
)
def test_the_comparison_sees_a_wrong_answer(
    place: str, change: Callable[[Any], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    execute = Gates.execute

    def spoilt(gates: Gates, cases: Cases) -> Any:
        outcomes = execute(gates, cases)
        change(outcomes)
        return outcomes

    monkeypatch.setattr(Gates, "execute", spoilt)
    forms = [one for one in INSTRUCTIONS if one.mnemonic == place]
    cases = sampled_cases(20, 1, forms, ["instruction"])
    assert len(differing(cases, "nmos")) == 20
