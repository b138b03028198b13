"""Settling as the terminal shows it: one operation step by step, and every input counted."""

from __future__ import annotations

import random
import re
from io import StringIO

import pytest
from rich.console import Console

from carrywave.sim.netlist import ADDERS
from carrywave.sim.netlist.alu_gates import MNEMONICS
from carrywave.sim.settle.report import draw_settling, draw_survey
from carrywave.sim.settle.settling import Settling, settle
from carrywave.sim.settle.survey import Survey, survey


@pytest.fixture(scope="module")
def settling() -> Settling:
    return settle("ADC", [0xFF, 1])


def drawn(settling: Settling, color: bool = False) -> list[str]:
    console = Console(
        width=80, record=True, file=StringIO(), force_terminal=color,
        color_system="standard" if color else None,
    )  # fmt: skip
    console.print(draw_settling(settling))
    return [line.rstrip() for line in console.export_text(styles=color).splitlines()]


def test_a_row_shows_what_changes_in_a_gate_delay(settling: Settling) -> None:
    lines = drawn(settling)
    assert lines[:7] == [
        "ADC  A=$FF M=$01 C=0  after A=$00 M=$00 C=0   nmos, ripple",
        "",
        "  step  operand   c8 .. c0   sum       result    N V Z C  gates",
        "before  00000000  000000000  00000000  00000000  0 0 1 0",
        "     1  .......1  .........  ........  ........  . . . .     26",
        "     2  ........  .........  11111111  ........  . . . .     10",
        "     3  ........  .......1.  .......0  ........  . . . .     18",
    ]
    rows = [line for line in lines if re.match(r" +\d+  [.01]", line)]
    assert [int(row.split()[0]) for row in rows] == list(range(1, 25))
    assert rows[17] == "    18  ........  1........  ........  ........  . 1 . .      7"
    assert lines[28] == " final  00000001  111111110  00000000  00000000  0 0 1 1"
    text = " ".join(" ".join(lines[29:]).split())
    assert text == (
        "A dot: as it was. The inputs change in step 0; 'gates' is how many of the 377 change in a "
        "step. Settled after 24 gate delays. Glitches, wires that change more than once, and how "
        "often: sum, result: every bit 2; N V Z: 2."
    )
    assert max(map(len, lines)) <= 80


def read_glitches(text: str) -> dict[str, int]:
    """How often each wire changes, out of what the drawing says of glitches."""
    found: dict[str, int] = {}
    widths = {"operand": 8, "carry": 9, "sum": 8, "result": 8}
    for part in text.split("; "):
        names, _, said = part.partition(": ")
        if names[0] in "NVZC":
            found |= {flag.lower(): int(said) for flag in names.split()}
            continue
        for port in names.split(", "):
            name = "c{}" if port == "carry" else port + "[{}]"
            if said.startswith("every bit "):
                times = int(said.removeprefix("every bit "))
                found |= {name.format(bit): times for bit in range(widths[port])}
                continue
            for group in said.split(", "):
                bits, _, times_ = group.partition(": ")
                found |= {name.format(bit): int(times_) for bit in bits.split()[1:]}
    return found


def test_glitches_are_told_in_groups_and_exactly() -> None:
    assert read_glitches("carry, sum: bits 0 3: 2, bit 5: 4; N V: 2; C: 3") == {
        "c0": 2, "c3": 2, "c5": 4, "sum[0]": 2, "sum[3]": 2, "sum[5]": 4, "n": 2, "v": 2, "c": 3,
    }  # fmt: skip
    rng, told = random.Random("glitches"), 0
    for _ in range(30):
        mnemonic = rng.choice(["ADC", "SBC", "CMP", "AND", "ASL", "INX"])
        numbers = [rng.randrange(256) for _ in range(1 + MNEMONICS[mnemonic].operand)]
        start = rng.randrange(256), rng.randrange(256), rng.randrange(2)
        found = settle(mnemonic, numbers, rng.randrange(2), bool(rng.randrange(2)), start, "cmos")
        text = " ".join(" ".join(drawn(found)).split())
        _, shown, said = text.partition("how often: ")
        assert bool(shown) == bool(found.glitches)
        if shown:
            wanted = {name: len(steps) for name, steps in found.glitches.items()}
            assert read_glitches(said.removesuffix(".")) == wanted
            told += len(wanted)
    assert told > 150


def test_colour_only_adds_to_what_the_signs_say(settling: Settling) -> None:
    colored = re.sub(r"\x1b\[[0-9;]*m", "", "\n".join(drawn(settling, color=True)))
    assert colored.splitlines() == drawn(settling)


@pytest.mark.parametrize(
    ("given", "title"),
    [
        (("INC", [5]), "INC  M=$05  after M=$00   nmos, ripple"),
        (("CPX", [5, 6]), "CPX  X=$05 M=$06  after X=$00 M=$00   nmos, ripple"),
        (("ROL", [5], 1), "ROL  A=$05 C=1  after A=$00 C=0   nmos, ripple"),
        (("SBC", [9, 1], 1, True),
         "SBC  A=$09 M=$01 C=1 D=1  after A=$00 M=$00 C=0 D=1   nmos, ripple"),
    ],
)  # fmt: skip
def test_a_title_names_the_inputs_that_count(given: tuple[str, list[int]], title: str) -> None:
    assert drawn(settle(*given))[0] == title


def test_a_drawing_says_so_if_nothing_changes() -> None:
    lines = drawn(settle("ADC", [5, 6], start=(5, 6, 0)))
    assert lines[-1] == " No output changes."
    assert [line.split()[0] for line in lines[2:5]] == ["step", "before", "final"]


# Every input


@pytest.fixture(scope="module")
def three() -> Survey:
    return survey("ADC", adders=ADDERS)


def tabulated(report: Survey) -> list[str]:
    console = Console(width=80, file=StringIO(), color_system=None)
    console.print(draw_survey(report))
    assert isinstance(console.file, StringIO)
    return console.file.getvalue().splitlines()


@pytest.mark.exhaustive
def test_adders_stand_side_by_side(three: Survey) -> None:
    lines = tabulated(three)
    assert lines[0] == "ADC  131,072 inputs, decimal off, each from A=$00 M=$00 C=0   nmos"
    assert lines[2].split() == list(ADDERS)
    assert lines[3].split() == ["output", *["mean", "worst"] * 3]
    rows = {line.split()[0]: line.split()[1:] for line in lines[4:] if line.strip()}
    for name in ("c8", "sum[7]", "sum", "result", "flags", "all", "n", "v", "z", "c"):
        shown = name.upper() if len(name) == 1 else name
        outputs = [adder[name] for adder in three.adders]
        assert rows[shown] == [t for o in outputs for t in (f"{float(o.mean):.2f}", f"{o.worst}")]
    assert rows["gates"] == [f"{adder.gates}" for adder in three.adders]
    depths = " ".join(f"{adder.depth}" for adder in three.adders)
    assert f"longest path {depths}" in [" ".join(line.split()) for line in lines]
    assert " Every input ends as the same gates do without delay." in lines
    assert max(map(len, lines)) <= 80


@pytest.mark.exhaustive
def test_the_tables_say_what_no_table_shows(three: Survey) -> None:
    text = " ".join(" ".join(tabulated(three)).split())
    assert (
        "No input takes the longest path: it begins at the operation, which stands, and goes "
        "through the decimal correction, which is off. Every input ends"
    ) in text
    assert text.endswith(
        "Expected: the recurrence of Burks, Goldstine and von Neumann (1946, from memory), who "
        "bound the mean without carry-in by log2 of the width, 3. The row of carry-in 1 extends it."
    )
    binary = " ".join(" ".join(tabulated(survey("AND", "binary"))).split())
    assert (
        "No input takes the longest path: it begins at the operation, which stands. Every"
    ) in binary


@pytest.mark.parametrize(
    ("mnemonic", "start"),
    [("SBC", "A=$00 M=$00 C=0"), ("CMP", "A=$00 M=$00"), ("AND", "A=$00 M=$00"), ("INX", "X=$00")],
)
def test_titles_name_the_inputs_before(mnemonic: str, start: str) -> None:
    report = survey(mnemonic)
    about = f"{report.inputs:,} inputs, decimal off, each from {start}"
    assert tabulated(report)[0] == f"{mnemonic}  {about}   nmos"


@pytest.mark.parametrize("mnemonic", MNEMONICS)
def test_every_instruction_s_table_fits_80_columns(mnemonic: str) -> None:
    assert max(map(len, tabulated(survey(mnemonic)))) <= 80


@pytest.mark.exhaustive
def test_carries_stand_beside_the_expected_ones(three: Survey) -> None:
    lines = tabulated(three)
    at = next(i for i, line in enumerate(lines) if line.startswith(" longest carry"))
    assert [line.split() for line in lines[at : at + 5]] == [
        ["longest", "carry", *"012345678", "mean"],
        ["carry-in", "0", "6561", "15727", "20208", "12864", "6080", "2560", "1024", "384", "128",
         "2.1623"],
        ["expected", "6561", "15727", "20208", "12864", "6080", "2560", "1024", "384", "128"],
        ["carry-in", "1", "2187", "12453", "21200", "15552", "8000", "3584", "1536", "640", "384",
         "2.5665"],
        ["expected", "2187", "12453", "21200", "15552", "8000", "3584", "1536", "640", "384"],
    ]  # fmt: skip


def test_one_adder_shows_shares_the_worst_input_and_glitches() -> None:
    report = survey("INX")
    lines = tabulated(report)
    assert lines[2].split() == [
        "output", "mean", "half", "9", "in", "10", "worst", "first", "worst", "input", "glitches",
    ]  # fmt: skip
    row = next(line.split() for line in lines if line.startswith(" Z "))
    z = report.adders[0]["z"]
    assert row == ["Z", f"{float(z.mean):.2f}", "0", "0", f"{z.worst}", "X=$7F", f"{z.glitches}"]
    assert z.worst_input == (0x7F, 0, 0)
