"""No file that a command writes is one that it reads, nor another one that it writes."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from carrywave.sim.cli.commands import NAMES, Commands
from carrywave.sim.cli.outputs import OutputType, WritingCommand

Answer = tuple[int, str, str]

LISTING = "  .org $0200\nDONE: JMP DONE\n"
MINE = "def execute(case):\n    raise SystemExit\n"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Files that are read, and other names of them."""
    monkeypatch.chdir(tmp_path)
    for name, text in (("in.s", LISTING), ("mine.py", MINE), ("wave.vcd", "$date $end")):
        path = Path(name)
        path.write_text(text)
        Path(f"link-{name}").symlink_to(name)
        os.link(path, f"hard-{name}")
    Path("package").mkdir()
    Path("package", "__init__.py").write_text(MINE)
    Path("here").symlink_to(".")
    return tmp_path


def names_of(name: str) -> list[str]:
    """A file by all its names."""
    return [name, f"./{name}", f"package/../{name}", os.path.abspath(name), f"here/{name}",
            f"link-{name}", f"hard-{name}"]  # fmt: skip


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize(
    ("arguments", "read", "option"),
    [
        (("run", "in.s"), "in.s", "--vcd"),
        (("draw", "wave.vcd"), "wave.vcd", "--output"),
        (("compare", "--library", "mine.py"), "mine.py", "--vcd"),
        (("compare", "--python", "mine.py:execute"), "mine.py", "--vcd"),
        (("compare", "--python", "mine:execute"), "mine.py", "--vcd"),
        (("compare", "--pipe", "sh -e 'mine.py' in.s"), "in.s", "--vcd"),
        (("compare", "--pipe", "sh -e 'mine.py' in.s"), "mine.py", "--vcd"),
    ],
)
def test_what_is_read_is_not_replaced(
    arguments: tuple[str, ...],
    read: str,
    option: str,
    folder: Path,
    carrywave: Callable[..., Answer],
) -> None:
    before = contents(folder)
    for name in names_of(read):
        assert carrywave(*arguments, option, name) == (
            2, "",
            f"carrywave: {option} {name} would replace {read}, which is read: name another file\n",
        )  # fmt: skip
    assert contents(folder) == before


def test_a_package_that_is_read_is_not_replaced(carrywave: Callable[..., Answer]) -> None:
    inside = "package/__init__.py"
    assert carrywave("compare", "--python", "package:execute", "--vcd", inside) == (
        2, "",
        f"carrywave: --vcd {inside} would replace {inside}, which is read: name another file\n",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("one", "other"),
    [("new", "new"), ("new", "./new"), ("new", "here/new"), ("new", "NEW"), ("new", "dangling"),
     *(("in.s", name) for name in ("in.s", "./in.s", "link-in.s", "hard-in.s"))],
)  # fmt: skip
def test_two_outputs_are_two_files(
    one: str, other: str, folder: Path, carrywave: Callable[..., Answer]
) -> None:
    Path("dangling").symlink_to("new")
    before = contents(folder)
    assert carrywave("op", "ADC", 1, 1, "--vcd", one, "--svg", other) == (
        2, "", "carrywave: --vcd and --svg are one file: name two\n",
    )  # fmt: skip
    assert contents(folder) == before


def test_names_that_differ_in_capitals_are_two_files_where_one_of_them_is_there(
    carrywave: Callable[..., Answer],
) -> None:
    Path("out").write_text("")
    if Path("OUT").exists():
        assert carrywave("op", "ADC", 1, 1, "--vcd", "out", "--svg", "OUT")[0] == 2
    else:
        assert carrywave("op", "ADC", 1, 1, "--vcd", "out", "--svg", "OUT")[0] == 0


def test_a_device_may_be_both(carrywave: Callable[..., Answer]) -> None:
    """Such as a terminal: what is written there replaces nothing."""
    status, out, err = carrywave("run", "/dev/null", "--vcd", "/dev/null")
    assert (status, out) == (2, "")
    assert "replace" not in err


def test_every_command_that_writes_is_held_to_that() -> None:
    group = Commands()
    writing = set()
    for name in NAMES:
        command = group.get_command(click.Context(group), name)
        assert command is not None
        assert {type(param.type) for param in command.params}.isdisjoint({click.Path, click.File})
        if any(isinstance(param.type, OutputType) for param in command.params):
            assert isinstance(command, WritingCommand)
            writing.add(name)
    assert len(writing) == 13
