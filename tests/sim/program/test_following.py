"""An emulator that runs a program on its own: followed, set back, and told what is wrong."""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from own_runs import Change, ExampleRunner
from random_programs import random_program
from shipped import EXAMPLES, build_runner, needs_compiler
from tracked import HOUSE, tracked
from usual import USUAL, first_of

from carrywave.sim.emulator.called import EmulatorError
from carrywave.sim.netlist.synthesis import drawn_netlist
from carrywave.sim.program import predicted
from carrywave.sim.program.assembler import load
from carrywave.sim.program.comparing import judge_program
from carrywave.sim.program.following import MOST, FollowedVerdict, _Follower, judge_run
from carrywave.sim.program.pins import read_pins
from carrywave.sim.program.predicted import run_predicted
from carrywave.sim.witness.gates import GateUnit
from carrywave.sim.witness.model import Model
from carrywave.sim.witness.registers import StoppedError

PROGRAMS = {path.stem: path for path in tracked("waves/programs/*.s")}

# A counter that interrupts count too: CLI with an IRQ waiting, SEI, PLP, RTI to a line that is
# still low, an NMI that stays low, BRK.
BUSY = """\
        .org $0200
START:  LDX #$FF
        TXS
        LDA #0
        STA 1
AGAIN:  SEI
        LDX #3
LATER:  INC 1
        DEX
        BNE LATER
        CLI
        INC 2
        INC 2
        PHP
        SEI
        PLP
        NOP
        BRK
        LDA 3
        ROR A
        ADC 1
        STA 3
        DEC 4
        JMP AGAIN
IRQ:    INC 5
        RTI
NMI:    INC 6
        RTI
        .org $FFFA
        .word NMI, START, IRQ
"""


def busy(tmp_path: Path, seed: int = 0, by_address: bool = False) -> Any:
    """The program, with pins at random clocks."""
    rng, clock, lines = random.Random(seed), 20, []
    for _ in range(160):
        clock += rng.randint(7, 90)
        kind = rng.choice(["irq", "irq", "nmi", "hold"])
        if kind == "nmi":
            lines.append(f"clock {clock} .nmi")
            continue
        name, length = (
            ("nmi", rng.randint(20, 60)) if kind == "hold" else ("irq", rng.randint(2, 70))
        )
        lines += [f"clock {clock} .{name} low", f"clock {clock + length} .{name} high"]
        clock += length
    if by_address:
        lines = ["at LATER .irq low +3", "at LATER .irq high +11"]
    (tmp_path / "busy.s").write_text(BUSY)
    (tmp_path / "busy.pins").write_text("\n".join(lines))
    program = load(tmp_path / "busy.s")
    read_pins(tmp_path / "busy.pins", program)
    return program


def followed(program: Any, *changes: Change, clocks: int = 12_000, **more: Any) -> FollowedVerdict:
    with ExampleRunner(*changes) as runner:
        return judge_run(runner, "busy.s", program, max_clocks=clocks, **more)


# A right one


@pytest.mark.parametrize("by_address", [False, True])
def test_a_right_one_agrees_and_its_rows_are_the_guess(tmp_path: Path, by_address: bool) -> None:
    found = followed(busy(tmp_path, by_address=by_address))
    assert (found.agree, found.turns, found.left, found.wrong) == (True, [], 0, None)
    # What no sequence reads is not all told: at most it takes another round.
    assert found.run.rounds <= 2
    assert found.run.corrected == 0
    right = judge_program(Model(), "busy.s", busy(tmp_path, by_address=by_address), "nmos", 12_000)
    ours, theirs = found.verdict.comparison, right.verdict.comparison
    assert found.run.clocks == right.run.clocks == 12_000
    # BRK whose vector an NMI takes is no case, and is followed all the same.
    assert 0 <= ours.cases - theirs.cases < 20
    assert {*ours.instructions} - {"IRQ", "BRK", "NMI"} <= {*theirs.instructions}
    for name, tally in theirs.instructions.items():
        assert ours.instructions[name].cases >= tally.cases > 0


def test_every_listing_is_followed_to_its_end() -> None:
    for path in PROGRAMS.values():
        with ExampleRunner() as runner:
            found = judge_run(runner, str(path), load(path))
        assert found.agree, path
        assert found.run.ended == "self-jump"


def test_it_is_asked_for_nothing_that_may_come_after_a_reset(tmp_path: Path) -> None:
    # Between two resets some 120 clocks are run; an opcode that there is not waits behind 500.
    text = BUSY.replace(
        "AGAIN:", "        LDX #100\nWAIT:   DEX\n        BNE WAIT\n        .byte $02\nAGAIN:"
    )
    (tmp_path / "busy.s").write_text(text)
    resets = range(150, 1500, 130)
    (tmp_path / "busy.pins").write_text("\n".join(f"clock {at} .reset" for at in resets))
    program = load(tmp_path / "busy.s")
    read_pins(tmp_path / "busy.pins", program)
    found = followed(program, clocks=1400)
    assert found.agree
    assert found.verdict.comparison.cases > 300


@pytest.mark.parametrize("variant", USUAL)
def test_random_programs_and_pins(variant: str) -> None:
    seed = random.randrange(10**6)
    print("first seed", seed)
    total = 0
    while total < 1200:  # some stop at once, or are reset again and again
        seed += 1
        program = random_program(seed)
        if seed % 2:  # the pins of that run by the clock
            moves: dict[int, list[tuple[str, int]]] = {}
            take = partial(keep_pins, moves)
            with suppress(StoppedError):
                run_predicted(program, variant, 1500, on_part=take)
            program = random_program(seed)
            program.pin_events, program.pin_clocks = {}, moves
        program.labels, program.lines = {}, {}
        with ExampleRunner(variant=variant) as runner:
            try:
                found = judge_run(runner, "random", program, variant, 1500)
            except (StoppedError, EmulatorError):  # it wrote an opcode that there is not
                continue
        assert found.agree or not found.verdict.comparison.cases, seed
        total += found.verdict.comparison.cases


def keep_pins(moves: dict[int, list[tuple[str, int]]], part: Any, *_: Any) -> None:
    """The changes of a part's pins, by the clock."""
    first, last = int(part.clocks[0]), int(part.clocks[-1])
    for pin in ("irq_n", "nmi_n", "reset_n"):
        levels = part.pins.span(pin, first - 1, last).tolist()
        for clock, (before, level) in enumerate(pairwise(levels), first):
            if level != before:
                moves.setdefault(clock, []).append((pin, level))


# Interrupts at the wrong time

RULE = "        pins.until(clock - 2)\n"
WRONG_TURNS: list[tuple[str, str, str, str]] = [
    ("CLI, SEI and PLP act on the next interrupt at once", "runner.py",
     "        if opcode == RTI:\n", "        if True:\n"),
    ("NMI is taken for as long as its pin is low", "runner.py",
     "not enters and pins.nmi_waits:", "not enters and (pins.nmi_waits or pins.low[NMI]):"),
    ("IRQ is looked at a clock late", "runner.py", RULE, "        pins.until(clock - 1)\n"),
    ("an NMI in time does not take the vector of BRK or IRQ", "runner.py",
     "            if pins.nmi_waits:\n", "            if False:\n"),
    ("RTI acts on I one instruction late, as CLI does", "runner.py",
     "        if opcode == RTI:\n", "        if False:\n"),
    ("IRQ is looked at a clock early", "runner.py", RULE, "        pins.until(clock - 3)\n"),
    ("IRQ is taken though I is set", "runner.py", "pins.low[IRQ] and not masked", "pins.low[IRQ]"),
    ("IRQ is taken once for each edge", "runner.py",
     "            event = IRQ\n", "            event, pins.low[IRQ] = IRQ, False\n"),
    ("an interrupt is taken before the first instruction of a handler", "runner.py",
     "        event = INSTRUCTION\n", "        event, enters = INSTRUCTION, False\n"),
    ("IRQ is never taken", "runner.py", "            event = IRQ\n", "            event = 0\n"),
    ("NMI is never taken", "runner.py", "event, pins.nmi_waits = NMI, False",
     "event, pins.nmi_waits = 0, False"),
]  # fmt: skip


@pytest.mark.parametrize(("cause", "file", "old", "new"), first_of(WRONG_TURNS, 2))
def test_an_interrupt_at_the_wrong_time_is_named(
    cause: str, file: str, old: str, new: str, tmp_path: Path
) -> None:
    changes = [(file, old, new)]
    if "handler" in cause:
        changes.append(
            (file, "        if opcode == RTI:\n", "        if opcode == RTI or enters:\n")
        )
    found = followed(busy(tmp_path, 1), *changes)
    assert not found.agree
    assert found.verdict.agree  # by itself each instruction is right
    assert found.turns
    causes = {name for one in found.polling for name in (one.cause, *one.others)}
    assert cause in causes
    assert sum(one.explains for one in found.polling) == len(found.turns)
    if "clock" not in cause and "vector" not in cause:
        assert found.polling[0].explains == len(found.turns)


# Instructions

ROR = (
    "emulator.py",
    '"ror": lambda e, at: e.shift_right(at, e.c)',
    '"ror": lambda e, at: e.shift_right(at, 0)',
)
DEC = ("emulator.py", '"dec": lambda e, at: e.modify(at, e.read(at) - 1)',
       '"dec": lambda e, at: (e.put("c", 1), e.modify(at, e.read(at) - 1))')  # fmt: skip


@pytest.mark.parametrize("by_address", [False, True])
def test_two_mistakes_in_one_run_are_both_named(tmp_path: Path, by_address: bool) -> None:
    found = followed(busy(tmp_path, by_address=by_address), ROR, DEC)
    assert (found.agree, found.turns) == (False, [])
    tallies = found.verdict.comparison.instructions
    wrong = {name for name, tally in tallies.items() if tally.mismatches}
    assert wrong == {"DEC", "ROR"}
    assert {cause.instruction for cause in found.verdict.likely} == wrong
    assert all(cause.kind != "none" for cause in found.verdict.likely)
    # One slip is one: it is set back each time.
    assert found.left == found.verdict.comparison.mismatches > 20
    right = judge_program(Model(), "busy.s", busy(tmp_path, by_address=by_address), "nmos", 12_000)
    assert found.verdict.comparison.cases >= right.verdict.comparison.cases
    assert found.wrong is not None
    assert found.verdict.first is not None
    assert found.wrong.address == int(found.verdict.first.case["pc"])


# What the guess has shown is not compared once more

RIGHT_OR_WRONG: list[tuple[Change, ...]] = [
    (ROR, DEC), (), (WRONG_TURNS[0][1:],), (WRONG_TURNS[3][1:],),
]  # fmt: skip


def as_text(found: FollowedVerdict) -> str:
    run = found.run
    told = found.to_json(), run.clocks, run.instructions, run.final, run.corrected, run.rounds
    return repr((told, found.before, found.wrong))


@pytest.mark.exhaustive
@pytest.mark.parametrize("changes", RIGHT_OR_WRONG)
def test_it_is_told_the_same_as_when_every_row_is_compared(
    changes: tuple[Change, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = 0

    def count(follower: _Follower, *part: Any) -> bool:
        nonlocal held
        held += (shown := real(follower, *part))
        return shown

    def reset() -> Any:
        program = busy(tmp_path, 2)
        for clock in (1500, 5003):
            program.pin_clocks.setdefault(clock, []).append(("reset_n", 0))
            program.pin_clocks.setdefault(clock + 3, []).append(("reset_n", 1))
        return program

    real = _Follower._held
    monkeypatch.setattr(_Follower, "_held", count)
    some = [as_text(followed(make(), *changes)) for make in (reset, partial(busy, tmp_path))]
    assert held > 2
    monkeypatch.setattr(_Follower, "_held", lambda *_: False)
    assert some == [
        as_text(followed(make(), *changes)) for make in (reset, partial(busy, tmp_path))
    ]


class Altered(ExampleRunner):
    """Where it writes three bytes it says that there is one more."""

    def _run(self, *asked: Any) -> Any:
        rows = super()._run(*asked).copy()
        three = rows["after"]["writes"] == 3
        rows["after"]["writes"][three] = 4
        return rows


def test_what_a_guess_cannot_hold_is_compared(tmp_path: Path) -> None:
    program = busy(tmp_path)
    with Altered() as runner:
        found = judge_run(runner, "busy.s", program, max_clocks=3000)
    assert not found.agree
    tallies = found.verdict.comparison.instructions
    assert {name for name, tally in tallies.items() if tally.mismatches} <= {"BRK", "IRQ", "NMI"}
    assert sum(tally.mismatches for tally in tallies.values()) > 10


@pytest.mark.exhaustive
def test_a_fault_of_the_gates_is_a_difference(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    right, seen = drawn_netlist("nmos"), 0
    rng = random.Random(seed := random.randrange(10**6))
    print("seed", seed)
    for _ in range(12):
        gate = rng.choice([one for one in right.gates if one.kind in ("AND", "OR")])
        other = replace(gate, kind="OR" if gate.kind == "AND" else "AND")
        gates = tuple(other if one is gate else one for one in right.gates)
        unit = GateUnit(replace(right, gates=gates))
        monkeypatch.setattr(predicted, "drawn_unit", lambda *_, unit=unit: unit)
        try:
            found = followed(busy(tmp_path), clocks=2000)
            faulty = run_predicted(busy(tmp_path), max_clocks=2000)
        except (StoppedError, EmulatorError):
            continue
        # The model's run is that of the gates without a fault.
        assert not (found.agree and faulty.departures)
        seen += bool(faulty.departures)
    assert seen


def test_a_skipped_field_is_no_wrong_one_and_the_run_goes_on(tmp_path: Path) -> None:
    found = followed(busy(tmp_path), DEC, skip=["p.c"])
    assert (found.agree, found.wrong, found.left) == (True, None, 0)
    assert found.verdict.comparison.cases > 1000


def test_one_that_always_leaves_is_not_followed_for_ever(tmp_path: Path) -> None:
    change = ("runner.py", '"p": emulator.flags(b=1)', '"p": emulator.flags(b=1) ^ 0x40')
    found = followed(busy(tmp_path), change)
    assert (found.agree, found.left) == (False, MOST)
    assert 500 < found.followed < 3000 < found.run.clocks


# In processes of their own, and the command


def told(carrywave: Callable[..., Any], *options: object) -> Any:
    status, out, err = carrywave("compare", *options, "--run", "--json")
    assert err == ""
    found = json.loads(out)
    assert status == (0 if found["agree"] else 1)
    return found


@needs_compiler
def test_the_three_forms_say_the_same(tmp_path: Path, carrywave: Callable[..., Any]) -> None:
    busy(tmp_path)
    where = (
        "--program",
        tmp_path / "busy.s",
        "--pins",
        tmp_path / "busy.pins",
        "--max-clocks",
        5000,
    )
    arrays = tmp_path / "arrays.py"
    arrays.write_text(ARRAYS.format(str(EXAMPLES)))
    found = [
        told(carrywave, "--library", build_runner(tmp_path / "c"), *where),
        told(carrywave, "--python", f"{EXAMPLES}/runner.py:run", *where),
        told(carrywave, "--arrays", "--python", f"{arrays}:run", *where),
    ]
    pipe = tmp_path / "pipe.py"
    pipe.write_text(PIPE.format(str(EXAMPLES)))
    found.append(told(carrywave, "--pipe", f"{sys.executable} {pipe}", *where))
    assert [one["agree"] for one in found] == [True] * 4
    assert found[0]["cases"] > 1200
    assert found[1:] == found[:1] * 3


ARRAYS = """
import sys
from collections import namedtuple
sys.path.append({!r})
import numpy as np
import runner
from carrywave.sim.emulator.own_run import ROW, START
Start = namedtuple("Start", START.names)

def run(start, memory, pins, count):
    rows = np.zeros(count, ROW)
    start = Start(*start.tolist())
    for at, row in enumerate(runner.run(start, bytes(memory), pins.tolist(), count)):
        rows[at]["clock"], rows[at]["event"] = row["clock"], row["event"]
        for name in ("pc", "a", "x", "y", "sp", "p", "cycles"):
            rows[at]["after"][name] = row[name]
        rows[at]["after"]["writes"] = len(row["writes"])
        for i, (address, byte) in enumerate(row["writes"]):
            rows[at]["after"]["write_address"][i] = address
            rows[at]["after"]["write_value"][i] = byte
    return rows
"""

PIPE = """
import base64, json, sys
from types import SimpleNamespace
sys.path.append({!r})
import runner
for line in sys.stdin:
    asked = json.loads(line)
    start, memory = SimpleNamespace(**asked["start"]), base64.b64decode(asked["memory"])
    for row in runner.run(start, memory, asked["pins"], asked["count"]):
        print(json.dumps(row))
    sys.stdout.flush()
"""


@needs_compiler
def test_the_command_names_the_interrupt_and_the_cause(
    tmp_path: Path, carrywave: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(HOUSE)
    old = "if (opcode == 0x40) masked = cpu.i;"
    library = build_runner(tmp_path, old, "masked = cpu.i;")
    program = "waves/programs/nested_interrupts.s"
    status, out, err = carrywave("compare", "--library", library, "--program", program, "--run")
    assert (status, err) == (1, "")
    assert (
        """
Interrupts: otherwise than on the gates once.
            38  0215  CLI            then instruction, not IRQ
  CLI, SEI and PLP act on the next interrupt at once: let the instruction
    after CLI, SEI or PLP run as if I were what it was before.
    That explains 1 of 1.

Each of 70 instructions and entries by itself agrees.
"""
        in out
    )
    found = told(carrywave, "--library", library, "--program", program)
    assert [(turn["expected"], turn["found"]) for turn in found["turns"]] == [
        ("instruction", "IRQ")
    ]
    assert found["polling"][0]["explains"] == 1


def test_what_does_not_go_together(carrywave: Callable[..., Any]) -> None:
    status, _, err = carrywave("compare", "--pipe", "true", "--run", columns=200)
    assert status == 2
    assert "--run goes with --program" in err
