"""The page's scripts without a page: run by Node, where that is installed."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from tracked import tracked

from carrywave.sim.netlist.synthesis import Netlist, drawn_netlist
from carrywave.waves.page.carried import listing_of
from carrywave.waves.page.html import LOGIC, data_of, read_listing, script_of

Runner = Callable[..., Any]


def with_gates(variant: str, netlist: Netlist) -> tuple[str, str]:
    """The scripts with some gates, and the data that they read."""
    listings = [listing_of(*read_listing(str(path))) for path in tracked("waves/programs/*.s")]
    gates = {variant: netlist}
    return script_of(gates, LOGIC), data_of(gates, listings)


@cache
def own_gates(variant: str) -> tuple[str, str]:
    """The same with the variant's own."""
    return with_gates(variant, drawn_netlist(variant))


@pytest.fixture
def run_script(tmp_path: Path) -> Runner:
    """Runs the gates of a variant, the page's logic and a text that calls `told(value)`.

    `given` is what the text knows as `GIVEN`; other gates may stand in for the variant's own.
    """
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed: the page's scripts are not run by themselves")

    def run(
        text: str, variant: str = "nmos", given: Any = None, netlist: Netlist | None = None
    ) -> Any:
        gates, data = own_gates(variant) if netlist is None else with_gates(variant, netlist)
        script = tmp_path / "script.js"
        script.write_text(
            f"const DATA = {data};\nconst GIVEN = {json.dumps(given)};\n"
            f"const told = value => console.log(JSON.stringify(value));\n{gates}\n{text}",
            encoding="utf-8",
        )
        done = subprocess.run(
            [node, script], capture_output=True, text=True, timeout=600, check=False
        )
        assert not done.returncode, done.stderr[-2000:]
        return json.loads(done.stdout)

    return run
