"""Who imports whom: the folders laid out under their real name, read by grimp.

They do not carry the package's name, so no tool sees their imports where they lie.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

from tracked import HOUSE, tracked

#: The rooms, the lowest first; each line may import those above it in this list, and itself.
LEVELS = (
    ("rtl", "family", "system"),
    ("cases", "netlist"),
    ("witness", "prove"),
    ("op", "sweep", "mistakes"),
    ("claim", "settle", "grade", "diagnose"),
    ("emulator",),
    ("program", "trace", "vectors", "board"),
    ("waves",),
    ("cli",),
)
LEVEL = {room: level for level, rooms in enumerate(LEVELS) for room in rooms}

Arrow = tuple[str, str]

_READER = """
import json, sys
import grimp
graph = grimp.build_graph("carrywave", cache_dir=None)
arrows = [(one, other) for one in sorted(graph.modules)
          for other in sorted(graph.find_modules_directly_imported_by(one))]
json.dump(arrows, sys.stdout)
"""


def laid_out(folder: Path) -> Path:
    """The house's sources under `folder`, as the package that they are once installed."""
    for path in tracked("*.py"):
        place = path.relative_to(HOUSE)
        if place.parts[0] in ("rtl", "sim", "waves"):
            target = folder / "carrywave" / place
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, target)
    (folder / "carrywave" / "__init__.py").touch()
    return folder


def arrows_of(folder: Path) -> list[Arrow]:
    """Every import, lazy and TYPE_CHECKING ones included, as importer and imported."""
    done = subprocess.run(
        [sys.executable, "-P", "-c", _READER],
        cwd=folder, env={"PYTHONPATH": str(folder)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return [(one, other) for one, other in json.loads(done.stdout)]


def room_of(module: str) -> str:
    """The room that a module is in; "" for what lies in none: the packages themselves."""
    parts = module.split(".")[1:]
    if parts[:1] == ["sim"]:
        return parts[1] if parts[1:] else ""
    return parts[0] if parts else ""


def upwards(arrows: Iterable[Arrow]) -> list[Arrow]:
    """The imports of a room that is not below the importer's own.

    `carrywave.sim` itself gives the public names of all rooms, so it stands above them.
    """
    return [
        (one, other) for one, other in arrows
        if room_of(one) and room_of(one) != room_of(other)
        and not LEVEL.get(room_of(other), len(LEVELS)) < LEVEL[room_of(one)]
    ]  # fmt: skip


def circles(arrows: Iterable[Arrow]) -> list[list[str]]:
    """The groups of modules in which each leads to every other (Tarjan's)."""
    leads: dict[str, list[str]] = {}
    for one, other in arrows:
        leads.setdefault(one, []).append(other)
    found: list[list[str]] = []
    number: dict[str, int] = {}
    lowest: dict[str, int] = {}
    path: list[str] = []

    def visit(module: str) -> None:
        number[module] = lowest[module] = len(number)
        path.append(module)
        for other in leads.get(module, ()):
            if other not in number:
                visit(other)
            if other in path:
                lowest[module] = min(lowest[module], lowest[other])
        if lowest[module] == number[module]:
            group = path[path.index(module) :]
            del path[path.index(module) :]
            if len(group) > 1:
                found.append(sorted(group))

    for module in leads:
        if module not in number:
            visit(module)
    return found


def reached(arrows: Iterable[Arrow], start: str) -> set[str]:
    """All that a module imports, and what these import in turn."""
    leads: dict[str, list[str]] = {}
    for one, other in arrows:
        leads.setdefault(one, []).append(other)
    seen: set[str] = set()
    waiting = [start]
    while waiting:
        for other in leads.get(waiting.pop(), ()):
            if other not in seen:
                seen.add(other)
                waiting.append(other)
    return seen
