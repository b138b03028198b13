"""How a viewer shows a waveform: every signal of it is there, once, as it is declared."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from contextlib import suppress
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tracked import HOUSE

from carrywave.sim.cases.kinds import lay_reads
from carrywave.sim.cases.layout import CASE
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.witness.clocked import Clocked
from carrywave.waves.vcd.dump import BesideDump
from carrywave.waves.vcd.signals import EMULATOR, SIGNALS
from carrywave.waves.vcd.viewer import (
    GROUPS,
    View,
    format_of,
    name_of,
    opening_command,
    view_of,
    write_layout,
)

SPECS = {spec.path: spec for spec in (*SIGNALS, *EMULATOR)}
REFERENCE = HOUSE / "waves/reference"
Carrywave = Callable[..., Any]
Tree = list[tuple[str, list[list[str]]]]


def lines_of(path: str, view: View) -> list[str]:
    file = StringIO()
    write_layout(file, path, view)
    return file.getvalue().splitlines()


def gtkw(start: int = 7, emulator: bool = False) -> list[str]:
    return lines_of("out.gtkw", View("out.vcd", 100, start, emulator))


def sucl(clocks: int = 100, start: int = 7, emulator: bool = False) -> list[str]:
    return lines_of("out.sucl", View("out.vcd", clocks, start, emulator))


# The table


def test_the_table_leaves_out_only_what_it_shows_otherwise() -> None:
    shown = {f"unit.{path}" for paths in GROUPS.values() for path in paths.split()}
    assert shown <= {*SPECS}
    assert {spec.path.removeprefix("unit.") for spec in SIGNALS if spec.path not in shown} == {
        "variant", "control.opcode", "alu.b", "alu.propagate", "alu.generate", "alu.carry",
        "status.update",
    }  # fmt: skip


def test_no_two_rows_have_one_name_and_none_is_cut_at_a_point() -> None:
    names = [name_of(spec) for specs in View("", 1, 0, True).groups().values() for spec in specs]
    assert len({*names}) == len(names) == 42 + len(EMULATOR)
    assert {"a", "alu a", "emulator a", "status c", "alu c", "stack sp"} < {*names}
    assert not any("." in name for name in names)
    # What the names without their scopes would be.
    assert len({name.rpartition(" ")[2] for name in names}) < len(names) - 10


def test_an_emulator_s_registers_stand_below_the_hardware_s() -> None:
    assert [*View("", 1, 0, True).groups()][3:6] == ["registers", "flags", "emulator"]
    assert [*View("", 1, 0).groups()] == [*GROUPS]


# GTKWave


@pytest.mark.parametrize("emulator", [False, True])
def test_each_group_has_its_signals_with_their_bits(emulator: bool) -> None:
    lines, groups = gtkw(emulator=emulator), View("", 1, 0, emulator).groups()
    wanted = []
    for specs in groups.values():
        for spec in specs:
            span = f"[{spec.width - 1}:0]" if spec.width > 1 else ""
            wanted.append(f"+{{{name_of(spec)}}} {spec.path}{span}")
    assert [line for line in lines if line.startswith("+")] == wanted
    assert len(wanted) == 42 + 12 * emulator
    for name in groups:
        assert lines.count(f"-{name}") == 2  # opened and closed


def test_it_opens_at_the_clock_that_is_wanted() -> None:
    assert "[timestart] 7000" in gtkw()
    assert "[timestart] 60000" in gtkw(60)
    # 2^12 ns in 200 dots, as GTKWave 3.3.118 was seen to draw it.
    assert next(line for line in gtkw() if line.startswith("*")).startswith("*-12.000000 7000 -1 ")


# Surfer


def followed(lines: list[str]) -> Tree:
    """The groups and rows that the commands leave: name, signal and format of each row.

    As the description of the package wavedisp 1.4.1 has Surfer follow them (READ): what is added
    comes behind the row with the focus, or into an open group that has it; rows are counted from
    what is seen; to fold a group takes the focus away.
    """
    tree: list[Any] = []  # rows are [name, signal, format], groups {name, rows, open}
    focus: Any = None
    seen = 0

    def visible() -> list[Any]:
        found = []
        for item in tree:
            found += [item, *(item["rows"] if isinstance(item, dict) and item["open"] else [])]
        return found

    for line in lines:
        command, _, rest = line.partition(" ")
        if command == "item_focus":
            row = int("".join(f"{'abcdefghijklmnop'.index(letter):x}" for letter in rest), 16)
            focus = visible()[row]
        elif command == "variable_add":
            row_of = [SPECS[rest].name, rest, ""]
            inside = [g for g in tree if isinstance(g, dict) and g["open"]]
            holder = next((g for g in inside if any(focus is r for r in [g, *g["rows"]])), None)
            (holder["rows"] if holder else tree).append(row_of)
            seen += 1
        elif command == "group_marked":
            assert focus is tree[-1]
            assert rest.replace("_", "").isalnum()  # one word
            tree[-1] = {"name": rest, "rows": [focus], "open": True}
        elif command == "item_set_format":
            focus[2] = rest
        elif command == "item_rename":
            focus["name" if isinstance(focus, dict) else 0] = rest
        elif command == "group_fold_recursive":
            focus["open"], focus = False, None
        elif command == "group_unfold_all":
            for group in tree:
                group["open"] = True
        elif command == "item_unfocus":
            focus = None
    assert seen == sum(len(group["rows"]) for group in tree)
    return [(group["name"], group["rows"]) for group in tree]


def wanted_tree(emulator: bool) -> Tree:
    formats = {"ascii": "ASCII", "bin": "Binary", "hex": "Hexadecimal"}
    return [
        (name, [[name_of(spec), spec.path, formats[format_of(spec)]] for spec in specs])
        for name, specs in View("", 1, 0, emulator).groups().items()
    ]


@pytest.mark.parametrize("emulator", [False, True])
def test_the_commands_leave_the_groups_of_the_table(emulator: bool) -> None:
    lines = sucl(emulator=emulator)
    assert followed(lines) == wanted_tree(emulator)
    assert sum(len(rows) for _, rows in followed(lines)) == 42 + 12 * emulator
    assert not [line for line in lines[1:] if "#" in line or ";" in line]  # what would cut a line


def test_a_command_too_few_is_seen() -> None:
    """Of all commands that place a row, each left out alone makes another tree or none."""
    lines, missed = sucl(), 0
    for i, line in enumerate(lines):
        if line.split()[0] in ("variable_add", "group_marked", "item_set_format", "item_rename"):
            with suppress(IndexError, TypeError, AssertionError):  # follows to nowhere
                found = followed([*lines[:i], *lines[i + 1 :]])
                assert found == wanted_tree(False)
                pytest.fail(f"nobody misses {line}")
            missed += 1
    assert missed > 100


def test_it_shows_some_twenty_clocks_and_the_cursor_at_the_first_instruction() -> None:
    for clocks, halved in ((1, 0), (30, 0), (48, 1), (100, 2), (247, 3), (100_000, 12)):
        tail = ["zoom_fit", *["zoom_in"] * halved, "goto_start", "cursor_set 7000"]
        assert sucl(clocks)[-len(tail) :] == tail
        assert clocks < 36 or 15 <= clocks / 2**halved <= 50


# A dump, and the commands


def test_a_dump_is_shown_from_its_first_instruction_on(reference_texts: Any) -> None:
    for name, text in reference_texts.items():
        dump = str(REFERENCE / f"{name}.vcd")
        assert view_of(dump) == View(dump, text.clocks, 7)
    assert view_of(dump, 12).start == 12


def test_one_without_a_reset_is_shown_from_its_first_clock_on(tmp_path: Path) -> None:
    case = np.zeros((), CASE)
    before = {"pc": 0x0200, "a": 1, "x": 0, "y": 0, "sp": 0xFD, "p": 0x30}
    for name, value in before.items():
        case[name] = value
    lay_reads(case, BY_MNEMONIC["ADC"]["immediate"], {"pc": 0x0200, "m": 0x50})
    path = tmp_path / "first.vcd"
    with path.open("w") as file, BesideDump(file, "nmos", before, before) as dump:
        Clocked("nmos", dump).execute(case)
    assert view_of(str(path)) == View(str(path), 3, 0, emulator=True)


@pytest.mark.parametrize(
    ("option", "start"),
    [(("--clocks", "31..41"), 31), (("--around", "0x0484"), 46)],
)
def test_a_part_of_a_run_is_shown_from_its_first_clock_or_what_it_is_around(
    carrywave: Carrywave, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, option: Any, start: int
) -> None:
    monkeypatch.chdir(tmp_path)
    listing = HOUSE / "waves/programs/pointer_wrap.s"
    given = ("run", listing, "--vcd", "a.vcd", "--layout", "a.gtkw", *option)
    status, out, _ = carrywave(*given)
    assert (status, out.splitlines()[-1]) == (0, "To open it: gtkwave a.vcd a.gtkw")
    assert f"[timestart] {start * 1000}" in Path("a.gtkw").read_text().splitlines()
    if option[0] == "--clocks":
        assert view_of("a.vcd") == View("a.vcd", 11, 31)


def test_a_file_without_clocks_has_no_layout(
    carrywave: Carrywave, tmp_path: Path, save: Any, reference_texts: Any
) -> None:
    head = reference_texts["stack_wrap"].text.partition("#0\n")[0]
    dump, layout = save(head + "$comment 0 clocks $end\n"), tmp_path / "a.gtkw"
    assert carrywave("check", dump, "--layout", layout) == (
        2, "", f"carrywave: {dump}: holds no complete clock\n",
    )  # fmt: skip
    assert not layout.exists()


def test_the_commands_write_it_and_say_how_to_open_it(
    carrywave: Carrywave, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "layouts").mkdir()
    dump = tmp_path / "a wave.vcd"
    dump.write_bytes((REFERENCE / "pointer_wrap.vcd").read_bytes())
    status, out, _ = carrywave("check", dump.name, "--layout", "layouts/a.gtkw")
    assert status == 0
    assert out.splitlines()[-1] == "To open it: gtkwave 'a wave.vcd' layouts/a.gtkw"
    lines = Path("layouts/a.gtkw").read_text().splitlines()
    assert lines[:2] == ['[savefile] "a.gtkw"', '[dumpfile] "../a wave.vcd"']
    status, out, _ = carrywave("check", dump.name, "--layout", "layouts/a.SUCL")
    command = out.splitlines()[-1].removeprefix("To open it: ")
    assert shlex.split(command) == ["surfer", "a wave.vcd", "--command-file", "layouts/a.SUCL"]
    assert command == opening_command("layouts/a.SUCL", "a wave.vcd")
    assert Path("layouts/a.SUCL").read_text().splitlines()[-1] == "cursor_set 7000"
    status, out, _ = carrywave("check", dump.name, "--layout", "layouts/b.gtkw", "--json")
    assert (status, out.count("\n")) == (0, 1)  # nothing but the object
    assert Path("layouts/b.gtkw").exists()


def test_what_is_no_layout_is_refused(
    carrywave: Carrywave, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    listing = HOUSE / "waves/programs/pointer_wrap.s"
    assert carrywave("run", listing, "--layout", "b.gtkw") == (
        2, "", "carrywave: --layout shows a waveform: say where it goes by --vcd.\n",
    )  # fmt: skip
    wanted = "carrywave: Invalid value for '--layout': b.txt: name it .gtkw for GTKWave or .sucl "
    for command in (("run", listing, "--vcd", "b.vcd"), ("check", "b.vcd")):
        assert carrywave(*command, "--layout", "b.txt") == (2, "", f"{wanted}for Surfer\n")
    assert [*tmp_path.iterdir()] == []
