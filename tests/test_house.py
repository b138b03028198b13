"""The rules of the house that a machine can see."""

import ast
import importlib
import os
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest
from tracked import ALLOWED, HOUSE, tracked, untold


def imports(path):
    """The modules that a file imports, relative ones by their full name."""
    package = f"carrywave.{path.parent.name}"
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield f"{package}.{node.module}" if node.level else node.module


def files(folder):
    found = tracked(f"{folder}/*.py")
    assert found
    return found


@pytest.mark.parametrize(
    ("where", "never"),
    [
        (files("rtl"), ("carrywave.sim", "carrywave.waves", "numpy", "click", "rich")),
        ([HOUSE / "sim/model.py"], ("carrywave.rtl", "carrywave.waves", "amaranth")),
        ([HOUSE / "sim/model.py"], ("carrywave.sim.clocked", "carrywave.sim.gates")),
        ([HOUSE / "waves/check.py", HOUSE / "waves/rules.py"], ("carrywave.rtl", "amaranth")),
    ],
)
def test_witnesses_are_independent(where, never):
    seen = [name for path in where for name in imports(path)]
    assert seen
    assert [name for name in seen if name.startswith(never)] == []


def test_the_import_rule_sees_an_import(tmp_path):
    folder = tmp_path / "rtl"
    folder.mkdir()
    (folder / "wrong.py").write_text(
        "from carrywave.sim.model import Model\nfrom .alu import Alu\n"
    )
    assert list(imports(folder / "wrong.py")) == ["carrywave.sim.model", "carrywave.rtl.alu"]


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
