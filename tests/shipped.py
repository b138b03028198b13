"""The emulators that are shipped as examples, and the one in C built with a change in it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from carrywave.sim.emulator.c_header import header

EXAMPLES = Path(__file__).parent / "examples" / "emulators"
#: As the README has it: a function `step` of the emulator is not taken for one of the C library's.
LIBRARY = ("-shared", "-fPIC", "-fvisibility=hidden")

needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")


def build(folder: Path, old: str = "", new: str = "", variant: str = "nmos") -> Path:
    """Compiles the ready example of a variant, with one change in it."""
    folder.mkdir(exist_ok=True)
    for name in ("emulator.c", "emulator.h", "adapter.c"):
        text = (EXAMPLES / name).read_text()
        if name == "emulator.c" and old:
            assert text.count(old) == 1
            text = text.replace(old, new)
        (folder / name).write_text(text)
    (folder / "carrywave.h").write_text(header())
    sources = [folder / "adapter.c", folder / "emulator.c"]
    options = ["-O0", f"-DVARIANT={variant.upper()}", *LIBRARY]
    subprocess.run(["cc", *options, *sources, "-o", folder / "emulator.so"], check=True)
    return folder / "emulator.so"


def build_runner(folder: Path, old: str = "", new: str = "") -> Path:
    """Compiles the example that runs on its own, with one change in what polls the pins."""
    folder.mkdir(exist_ok=True)
    text = (EXAMPLES / "runner.c").read_text()
    assert not old or text.count(old) == 1
    (folder / "runner.c").write_text(text.replace(old, new) if old else text)
    (folder / "carrywave.h").write_text(header())
    sources = [folder / "runner.c", EXAMPLES / "emulator.c"]
    options = ["-Wall", "-Wextra", "-Werror", *LIBRARY, f"-I{EXAMPLES}", f"-I{folder}"]
    subprocess.run(["cc", *options, *sources, "-o", folder / "runner.so"], check=True)
    return folder / "runner.so"
