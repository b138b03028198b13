"""The user's cache: texts that took long to make, each sealed with what it was made from."""

import hashlib
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import TypeVar

from .files import written_beside

T = TypeVar("T")


def cache_folder() -> Path:
    """Where it lies: $CARRYWAVE_CACHE, or the user's cache folder."""
    import platformdirs

    named = os.environ.get("CARRYWAVE_CACHE")
    return Path(named or platformdirs.user_cache_dir("carrywave", False))


def cached(name: str, made_from: bytes, make: Callable[[], str], read: Callable[[str], T]) -> T:
    """What `read` has from the text that `make` makes, which is kept under a name.

    It is made again where something in `made_from` has changed, where the text that is kept is not
    the one that was written, and where `read` raises an exception for it. A folder that cannot be
    written is told, once, on standard error.
    """
    key = hashlib.sha256(made_from).hexdigest()
    path = cache_folder() / f"{name}-{key[:32]}.json"
    with suppress(Exception):  # whatever is wrong with it
        # A pipe in its place would never end.
        seal, text = path.read_text(encoding="utf-8").split("\n", 1) if path.is_file() else ("", "")
        if seal == _seal(key, text):
            return read(text)
    text = make()
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.unlink(missing_ok=True)  # a link in its place would lead to another file
        with written_beside(path) as file:
            file.write(f"{_seal(key, text)}\n{text}")
    except OSError as error:
        _warn(
            f"{path.parent}: {error.strerror}: what takes long is made each time; set "
            "CARRYWAVE_CACHE to a folder that can be written"
        )
    return read(text)


def _seal(key: str, text: str) -> str:
    return f"{key} {hashlib.sha256(text.encode()).hexdigest()}"


@cache
def _warn(message: str) -> None:
    """One line, from the process that the user started, while the work goes on."""
    from multiprocessing import parent_process

    if parent_process() is None and sys.stderr is not None:
        with suppress(OSError, ValueError):
            print(f"carrywave: {message}", file=sys.stderr, flush=True)
