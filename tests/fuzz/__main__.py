"""As many hostile inputs as fit in a time: python -m tests.fuzz READER SECONDS, or `all`.

From the project's folder. Printed are the inputs, how many of them were accepted, what was neither
accepted nor refused in one line, an input of each kind, and the slowest.
"""

from __future__ import annotations

import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings

from .readers import READERS, Reader, outcome

ROUND = 200  # inputs between two looks at the clock


class Tally:
    """What has been seen of a reader."""

    def __init__(self) -> None:
        self.seen: Counter[str] = Counter()
        self.mistakes: dict[str, tuple[int, bytes, str]] = {}
        self.slowest, self.slow = 0.0, b""

    def take(self, reader: Reader, data: bytes, folder: Path) -> None:
        """Reads one input."""
        began = time.perf_counter()
        try:
            self.seen[outcome(reader, data, folder)] += 1
        except Exception as error:
            self.seen["exceptions"] += 1
            last = traceback.extract_tb(error.__traceback__)[-1]
            kind = f"{type(error).__name__} in {Path(last.filename).name}:{last.lineno}"
            count = self.mistakes.get(kind, (0,))[0]
            self.mistakes[kind] = count + 1, data, str(error)
        took = time.perf_counter() - began
        if took > self.slowest:
            self.slowest, self.slow = took, data

    def __str__(self) -> str:
        lines = [
            f"{self.seen.total():,} inputs, {self.seen['accepted']:,} accepted, "
            f"{self.seen['exceptions']:,} exceptions, slowest {self.slowest:.2f} s: "
            f"{_few(self.slow)}"
        ]
        for kind, (count, data, told) in self.mistakes.items():
            lines.append(f"  {kind}, {count} times: {_few(told)}\n    {_few(data)}")
        return "\n".join(lines)


def _few(what: bytes | str) -> str:
    text = ascii(what)
    return text if len(text) <= 300 else f"{text[:200]}...{text[-100:]} ({len(what):,} long)"


def fuzz(reader: Reader, seconds: float, folder: Path) -> Tally:
    """Reads inputs of a reader until the time is over, each round from a seed of its own."""
    tally, end, rounds = Tally(), time.monotonic() + seconds, int(time.time()) << 20
    while time.monotonic() < end:

        @seed(rounds)
        @settings(
            max_examples=ROUND, deadline=None, database=None, phases=[Phase.generate],
            suppress_health_check=[*HealthCheck],
        )  # fmt: skip
        @given(reader.inputs)
        def one_round(data: bytes) -> None:
            if time.monotonic() < end:
                tally.take(reader, data, folder)

        one_round()
        rounds += 1
    return tally


def main(name: str, seconds: str) -> None:
    """Prints a line a reader."""
    mistakes = 0
    for each in READERS if name == "all" else [name]:
        with tempfile.TemporaryDirectory() as folder:
            tally = fuzz(READERS[each], float(seconds), Path(folder))
        print(f"{each}: {tally}", flush=True)
        mistakes += tally.seen["exceptions"]
    sys.exit(bool(mistakes))


if __name__ == "__main__":
    if len(sys.argv) != 3 or sys.argv[1] not in (*READERS, "all"):
        sys.exit(f"python -m tests.fuzz READER SECONDS; READER is one of {', '.join(READERS)}, all")
    main(*sys.argv[1:])
