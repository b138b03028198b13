"""The rules of the house that a machine can see."""

import ast
import importlib
import os
import shutil
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path

import imports
import pytest
from tracked import ALLOWED, HOUSE, tracked, untold

from carrywave.sim.family.modes import MODES


def files(folder):
    found = tracked(f"{folder}/*.py")
    assert found
    return found


@pytest.fixture(scope="module")
def arrows(tmp_path_factory):
    found = imports.arrows_of(imports.laid_out(tmp_path_factory.mktemp("house")))
    assert len(found) > 400
    return found


def test_no_room_imports_one_that_is_not_below_it(arrows):
    assert {imports.room_of(one) for both in arrows for one in both} - {""} == {*imports.LEVEL}
    assert imports.upwards(arrows) == []


def test_no_file_leads_back_to_itself(arrows):
    assert imports.circles(arrows) == []


def test_contributors_are_told_the_same_rule():
    told = (HOUSE / "DEVELOPERS.md").read_text().split("Imports go down only:")[1]
    lines = told.strip().split("\n\n")[0].splitlines()
    rooms = [tuple(line.split("#")[0].replace(",", " ").split()) for line in lines]
    assert tuple(reversed(rooms)) == imports.LEVELS


PLANTED = {
    "a name of its own folder": ("sim/witness/wrong.py", "from . import bad"),
    "a room, by dots": ("sim/witness/wrong.py", "from ..cli.main import main"),
    "a room's file, by dots": ("sim/cases/wrong.py", "from ..cli import main"),
    "by the full name": ("sim/op/wrong.py", "import carrywave.waves.vcd.dump"),
    "from the full name": ("sim/op/wrong.py", "from carrywave.waves.vcd import dump"),
    "from the package": ("rtl/wrong.py", "from carrywave import sim"),
    "lazily": ("sim/family/wrong.py", "def late():\n    from ..system import files\n"),
    "for types alone": (
        "sim/grade/wrong.py",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from ..trace import partial\n",
    ),
    "a neighbour on its level": ("sim/claim/wrong.py", "from ..grade import faults"),
}


@pytest.mark.parametrize("form", PLANTED)
def test_the_rule_sees_an_import(form, tmp_path, arrows):
    path, text = PLANTED[form]
    house = imports.laid_out(tmp_path)
    if form == "a name of its own folder":  # which leads on, to a room above
        (house / "carrywave/sim/witness/bad.py").write_text("from ..cli import main\n")
    (house / "carrywave" / path).write_text(text)
    wrong = f"carrywave.{path[:-3].replace('/', '.')}"
    planted = imports.arrows_of(house)
    assert [one for one, _ in planted if one == wrong]
    seen = [one for one, _ in imports.upwards(planted)]
    assert seen == ["carrywave.sim.witness.bad" if "folder" in form else wrong]


def test_the_rule_sees_a_circle(tmp_path):
    house = imports.laid_out(tmp_path)
    (house / "carrywave/sim/system/one.py").write_text("from . import two\n")
    (house / "carrywave/sim/system/two.py").write_text("def late():\n    from .one import x\n")
    circle = ["carrywave.sim.system.one", "carrywave.sim.system.two"]
    assert imports.circles(imports.arrows_of(house)) == [circle]


@pytest.mark.parametrize(
    ("witness", "never"),
    [
        ("carrywave.sim.witness.model", ("rtl", "netlist", "waves")),
        ("carrywave.sim.prove.specification", ("rtl", "netlist", "witness", "waves")),
        ("carrywave.waves.check.rules", ("rtl", "netlist")),
    ],
)
def test_witnesses_are_independent(witness, never, arrows):
    seen = imports.reached(arrows, witness)
    assert seen
    assert [module for module in seen if imports.room_of(module) in never] == []


def outside(path):
    """The packages other than our own that a file imports, and those of Python's library."""
    for node in ast.walk(ast.parse(path.read_text())):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom) and not node.level:
            names = [node.module]
        yield from (name.split(".")[0] for name in names)


def test_the_hardware_needs_amaranth_alone():
    seen = {name for path in files("rtl") for name in outside(path)}
    assert "amaranth" in seen
    assert seen <= {"amaranth", "dataclasses"}


def test_makers_facts_import_nothing():
    seen = {name for path in files("sim/family") for name in outside(path)}
    assert seen
    assert seen <= set(sys.stdlib_module_names)


def test_only_the_family_knows_a_mode_by_name():
    names = {"zero page", "absolute", "immediate", "relative", "accumulator", "implied"}
    assert names <= {*MODES}
    compared = [
        f"{path.relative_to(HOUSE)}:{node.lineno}"
        for path in (*files("sim"), *files("waves")) if "family" not in path.parts
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Constant) and node.value in names
    ]  # fmt: skip
    assert compared == []


def test_one_name_is_one_thing():
    """No two files or classes are called the same, but for what each room has: its report."""
    paths = [path for folder in ("rtl", "sim", "waves") for path in files(folder)]
    names = Counter(path.stem for path in paths if path.stem not in ("__init__", "report"))
    assert [name for name, count in names.items() if count > 1] == []
    classes = Counter(
        node.name for path in paths for node in ast.parse(path.read_text()).body
        if isinstance(node, ast.ClassDef)
    )  # fmt: skip
    assert [name for name, count in classes.items() if count > 1] == []


def test_the_top_level_holds_what_the_design_allows():
    found = {path.relative_to(HOUSE).parts[0] for path in tracked("[!.]*")}
    assert found == {*ALLOWED}


@pytest.fixture
def littered(tmp_path):
    """A house with a file that belongs there, and what was left in it."""
    for name in ("README.md", "sim/model.py", "out.vcd", "env/pyvenv.cfg", ".idea/sim.py",
                 "sim/__pycache__/model.py", "sim/.#model.py"):  # fmt: skip
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("")
    return tmp_path


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
def test_only_what_git_tracks_is_judged(littered, monkeypatch):
    for name in [name for name in os.environ if name.startswith("GIT_")]:
        monkeypatch.delenv(name)
    (littered / "sim/mine.py").write_text("")
    (littered / "sim/gone.py").write_text("")
    for arguments in (["init", "-q"], ["add", "README.md", "sim/model.py", "sim/gone.py"]):
        subprocess.run(["git", "-C", littered, *arguments], check=True)
    (littered / "sim/gone.py").unlink()
    assert tracked("*", littered) == [littered / "README.md", littered / "sim/model.py"]
    assert tracked("sim/*.py", littered) == [littered / "sim/model.py"]
    assert untold(littered) == ""


def test_without_git_all_that_lies_in_the_houses_own_places_is_judged(littered, monkeypatch):
    monkeypatch.setenv("PATH", "")
    assert tracked("*", littered) == [littered / "README.md", littered / "sim/model.py"]
    assert untold(littered) == "git is not installed"


@pytest.mark.parametrize("folder", ["rtl", "sim", "waves"])
def test_what_is_tested_is_what_lies_here(folder):
    """And not what was installed from another state of it."""
    installed = Path(importlib.import_module(f"carrywave.{folder}").__file__).parent
    ours = {path.relative_to(HOUSE / folder): path.read_bytes() for path in files(folder)}
    theirs = {path.relative_to(installed): path.read_bytes() for path in installed.rglob("*.py")}
    assert [name for name, content in ours.items() if theirs.get(name) != content] == []


def test_every_dependency_bound_has_its_reason_beside_it():
    text = (HOUSE / "pyproject.toml").read_text()
    project = tomllib.loads(text)["project"]
    extras = project["optional-dependencies"].values()
    wanted = [*project["dependencies"], *(name for extra in extras for name in extra)]
    lines = [line for line in text.splitlines() if line.strip().startswith('"') and ">=" in line]
    assert len(lines) >= len(wanted) > 10
    assert [line for line in lines if "#" not in line] == []
