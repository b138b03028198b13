"""Cases a second of several evaluators on the same adder, and where the sweep's time goes.

python -m tests.bench, from the project's folder, with the extra carrywave[bench]; Icarus Verilog,
Verilator and a C++ compiler are used where they are installed. Every evaluator's every output is
checked first. Then all are timed by turns, so that what else the machine does slows all alike.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import tempfile
from collections import Counter
from datetime import date
from pathlib import Path
from statistics import median

from rich.console import Console
from rich.table import Table

from carrywave.sim.family.members import VARIANTS

from .adder import gates
from .evaluators import EVALUATORS, MissingError, Sized
from .runs import PROGRAM, engines, rates
from .sweep import parts_of_sweep

OURS = "carrywave"


def main():
    parser = argparse.ArgumentParser("python -m tests.bench", description=__doc__)
    parser.add_argument("--rounds", type=int, default=7, help="timings of each (default: 7)")
    parser.add_argument("--no-sweep", action="store_true", help="leave the sweep out")
    parser.add_argument("--runs", action="store_true", help="a whole program alone")
    arguments = parser.parse_args()
    hold_memory()
    console = Console(highlight=False)
    console.print(f"{date.today()}, {platform.machine()}, Python {platform.python_version()}")
    with tempfile.TemporaryDirectory() as folder:
        draw_runs(Path(folder), min(arguments.rounds, 3), console)
        if arguments.runs:
            return
        console.print()
        evaluators = ready(Path(folder), console)
        rates = measured(evaluators, arguments.rounds, console)
    console.print()
    draw_rates(rates, console)
    if not arguments.no_sweep:
        console.print()
        draw_sweep(arguments.rounds, console)


def hold_memory():
    """Begins again where the C library keeps what is freed.

    By luck of the heap it else hands memory back after each case and takes it anew, page by page:
    at half the speed, for whichever evaluator it hits.
    """
    if "MALLOC_TRIM_THRESHOLD_" not in os.environ:
        limits = {"MALLOC_TRIM_THRESHOLD_": "4000000000", "MALLOC_MMAP_THRESHOLD_": "1000000000"}
        again = [sys.executable, "-m", "tests.bench", *sys.argv[1:]]
        sys.exit(subprocess.run(again, env={**os.environ, **limits}).returncode)


def ready(folder, console):
    """The evaluators that are installed, each of them checked."""
    found = []
    for number, kind in enumerate(EVALUATORS):
        place = folder / str(number)
        place.mkdir()
        try:
            evaluator = kind(place)
        except MissingError as error:
            console.print(f"skipped: {kind.name}: {error}")
            continue
        for size in getattr(evaluator, "sizes", (None,)):
            if size is not None:
                evaluator.size = size
            evaluator.check()
        found.append(evaluator)
    return found


def measured(evaluators, rounds, console):
    """Rates by evaluator and size; each round times everything once."""
    rates = {}
    for number in range(rounds):
        console.print(f"round {number + 1} of {rounds}")
        for evaluator in evaluators:
            for size in getattr(evaluator, "sizes", (None,)):
                if size is not None:
                    evaluator.size = size
                rates.setdefault((evaluator, size), []).append(evaluator.rate())
    return rates


def draw_rates(rates, console):
    """One row an evaluator, each at its best size, and the ratios."""
    best = {}
    for (evaluator, size), values in rates.items():
        name = evaluator.name
        if name not in best or median(values) > median(best[name][2]):
            best[name] = evaluator, size, values
    middle = {name: median(values) for name, (_, _, values) in best.items()}
    fastest = max(middle.values())
    netlist = gates()
    kinds = Counter(gate.kind for gate in netlist.gates)
    console.print(
        f"The 8-bit adder with flags: {len(netlist.gates)} gates, "
        f"{', '.join(f'{count} {kind}' for kind, count in kinds.most_common())}; one thread"
    )
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("evaluator", no_wrap=True)
    for heading in ("at a time", "million/s", "from", "to", "slower"):
        table.add_column(heading, justify="right", no_wrap=True)
    for name, (_, size, values) in sorted(best.items(), key=lambda item: middle[item[0]]):
        figures = (number(value / 1e6) for value in (median(values), min(values), max(values)))
        at_a_time = f"2^{size}" if size else "1"
        table.add_row(name, at_a_time, *figures, number(fastest / middle[name]))
    console.print(table)
    console.print()
    for evaluator in {id(e): e for e, _ in rates if isinstance(e, Sized)}.values():
        sizes = (f"2^{s} {number(median(rates[evaluator, s]) / 1e6)}" for s in evaluator.sizes)
        console.print(f"{evaluator.name}: {'  '.join(sizes)}", soft_wrap=True)
    others = {name: rate for name, rate in middle.items() if not name.startswith(OURS)}
    console.print()
    for ours in (name for name in middle if name.startswith(OURS)):
        compared = dict.fromkeys(
            (*(n for n in others if n == "Verilator"), max(others, key=others.get))
        )
        ratios = (f"{number(middle[ours] / others[name])} times {name}" for name in compared)
        console.print(f"{ours}: {', '.join(ratios)}", soft_wrap=True)


def number(value):
    """Two or three figures, and no power of ten."""
    return f"{value:,.0f}" if value >= 100 else f"{value:.2g}" if value < 1 else f"{value:.3g}"


def draw_runs(folder, rounds, console):
    """Clocks a second of a program, and the ratios."""
    found, missing = engines(folder)
    for name, why in missing.items():
        console.print(f"skipped: {name}: {why}")
    figures = rates(found, rounds)
    ours = median(figures[found[-1].name])
    console.print(f"{PROGRAM.name}, the whole unit: clocks a second; one thread")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("engine", no_wrap=True)
    for heading in ("clocks", "clocks/s", "from", "to", "slower than ours"):
        table.add_column(heading, justify="right", no_wrap=True)
    for engine in found:
        values = figures[engine.name]
        shown = (f"{value:,.0f}" for value in (median(values), min(values), max(values)))
        ratio = number(ours / median(values))
        table.add_row(engine.name, f"{engine.clocks:,}", *shown, ratio)
    console.print(table)


def draw_sweep(rounds, console):
    """Seconds by part, of all cases of each variant, in one process."""
    runs = {name: [parts_of_sweep(name) for _ in range(min(rounds, 3))] for name in VARIANTS}
    cases = {name: found[0][1] for name, found in runs.items()}
    console.print("The sweep in one process that keeps freed memory: processor seconds")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("part")
    for name in VARIANTS:
        table.add_column(name, justify="right")
    table.add_column("share", justify="right")
    columns = {
        name: {part: median(parts[part] for parts, _ in found) for part in found[0][0]}
        for name, found in runs.items()
    }
    everything = sum(sum(column.values()) for column in columns.values())
    for part in columns[VARIANTS[0]]:
        seconds = [column[part] for column in columns.values()]
        table.add_row(part, *(f"{s:.2f}" for s in seconds), f"{sum(seconds) / everything:.0%}")
    table.add_section()
    totals = [sum(column.values()) for column in columns.values()]
    table.add_row("all", *(f"{total:.2f}" for total in totals), style="bold")
    table.add_row("cases", *(f"{cases[name]:,}" for name in VARIANTS))
    console.print(table)


if __name__ == "__main__":
    main()
