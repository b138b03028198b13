"""Pins from a file: as a listing's directives move them, or by the clock."""

from __future__ import annotations

from pathlib import Path

import pytest

from carrywave.sim.program.assembler import Program, assemble
from carrywave.sim.program.bench import run_program
from carrywave.sim.program.pins import PinsError, read_pins
from carrywave.sim.program.ran import Sequence

LISTING = """
        .org $0200
START:  LDX #$FF
        TXS
        CLI
        NOP
{here}  NOP
        NOP
DONE:   JMP DONE
HANDLE: RTI
        .org $FFFA
        .word HANDLE, START, HANDLE
"""


def ran(program: Program) -> list[tuple[str, int]]:
    sequences: list[Sequence] = []
    run_program(program, max_clocks=120, on_sequence=sequences.append)
    return [(one.name, one.clock) for one in sequences]


@pytest.mark.parametrize("said", ["at HERE .nmi +1", "AT $0205 .NMI + 1 ; as there"])
def test_an_address_moves_them_as_a_directive_of_the_listing_does(
    said: str, tmp_path: Path
) -> None:
    there = assemble(LISTING.format(here="HERE: .nmi +1\n"))
    beside = assemble(LISTING.format(here="HERE: "))
    file = tmp_path / "a.pins"
    file.write_text(f"; comment\n\n{said}\n")
    read_pins(file, beside)
    assert beside.pin_events == there.pin_events
    assert ran(beside) == ran(there)
    assert "NMI" in dict(ran(beside))


@pytest.mark.parametrize(
    ("said", "name"), [("clock 13 .nmi", "NMI"), ("clock 11 .irq low\nclock 18 .irq high", "IRQ"),
                       ("clock 10 .reset +3", "RESET")],
)  # fmt: skip
def test_a_clock_moves_them(said: str, name: str, tmp_path: Path) -> None:
    program = assemble(LISTING.format(here=""))
    before = ran(assemble(LISTING.format(here="")))
    (tmp_path / "a.pins").write_text(said)
    read_pins(tmp_path / "a.pins", program)
    after = ran(program)
    assert after[:4] == before[:4]
    assert [one for one, _ in after].count(name) > [one for one, _ in before].count(name)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("clock 20 .nmi\nclock 19 .nmi\n", ", line 2: clock 19 comes after clock 20: go forwards"),
        ("at NOWHERE .nmi", ", line 1: 'NOWHERE' is no name of the program"),
        ("at $12345 .nmi", ", line 1: $12345 is no address: expected at most $FFFF"),
        ("\nclock 5 .irq", ", line 2: found 'clock 5 .irq'; expected 'at ADDRESS' or 'clock N', "
                           "then .irq low, .irq high, .nmi or .reset, and +N for N clocks later"),
        ("at 80 .nmi +999999", ", line 1: found 'at 80 .nmi +999999'; expected 'at ADDRESS' or "
                               "'clock N', then .irq low, .irq high, .nmi or .reset, and +N for N "
                               "clocks later"),
        ("\udcff", ": byte FF at offset 0, which is not UTF-8"),
        ("clock " + "9" * 5000 + " .nmi\nclock 1 .nmi", ", line 2: clock 1 comes after clock "
         + "9" * 20 + ": go forwards"),
        (";" * 1_100_000, ": more than 1 MiB; expected some pins"),
    ],
)  # fmt: skip
def test_what_is_no_file_of_pins_is_told_in_one_line(
    text: str, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a.pins").write_bytes(text.encode(errors="surrogateescape"))
    with pytest.raises(PinsError) as caught:
        read_pins("a.pins", assemble(LISTING.format(here="")))
    assert str(caught.value) == f"a.pins{message}"


def test_a_file_that_is_not_there_is_told() -> None:
    with pytest.raises(PinsError, match=r"^absent: cannot be read: No such file or directory$"):
        read_pins("absent", assemble(LISTING.format(here="")))
