"""The verdict on an emulator in C with one hidden mistake of addressing."""

from __future__ import annotations

from pathlib import Path

import pytest
from shipped import build, needs_compiler
from usual import first_of

from carrywave.sim.diagnose.report import describe
from carrywave.sim.emulator.called import Library
from carrywave.sim.emulator.verdict import judge

# The text of the ready example, what it is changed to, and by instruction the fields that are
# wrong. All are common mistakes of the trade, and of NMOS but for the one that says CMOS.
CHANGES: dict[str, tuple[str, str, dict[str, str]]] = {
    "zp,X leaves page zero": (
        "return (fetch(cpu) + cpu->x) & 0xFF;", "return fetch(cpu) + cpu->x;",
        {"LDY": "y p.n p.z"},
    ),
    "(zp,X) takes the high byte at FF from 0100": (
        "read_pointer(fetch(cpu) + cpu->x)", "read_word((uint8_t)(fetch(cpu) + cpu->x))",
        {"LDA": "a p.n p.z"},
    ),
    "(zp),Y takes the high byte at FF from 0100": (
        "read_pointer(fetch(cpu)),", "read_word(fetch(cpu)),", {"LDA": "a p.n p.z"},
    ),
    "(zp,X) adds X to what the pointer says": (
        "read_pointer(fetch(cpu) + cpu->x)", "(uint16_t)(read_pointer(fetch(cpu)) + cpu->x)",
        {"EOR": "a p.n p.z"},
    ),
    "an index wraps in the page": (
        "uint16_t at = base + index;", "uint16_t at = (base & 0xFF00) | ((base + index) & 0xFF);",
        {"STA": "write_address"},
    ),
    "JMP (xxFF) carries on NMOS": (
        "VARIANT == CMOS ? at + 1 : wrapped", "at + 1", {"JMP": "pc"},
    ),
    "JMP (xxFF) wraps on CMOS": (
        "VARIANT == CMOS ? at + 1 : wrapped", "wrapped", {"JMP": "pc"},
    ),
    "no clock for a crossing": ("cpu->clocks += cpu->crossed;", "", {"CMP": "cycles"}),
    "a clock for the crossing of a write": (
        "static void sta(struct cpu *cpu, int at) {",
        "static void sta(struct cpu *cpu, int at) { cpu->clocks += cpu->crossed;",
        {"STA": "cycles"},
    ),
    "a shift goes back to the uncorrected page": (
        "bus_write(at, change(", "bus_write(at - (cpu->crossed << 8), change(",
        {"ASL": "write_address"},
    ),
    "a branch's page is that of its opcode": (
        "(cpu->pc ^ at) & 0xFF00", "((cpu->pc - 2) ^ at) & 0xFF00", {"BVS": "cycles"},
    ),
    "a pointer has its high byte first": (
        "return bus_read(at) | bus_read((uint8_t)(at + 1)) << 8;",
        "return bus_read(at) << 8 | bus_read((uint8_t)(at + 1));",
        {"AND": "a p.n p.z cycles"},
    ),
    "(zp),Y takes the low byte for the high one too": (
        "read_pointer(fetch(cpu)),", "0x101 * bus_read(fetch(cpu)),", {"ORA": "a p.n p.z"},
    ),
    "abs,X adds X twice": (
        "fetch_word(cpu), cpu->x", "fetch_word(cpu) + cpu->x, cpu->x",
        {"DEC": "p.n p.z write_value write_address"},
    ),
    "abs,Y drops the high byte": (
        "fetch_word(cpu), cpu->y", "(uint8_t)fetch_word(cpu), cpu->y", {"LDX": "x p.n p.z"},
    ),
    "abs,Y adds X": (
        "fetch_word(cpu), cpu->y", "fetch_word(cpu), cpu->x", {"LDX": "x p.n p.z cycles"},
    ),
    "a store is lost where it crosses": (
        "{ bus_write(at, cpu->a); }", "{ if (!cpu->crossed) bus_write(at, cpu->a); }",
        {"STA": "writes write_value write_address"},
    ),
    "an index has a sign": (
        "uint16_t at = base + index;", "uint16_t at = base + (int8_t)index;",
        {"INC": "p.n p.z write_value write_address"},
    ),
    "C is added to the address": (
        "uint16_t at = base + index;", "uint16_t at = base + index + cpu->c;",
        {"LDY": "y p.n p.z cycles"},
    ),
    "a crossing into page zero is free": (
        "at >> 8 != base >> 8", "at >> 8 > base >> 8", {"LDA": "cycles"},
    ),
}  # fmt: skip
# One of each part: a pointer, a clock, a write.
OFTEN = (
    "(zp),Y takes the high byte at FF from 0100", "a crossing into page zero is free",
    "a store is lost where it crosses",
)  # fmt: skip


@needs_compiler
@pytest.mark.parametrize(
    "mistake",
    [pytest.param(one, marks=[pytest.mark.exhaustive] * (one not in OFTEN)) for one in CHANGES],
)
def test_a_mistake_of_addressing_in_c_is_found(tmp_path: Path, mistake: str) -> None:
    old, new, wrong = CHANGES[mistake]
    variant = "cmos" if mistake.endswith("CMOS") else "nmos"
    with Library(build(tmp_path, old, new, variant)) as emulator:
        verdict = judge(emulator, variant, list(wrong))
    shares = verdict.comparison.instructions
    assert {name: " ".join(share.fields) for name, share in shares.items()} == wrong
    assert not verdict.agree


# Of all that goes through a mode, one cause and one line, whether the unmodified byte is written
# (which this emulator does not do) or not.
MODES = {
    "zp,X leaves page zero": (
        "static int zero_page_x(struct cpu *cpu) { return (fetch(cpu) + cpu->x) & 0xFF; }",
        "static int zero_page_x(struct cpu *cpu) { return fetch(cpu) + cpu->x; }",
        "LDA ASL DEC STY",
        ["ASL, DEC, LDA, STY: the indexed address leaves page zero.",
         "  the index must wrap within page zero."],
    ),
    "an operand's third byte is fetched in the page of the second": (
        "    return low | fetch(cpu) << 8;",
        "    uint16_t at = cpu->pc++;\n"
        "    return low | bus_read((uint16_t)(at - 1) & 0xFF00 | (at & 0xFF)) << 8;",
        "BIT CPX DEC",
        ["BIT, CPX, DEC: reads 6A00 where the high byte of the address lies at 6B00 (for",
         "  example).",
         "  the address of the high byte of the address must carry into the next page."],
    ),
}  # fmt: skip


@needs_compiler
@pytest.mark.parametrize("mode", first_of([*MODES]))
def test_a_mistake_of_a_mode_is_one_cause_in_one_line(tmp_path: Path, mode: str) -> None:
    old, new, names, lines = MODES[mode]
    with Library(build(tmp_path, old, new)) as emulator:
        verdict = judge(emulator, "nmos", names.split())
    told = describe(verdict.likely)
    assert told[:-1] == lines
    assert told[-1].startswith("  That explains all ")
    wrong = {name for name, one in verdict.comparison.instructions.items() if one.mismatches}
    assert wrong == set(names.split())


def test_twenty_mistakes_of_addressing_are_made() -> None:
    assert len(CHANGES) == 20
    assert set(OFTEN) < set(CHANGES)
