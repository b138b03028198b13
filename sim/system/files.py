"""Output files: written beside their place, renamed when whole: no half file is ever seen."""

import os
import shutil
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Literal, overload


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

    Raises OSError, which names `path`, where the folder or the file that is there cannot be
    written, the disk is full, or `path` is a folder. What a link leads to is written, and keeps its
    mode; a device such as /dev/stdout is written to as it is.
    """
    if not os.path.basename(path) and not os.path.isdir(path):
        raise FileNotFoundError(2, "No such file or directory", str(path))
    target, encoding = Path(path).resolve(), "utf-8" if mode == "w" else None
    if target.is_dir():
        raise IsADirectoryError(21, "Is a directory", str(path))
    device = target.exists() and not target.is_file()
    if target.exists() and not device and not os.access(target, os.W_OK):
        raise PermissionError(13, "Permission denied", str(path))
    # Shorter than a name may be, whatever it is beside.
    partial = target.with_name(f"{target.name[:40]}.{os.getpid()}.partial")
    written = target if device else partial
    try:
        with open(written, mode, encoding=encoding) as file:
            yield file
        if not device:
            if target.exists():
                shutil.copymode(target, partial)
            os.replace(partial, target)
    except OSError as error:
        if error.filename is not None and str(error.filename) != str(written):
            raise  # of what was done meanwhile
        raise type(error)(error.errno, error.strerror, str(path)) from None
    finally:
        with suppress(FileNotFoundError, NotADirectoryError):
            partial.unlink()
