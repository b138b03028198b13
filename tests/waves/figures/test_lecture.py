"""The notebook that is shipped as a lecture: its ten cells run, and show what they say."""

from __future__ import annotations

import ast
import json
import warnings
from typing import Any

import pytest
from tracked import HOUSE

NOTEBOOK = HOUSE / "tests" / "examples" / "notebooks" / "lecture.ipynb"


def sources() -> list[str]:
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    return ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]


def shown(source: str, names: dict[str, Any]) -> Any:
    """Runs a cell as a notebook does: the value of its last line."""
    tree = ast.parse(source)
    last = tree.body.pop()
    assert isinstance(last, ast.Expr)
    exec(compile(tree, "cell", "exec"), names)
    return eval(compile(ast.Expression(last.value), "cell", "eval"), names)


def test_the_first_cells_show_figures_and_a_wrong_one_is_seen() -> None:
    names: dict[str, Any] = {}
    for source in sources()[:3]:
        assert shown(source, names)._repr_svg_().startswith("<svg ")
    planted = sources()[0].replace("== 1", "== 0")
    with pytest.raises(AssertionError):
        shown(planted, {})


def test_the_notebook_has_no_outputs_of_a_run_in_it() -> None:
    for cell in json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]:
        assert not cell.get("outputs")
        assert not cell.get("execution_count")


@pytest.mark.exhaustive
def test_the_notebook_runs_in_a_kernel_of_its_own() -> None:
    nbformat = pytest.importorskip("nbformat")
    nbclient = pytest.importorskip("nbclient")
    pytest.importorskip("ipykernel")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of packages that only bring the kernel up
        notebook = nbformat.read(NOTEBOOK, as_version=4)
        nbclient.NotebookClient(notebook, timeout=300, kernel_name="python3").execute()
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(f"# {i}. " in cell.source for i, cell in enumerate(code, 1))
    kinds = [{*cell.outputs[-1]["data"]} for cell in code]
    assert sum("image/svg+xml" in kind for kind in kinds) == 9
    assert len(kinds) == 10
