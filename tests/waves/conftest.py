"""What the tests of waveforms share: dumps, and a dump's text to tamper with."""

from __future__ import annotations

import html
import json
import re
import shutil
import signal
import subprocess
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from io import StringIO
from pathlib import Path
from typing import Any, Final

import pytest
import pywellen
from random_programs import random_program
from tracked import HOUSE, tracked
from vcd.reader import TokenKind, tokenize

from carrywave.sim.program.assembler import assemble
from carrywave.sim.program.bench import run_program
from carrywave.sim.program.ran import Sequence
from carrywave.sim.settle.settling import Settling, settle
from carrywave.waves.vcd.dump import Dump

REFERENCE = HOUSE / "waves" / "reference"
PERIOD = 1000
SWITCHES = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars", "--window-size=1400,900",
)  # fmt: skip


@dataclass(frozen=True)
class Change:
    """A line of a dump that changes a value, and the clock in which it stands."""

    clock: int
    line: int


class DumpText:
    """A dump as lines of text, read without any part of the reader that is tested."""

    def __init__(self, text: str) -> None:
        self.lines = text.split("\n")

    @cached_property
    def width(self) -> dict[str, int]:
        """The width of each signal, by its path."""
        return dict(self._paths.values())

    @cached_property
    def _paths(self) -> dict[str, tuple[str, int]]:
        """Path and width by identifier code."""
        scope: list[str] = []
        paths: dict[str, tuple[str, int]] = {}
        for words in map(str.split, self.lines[: self.lines.index("$enddefinitions $end")]):
            if words[0] == "$scope":
                scope.append(words[2])
            elif words[0] == "$upscope":
                scope.pop()
            elif words[0] == "$var":
                paths[words[3]] = ".".join([*scope, words[4]]), int(words[2])
        return paths

    @cached_property
    def changes(self) -> dict[str, list[Change]]:
        """The changes of each signal."""
        changes: dict[str, list[Change]] = {path: [] for path in self.width}
        clock = 0
        for i in range(self.lines.index("$dumpvars") - 1, len(self.lines)):
            line = self.lines[i]
            if line.startswith("#"):
                clock = int(line[1:]) // PERIOD
            elif line and line[0] in "01b":
                code = line.split()[1] if line[0] == "b" else line[1:]
                changes[self._paths[code][0]].append(Change(clock, i))
        return changes

    @cached_property
    def values(self) -> dict[str, list[int]]:
        """The value of each signal in each clock, `clk` after its falling edge."""
        values: dict[str, list[int]] = {path: [] for path in self.width}
        for path, changes in self.changes.items():
            held = values[path]
            for change in changes:
                held.extend(held[-1:] * (change.clock - len(held)))
                held[change.clock :] = [self.value_in(change.line)]
            held.extend(held[-1:] * (self.clocks - len(held)))
        return values

    @property
    def clocks(self) -> int:
        return int(self.lines[-2].split()[1])

    @property
    def text(self) -> str:
        return "\n".join(self.lines)

    def put(self, line: int, value: int) -> DumpText:
        """The dump with another value in one change."""
        old = self.lines[line]
        new = f"b{value:b} {old.split()[1]}" if old[0] == "b" else f"{value}{old[1:]}"
        return DumpText("\n".join([*self.lines[:line], new, *self.lines[line + 1 :]]))

    def value_in(self, line: int) -> int:
        """The value that a change gives."""
        old = self.lines[line]
        return int(old[1:].split()[0] if old[0] == "b" else old[0], 2)

    def shortened(self, clocks: int) -> DumpText:
        """The whole dump that a run of fewer clocks would have left."""
        end = self.lines.index(f"#{clocks * PERIOD}")
        closing = f"$comment {clocks} clocks $end"
        return DumpText("\n".join([*self.lines[: end + 1], closing, ""]))

    def sequence_at(self, clock: int) -> str:
        """The instruction or event that a clock belongs to, as findings name it."""
        while clock and not self.values["unit.sync"][clock]:
            clock -= 1
        mnemonic = self.spelled("unit.mnemonic", self.at("unit.mnemonic", clock)).strip("'")
        return f"{mnemonic} at {self.at('unit.pc', clock):04X}"

    def at(self, path: str, clock: int) -> int:
        return self.values[path][clock]

    def spelled(self, path: str, value: int) -> str:
        """A value as findings give it."""
        if path in ("unit.variant", "unit.mnemonic", "unit.alu.operation"):
            characters = value.to_bytes(self.width[path] // 8, "big")
            return repr(characters.decode("latin-1").lstrip("\0"))
        return f"{value:0{(self.width[path] + 3) // 4}X}"


@pytest.fixture(scope="session")
def parse_text() -> Callable[[str], DumpText]:
    """Takes a dump's text apart."""
    return DumpText


@pytest.fixture(scope="session")
def reference_texts() -> dict[str, DumpText]:
    """The reference waveforms as text."""
    return {path.stem: DumpText(path.read_text()) for path in tracked("waves/reference/*.vcd")}


@pytest.fixture
def save(tmp_path: Path) -> Callable[[DumpText | str | bytes], Path]:
    """Writes a dump's text to a file of this test."""

    def write(content: DumpText | str | bytes) -> Path:
        path = tmp_path / "tampered.vcd"
        content = content.text if isinstance(content, DumpText) else content
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return write


@pytest.fixture(scope="session")
def settling() -> Settling:
    """The longest carry: $FF and 1, from zeros."""
    return settle("ADC", [0xFF, 1])


@pytest.fixture(scope="session")
def run_text() -> Callable[..., DumpText]:
    """Runs a listing and returns the text of its dump."""

    def run(listing: str, variant: str = "nmos", max_clocks: int = 1000) -> DumpText:
        return _dump(assemble(listing), variant, max_clocks)[0]

    return run


@pytest.fixture(scope="session")
def run_random() -> Callable[..., tuple[DumpText, list[Sequence]]]:
    """Runs random documented opcodes in all of memory under random pins."""

    def run(seed: int, variant: str, clocks: int) -> tuple[DumpText, list[Sequence]]:
        return _dump(random_program(seed), variant, clocks)

    return run


def _dump(program: Any, variant: str, clocks: int) -> tuple[DumpText, list[Sequence]]:
    sequences: list[Sequence] = []
    file = StringIO()
    with Dump(file, variant) as dump:
        run_program(program, variant, clocks, dump, sequences.append)
    return DumpText(file.getvalue()), sequences


Changes = dict[str, list[tuple[int, int]]]  # times and values by path, the first at 0
Found = tuple[dict[str, int], Changes]


def by_vcdvcd(path: Path) -> Found:
    """Widths, and times and values, of each signal of a dump; the next two find the same."""
    handler = signal.getsignal(signal.SIGPIPE)
    from vcdvcd import VCDVCD

    signal.signal(signal.SIGPIPE, handler)  # which importing the package sets
    read = VCDVCD(str(path))
    names = {re.sub(r"\[\d+:\d+\]$", "", name): name for name in read.signals}
    widths = {plain: int(read[name].size) for plain, name in names.items()}
    return widths, {
        plain: [(time, int(value, 2)) for time, value in read[name].tv]
        for plain, name in names.items()
    }


def by_tokens(path: Path) -> Found:
    scope: list[str] = []
    paths: dict[str, str] = {}
    widths: dict[str, int] = {}
    changes: Changes = {}
    time = 0
    with path.open("rb") as file:
        for token in tokenize(file):
            if token.kind is TokenKind.SCOPE:
                scope.append(token.scope.ident)
            elif token.kind is TokenKind.UPSCOPE:
                scope.pop()
            elif token.kind is TokenKind.VAR:
                assert token.var.type_.value in ("wire", "reg")
                name = ".".join([*scope, token.var.reference])
                paths[token.var.id_code], widths[name] = name, token.var.size
            elif token.kind is TokenKind.CHANGE_TIME:
                time = token.time_change
            elif token.kind is TokenKind.CHANGE_SCALAR:
                name = paths[token.scalar_change.id_code]
                changes.setdefault(name, []).append((time, int(token.scalar_change.value)))
            elif token.kind is TokenKind.CHANGE_VECTOR:
                assert isinstance(token.vector_change.value, int)
                name = paths[token.vector_change.id_code]
                changes.setdefault(name, []).append((time, token.vector_change.value))
    return widths, changes


def by_pywellen(path: Path) -> Found:
    widths: dict[str, int] = {}
    changes: Changes = {}
    for var in pywellen.Waveform(str(path)).all_vars():
        assert not var.is_string
        widths[var.full_name] = var.bitwidth
        changes[var.full_name] = [(time, int(value)) for time, value in var.tv]
    return widths, changes


DUMP_READERS: Final = {"vcdvcd": by_vcdvcd, "pyvcd": by_tokens, "pywellen": by_pywellen}


@pytest.fixture(scope="session")
def dump_readers() -> dict[str, Callable[[Path], Found]]:
    """Three readers that know nothing of the bench: of a dump widths, and changes, by path."""
    return DUMP_READERS


@pytest.fixture
def judge_figures(tmp_path: Path) -> Callable[..., dict[str, dict[str, Any]]]:
    """Renders SVG texts in one page of headless Chromium, and says what is wrong with each.

    Of each by its name: what `judge.js` found, the number of texts, and the background's colour.
    `font` stands in for the figures' own: another reader's may be wider.
    """
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip(
            "chromium is not installed: no figure is rendered (Debian: apt install chromium)"
        )

    def judge(figures: Mapping[str, str], dark: bool, font: str = "") -> dict[str, dict[str, Any]]:
        style = f"section text {{ font-family: {font} !important }}" if font else ""
        parts = "".join(f'<section id="{name}">{svg}</section>' for name, svg in figures.items())
        script = (Path(__file__).parent / "judge.js").read_text()
        page = tmp_path / "page.html"
        page.write_text(
            f"<!doctype html><meta charset=utf-8><style>body {{ margin: 0 }} {style}</style>{parts}"
            f"<pre id=told></pre><script>{script}</script>",
            encoding="utf-8",
        )
        scheme = f"--blink-settings=preferredColorScheme={0 if dark else 1}"
        dumped = subprocess.run(
            [chromium, *SWITCHES, scheme, f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom",
             page.as_uri()],
            capture_output=True, text=True, timeout=600, check=True,
        )  # fmt: skip
        found = re.search(r'<pre id="told">(.*?)</pre>', dumped.stdout, re.DOTALL)
        assert found, dumped.stderr
        told: dict[str, dict[str, Any]] = json.loads(html.unescape(found[1]))
        return told

    return judge
