"""Output files: written beside their place, renamed when whole: no half file is ever seen."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Literal, overload

__all__ = ["written_beside"]


@overload
def written_beside(
    path: str | os.PathLike[str], mode: Literal["w"] = "w"
) -> AbstractContextManager[IO[str]]: ...
@overload
def written_beside(
    path: str | os.PathLike[str], mode: Literal["wb"]
) -> AbstractContextManager[IO[bytes]]: ...
@contextmanager
def written_beside(path: str | os.PathLike[str], mode: Literal["w", "wb"] = "w") -> Iterator[Any]:
    """Opens a file beside `path`; on leaving renames it to `path`, or on an error deletes it.

    Raises OSError where the folder or the file that is there cannot be written, or `path` is a
    folder. What a link leads to is written, and keeps its mode; a device such as /dev/stdout is
    written to as it is.
    """
    if not os.path.basename(path) and not os.path.isdir(path):
        raise FileNotFoundError(2, "No such file or directory", str(path))
    target, encoding = Path(path).resolve(), "utf-8" if mode == "w" else None
    if target.exists() and not target.is_file() and not target.is_dir():
        with open(target, mode, encoding=encoding) as device:
            yield device
        return
    if target.is_dir():
        raise IsADirectoryError(21, "Is a directory", str(path))
    if target.exists() and not os.access(target, os.W_OK):
        raise PermissionError(13, "Permission denied", str(path))
    # Shorter than a name may be, whatever it is beside.
    partial = target.with_name(f"{target.name[:40]}.{os.getpid()}.partial")
    try:
        with open(partial, mode, encoding=encoding) as file:
            yield file
        if target.exists():
            shutil.copymode(target, partial)
        os.replace(partial, target)
    finally:
        with suppress(FileNotFoundError):
            partial.unlink()
