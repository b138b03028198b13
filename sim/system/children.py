"""How processes of ours are started: they run nothing that lies in the current folder."""

import atexit
import os
import secrets
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

_folders: set[str] = set()  # the temporary ones there are, or are just being made or removed


def interpreter(*arguments: str) -> list[str]:
    """Starts Python so that it searches neither the current folder nor that of a script."""
    return [sys.executable, "-I" if sys.flags.isolated else "-P", *arguments]


#: On Linux a process can ask to be killed when its parent has gone.
WITH_PARENT: Final = """
import os, sys
parent = int(sys.argv.pop(1))
if sys.platform == "linux":
    import ctypes
    ctypes.CDLL(None).prctl(1, 9)
    if os.getppid() != parent:
        sys.exit(1)
del parent
"""


def run_child(
    program: str, *arguments: str, folder: str, said: str = ""
) -> subprocess.CompletedProcess[str]:
    """Runs a program of Python in a process of its own, and waits; `said` is its standard input.

    It works in `folder`, has its temporary files there, and goes with its parent, on Linux even if
    that is killed.
    """
    return subprocess.run(
        interpreter("-c", WITH_PARENT + program, str(os.getpid()), *arguments),
        cwd=folder, env={**os.environ, "TMPDIR": folder}, input=said,
        text=True, capture_output=True,
    )  # fmt: skip


@contextmanager
def temporary_folder() -> Iterator[str]:
    """A folder of this process's own, removed at the end, or at that of the process.

    `tempfile` has the like, but what ends a command in the middle of its removal leaves the rest.
    """
    path = os.path.join(tempfile.gettempdir(), f"carrywave-{secrets.token_hex(8)}")
    _folders.add(path)
    try:
        os.mkdir(path, 0o700)
    except OSError:
        _folders.discard(path)  # of someone else
        raise
    try:
        yield path
    finally:
        shutil.rmtree(path)
        _folders.discard(path)


@atexit.register
def _remove_folders() -> None:
    for path in _folders:
        shutil.rmtree(path, ignore_errors=True)
