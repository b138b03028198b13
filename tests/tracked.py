"""Which files the tests judge: what git tracks, whatever a day's work leaves beside it."""

from __future__ import annotations

import subprocess
from fnmatch import fnmatch
from functools import cache
from pathlib import Path

HOUSE = Path(__file__).parent.parent
FOLDERS = ("rtl", "sim", "waves", "tests")
ALLOWED = ("DEVELOPERS.md", "LICENSE", "README.md", "pyproject.toml", *FOLDERS)


def tracked(pattern: str, house: Path = HOUSE) -> list[Path]:
    """Tracked files whose path from the house fits the pattern; `*` goes through folders.

    Where git does not say, as in an unpacked source, all files in the places that the design allows
    count: outputs cannot be told from sources there. `untold` gives the reason.
    """
    return [house / name for name in _names(house)[0] if fnmatch(name, pattern)]


def untold(house: Path = HOUSE) -> str:
    """Why git does not say what belongs to the project, or nothing where it does."""
    return _names(house)[1]


@cache
def _names(house: Path) -> tuple[list[str], str]:
    command = ["git", "-C", str(house), "ls-files", "-z"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        names, reason = done.stdout.split("\0")[:-1], done.stderr.strip().split("\n")[0]
    except FileNotFoundError:
        names, reason = [], "git is not installed"
    if names:
        # What was removed and is not yet committed so is not there to be judged.
        return sorted(name for name in names if (house / name).is_file()), ""
    found = [path for top in ALLOWED for path in (house / top, *(house / top).rglob("*"))]
    paths = [path.relative_to(house) for path in found if path.is_file()]
    own = [
        path.as_posix()
        for path in paths
        if not any(part.startswith(".") or part == "__pycache__" for part in path.parts)
    ]
    return sorted(own), reason or "git tracks nothing here"
