"""Which flags each instruction updates, and what reset, interrupts and decimal mode do.

Source: WDC, *W65C02S data sheet* (2020), tables 3-1, 6-4, 7-1 and section 3.11. READ; table 6-4
is the same as Eyes & Lichty, *Programming the 65816*, chapter 18, but for its misprints (N and Z
in the row of JSR; an empty row for BNE).
"""

from __future__ import annotations

import numpy as np
import pytest

from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.instructions import INSTRUCTIONS
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.witness.model import Model

UPDATES = {
    mnemonic: flags
    for flags, mnemonics in (
        ("nvzc", "ADC SBC"),
        ("nzc", "ASL LSR ROL ROR CMP CPX CPY"),
        ("nz", "AND ORA EOR LDA LDX LDY INC DEC INX INY DEX DEY TAX TAY TXA TYA TSX PLA"),
        ("nvz", "BIT"),
        ("nvdizc", "PLP RTI"),
        ("i", "BRK SEI CLI"),
        ("c", "SEC CLC"),
        ("d", "SED CLD"),
        ("v", "CLV"),
        ("", "BPL BMI BVC BVS BCC BCS BNE BEQ JMP JSR RTS NOP PHA PHP STA STX STY TXS"),
    )
    for mnemonic in mnemonics.split()
}
VARIANTS = ["nmos", "cmos", "binary"]
SAMPLES = 1024  # of each opcode
STATUS = np.arange(256)


def mask_of(flags):
    return sum(1 << FLAG_BITS[flag] for flag in flags)


@pytest.fixture
def changed_flags():
    """The flags that an opcode changes in random cases, as one mask, and the number of cases."""

    def run(entry, variant, mistake=lambda cases, outcomes: outcomes):
        cases = sampled_cases(SAMPLES, entry.opcode, [entry], ["instruction"])
        outcomes = mistake(cases, Model(variant).execute(cases))
        return int(np.bitwise_or.reduce((cases["p"] ^ outcomes["p"]) & 0xCF)), len(outcomes)

    return run


def test_instruction_table_lists_the_flags_of_table_6_4():
    listed = {entry.mnemonic: set(entry.flags) for entry in INSTRUCTIONS}
    assert listed == {mnemonic: set(flags) for mnemonic, flags in UPDATES.items()}
    assert len(listed) == 56
    assert all(set(entry.flags) == set(UPDATES[entry.mnemonic]) for entry in INSTRUCTIONS)


@pytest.mark.parametrize("variant", VARIANTS)
def test_model_changes_each_listed_flag_and_no_other(variant, changed_flags):
    changed, checked = {}, 0
    for entry in INSTRUCTIONS:
        changed[entry.opcode], cases = changed_flags(entry, variant)
        checked += cases
    expected = {entry.opcode: mask_of(UPDATES[entry.mnemonic]) for entry in INSTRUCTIONS}
    if variant == "cmos":
        expected[0x00] |= mask_of("d")  # table 7-1: an interrupt, BRK too, leaves decimal mode
    assert changed == expected
    assert {entry.mnemonic for entry in INSTRUCTIONS} == set(UPDATES)
    assert (len(UPDATES), checked) == (56, len(INSTRUCTIONS) * SAMPLES)


@pytest.mark.parametrize("mnemonic", ["SEC", "SED", "SEI", "CLC", "CLD", "CLI", "CLV"])
def test_set_and_clear_do_what_they_are_called(mnemonic, answer, verdict):
    name, value = mnemonic[2].lower(), mnemonic.startswith("SE")
    assert verdict(answer(mnemonic, p=STATUS), **{name: value}) == (256, {})


@pytest.mark.parametrize("variant", VARIANTS)
def test_reset_sets_i_and_takes_seven_cycles(variant, answer_event, verdict):
    outcomes = answer_event("RESET", variant=variant, p=STATUS)
    assert verdict(outcomes, i=1, cycles=7) == (256, {})


@pytest.mark.parametrize("event", ["IRQ", "NMI", "BRK"])
def test_table_7_1_interrupts_clear_d_on_cmos_alone(event, answer, answer_event, verdict):
    p = STATUS[STATUS & 4 == 0] if event == "IRQ" else STATUS
    for variant in VARIANTS:
        if event == "BRK":
            outcomes = answer("BRK", variant=variant, p=p)
        else:
            outcomes = answer_event(event, variant=variant, p=p)
        d = 0 if variant == "cmos" else p >> 3 & 1
        assert verdict(outcomes, d=d, i=1, writes=3) == (128 if event == "IRQ" else 256, {})


def test_table_7_1_reset_clears_d_on_cmos(answer_event, verdict):
    # On NMOS D is unknown after reset, and nothing is asked.
    assert verdict(answer_event("RESET", variant="cmos", p=STATUS), d=0) == (256, {})


@pytest.mark.parametrize("mnemonic", ["ADC", "SBC"])
def test_table_7_1_decimal_mode_costs_a_cycle_on_cmos_alone(mnemonic, answer, every_input, verdict):
    for variant, decimal, cycles in (
        ("nmos", 0, 2),
        ("nmos", 1, 2),
        ("cmos", 0, 2),
        ("cmos", 1, 3),
        ("binary", 1, 2),
    ):
        outcomes = answer(mnemonic, variant=variant, decimal=decimal, **every_input._asdict())
        assert verdict(outcomes, cycles=cycles) == (2**17, {})


@pytest.mark.parametrize("mnemonic", ["ADC", "SBC"])
def test_table_7_1_cmos_n_and_z_are_valid_after_a_decimal_operation(
    mnemonic, answer, every_input, field, verdict
):
    outcomes = answer(mnemonic, variant="cmos", decimal=1, **every_input._asdict())
    result = field(outcomes, "a")
    assert verdict(outcomes, n=result > 127, z=result == 0) == (2**17, {})


def test_a_planted_mistake_is_seen_in_the_row_it_touches(
    changed_flags, answer_event, plant, verdict
):
    mistakes = {  # each with the row it must be seen in
        "INC": (
            "nzc",
            lambda cases, outcomes: plant(outcomes, c=outcomes["write_value"][:, 1] == 0),
        ),
        "CMP": ("nvzc", lambda cases, outcomes: plant(outcomes, v=cases["a"] < 128)),
        "TXS": (
            "nz",
            lambda cases, outcomes: plant(outcomes, n=cases["x"] > 127, z=cases["x"] == 0),
        ),
        "TSX": ("", lambda cases, outcomes: plant(outcomes, p=cases["p"] | 0x30)),
        "LSR": ("zc", lambda cases, outcomes: plant(outcomes, n=cases["p"] > 127)),
    }
    seen = 0
    for entry in INSTRUCTIONS:
        if entry.mnemonic in mistakes:
            flags, mistake = mistakes[entry.mnemonic]
            assert changed_flags(entry, "nmos", mistake) == (mask_of(flags), SAMPLES)
            assert set(flags) != set(UPDATES[entry.mnemonic])
            seen += 1
    assert seen == 4 + 8 + 1 + 1 + 5  # modes

    outcomes = answer_event("RESET", variant="cmos", p=STATUS)
    keeps = plant(outcomes, d=STATUS & 8, i=STATUS & 4)
    assert verdict(keeps, d=0, i=1) == (256, {"d": 128, "i": 128})
