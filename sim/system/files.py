"""Output files: written beside their place, named when whole: no half file is ever seen."""

import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from typing import IO, Any, Final, Literal, overload

_OWN_FILES: Final = "/proc/self/fd"  # where the system names those that a process has open


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
    """Opens a file beside `path`; on leaving gives it that name, or on an error deletes it.

    Until then it has no name at all where the system can do that, so that nothing stays however the
    process ends; elsewhere it has one that nobody can guess, and that no link can wait at.

    Raises OSError, which names `path`, where the folder or the file that is there cannot be
    written, the disk is full, or `path` is a folder. What a link leads to is written, and keeps its
    mode; a pipe or device is written to as it is, and so is what is standard output already.
    """
    try:
        there = os.stat(path)
    except FileNotFoundError:
        there = None
    if there is not None and stat.S_ISDIR(there.st_mode):
        raise IsADirectoryError(21, "Is a directory", str(path))
    if not os.path.basename(path):
        raise FileNotFoundError(2, "No such file or directory", str(path))
    target, encoding = os.path.realpath(path), "utf-8" if mode == "w" else None
    folder, name = os.path.split(target)
    # Shorter than a name may be, whatever it is beside.
    partial = os.path.join(folder, f"{name[:40]}.{os.urandom(8).hex()}.partial")
    source = None
    try:
        if there is not None and (as_it_is := _written_as_it_is(path, there)) is not None:
            with open(as_it_is, mode, encoding=encoding) as file:
                yield file
            return
        if there is not None and not os.access(target, os.W_OK):
            raise PermissionError(13, "Permission denied", str(path))
        # "x" makes the file, or fails: whatever waits there already, a link too, is not opened.
        new = mode.replace("w", "x")
        with open(partial, new, encoding=encoding, opener=_nameless_or_new) as file:
            if there is not None:
                os.chmod(file.fileno(), stat.S_IMODE(there.st_mode))
            yield file
            file.flush()
            if not os.fstat(file.fileno()).st_nlink:
                source = f"{_OWN_FILES}/{file.fileno()}"
                # A folder is given for the sake of the other function that is called then, which
                # follows the link that `source` is.
                os.link(source, partial, src_dir_fd=file.fileno())
        os.replace(partial, target)
    except OSError as error:
        if error.filename not in (None, partial, source):
            raise  # of what was done meanwhile
        raise type(error)(error.errno, error.strerror, str(path)) from None
    finally:
        with suppress(OSError):
            os.unlink(partial)


def _written_as_it_is(path: str | os.PathLike[str], there: os.stat_result) -> Any:
    """What to open where nothing can be put in the place of `path`; None where that can be done.

    A file that the shell has made standard output is written there: a new one would hide from the
    user what is printed later.
    """
    for standard in (1, 2):
        with suppress(OSError):  # it may be closed
            if os.path.samestat(os.fstat(standard), there):
                return os.dup(standard)
    return None if stat.S_ISREG(there.st_mode) else path


def _nameless_or_new(path: str, flags: int) -> int:
    """Makes a file without a name in the folder of `path`, or `path` where that cannot be."""
    if hasattr(os, "O_TMPFILE") and os.path.isdir(_OWN_FILES):
        with suppress(OSError):  # not every file system has such
            return os.open(os.path.dirname(path), os.O_TMPFILE | os.O_WRONLY, 0o666)
    return os.open(path, flags, 0o666)


@contextmanager
def scratch() -> Iterator[tuple[IO[str], str]]:
    """A temporary file of text, and a path at which this process can read it.

    Where the system can do that it has no name, so that nothing stays however the process ends.
    """
    nameless = os.path.isdir(_OWN_FILES)
    make = tempfile.TemporaryFile if nameless else tempfile.NamedTemporaryFile
    with make("w+", encoding="utf-8") as file:
        yield file, f"{_OWN_FILES}/{file.fileno()}" if nameless else file.name
