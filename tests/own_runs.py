"""The shipped runner in Python, in this process and with a change in it; images with pins."""

from __future__ import annotations

from collections import namedtuple
from typing import Any

import numpy as np
from shipped import EXAMPLES

from carrywave.sim.cases.layout import OUTCOME_LAYOUT
from carrywave.sim.emulator.host import row_packer
from carrywave.sim.emulator.own_run import ROW, START
from carrywave.sim.emulator.running import Runner

Change = tuple[str, str, str]  # a file, what is in it once, and what comes in its place


class ExampleRunner(Runner):
    """It needs no process."""

    def __init__(self, *changes: Change, variant: str = "nmos") -> None:
        super().__init__("runner.py:run", "--python runner.py:run", 10)
        self._child: Any = self
        self.asked: list[int] = []  # rows, in each call
        space: dict[str, dict[str, Any]] = {}
        named = ("emulator.py", 'VARIANT = "nmos"', f'VARIANT = "{variant}"')
        for name in ("emulator.py", "runner.py"):
            text = (EXAMPLES / name).read_text()
            for file, old, new in (named, *changes):
                if file == name:
                    assert text.count(old) == 1, old
                    text = text.replace(old, new)
            text = text.replace("from emulator import VARIANT, Emulator\n", "")
            space[name] = {"__name__": name, **space.get("emulator.py", {})}
            exec(compile(text, name, "exec"), space[name])
        self._function = space["runner.py"]["run"]
        self._packed = row_packer(OUTCOME_LAYOUT)
        assert START.names is not None
        self._start: Any = namedtuple("Start", START.names)

    def _run(
        self, start: Any, memory: bytes, pins: Any, count: int, before: int
    ) -> np.ndarray[Any, Any]:
        self.asked.append(count)
        begin = self._start(*(int(start[name]) for name in START.names or ()))
        rows = self._function(begin, memory, pins.tolist(), count)
        try:
            return np.frombuffer(b"".join(map(self._packed, rows)), ROW)
        except KeyError as error:  # it has no such opcode
            raise self._at(before, f"raised KeyError: {error}") from None

    def end(self, patience: float = 0) -> None:
        """As a child process is ended."""

    def close(self, patience: float = 0) -> None:
        """The same."""
        self._child = None
