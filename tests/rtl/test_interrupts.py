"""Interrupts, case by case. What is tested here is common practice of the trade; no source."""

from dataclasses import replace

import pytest
from usual import USUAL, first_of

from carrywave.sim.program.assembler import assemble
from carrywave.sim.program.bench import run_program

VECTORS = """
        .org $0400
ONIRQ:  INX
        RTI
        .org $0500
ONNMI:  INY
        RTI
        .org $FFFA
        .word ONNMI, START, ONIRQ
"""


@pytest.fixture
def names():
    """Runs a listing's body and returns what ran between the label GO and the end, in order."""

    def run(body, variant="nmos", max_clocks=400):
        sequences = []
        program = assemble(
            f"        .org $0200\nSTART:  LDX #0\n{body}\nDONE:   JMP DONE\n{VECTORS}"
        )
        run_program(program, variant, max_clocks, on_sequence=sequences.append)
        start = program.labels["GO"]
        first = next(i for i, s in enumerate(sequences) if s.address == start)
        run.sequences = sequences[first:]
        run.program = program
        return " ".join(sequence.name for sequence in sequences[first:])

    return run


def pushed(names, event):
    """The bytes that the first entry of an event, or the first BRK, pushed."""
    return [byte for s in names.sequences if s.name == event for _, _, byte in s.writes][:3]


def test_irq_is_heard_only_while_i_is_clear(names):
    assert names("GO: .irq low\n NOP\n NOP\n .irq high\n NOP") == "NOP NOP NOP JMP"
    assert names("CLI\nGO: .irq low\n .irq high +9\n NOP\n NOP") == "NOP IRQ INX RTI NOP JMP"


def test_irq_is_a_level_and_enters_again_until_it_is_high(names):
    # Entry 7 clocks, INX 2, RTI 6; the line is high before the second RTI decides.
    body = "CLI\nGO: .irq low\n .irq high +25\n NOP\n NOP"
    assert names(body) == "NOP IRQ INX RTI IRQ INX RTI NOP JMP"


def test_a_level_that_is_gone_before_the_decision_was_never_there(names):
    assert names("CLI\nGO: .irq low +1\n .irq high +2\n INC $10\n NOP") == "INC NOP JMP"


@pytest.mark.parametrize(("clock", "follows"), [(0, "INC IRQ"), (3, "INC IRQ"), (4, "INC NOP IRQ")])
def test_the_decision_is_made_in_the_last_but_one_clock(names, clock, follows):
    assert names(f"CLI\nGO: .irq low +{clock}\n .irq high +12\n INC $10\n NOP").startswith(follows)


@pytest.mark.parametrize(("clock", "follows"), [(0, "INC NMI"), (3, "INC NMI"), (4, "INC NOP NMI")])
def test_nmi_is_decided_in_the_last_but_one_clock_too(names, clock, follows):
    assert names(f"GO: .nmi +{clock}\n INC $10\n NOP").startswith(follows)


def test_cli_acts_one_instruction_late(names):
    body = "GO: .irq low\n NOP\n CLI\n .irq high +8\n NOP\n NOP"
    assert names(body).startswith("NOP CLI NOP IRQ")


def test_sei_blocks_one_instruction_late(names):
    assert names("CLI\nGO: .irq low\n .irq high +5\n SEI\n NOP").startswith("SEI IRQ")


def test_an_interrupt_after_sei_pushes_i_set(names):
    names("CLI\nGO: .irq low\n .irq high +5\n SEI\n NOP")
    entry = pushed(names, "IRQ")
    assert len(entry) == 3
    assert entry[2] & 0x34 == 0x24


def test_plp_acts_one_instruction_late_and_rti_at_once(names):
    late = "LDA #$20\n PHA\nGO: .irq low\n .irq high +10\n PLP\n NOP\n NOP"
    assert names(late).startswith("PLP NOP IRQ")
    frame = "LDA #>AFTER\n PHA\n LDA #<AFTER\n PHA\n LDA #$20\n PHA\n"
    at_once = f"{frame}GO: .irq low\n .irq high +10\n RTI\nAFTER: NOP"
    assert names(at_once).startswith("RTI IRQ")


def test_nmi_is_an_edge_and_not_masked(names):
    body = "GO: .nmi\n NOP\n NOP\n NOP"
    assert names(body) == "NOP NMI INY RTI NOP NOP JMP"


def test_an_nmi_line_held_low_is_taken_once():
    program = "GO: .nmi\n" + " NOP\n" * 12
    low_for_long = assemble(
        f"        .org $0200\nSTART:  LDX #0\n{program}\nDONE: JMP DONE\n{VECTORS}"
    )
    ((address, (event,)),) = low_for_long.pin_events.items()
    low_for_long.pin_events[address] = (replace(event, width=40),)
    sequences = []
    run_program(low_for_long, on_sequence=sequences.append)
    assert [s.name for s in sequences].count("NMI") == 1
    assert [s.name for s in sequences].count("NOP") == 12


@pytest.mark.parametrize(
    ("clock", "ran"),
    [
        # NOP takes clocks 0 and 1, the entry 2 to 8, the handler's INY 9 and 10.
        (3, "NOP NMI INY NMI INY RTI RTI NOP JMP"),
        (8, "NOP NMI INY NMI INY RTI RTI NOP JMP"),
        (9, "NOP NMI INY NMI INY RTI RTI NOP JMP"),
        (10, "NOP NMI INY RTI NMI INY RTI NOP JMP"),
    ],
)
def test_an_edge_during_its_own_service_is_remembered(names, clock, ran):
    """And the first instruction of a handler runs before the next entry."""
    assert names(f"GO: .nmi\n .nmi +{clock}\n NOP\n NOP") == ran


def test_nmi_wins_over_irq_and_reset_over_both(names):
    body = "CLI\nGO: .irq low\n .irq high +16\n .nmi\n NOP\n NOP"
    assert names(body).startswith("NOP NMI INY RTI IRQ INX RTI NOP")
    body = "CLI\nGO: .irq low\n .irq high +9\n .nmi\n .reset +1\n NOP\n NOP"
    assert names(body, max_clocks=40).startswith("NOP RESET RESET LDX")


@pytest.mark.parametrize("clock", first_of([3, 4, 5, 8, 0, 1, 2, 6, 7], 4))
@pytest.mark.parametrize("variant", USUAL)
def test_nmi_during_brk(names, variant, clock):
    """In its first four clocks NMOS takes NMI's vector and still pushes B; CMOS finishes BRK."""
    ran = names(f"GO: .nmi +{clock}\n BRK\n NOP", variant)
    if variant != "cmos" and clock < 4:
        assert ran == "BRK INY RTI NOP JMP"
    elif clock < 8:
        assert ran == "BRK INX NMI INY RTI RTI NOP JMP"
    else:
        assert ran == "BRK INX RTI NMI INY RTI NOP JMP"
    assert pushed(names, "BRK")[2] & 0x10


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_nmi_during_the_entry_of_irq(names, variant):
    # NOP takes clocks 0 and 1, the entry 2 to 8; the line is high again before the handler ends.
    ran = names("CLI\nGO: .irq low\n .irq high +4\n .nmi +4\n NOP\n NOP", variant)
    taken_over = "NOP IRQ INY RTI NOP JMP"
    assert ran == (taken_over if variant == "nmos" else "NOP IRQ INX NMI INY RTI RTI NOP JMP")
    assert not pushed(names, "IRQ")[2] & 0x10


def test_p_is_pushed_before_i_is_set_and_d_is_cleared(names):
    after = {}
    for variant in ("nmos", "cmos", "binary"):
        names("SED\n CLI\nGO: .irq low\n .irq high +9\n NOP\n NOP", variant)
        assert pushed(names, "IRQ")[2] & 0x3C == 0x28
        entry = next(s for s in names.sequences if s.name == "IRQ")
        after[variant] = entry.after.p & 0x0C
    assert after == {"nmos": 0x0C, "cmos": 0x04, "binary": 0x0C}


@pytest.mark.parametrize("clock", first_of([*range(6)], 3))
def test_reset_cuts_an_instruction_off_and_writes_nothing(names, clock):
    names(f"SED\nLDA #$10\nGO: .reset +{clock}\n INC $10\n NOP", max_clocks=60)
    sequences = names.sequences
    reset = next(i for i, s in enumerate(sequences) if s.name == "RESET")
    cut = sequences[reset - 1]
    assert cut.name == ("NOP" if clock == 5 else "INC")
    assert cut.clocks == (clock if clock < 5 else clock - 5) + 1
    # The pin is low for two clocks, so the first of the seven clocks begins twice.
    assert [s.clocks for s in sequences[reset : reset + 2]] == [1, 7]
    entry = sequences[reset + 1]
    assert entry.writes == ()
    assert (entry.before.sp - entry.after.sp) % 256 == 3
    assert entry.after.p & 0x0C == 0x0C
    assert entry.after.pc == 0x0200
    written = [write for s in sequences[:reset] for write in s.writes]
    assert len(written) == max(0, min(clock, 5) - 3)


def test_reset_clears_d_on_cmos(names):
    names("SED\nGO: .reset +1\n NOP", "cmos", max_clocks=40)
    entry = [s for s in names.sequences if s.name == "RESET"][-1]
    assert entry.before.p & 0x08
    assert entry.after.p & 0x0C == 0x04
