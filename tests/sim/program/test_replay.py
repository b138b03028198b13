"""One case as a listing: run, it comes to just that case."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tracked import HOUSE
from usual import USUAL

from carrywave.sim.cases.case_memory import lay_out, possible
from carrywave.sim.cases.kinds import BY_KEY
from carrywave.sim.cases.layout import CASE, Cases
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.program.assembler import load
from carrywave.sim.program.executed import executed, left_by
from carrywave.sim.program.part import RunPart
from carrywave.sim.program.predicted import run_predicted
from carrywave.sim.program.replay import ReplayError, replay
from carrywave.sim.witness.comparison import differences
from carrywave.sim.witness.model import Model

BEHIND = 7  # RESET, LDX, TXS, LDA, LDX, LDY, RTI


def chosen(count: int) -> Cases:
    """So many cases of each opcode, and of IRQ and NMI, that a memory can hold."""
    several = [
        sampled_cases(count, 11 + key, [form], ["instruction"])
        for key, form in BY_KEY.items() if key < 256
    ]  # fmt: skip
    several += [sampled_cases(9, 3, [BY_KEY[0xE8]], [event]) for event in ("IRQ", "NMI")]
    cases = np.concatenate(several)
    return cases[possible(cases)]


def keep(parts: list[RunPart], part: RunPart, *_: int) -> None:
    parts.append(part)


@pytest.mark.parametrize("variant", USUAL)
def test_it_comes_to_the_case_and_to_nothing_else(variant: str, tmp_path: Path) -> None:
    path, done, refused, keys = tmp_path / "replay.s", 0, 0, set()
    for case in chosen(1)[:: 3 if variant == "nmos" else 1]:
        try:
            path.write_text(replay(case, variant))
        except ReplayError:
            refused += 1
            continue
        parts: list[RunPart] = []
        take = partial(keep, parts)
        run_predicted(load(path), variant, max_clocks=45, on_part=take)
        part = parts[0]
        states = part.states[BEHIND]
        assert [int(states[name]) for name in ("pc", "a", "x", "y", "sp")] == [
            int(case[name]) for name in ("pc", "a", "x", "y", "sp")
        ]
        expected = Model(variant).execute(np.asarray(case).reshape(1))
        assert not any(
            field.any() for field in differences(expected, left_by(part, BEHIND + 1)[-1:]).values()
        ), (case, path.read_text())
        found = executed(part, BEHIND + 1, variant).cases[-1]
        assert lay_out(found) == lay_out(case)
        done += 1
        keys.add((int(case["event"]), int(case["read_value"][0])))
    assert done > 20 * refused
    assert len(keys) > (50 if variant == "nmos" else 150)


def test_what_no_listing_has_is_said() -> None:
    case = np.zeros(1, CASE)[0]
    case["event"] = 3
    with pytest.raises(
        ReplayError, match=r"^RESET begins every run: it has no listing of its own$"
    ):
        replay(case)
    case = np.zeros(1, CASE)[0]
    case["reads"], case["pc"], case["sp"] = 2, 0x200, 0xFF
    case["read_value"][:2], case["read_address"][:2] = (0xA5, 7), (0x200, 0x1FE)
    with pytest.raises(ReplayError, match=r"^no listing has the case: it needs 01FE to get there$"):
        replay(case)
    case["read_address"][1] = 0xFFFC
    with pytest.raises(
        ReplayError, match=r"^no listing has the case: it reads the vector of RESET$"
    ):
        replay(case)


def test_the_command_writes_it_and_it_shows_the_same(
    carrywave: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(HOUSE)
    wrong = ("--python", "tests/examples/emulators/wrong.py:execute")
    path = tmp_path / "first.s"
    program = "waves/programs/multibyte_add.s"
    status, out, err = carrywave("compare", *wrong, "--program", program, "--replay", path)
    assert (status, err) == (1, "")
    assert out.endswith(f"{path}: a listing of the first wrong case, written\n")
    status, out, _ = carrywave("compare", *wrong, "--program", path)
    assert status == 1
    assert "First wrong: instruction 7, in clock 23." in out
    assert carrywave("run", path)[0] == 0
    right = ("--python", "tests/examples/emulators/adapter.py:execute")
    status, out, _ = carrywave("compare", *right, "INX", "--replay", tmp_path / "none.s")
    assert status == 0
    assert out.endswith("none.s: nothing to write\n")
    assert not (tmp_path / "none.s").exists()
