"""How processes of ours are started: they run nothing that lies in the current folder."""

import os
import subprocess
import sys
from typing import Final


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
