"""The emulators that are shipped as examples, and the one in C built with a change in it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from carrywave.sim.emulator.c_header import header

EXAMPLES = Path(__file__).parent / "examples" / "emulators"

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
    options = ["-O0", f"-DVARIANT={variant.upper()}", "-shared", "-fPIC"]
    subprocess.run(["cc", *options, *sources, "-o", folder / "emulator.so"], check=True)
    return folder / "emulator.so"
