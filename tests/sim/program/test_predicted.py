"""A run on the gates, all sequences at once: the same run as clock by clock, faults and all."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from random_programs import random_program
from tracked import tracked
from usual import USUAL, first_of

from carrywave.sim.netlist.synthesis import Gate, Netlist, NetlistError, drawn_netlist
from carrywave.sim.program import blocks
from carrywave.sim.program.assembler import PinEvent, assemble, load
from carrywave.sim.program.bench import run_program
from carrywave.sim.program.kept import Kept
from carrywave.sim.program.lanes import STATE, Lanes
from carrywave.sim.program.memory_log import MemoryLog, Writes
from carrywave.sim.program.pin_levels import PinLevels
from carrywave.sim.program.predicted import Predicted, lasts, power_up, run_predicted
from carrywave.sim.program.ran import Run
from carrywave.sim.witness.gates import GateUnit, drawn_unit
from carrywave.sim.witness.registers import StoppedError

PROGRAMS = tracked("waves/programs/*.s")

# A table is copied over a page's end by a loop that changes its own operand and its own opcode.
CHANGES_ITSELF = """\
        .org $0200
START:  LDX #0
        LDY #2
AGAIN:  LDA $02F8,X
STORE:  STA $0500
        INC STORE+1
        INX
        CPX #20
        BNE AGAIN
        LDX #0
        DEY
        BNE BACK
        LDA #$A9        ; LDA #, in place of the branch back
        STA BACK
BACK:   BNE AGAIN
DONE:   JMP DONE
"""


def told(run: Callable[..., Run], program: Any, kept: Kept, *arguments: Any, **more: Any) -> Any:
    """All that is known of a run, or why it stopped."""
    try:
        found = run(program, *arguments, **more)
    except StoppedError as error:
        return str(error)
    return {
        "ended": found.ended, "clocks": found.clocks, "instructions": found.instructions,
        "final": found.final, "last": found.last_address, "writes": found.listed_writes(),
        "first ones": kept.first, "last ones": list(kept.last), "omitted": kept.omitted,
        "memory": bytes(program.memory),
    }  # fmt: skip


def both(make: Callable[[], Any], variant: str, clocks: int, **more: Any) -> tuple[Any, Any]:
    """The same run clock by clock in the simulator, and on the gates."""
    one, other = Kept(20), Kept(20)
    return (
        told(run_program, make(), one, variant, clocks, on_sequence=one.add, **more),
        told(run_predicted, make(), other, variant, clocks, other, **more),
    )


class TestAgainstTheSimulator:
    @pytest.mark.parametrize("variant", USUAL)
    @pytest.mark.parametrize("path", first_of(PROGRAMS, 4), ids=lambda path: path.stem)
    def test_a_listing(self, path: Any, variant: str) -> None:
        here, there = both(lambda: load(path), variant, 2000)
        assert here == there
        assert here["ended"] == "self-jump"

    @pytest.mark.parametrize("variant", USUAL)
    def test_random_programs_and_pins(self, variant: str) -> None:
        first = random.randrange(10**6)
        print("first seed", first)
        for seed in range(first, first + 2):
            here, there = both(lambda seed=seed: random_program(seed, seed % 2 == 0), variant, 700)
            assert here == there, seed

    @pytest.mark.parametrize("variant", USUAL)
    def test_code_that_changes_itself(self, variant: str) -> None:
        here, there = both(lambda: assemble(CHANGES_ITSELF), variant, 3000)
        assert here == there
        assert here["ended"] == "self-jump"
        memory = here["memory"]
        assert memory[0x0500:0x0514] == memory[0x02F8:0x030C]  # no byte of it was written

    @pytest.mark.parametrize(
        ("limits", "ended"),
        [
            ({"until": 0x0202}, "address"), ({"max_instructions": 9}, "instruction limit"),
            ({"max_instructions": 0}, "instruction limit"),
        ],
    )  # fmt: skip
    def test_limits(self, limits: dict[str, int], ended: str) -> None:
        here, there = both(lambda: assemble(CHANGES_ITSELF), "nmos", 3000, **limits)
        assert here == there
        assert here["ended"] == ended

    @pytest.mark.exhaustive
    def test_a_limit_at_any_clock(self) -> None:
        for clocks in (0, 1, 6, 7, 8, 13, 14, 30, 31, 32):
            here, there = both(lambda: load(PROGRAMS[0]), "nmos", clocks)
            assert here == there, clocks

    def test_an_opcode_that_is_not_built(self) -> None:
        text = " .org $0200\n LDA #1\n .byte $02\n"
        for clocks in (9, 10, 11, 50):
            here, there = both(lambda: assemble(text), "nmos", clocks)
            assert here == there, clocks
        assert here.startswith("opcode 02 at 0202")

    def test_pins_by_the_clock(self) -> None:
        text = " .org $0200\n CLI\nHERE: INX\n JMP HERE\n .org $FFFA\n .word $0300,$0200,$0400\n"

        def make() -> Any:
            program = assemble(text)
            program.memory[0x0300], program.memory[0x0400] = 0x40, 0x40  # RTI
            for clock in range(20, 400, 37):
                program.pin_clocks[clock] = [("irq_n" if clock % 2 else "nmi_n", 0)]
                program.pin_clocks[clock + 5] = [("irq_n" if clock % 2 else "nmi_n", 1)]
            return program

        here, there = both(make, "nmos", 500)
        assert here == there
        assert len(here["writes"]) > 12


# The gates have the last word


def stepped(netlist: Netlist, program: Any, clocks: int) -> list[tuple[Any, ...]]:
    """The netlist clock by clock, alone: clock and flip-flops at each sequence's beginning."""
    unit = GateUnit(netlist)
    lanes = Lanes(unit)
    state, memory = lanes.load(np.array([power_up()])), bytearray(program.memory)
    found = []
    for clock in range(clocks):
        running = unit.clock(state, [1] * len(unit.inputs), 1)
        early = next(running)
        address = sum(bit << i for i, bit in enumerate(early[:16]))
        write, sync, stopped = early[16:19]
        if sync or clock == 0:  # where a run begins, whatever a fault makes of `sync` there
            found.append((clock, *lanes.save(state, 1)[0].tolist()))
        try:
            running.send([memory[address] >> i & 1 for i in range(8)])
        except StopIteration as stop:
            after, data = stop.value
            state = list(after)
        if stopped:
            break
        if write:
            memory[address] = sum(bit << i for i, bit in enumerate(data))
    return found


def at_once(netlist: Netlist, program: Any, clocks: int) -> tuple[list[tuple[Any, ...]], Predicted]:
    predicted = Predicted(program, "nmos", GateUnit(netlist))
    found = [
        (int(part.clocks[at]), *part.states[at].tolist())
        for part in predicted.parts(clocks - 1) for at in range(len(part))
    ]  # fmt: skip
    return [one for one in found if one[0] < clocks], predicted


def altered(netlist: Netlist, gate: Gate, rng: random.Random) -> Netlist:
    """One gate is of another kind."""
    if gate.kind == "MUX":
        other = Gate("AND", gate.output, gate.inputs[:2])
    elif gate.kind == "NOT":
        other = Gate("XOR", gate.output, (gate.inputs[0], 0))
    else:
        kinds = [kind for kind in ("AND", "OR", "XOR") if kind != gate.kind]
        other = Gate(rng.choice(kinds), gate.output, gate.inputs)
    gates = tuple(other if one is gate else one for one in netlist.gates)
    return replace(netlist, gates=gates)


def test_a_fault_gives_the_faulty_run() -> None:
    netlist = drawn_netlist("nmos")
    rng = random.Random(seed := random.randrange(10**6))
    print("seed", seed)
    otherwise = 0
    for _ in range(12):
        faulty = altered(netlist, rng.choice(netlist.gates), rng)
        found, predicted = at_once(faulty, load(PROGRAMS[0]), 300)
        assert found == stepped(faulty, load(PROGRAMS[0]), 300)
        otherwise += predicted.corrected > 0
    assert otherwise > 1


def test_what_the_model_has_otherwise_is_told() -> None:
    """The carry into bit 4 is lost: the first sum that needs it, and the registers in it."""
    netlist = drawn_netlist("nmos")
    carry = netlist.names["alu.carry"][4]
    gates = tuple(
        Gate("XOR", gate.output, (gate.inputs[0], gate.inputs[0])) if gate.output == carry else gate
        for gate in netlist.gates
    )
    program = assemble(" .org $0200\n CLC\n LDA #$0F\n ADC #$01\nDONE: JMP DONE\n")
    run = run_predicted(program, netlist=replace(netlist, gates=gates))
    assert run.final.a == 0
    first = run.departures[0]
    assert (first.what, first.instruction, first.found, first.expected) == (
        "a", "ADC at 0203", "00", "10",
    )  # fmt: skip


def test_a_guess_that_is_wrong_does_no_harm(monkeypatch: pytest.MonkeyPatch) -> None:
    right = told(run_predicted, load(PROGRAMS[0]), Kept(0))
    table = blocks._table

    def wrong(mnemonic: str, *given: str) -> Any:
        found = table(mnemonic, *given)
        if mnemonic in ("ADC", "SBC", "CMP", "INX"):
            found = type(found)("H", [one ^ 1 for one in found])
        return found

    monkeypatch.setattr(blocks, "_table", wrong)
    program = load(PROGRAMS[0])
    run = run_predicted(program)
    assert run.corrected > 10
    assert told(lambda *_: run, program, Kept(0)) == right


def test_a_register_more_or_less_is_told() -> None:
    netlist = drawn_netlist("nmos")
    _, d = netlist.flops[0]
    new = max(gate.output for gate in netlist.gates) + 1
    more = replace(netlist, flops=(*netlist.flops, (new, d)))
    with pytest.raises(
        NetlistError, match=r"^the netlist has a flip-flop that no check knows: \S+$"
    ):
        Lanes(GateUnit(more))
    names = {name: wires for name, wires in netlist.names.items() if name != "latch"}
    with pytest.raises(NetlistError, match=r"^the netlist has no register latch$"):
        Lanes(GateUnit(replace(netlist, names=names)))


# How long


@pytest.mark.parametrize(
    ("clocks", "more"), [(200, True), (253, True), (254, False), (5000, False)]
)
def test_whether_a_run_lasts_longer(clocks: int, more: bool) -> None:
    (path,) = (path for path in PROGRAMS if path.stem == "table_walk")
    assert lasts(load(path), "nmos", clocks) is more


def test_a_run_of_many_parts_is_one_run() -> None:
    """A counter of 16 bits runs through: 65,536 times, in parts of all sizes."""
    text = (
        " .org $0200\nHERE: INC $20\n BNE HERE\n INC $21\n BNE HERE\nDONE: JMP DONE\n"
        " .org $FFFC\n .word $0200\n"
    )
    sizes: list[int] = []
    run = run_predicted(
        assemble(text), max_clocks=10**7, keep_writes=False,
        on_part=lambda part, end, count: sizes.append(len(part)),
    )  # fmt: skip
    # Reset; INC $20, BNE taken or, one time in 256, not; INC $21, BNE taken until the last; JMP.
    assert run.clocks == 7 + 65536 * 5 + 65280 * 3 + 256 * 2 + 256 * 5 + 255 * 3 + 2 + 3
    assert (run.ended, run.corrected, run.rounds) == ("self-jump", 0, 1)
    assert max(sizes) > 100_000 > 100 > min(sizes)


# Its parts


def test_memory_in_every_clock() -> None:
    rng = np.random.default_rng(seed := random.randrange(10**6))
    print("seed", seed)
    begin = rng.integers(0, 256, 1 << 16).astype(np.uint8)
    clocks = 5_000_000_000 + np.sort(rng.choice(4000, 900, replace=False))
    places = rng.choice([3, 4, 0x0100, 0xFFFF], 900).astype(np.uint16)
    values = rng.integers(0, 256, 900).astype(np.uint8)
    log = MemoryLog(begin, Writes(clocks, places, values))
    at = rng.choice([3, 4, 5, 0x0100, 0xFFFF, 0], 3000).astype(np.uint16)
    when = 5_000_000_000 + rng.integers(0, 4100, 3000)
    found = log.at(at, when)
    for address, clock, byte in zip(at.tolist(), when.tolist(), found.tolist(), strict=True):
        earlier = np.flatnonzero((places == address) & (clocks < clock))
        assert byte == (values[earlier[-1]] if len(earlier) else begin[address])


def test_pins_in_every_clock() -> None:
    rng = random.Random(seed := random.randrange(10**6))
    print("seed", seed)
    fixed: dict[int, list[tuple[str, int]]] = {}
    for _ in range(20):
        fixed.setdefault(rng.randrange(200), []).append(("irq_n", rng.randint(0, 1)))
    pins = PinLevels(fixed)
    moves = [(clock, level) for clock in sorted(fixed) for _, level in fixed[clock]]
    for clock in range(0, 200, 11):
        event = PinEvent(0, "irq_n", rng.randint(0, 1), rng.randrange(6), rng.choice([0, 2]))
        pins.fetch((event,), clock)
        moves.append((clock + event.delay, event.level))
        if event.width:
            moves.append((clock + event.delay + event.width, 1 - event.level))
    levels = {-1: 1}
    for clock in range(210):
        levels[clock] = levels[clock - 1]
        for at, level in moves:
            if at == clock:
                levels[clock] = level
    every = np.arange(210)
    assert pins.column("irq_n", every).tolist() == [levels[clock] for clock in range(210)]
    assert [pins.level("irq_n", clock) for clock in range(210)] == [levels[c] for c in range(210)]
    for first in range(0, 200, 7):
        for last in range(first, first + 9):
            falls = any(levels[c - 1] and not levels[c] for c in range(first, last + 1))
            assert pins.falls("irq_n", first, last) == falls
            high = all(levels[c] for c in range(first, last + 1))
            assert pins.high("irq_n", first, last) == high
    assert pins.next_change(0) == min(at for at, _ in moves)
    pins.forget(0)
    fixed_alone = PinLevels(fixed)
    assert pins.column("irq_n", every).tolist() == fixed_alone.column("irq_n", every).tolist()
    pins.past(100)
    assert (
        pins.column("irq_n", every)[99:].tolist()
        == fixed_alone.column("irq_n", every)[99:].tolist()
    )


def test_every_flip_flop_is_in_the_state() -> None:
    netlist = drawn_netlist("nmos")
    lanes = Lanes(drawn_unit("nmos", "ripple"))
    rng = np.random.default_rng(1)
    planes = [int(bit) for bit in rng.integers(0, 2, len(netlist.flops))]
    saved = lanes.save(planes, 1)
    assert lanes.load(saved) == planes
    assert sum(bits for _, _, bits in lanes.places) == len(netlist.flops) == 101
    assert len(STATE) == 17
