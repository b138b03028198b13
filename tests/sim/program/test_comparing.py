"""An emulator through a program: what it executes as cases, the first wrong one, and why."""

from __future__ import annotations

import json
import random
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from random_programs import random_program
from tracked import HOUSE, tracked
from usual import USUAL

from carrywave.sim.cases.layout import Cases, Outcomes
from carrywave.sim.mistakes.catalogue import BY_NUMBER
from carrywave.sim.mistakes.mistake import Mistaken
from carrywave.sim.program.assembler import load
from carrywave.sim.program.comparing import judge_program
from carrywave.sim.program.executed import executed
from carrywave.sim.program.predicted import run_predicted
from carrywave.sim.witness.comparison import Comparison
from carrywave.sim.witness.evened import evened
from carrywave.sim.witness.gates import Gates
from carrywave.sim.witness.model import Model
from carrywave.waves.vcd.read import read_clocks
from carrywave.waves.vcd.signals import EMULATOR

PROGRAMS = {path.stem: path for path in tracked("waves/programs/*.s")}


def cases_of(program: Any, variant: str, clocks: int) -> tuple[Cases, Outcomes, int]:
    """All that a run executes as cases, and how many sequences it had."""
    parts: list[Any] = []

    def take(part: Any, end: int, count: int) -> None:
        count = min(count, int(np.searchsorted(part.clocks[1:], end + 1, side="right")))
        ran = executed(part, count, variant)
        parts.append((ran.cases, ran.expected, count))

    run_predicted(program, variant, clocks, on_part=take)
    cases, expected, counts = zip(*parts, strict=True)
    return np.concatenate(cases), np.concatenate(expected), sum(counts)


@pytest.mark.parametrize("variant", USUAL)
def test_what_a_listing_executes_is_what_gates_and_model_make_of_the_cases(variant: str) -> None:
    total = 0
    for path in PROGRAMS.values():
        cases, expected, count = cases_of(load(path), variant, 2000)
        assert count - len(cases) <= 2  # reset, and an interrupt whose vector an NMI takes
        for witness in (Model(variant), Gates(variant)):
            actual = evened(cases, expected, witness.execute(cases), variant)
            found = Comparison.of(cases, expected, actual)
            assert found.agree, (path, found.first)
        total += len(cases)
    assert total > 500


@pytest.mark.parametrize("variant", USUAL)
def test_what_random_programs_execute(variant: str) -> None:
    first = random.randrange(10**6)
    print("first seed", first)
    total = 0
    for seed in range(first, first + 3):
        cases, expected, _ = cases_of(random_program(seed), variant, 1500)
        found = Comparison.of(cases, expected, Model(variant).execute(cases))
        assert found.agree, (seed, found.first)
        total += len(cases)
    assert total > 300


def test_the_right_one_agrees() -> None:
    for path in PROGRAMS.values():
        found = judge_program(Model(), str(path), load(path))
        assert (found.agree, found.wrong, found.verdict.likely) == (True, None, [])
        assert found.run.ended == "self-jump"


@pytest.mark.parametrize(
    ("number", "program", "name"),
    [
        (1, "multibyte_add", "ADC"), (28, "decimal_count", "ADC"), (67, "pointer_wrap", "LDA"),
        (73, "table_walk", ""),
    ],
)  # fmt: skip
def test_the_first_wrong_instruction_is_told(number: int, program: str, name: str) -> None:
    """By its number, clock, address and line, as the run has it; and what is wrong with it."""
    path = PROGRAMS[program]
    witness = Mistaken(BY_NUMBER[number])
    found = judge_program(witness, str(path), load(path))
    cases, expected, _ = cases_of(load(path), "nmos", 5000)
    wrong = Comparison.of(cases, expected, witness.execute(cases))
    assert found.verdict.comparison.mismatches == wrong.mismatches
    if not wrong.mismatches:  # the program does not come by it
        assert found.agree
        return
    assert found.wrong is not None
    assert wrong.first is not None
    index = wrong.first.index
    assert found.wrong.address == int(wrong.first.case["pc"])
    events = int(np.count_nonzero(cases["event"][: index + 1]))
    assert found.wrong.number == index + 1 - events
    line = path.read_text().splitlines()[found.wrong.line - 1]
    assert name in line
    assert found.wrong.text in line
    assert len(found.before) == min(3, index + 1)
    numbers = {cause.numbers for cause in found.verdict.likely if name in cause.instruction}
    assert (number,) in numbers


def test_an_irq_that_was_decided_before_i_was_set_is_no_case(tmp_path: Path) -> None:
    """As a case, an IRQ with I set is the instruction that runs instead."""
    path = tmp_path / "late.s"
    path.write_text(
        " .org $0200\n CLI\n NOP\n .irq low\n SEI\nDONE: JMP DONE\nIRQ: .irq high\n NOP\n RTI\n"
        " .org $FFFC\n .word $0200, IRQ\n"
    )
    found = judge_program(Model(), str(path), load(path))
    assert (found.agree, found.run.ended) == (True, "self-jump")
    assert found.verdict.comparison.cases == found.run.instructions == 6


def test_one_slip_is_one_wrong_instruction() -> None:
    """The state before each instruction is the gates': nothing is wrong because of what was."""

    class Once(Model):
        asked = 0

        def execute(self, cases: Cases) -> Outcomes:
            outcomes = super().execute(cases)
            self.asked += 1
            if self.asked == 1:
                outcomes["x"][9] ^= 0x40
            return outcomes

    path = PROGRAMS["signed_compare"]
    cases, _, _ = cases_of(load(path), "nmos", 5000)
    found = judge_program(Once(), str(path), load(path))
    assert found.verdict.comparison.mismatches == 1
    assert found.wrong is not None
    assert (found.wrong.number, found.wrong.address) == (10, int(cases["pc"][9]))


# The command


def test_the_command_names_the_place_the_cause_and_the_window(
    carrywave: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(HOUSE)
    emulator = "tests/examples/emulators/wrong.py:execute"
    program = "waves/programs/multibyte_add.s"
    status, out, err = carrywave("compare", "--python", emulator, "--program", program)
    assert (status, err) == (1, "")
    lines = out.splitlines()
    assert lines[0] == f"{program}: 72 instructions in 225 clocks on the gates, to a"
    assert lines[2] == "First wrong: instruction 40, in clock 117."
    assert lines[6].split() == [">", "117", "025A", "ADC", "DRAFT+1", "line", "77"]
    assert f"carrywave run {program} --vcd window.vcd --clocks 67..167" in out
    assert "ADC: V is the carry out." in out
    status, out, _ = carrywave("compare", "--python", emulator, "--program", program, "--json")
    told = json.loads(out)
    assert (status, told["agree"], told["mismatches"]) == (1, False, 3)
    assert told["wrong"] == {
        "number": 40, "clock": 117, "address": 0x025A, "text": "ADC DRAFT+1", "line": 77,
    }  # fmt: skip
    vcd = tmp_path / "first.vcd"
    status, out, _ = carrywave("compare", "--python", emulator, "--program", program, "--vcd", vcd)
    assert status == 1
    assert out.endswith(f"{vcd}: the run around the first wrong instruction, written\n")
    assert carrywave("check", vcd)[0] == 0
    # Beside the run stands what the emulator left: V, where the next instruction is fetched.
    seen: dict[str, Any] = {}
    read_clocks(vcd, lambda columns, first: seen.update(columns, first=first), beside=EMULATOR)
    assert seen["first"] == 117 - 50
    fetches = np.flatnonzero(seen["unit.sync"])
    assert len(fetches) > 40
    for spec in EMULATOR:
        if spec.name != "p":
            scope = {"sp": "stack.sp"}.get(spec.name, spec.name)
            ours = f"unit.status.{scope}" if spec.width == 1 else f"unit.{scope}"
            unlike = seen[spec.path][fetches] != seen[ours][fetches]
            clocks = (fetches[unlike] + seen["first"]).tolist()
            assert clocks == ([117 + 3] if spec.name == "v" else []), spec.path


def test_the_command_that_is_told_runs_what_was_run(
    carrywave: Callable[..., Any], tmp_path: Path
) -> None:
    # Raw bytes, a start, pins, and no end: CLC, LDA #$50, ADC #$50, JMP back.
    loop = bytes([0x18, 0xA9, 0x50, 0x69, 0x50, 0x4C, 0x00, 0x03])
    image, pins = tmp_path / "an image.bin", tmp_path / "pins"
    image.write_bytes(loop)
    pins.write_text("clock 900 .reset\n")
    emulator = f"{HOUSE}/tests/examples/emulators/wrong.py:execute"
    status, out, err = carrywave(
        "compare", "--python", emulator, "--program", image, "--at", "0x300", "--start", "0x300",
        "--pins", pins, "--max-clocks", 1000,
    )  # fmt: skip
    assert (status, err) == (1, "")
    (told,) = [line for line in out.splitlines() if line.startswith("Around it: ")]
    program, *words = shlex.split(told.removeprefix("Around it: "))
    assert program == "carrywave"
    window = tmp_path / "window.vcd"
    words[words.index("window.vcd")] = str(window)
    assert carrywave(*words)[0] == 0
    assert carrywave("check", window)[0] == 0


def test_a_limit_ends_it(carrywave: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(HOUSE)
    status, out, _ = carrywave(
        "compare", "--python", "tests/examples/emulators/wrong.py:execute",
        "--program", "waves/programs/multibyte_add.s", "--max-instructions", "39", "--json",
    )  # fmt: skip
    told = json.loads(out)
    assert (status, told["ended"], told["cases"]) == (0, "instruction limit", 39)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--at", 5), "--at goes with --program"),
        (("--max-clocks", 5), "--max-clocks goes with --program"),
        (("--program", "x.s", "ADC"), "--program says what is put: no names, --cases or --seed"),
        (("--program", "x.s", "--seed", 5), "--program says what is put: no names, --cases or"),
        (("--program", "x.s"), "x.s:1:1: found nothing to read (No such file or directory)"),
    ],
)
def test_what_does_not_go_together(
    options: tuple[Any, ...], message: str, carrywave: Callable[..., Any]
) -> None:
    status, out, err = carrywave("compare", "--pipe", "true", *options, columns=200)
    assert (status, out) == (2, "")
    assert message in err
