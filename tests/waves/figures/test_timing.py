"""The timing diagram shows what the dump holds; the table of flags what the makers' tables say."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from collections.abc import Callable
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from carrywave.sim.cases.kinds import lay_reads
from carrywave.sim.cases.layout import CASE
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.op.operation import operate
from carrywave.sim.settle.settling import Settling
from carrywave.sim.witness.clocked import Clocked
from carrywave.waves.figures.flagtable import flag_table
from carrywave.waves.figures.strip import TimingError
from carrywave.waves.figures.svg import Figure
from carrywave.waves.figures.timing import draw_timing, resolve, time_of, timing_figure
from carrywave.waves.vcd.delays import write_settling
from carrywave.waves.vcd.dump import BesideDump
from carrywave.waves.vcd.signals import SIGNALS

REFERENCE = Path(__file__).parents[3] / "waves" / "reference"
SVG = "{http://www.w3.org/2000/svg}"


def shown(figure: Figure | ET.Element, tag: str, path: str) -> list[ET.Element]:
    """The elements of a signal, from left to right."""
    root = ET.fromstring(figure.render()) if isinstance(figure, Figure) else figure
    name = path.replace(".", "-")
    return [e for e in root.iter(f"{SVG}{tag}") if e.attrib["class"].split()[-1] == name]


@pytest.mark.parametrize("start", [0, 25, 45])
def test_bands_and_levels_are_the_values_of_the_dump(
    reference_texts: dict[str, Any], start: int
) -> None:
    """Against the file's text, taken apart without the reader."""
    bands = levels = 0
    specs = [spec for spec in SIGNALS if spec.path not in ("unit.clk", "unit.mnemonic")]
    paths = [spec.path for spec in specs]
    for name, text in reference_texts.items():
        end = min(start + 10, text.clocks)
        drawn = timing_figure(REFERENCE / f"{name}.vcd", paths, start * 1000, end * 1000)
        figure = ET.fromstring(drawn.render())
        for spec in specs:
            values = [value for value, _ in groupby(text.values[spec.path][start:end])]
            if spec.width > 1:
                found = [element.text for element in shown(figure, "text", spec.path)]
                assert found == [text.spelled(spec.path, value).strip("'") for value in values]
                bands += len(found)
                continue
            lines = shown(figure, "line", spec.path)
            low = max(float(line.attrib["y1"]) for line in lines)
            if len(values) > 1:
                assert [int(float(line.attrib["y1"]) < low) for line in lines] == values
            widths = [float(line.attrib["x2"]) - float(line.attrib["x1"]) for line in lines]
            runs = [len(list(run)) for _, run in groupby(text.values[spec.path][start:end])]
            assert widths == pytest.approx([widths[0] / runs[0] * run for run in runs])
            thick = [line.attrib["stroke-width"] == "3" for line in lines]
            assert thick == [bool(value) for value in values]
            levels += len(lines)
    assert bands > 250
    assert levels > 250


def test_a_planted_wrong_value_is_drawn_as_it_stands_in_the_file(
    reference_texts: dict[str, Any], save: Callable[..., Path]
) -> None:
    text = reference_texts["stack_wrap"]
    line = next(c.line for c in text.changes["unit.address"] if 0 < c.clock < 20)
    wrong = timing_figure(save(text.put(line, text.value_in(line) ^ 0x10)), ["address"], 0, 20_000)
    right = timing_figure(REFERENCE / "stack_wrap.vcd", ["address"], 0, 20_000)
    texts = [[e.text for e in shown(figure, "text", "unit.address")] for figure in (wrong, right)]
    assert texts[0] != texts[1]


def test_mnemonics_stand_over_their_clocks(reference_texts: dict[str, Any]) -> None:
    text = reference_texts["nested_interrupts"]
    figure = timing_figure(REFERENCE / "nested_interrupts.vcd", ["mnemonic"], 0, 20_000)
    starts = [clock for clock in range(20) if text.at("unit.sync", clock)]
    wanted = [text.sequence_at(clock).split()[0] for clock in starts]
    assert [element.text for element in shown(figure, "text", "unit.mnemonic")] == wanted
    assert len(wanted) > 5
    told = ", ".join(f"from clock {c} {n}" for c, n in zip(starts, wanted, strict=True))
    assert f"unit.mnemonic: {told}." in figure.description


def test_every_name_between_the_edges_has_room(reference_texts: dict[str, Any]) -> None:
    for name, text in reference_texts.items():
        figure = timing_figure(REFERENCE / f"{name}.vcd", ["mnemonic", "status.n"], 0)
        clocks = int(figure.title.split()[4]) + 1
        starts = [clock for clock in range(clocks) if text.at("unit.sync", clock)]
        wanted = [text.sequence_at(clock).split()[0] for clock in starts]
        found = [element.text for element in shown(figure, "text", "unit.mnemonic")]
        assert found in (wanted, wanted[:-1])
        assert len(found) > 8


def test_what_is_left_out_is_said_in_the_figure() -> None:
    figure = timing_figure(REFERENCE / "signed_compare.vcd", (), 60_000)
    root = ET.fromstring(figure.render())
    *_, note, said = [element.text for element in root.iter(f"{SVG}text")]
    assert note == (
        "alu signals show whatever the ALU holds in that clock; flags take it when an instruction "
        "ends"
    )
    assert "alu signals" not in timing_figure(REFERENCE / "signed_compare.vcd", ["a"]).render()
    assert said == "shown: clocks 60 to 83; the file goes to clock 254; 35 more signals are in it"
    assert figure.title == "signed_compare.vcd: clocks 60 to 83 of 255"


def test_the_emulator_s_values_are_drawn_where_the_file_has_them(tmp_path: Path) -> None:
    case = np.zeros((), CASE)
    case["pc"], case["a"], case["sp"], case["p"] = 0x0200, 0x50, 0xFD, 0x30
    lay_reads(case, BY_MNEMONIC["ADC"]["immediate"], {"pc": 0x0200, "m": 0x50})
    before = {"pc": 0x0200, "a": 0x50, "x": 0, "y": 0, "sp": 0xFD, "p": 0x30}
    after = before | {"pc": 0x0202, "a": 0xA0}
    path = tmp_path / "first.vcd"
    with path.open("w") as file, BesideDump(file, "nmos", before, after) as dump:
        Clocked("nmos", dump).execute(case)
    figure = timing_figure(path)
    assert [element.text for element in shown(figure, "text", "emulator.a")] == ["50", "A0"]
    assert shown(figure, "line", "emulator.v")
    assert "emulator.v: from clock 0 0; the hardware's differs." in figure.description
    assert "emulator.a: from clock 0 50, from clock 2 A0." in figure.description
    labels = [element.text for element in ET.fromstring(figure.render()).iter(f"{SVG}text")]
    assert [label for label in labels if label and label.endswith(" differs")] == [
        "emulator.n differs", "emulator.v differs",
    ]  # fmt: skip
    assert "differs" not in timing_figure(path, (), 0, 2000).render()  # the ADC has not ended yet
    assert "unit.status.v: from clock 0 0, from clock 2 1." in figure.description
    told = draw_timing(path).told
    assert told == (
        "first.vcd: clocks 0 to 2 of 3, around the emulator's disagreement in N V in clock 2"
    )
    # What is not among the usual rows is drawn where the two differ.
    other = tmp_path / "other.vcd"
    with other.open("w") as file, BesideDump(file, "nmos", before, after | {"x": 7}) as dump:
        Clocked("nmos", dump).execute(case)
    assert rows_of(timing_figure(other))[-2:] == ["x", "emulator.x differs"]
    assert "emulator.pc: " not in timing_figure(other, (), 0, 2000).description
    with pytest.raises(
        TimingError, match=r"^'a' may be unit\.a or emulator\.a: write one of them$"
    ):
        timing_figure(path, ["a"])


# Names, times and what is wrong with them


def test_a_name_may_be_without_its_scopes() -> None:
    for spec in SIGNALS:
        assert resolve(spec.path, SIGNALS) == resolve(spec.path.upper(), SIGNALS) == spec
        assert resolve(spec.path.removeprefix("unit."), SIGNALS) == spec
    assert resolve("a", SIGNALS).path == "unit.a"
    assert resolve("sp", SIGNALS).path == "unit.stack.sp"
    assert resolve("c8", SIGNALS).path == "unit.alu.c8"


def test_a_time_is_in_ns_or_us() -> None:
    assert [time_of(text) for text in ("0", "43000", "43000ns", "43us", " 43US ")] == [
        0, 43000, 43000, 43000, 43000,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--signals", "n"), "'n' may be unit.alu.n or unit.status.n: write one of them"),
        (("--signals", "clk,adress"), "no signal 'adress': did you mean unit.address?"),
        (("--signals", "status.w"), "no signal 'status.w': did you mean unit.status.z or "
         "unit.status.v or unit.status.n?"),
        (("--from", "3s"), "--from: '3s' is not a time: write 43000 (ns) or 43us, where clock 43 "
         "begins"),
        (("--to", "-1"), "--to: '-1' is not a time: write 43000 (ns) or 43us, where clock 43 "
         "begins"),
        (("--from", "255us"), "--from 255000 is outside {}, which has 0 to 255000 ns"),
        (("--to", "255001"), "--to 255001 is outside {}, which has 0 to 255000 ns"),
        (("--from", "5us", "--to", "5000"), "--from 5000 is not before --to 5000"),
        (("--from", "5us", "--to", "3us"), "--from 5000 is not before --to 3000"),
        (("--to", "0"), "--to 0 is not after --from 0"),
        (("--from", "10us", "--to", "110us"), "100 clocks do not fit, at most 24 of these signals "
         "do: give --to 34000, or fewer signals"),
        (("--from", "10us", "--to", "50us"), "40 clocks do not fit, at most 24 of these signals "
         "do: give --to 34000, or fewer signals"),
    ],
)  # fmt: skip
def test_draw_names_what_it_cannot_draw(
    carrywave: Callable[..., Any], tmp_path: Path, options: tuple[str, ...], message: str
) -> None:
    dump, path = REFERENCE / "signed_compare.vcd", tmp_path / "out.svg"
    wanted = f"carrywave: {message.format(dump)}\n"
    assert carrywave("draw", dump, "-o", path, *options) == (2, "", wanted)
    assert not path.exists()


def test_clocks_are_named_by_their_numbers(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    dump, path = REFERENCE / "signed_compare.vcd", tmp_path / "out.svg"
    title = "signed_compare.vcd: clocks 40 to 49 of 255"
    assert carrywave("draw", dump, "-o", path, "--clocks", "40..49") == (
        0,
        f"{path}: {title}\n",
        "",
    )
    assert path.read_text() == timing_figure(dump, (), 40_000, 50_000).render()
    path.unlink()
    for option, message in (
        (("--clocks", "250..255"), f"--clocks 250..255 is outside {dump}, which has clocks "
         "0 to 254"),
        (("--clocks", "10..49"), "40 clocks do not fit, at most 24 of these signals do: give "
         "--clocks 10..33, or fewer signals"),
        (("--clocks", "5..4"), "Invalid value for '--clocks': 5..4: the last clock comes before "
         "the first"),
        (("--clocks", "5..9", "--to", "9us"), "--clocks says where to begin and end: leave out "
         "--from and --to"),
    ):  # fmt: skip
        assert carrywave("draw", dump, "-o", path, *option) == (2, "", f"carrywave: {message}\n")
    assert [*tmp_path.iterdir()] == []


# What is chosen


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("nested_interrupts", "clocks 137 to 160 of 247, around the entry of the NMI in clock 143"),
        ("table_walk", "clocks 32 to 55 of 255, around the page crossing of ADC in clock 41"),
        ("signed_compare", "clocks 55 to 78 of 255, around the overflow of SBC, whose V stands in "
         "clock 63"),
        ("write_twice", "clocks 7 to 30 of 88, from the first instruction on: no interrupt, page "
         "crossing or overflow is in it"),
    ],
)  # fmt: skip
def test_draw_chooses_clocks_and_says_why(
    carrywave: Callable[..., Any], reference_texts: dict[str, Any], tmp_path: Path, name: str,
    told: str,
) -> None:  # fmt: skip
    """The clock is where the listing has it: `tests/waves/figures/test_choosing.py` finds it."""
    dump, path = REFERENCE / f"{name}.vcd", tmp_path / "out.svg"
    line = f"{path}: {name}.vcd: {told}; --clocks chooses others\n"
    assert carrywave("draw", dump, "-o", path) == (0, line, "")
    root = ET.fromstring(path.read_text())
    reason = told.partition(", ")[2]
    texts = [element.text or "" for element in root.iter(f"{SVG}text")]
    assert [text for text in texts if f", {reason}; the file goes to clock " in text]
    first = int(told.split()[1])
    assert reference_texts[name].at("unit.sync", first)  # a whole instruction on the left
    reported = json.loads(carrywave("draw", dump, "-o", path, "--json")[1])
    assert reported["reason"] == reason
    assert reported["description"].startswith(f"A timing diagram, {reason}; ")


def rows_of(figure: Figure) -> list[str]:
    """The signals drawn, by their names on the left."""
    root = ET.fromstring(figure.render())
    texts = [e for e in root.iter(f"{SVG}text") if e.attrib["x"] == "24"]
    return [e.text or "" for e in texts if "mono" in e.attrib["class"].split()]


def test_the_pins_of_interrupts_are_drawn_where_they_move() -> None:
    dump = REFERENCE / "nested_interrupts.vcd"
    pins = ["irq_n", "nmi_n"]
    for first, last, moved in ((35, 44, True), (52, 60, False), (135, 142, True), (8, 30, False)):
        rows = rows_of(timing_figure(dump, (), first * 1000, last * 1000 + 1000))
        assert rows[1:3] == (pins if moved else ["mnemonic", "address"]), first
        assert ("status.i" in rows) == moved
        assert "reset_n" not in rows
    rows = rows_of(timing_figure(dump))
    assert rows[:4] == ["clk", *pins, "mnemonic"]
    assert rows[-5:] == ["status.n", "status.v", "status.i", "status.z", "status.c"]
    # An entry whose pin has fallen long before is one, too.
    assert rows_of(timing_figure(dump, (), 100_000, 110_000))[1:3] == pins
    assert rows_of(timing_figure(dump, ["a"])) == ["a"]


def test_a_part_of_a_run_is_drawn_too(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    listing = REFERENCE.parent / "programs/nested_interrupts.s"
    dump, path = tmp_path / "part.vcd", tmp_path / "out.svg"
    assert carrywave("run", listing, "--vcd", dump, "--clocks", "120..200")[0] == 0
    told = "part.vcd: clocks 137 to 160 of 120 to 200, around the entry of the NMI in clock 143"
    assert carrywave("draw", dump, "-o", path) == (
        0, f"{path}: {told}; --clocks chooses others\n", "",
    )  # fmt: skip
    whole = timing_figure(REFERENCE / "nested_interrupts.vcd")
    assert timing_figure(dump).description == whole.description
    assert "; the file goes from clock 120 to 200; " in path.read_text()
    for option, message in (
        (("--from", "119999"), f"--from 119999 is outside {dump}, which has 120000 to 201000 ns"),
        (("--clocks", "110..130"), f"--clocks 110..130 is outside {dump}, which has clocks 120 to "
         "200"),
    ):  # fmt: skip
        assert carrywave("draw", dump, "-o", path, *option) == (2, "", f"carrywave: {message}\n")
    # The end is filled: as many clocks as fit stand before it.
    assert carrywave("run", listing, "--vcd", dump, "--clocks", "120..150")[0] == 0
    assert timing_figure(dump).title == "part.vcd: clocks 129 to 150 of 120 to 150"


def test_gates_settling_are_drawn_in_gate_delays(
    carrywave: Callable[..., Any], tmp_path: Path, settling: Settling
) -> None:
    dump, path = tmp_path / "settle.vcd", tmp_path / "out.svg"
    with dump.open("w") as file:
        write_settling(settling, file)
    title = "settle.vcd: gate delays 0 to 25 of 26"
    assert carrywave("draw", dump, "-o", path) == (
        0, f"{path}: {title}, until all is final after 24\n", "",
    )  # fmt: skip
    figure = timing_figure(dump)
    assert rows_of(figure)[:4] == ["alu.a", "alu.b", "alu.operand", "alu.c0"]
    sums = [step["sum"] for step in settling.steps]
    wanted = [f"{value:02X}" for value, _ in groupby(sums)]
    assert [element.text for element in shown(figure, "text", "unit.alu.sum")] == wanted
    assert "unit.alu.v: from gate delay 0 0, from gate delay 18 1, from gate delay 20 0." in (
        figure.description
    )
    part = ("--from", "16", "--to", "21", "--signals", "c7,v")
    assert carrywave("draw", dump, "-o", path, *part) == (
        0, f"{path}: settle.vcd: gate delays 16 to 20 of 26\n", "",
    )  # fmt: skip
    for option, message in (
        (("--clocks", "1..2"), f"{dump} shows gate delays, no clocks: say which by --from and "
         "--to, in ns"),
        (("--to", "27"), f"--to 27 is outside {dump}, which has 0 to 26 ns"),
        (("--signals", "sync"), "no signal 'sync': the file has"),
    ):  # fmt: skip
        status, out, err = carrywave("draw", dump, "-o", path, *option)
        assert (status, out) == (2, "")
        assert err.startswith(f"carrywave: {message}")


def test_draw_names_a_file_that_is_no_dump(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "not.vcd"
    assert carrywave("draw", path, "-o", tmp_path / "a.svg") == (
        2, "", f"carrywave: {path}: No such file or directory\n",
    )  # fmt: skip
    path.write_text("")
    assert carrywave("draw", path, "-o", tmp_path / "a.svg") == (
        2, "", f"carrywave: {path}: empty; expected a value change dump\n",
    )  # fmt: skip


def test_draw_says_what_it_wrote(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    dump, path = REFERENCE / "stack_wrap.vcd", tmp_path / "out.svg"
    title = "stack_wrap.vcd: clocks 3 to 9 of 108"
    options = ("--signals", "clk, status.n,clk", "--from", "3us", "--to", "9500")
    assert carrywave("draw", dump, "-o", path, *options) == (0, f"{path}: {title}\n", "")
    assert path.read_text() == timing_figure(dump, ["clk", "status.n"], 3000, 10_000).render()
    status, out, _ = carrywave("draw", dump, "-o", path, *options, "--json")
    assert status == 0
    assert json.loads(out)["title"] == title
    assert "unit.status.n: from clock 3 0." in json.loads(out)["description"]


# The table of flags


# W65C02S data sheet (2020), table 6-4; Eyes & Lichty, *Programming the 65816*, ch. 18: READ. BRK on
# CMOS clears D too: W65C02S, table 7-1.
PUBLISHED = {
    "nvdizc": "PLP RTI",
    "nvzc": "ADC SBC",
    "nvz": "BIT",
    "nzc": "ASL CMP CPX CPY LSR ROL ROR",
    "nz": "AND DEC DEX DEY EOR INC INX INY LDA LDX LDY ORA PLA TAX TAY TSX TXA TYA",
    "v": "CLV",
    "d": "CLD SED",
    "i": "BRK CLI SEI",
    "c": "CLC SEC",
    "": "BCC BCS BEQ BMI BNE BPL BVC BVS JMP JSR NOP PHA PHP RTS STA STX STY TXS",
}


def test_the_table_of_flags_is_the_published_one() -> None:
    table = flag_table()
    assert {flags: " ".join(names) for flags, names in table.groups.items()} == PUBLISHED
    assert list(table.groups) == list(PUBLISHED)
    assert sum(len(names) for names in table.groups.values()) == 56
    root = ET.fromstring(table._repr_svg_())
    marks = [element.attrib["class"].split()[-1] for element in root.iter(f"{SVG}circle")]
    assert marks == [f"updates-{flag}" for flags in PUBLISHED for flag in flags]
    names = [e.text for e in root.iter(f"{SVG}text") if "mono" in e.attrib["class"].split()]
    assert names == " ".join(PUBLISHED.values()).split()


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
def test_the_hardware_updates_what_the_table_says(variant: str) -> None:
    listed = {name: flags for flags, names in flag_table().groups.items() for name in names}
    for mnemonic in BY_MNEMONIC:
        wanted = set(listed[mnemonic]) | set("d" * (variant == "cmos" and mnemonic == "BRK"))
        assert set(operate(mnemonic, variant=variant).updated) == wanted, mnemonic
    assert len(listed) == 56


def test_flags_prints_writes_and_reports(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    status, out, err = carrywave("flags")
    assert (status, err) == (0, "")
    assert "x  x  .  .  x  x  ADC SBC" in out
    assert max(map(len, out.splitlines())) <= 80
    path = tmp_path / "flags.svg"
    assert carrywave("flags", "-o", path) == (
        0, f"{path}: Which instruction updates which flag\n", "",
    )  # fmt: skip
    assert path.read_text() == flag_table().figure().render()
    status, out, _ = carrywave("flags", "--json")
    told = json.loads(out)
    assert {"".join(g["flags"]): " ".join(g["instructions"]) for g in told["groups"]} == PUBLISHED
