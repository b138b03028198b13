"""Whole instructions on the hardware against the model, and opcodes that stop it."""

import secrets

import numpy as np
import pytest
from usual import USUAL

from carrywave.rtl.decode import Decoder
from carrywave.rtl.steps import Step
from carrywave.sim.cases.case_memory import possible
from carrywave.sim.cases.kinds import BY_KEY, alike, keys_of, lay_reads, symbols_of
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.instructions import BY_OPCODE, INSTRUCTIONS
from carrywave.sim.family.members import EVENTS
from carrywave.sim.witness.clocked import Clocked
from carrywave.sim.witness.model import Model
from carrywave.sim.witness.registers import StoppedError

SEED = secrets.randbits(32)


def differing(variant, cases):
    return np.flatnonzero(Clocked(variant).execute(cases) != Model(variant).execute(cases))


@pytest.mark.parametrize("each", [3, pytest.param(10, marks=pytest.mark.exhaustive)])
@pytest.mark.parametrize("variant", USUAL)
def test_sampled_instructions_and_events_agree(variant, each):
    print(f"seed {SEED}")
    asked = [([one], ["instruction"]) for one in INSTRUCTIONS]
    asked += [(INSTRUCTIONS, [event]) for event in EVENTS[1:]]
    cases = np.concatenate(
        [sampled_cases(each, SEED + i, *one, variant) for i, one in enumerate(asked)]
    )
    assert set(cases["read_value"][cases["event"] == 0, 0]) == set(BY_OPCODE), f"seed {SEED}"
    assert set(cases["event"]) == set(range(len(EVENTS)))
    wrong = differing(variant, cases)
    assert not len(wrong), f"seed {SEED}: case {wrong[0]}, {cases[wrong[0]]}"


@pytest.mark.parametrize("event", EVENTS[1:])
@pytest.mark.parametrize("variant", USUAL)
def test_each_event_agrees_whatever_instruction_it_follows(variant, event):
    cases = sampled_cases(40, SEED, events=[event], variant=variant)
    assert set(cases["event"]) == {EVENTS.index(event)}
    assert not len(differing(variant, cases)), f"seed {SEED}"


def test_branches_agree_at_every_offset_near_a_page_boundary():
    branches = [one for one in INSTRUCTIONS if one.branches]
    assert len(branches) == 8
    cases = sampled_cases(256, SEED, branches, ["instruction"])
    cases["pc"] = 0x40FE + np.arange(256) % 3
    cases["read_value"][:, 1] = np.arange(256)
    cases["read_address"][:, :2] = cases["pc"][:, np.newaxis] + np.arange(2)
    outcomes = Model("nmos").execute(cases)
    assert {2, 3, 4} == set(outcomes["cycles"])
    assert not len(differing("nmos", cases)), f"seed {SEED}"


def test_an_instruction_may_run_over_the_end_of_memory():
    cases = sampled_cases(200, SEED, events=["instruction"])
    cases["pc"] = 0xFFFF
    for key, rows in alike(keys_of(cases)):
        block = cases[rows]
        lay_reads(block, BY_KEY[key], symbols_of(block, BY_KEY[key]))
        cases[rows] = block
    cases = cases[possible(cases)]
    behind = [BY_OPCODE[int(one)].length > 1 for one in cases["read_value"][:, 0]]
    assert sum(behind) > 50
    assert not len(differing("nmos", cases)), f"seed {SEED}"


def test_the_comparison_sees_one_wrong_bit_of_the_model():
    cases = sampled_cases(200, SEED)
    expected, found = Model().execute(cases), Clocked().execute(cases)
    expected["p"][77] ^= 0x40
    assert np.flatnonzero(expected != found).tolist() == [77], f"seed {SEED}"


def test_the_decoder_knows_the_documented_opcodes_and_no_other(settle):
    decoder = Decoder("nmos")
    rows = [{"opcode": opcode} for opcode in range(256)]
    steps = settle(decoder, rows, decoder.first.as_value())
    stopped = [opcode for opcode in range(256) if steps[opcode] == Step.STOPPED.value]
    assert stopped == [opcode for opcode in range(256) if opcode not in BY_OPCODE]
    assert len(stopped) == 256 - 151


@pytest.mark.parametrize(
    ("opcode", "standing"),
    [
        (0x02, "undocumented on this variant"),
        (0x89, "undocumented on this variant"),
        (0xFF, "undocumented on this variant"),
        (0x80, "undocumented on this variant"),
    ],
)
def test_an_undocumented_opcode_stops_the_unit(opcode, standing):
    case = sampled_cases(1, 1, events=["instruction"])[0]
    case["read_value"][0] = opcode
    with pytest.raises(StoppedError) as caught:
        Clocked().execute(case)
    assert str(caught.value) == f"opcode {opcode:02X} at {case['pc']:04X}: {standing}"
