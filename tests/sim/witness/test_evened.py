"""What may be answered either way is made even, and nothing else is."""

from __future__ import annotations

import numpy as np
import pytest

from carrywave.sim.cases.layout import Cases, Outcomes
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.instructions import INSTRUCTIONS
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.sim.witness.comparison import Comparison
from carrywave.sim.witness.evened import evened
from carrywave.sim.witness.model import Model

MODIFIES = [form for form in INSTRUCTIONS if form.access == "modify"]
CASES = sampled_cases(6000, 8)
CHANGES = sampled_cases(3000, 8, MODIFIES, ["instruction"])


def once(outcomes: Outcomes) -> Outcomes:
    """The outcomes of one that writes the result alone."""
    single = outcomes.copy()
    for name in ("write_value", "write_address"):
        single[name][:, 0], single[name][:, 1] = outcomes[name][:, 1], 0
    single["writes"] = 1
    return single


def agree(cases: Cases, expected: Outcomes, actual: Outcomes) -> bool:
    return Comparison.of(cases, expected, actual).agree


@pytest.mark.parametrize("variant", VARIANTS)
def test_what_is_the_same_stays_the_same(variant: str) -> None:
    outcomes = Model(variant).execute(CASES)
    assert evened(CASES, outcomes, outcomes, variant).tobytes() == outcomes.tobytes()


def test_a_result_that_is_written_alone_is_as_good_as_both_writes() -> None:
    expected = Model().execute(CHANGES)
    assert (expected["writes"] == 2).all()
    given = once(expected)
    before = given.tobytes()
    assert Comparison.of(CHANGES, expected, given).mismatches == len(CHANGES)
    even = evened(CHANGES, expected, given, "nmos")
    assert agree(CHANGES, expected, even)
    assert given.tobytes() == before  # it is a copy that is changed


def test_a_wrong_result_or_address_is_as_wrong_as_before() -> None:
    expected = Model().execute(CHANGES)
    for name, fields in (("write_value", {"write_value"}), ("write_address", {"write_address"})):
        given = once(expected)
        given[name][:, 0] ^= 1
        even = evened(CHANGES, expected, given, "nmos")
        assert (even["write_value"][:, 0] == expected["write_value"][:, 0]).all()
        found = Comparison.of(CHANGES, expected, even)
        assert found.mismatches == len(CHANGES)
        assert {field for share in found.instructions.values() for field in share.fields} == fields


@pytest.mark.parametrize("writes", [0, 3])
def test_no_write_and_one_too_many_stay_wrong(writes: int) -> None:
    expected = Model().execute(CHANGES)
    given = expected.copy()
    given["writes"] = writes
    even = evened(CHANGES, expected, given, "nmos")
    assert even.tobytes() == given.tobytes()
    assert Comparison.of(CHANGES, expected, even).mismatches == len(CHANGES)


def test_one_write_where_others_are_expected_stays_wrong() -> None:
    """CMOS writes once, and so does a push; JSR writes twice, but to two addresses."""
    cmos = Model("cmos").execute(CHANGES)
    assert (cmos["writes"] == 1).all()
    twice = Model().execute(CHANGES)
    assert Comparison.of(CHANGES, cmos, evened(CHANGES, cmos, twice, "cmos")).mismatches > 2900
    calls = sampled_cases(500, 8, [f for f in INSTRUCTIONS if f.mnemonic == "JSR"], ["instruction"])
    expected = Model().execute(calls)
    given = once(expected)
    assert evened(calls, expected, given, "nmos").tobytes() == given.tobytes()


@pytest.mark.parametrize("variant", VARIANTS)
def test_d_after_reset_is_even_but_on_cmos(variant: str) -> None:
    expected = Model(variant).execute(CASES)
    given = expected.copy()
    given["p"] ^= 0x08
    even = evened(CASES, expected, given, variant)
    found = Comparison.of(CASES, expected, even)
    resets = int(np.count_nonzero(CASES["event"] == EVENTS.index("RESET")))
    assert resets > 300
    assert found.instructions["RESET"].mismatches == (resets if variant == "cmos" else 0)
    assert found.mismatches == len(CASES) - (0 if variant == "cmos" else resets)
