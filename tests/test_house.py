"""The rules of the house that a machine can see."""

import ast
import tomllib
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent
FOLDERS = ("rtl", "sim", "waves", "tests")


def imports(path):
    """The modules that a file imports, relative ones by their full name."""
    package = f"carrywave.{path.parent.name}"
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield f"{package}.{node.module}" if node.level else node.module


def files(folder):
    found = sorted((HOUSE / folder).rglob("*.py"))
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
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", *FOLDERS}
    # What a build leaves behind is not in git.
    built = {"build", "dist", "carrywave.egg-info"}
    found = {path.name for path in HOUSE.iterdir() if not path.name.startswith(".")} - built
    assert found == allowed


def test_every_dependency_bound_has_its_reason_beside_it():
    text = (HOUSE / "pyproject.toml").read_text()
    project = tomllib.loads(text)["project"]
    extras = project["optional-dependencies"].values()
    wanted = [*project["dependencies"], *(name for extra in extras for name in extra)]
    lines = [line for line in text.splitlines() if line.strip().startswith('"') and ">=" in line]
    assert len(lines) >= len(wanted) > 10
    assert [line for line in lines if "#" not in line] == []
