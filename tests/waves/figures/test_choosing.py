"""What a timing diagram is drawn around: one listing for each reason, and one with none."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tracked import HOUSE

from carrywave.sim.cases.kinds import lay_reads
from carrywave.sim.cases.layout import CASE
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.witness.clocked import Clocked
from carrywave.waves.figures.choosing import BESIDE, LEAD, Choice, choose
from carrywave.waves.vcd.dump import BesideDump
from carrywave.waves.vcd.signals import EMULATOR

REFERENCE = HOUSE / "waves/reference"
NOTHING = "from the first instruction on: no interrupt, page crossing or overflow is in it"
Chosen = Callable[..., tuple[Choice, Any]]


@pytest.fixture
def chosen(run_text: Callable[..., Any], save: Callable[..., Path]) -> Chosen:
    """Runs a listing's lines; what is chosen of its dump, and the dump's text."""

    def run(*lines: str, variant: str = "nmos", org: str = "$0200") -> tuple[Choice, Any]:
        listing = [f" .org {org}", "START:", *(f" {line}" for line in lines), "DONE: JMP DONE",
                   "ENTER: RTI", " .org $FFFA", " .word ENTER, START, ENTER", ""]  # fmt: skip
        text = run_text("\n".join(listing), variant)
        return choose(save(text)), text

    return run


def entry_of(text: Any, name: str) -> int:
    """The clock in which the first sequence of a name begins, the first one of the run aside."""
    return next(
        clock
        for clock in range(1, text.clocks)
        if text.at("unit.sync", clock) and text.sequence_at(clock).startswith(f"{name} ")
    )


def low_from(text: Any, pin: str) -> int:
    return next(c for c in range(8, text.clocks) if not text.at(pin, c))


# One reason after the other: of each, all that come behind it are in the listing too.

OVERFLOW = ("CLV", "CLC", "LDA #$50", "ADC #$50")
CROSSING = ("LDX #$15", "LDA $20F0,X")
IRQ = ("CLI", ".irq low", ".irq high +6", "NOP", "NOP", "NOP", "NOP")
NMI = (".nmi", "NOP", "NOP", "NOP")
LATER = ("NOP",) * 12


def test_an_overflow(chosen: Chosen) -> None:
    choice, text = chosen(*LATER, *OVERFLOW)
    clock = text.values["unit.status.v"].index(1)
    adds = entry_of(text, "ADC")
    assert clock == adds + 2
    assert choice == Choice(
        adds - LEAD, clock, f"around the overflow of ADC, whose V stands in clock {clock}"
    )


def test_a_page_crossing(chosen: Chosen) -> None:
    choice, text = chosen(*OVERFLOW, *LATER, *CROSSING)
    begin = next(c for c in range(30, text.clocks) if text.sequence_at(c).startswith("LDA"))
    # Of the five clocks the address without its carry has the fourth, as published.
    clock = begin + 3
    assert text.at("unit.address", clock + 1) == 0x2105
    assert choice == Choice(
        begin - LEAD, clock, f"around the page crossing of LDA in clock {clock}"
    )


def test_a_branch_into_another_page(chosen: Chosen) -> None:
    choice, text = chosen("CLC", "BCC *+20", *("NOP",) * 18, org="$02EC")
    clock = text.values["unit.pc"].index(0x0301)
    assert choice.why == f"around the page crossing of BCC in clock {entry_of(text, 'BCC') + 3}"
    assert entry_of(text, "BCC") + 3 < clock <= entry_of(text, "BCC") + 5


NEITHER = {
    "nmos": (
        "LDX #1", "LDA $20F0,X",  # within the page
        "STA $20F0,X", "INC $2000,X",  # which always wait
        "CLC", "BCC *+2",  # taken, a clock more
        "CLV", "LDA #$40", "STA $10", "BIT $10", "CLV", "PHA", "PLP",  # V, but no overflow
    ),
    "cmos": (
        "SED", "CLC", "LDX #1", "ADC $2000,X",  # decimal, a clock more
        "CLD", "JMP (THERE)", "THERE: .word DONE",  # which has one more than on NMOS
    ),
}  # fmt: skip


@pytest.mark.parametrize("variant", NEITHER)
def test_a_clock_more_and_a_v_that_are_no_crossing_and_no_overflow(
    chosen: Chosen, variant: str
) -> None:
    choice, text = chosen(*NEITHER[variant], variant=variant)
    assert choice == Choice(7, 7, NOTHING)
    assert variant == "cmos" or 1 in text.values["unit.status.v"]


def test_a_crossing_in_decimal_mode_on_cmos_is_one(chosen: Chosen) -> None:
    choice, text = chosen("SED", "CLC", "LDX #$15", "ADC $20F0,X", variant="cmos")
    assert choice.clock == entry_of(text, "ADC") + 3
    assert choice.why.startswith("around the page crossing of ADC ")


def test_a_reset_within_the_run(run_text: Any, save: Any) -> None:
    lines = (*OVERFLOW, *CROSSING, *LATER, ".reset", "NOP")
    text = run_text("\n".join([" .org $0200", *(f" {line}" for line in lines), ""]), max_clocks=60)
    begin = entry_of(text, "RESET")
    assert choose(save(text)).why == f"around the entry of the RESET in clock {begin}"
    assert begin > 40


@pytest.mark.parametrize(
    ("pin", "name", "lines"),
    [("unit.irq_n", "IRQ", IRQ), ("unit.nmi_n", "NMI", (*IRQ, *LATER, *NMI))],
)
def test_an_interrupt_from_where_its_pin_falls(
    chosen: Chosen, pin: str, name: str, lines: tuple[str, ...]
) -> None:
    choice, text = chosen("LDX #$FF", "TXS", *OVERFLOW, *CROSSING, *LATER, *lines)
    clock, low = entry_of(text, name), low_from(text, pin)
    assert 0 < clock - low <= 4
    assert choice == Choice(low - LEAD, clock, f"around the entry of the {name} in clock {clock}")


def test_one_that_has_waited_long_is_shown_from_its_entry(chosen: Chosen) -> None:
    choice, text = chosen("LDX #$FF", "TXS", "SEI", ".irq low", *LATER, *LATER, *IRQ)
    assert entry_of(text, "IRQ") - low_from(text, "unit.irq_n") > 40
    assert choice.since == choice.clock - LEAD == entry_of(text, "IRQ") - LEAD


def beside(path: Path, **wrong: int) -> Path:
    """ADC #$50 with A at $50, beside an emulator that is right but for what is given."""
    case = np.zeros((), CASE)
    before = {"pc": 0x0200, "a": 0x50, "x": 0, "y": 0, "sp": 0xFD, "p": 0x30}
    for name, value in before.items():
        case[name] = value
    lay_reads(case, BY_MNEMONIC["ADC"]["immediate"], {"pc": 0x0200, "m": 0x50})
    after = before | {"pc": 0x0202, "a": 0xA0, "p": 0xF0} | wrong
    with path.open("w") as file, BesideDump(file, "nmos", before, after) as dump:
        Clocked("nmos", dump).execute(case)
    return path


def test_a_disagreement_comes_before_all(tmp_path: Path) -> None:
    found = choose(beside(tmp_path / "a.vcd", x=1, p=0xB0))
    assert found == Choice(0, 2, "around the emulator's disagreement in X V in clock 2")
    assert choose(beside(tmp_path / "b.vcd")).why.startswith("around the overflow of ADC")
    assert len(BESIDE) == len(EMULATOR) - 1 == 11  # all but the byte that the flags are in


# What was planted in a dump is seen


def test_what_is_taken_out_is_not_chosen(reference_texts: dict[str, Any], save: Any) -> None:
    text = reference_texts["nested_interrupts"]
    nmi, irq = entry_of(text, "NMI"), entry_of(text, "IRQ")
    assert irq < nmi
    assert choose(save(text)).why == f"around the entry of the NMI in clock {nmi}"
    assert choose(save(text.shortened(nmi))).why == f"around the entry of the IRQ in clock {irq}"
    assert choose(save(text.shortened(irq))) == Choice(7, 7, NOTHING)
    text = reference_texts["signed_compare"]
    first = choose(save(text))
    assert first.why.startswith("around the overflow of SBC")
    change = next(c for c in text.changes["unit.status.v"] if c.clock == first.clock)
    assert choose(save(text.put(change.line, 0))) == Choice(7, 7, NOTHING)


def test_it_does_not_matter_where_the_file_is_parted() -> None:
    reasons = set()
    for name in ("nested_interrupts", "table_walk", "signed_compare", "write_twice"):
        path = REFERENCE / f"{name}.vcd"
        assert choose(path, 5) == choose(path)
        reasons.add(" ".join(choose(path).why.split()[:4]))
    assert len(reasons) == 4
