"""Output files: written beside their place, renamed when whole: no half file is ever seen."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

__all__ = ["written_beside"]


@contextmanager
def written_beside(path: str | os.PathLike[str], mode: str = "w") -> Iterator[IO[str]]:
    """Opens `path`.partial for writing; on leaving renames it to `path`, or on an error deletes it.

    Raises OSError where the folder cannot be written or `path` is a folder. A device such as
    /dev/stdout is written to as it is.
    """
    target = Path(path)
    if target.exists() and not target.is_file() and not target.is_dir():
        with open(target, mode, encoding="utf-8") as device:
            yield device
        return
    if target.is_dir():
        raise IsADirectoryError(21, "Is a directory", str(path))
    partial = target.with_name(f"{target.name}.{os.getpid()}.partial")
    try:
        with open(partial, mode, encoding="utf-8") as file:
            yield file
        os.replace(partial, target)
    finally:
        with suppress(FileNotFoundError):
            partial.unlink()
