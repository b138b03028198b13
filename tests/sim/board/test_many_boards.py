"""The case player as gates, a board for each case, beside the gates of the unit alone."""

import functools
import zlib

import numpy as np
import pytest
from planting import planted
from wrong_chips import EDITS, NAMES, assert_found

from carrywave.sim.board.chip_sweep import asked, bases, swept
from carrywave.sim.board.frames import (
    ANSWER,
    BLOCK_KIND,
    NoEndError,
    block_payload,
    framed,
    told_bytes,
    unframed,
)
from carrywave.sim.board.simulated import ManyBoards, core_machine
from carrywave.sim.cases.case_memory import possible
from carrywave.sim.cases.layout import CASE
from carrywave.sim.cases.sampled import batches, forms_named
from carrywave.sim.emulator.verdict import judge
from carrywave.sim.witness.comparison import Comparison
from carrywave.sim.witness.evened import evened
from carrywave.sim.witness.gates import Gates

FIRST = (0, 0x0137F, 0x29AB3)  # of a block; where an index leads is toggled in the last two


@functools.cache
def machine(variant):
    return core_machine(variant)


def boards(variant):
    return ManyBoards(machine(variant))


def put(variant, step):
    forms = forms_named().values()
    drawn = np.concatenate([part for one in forms for part in batches(one, "quick", 0, variant)])
    cases = drawn[possible(drawn)][::step]
    expected, actual = Gates(variant).execute(cases), boards(variant).execute(cases)
    found = Comparison.of(cases, expected, evened(cases, expected, actual, variant))
    assert found.agree, found.first
    assert not found.uncounted
    assert set(found.instructions) == set(forms_named())
    return found.cases


@pytest.mark.exhaustive
def test_mistakes_in_the_source_of_the_chip_are_found_and_named():
    with planted(EDITS):
        wrong = core_machine("nmos")
    assert_found(judge(ManyBoards(wrong), names=NAMES))


@pytest.mark.exhaustive
def test_a_board_of_another_variant_answers_as_its_gates_do():
    assert put("cmos", 41) > 4000


@pytest.mark.exhaustive
def test_a_board_answers_as_the_gates_do():
    """One test, as it is one synthesis: cases agree, a stop is told, blocks have their CRC."""
    assert put("nmos", 11) > 15_000

    case = np.zeros(1, CASE)
    case["reads"], case["read_value"][0, 0] = 1, 0x02  # no opcode of any member here
    with pytest.raises(NoEndError, match="does not come to an end"):
        boards("nmos").execute(case)

    blocks = [(base, first) for form in swept() for base in bases(form) for first in FIRST]
    frames = [framed(block_payload(*one, 3), BLOCK_KIND, i & 255) for i, one in enumerate(blocks)]
    answers = [unframed(answer[:-1]) for answer in boards("nmos").converse(frames)]
    for i, (told, kind, tag) in enumerate(answers):
        right = zlib.crc32(told_bytes(Gates("nmos").execute(asked(*blocks[i], 3, "nmos"))))
        assert (int.from_bytes(told, "big"), kind, tag) == (right, BLOCK_KIND | ANSWER, i & 255)
    assert len(blocks) == 151 * 2 * len(FIRST)
