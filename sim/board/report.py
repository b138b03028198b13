"""What is told of a board: how fast its line was, what it takes of a chip, what it swept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from ..emulator.report import draw_why
from ..op.operation import operation_command
from ..system.tables import plain_table
from ..witness.comparison import Comparison, Tally
from ..witness.report import report

if TYPE_CHECKING:
    from rich.console import Console

    from .building import Built
    from .chip_sweep import ChipSweep
    from .serial_line import Board


def line_of(board: Board) -> str:
    """How fast cases were answered, and what was lost on the way."""
    rate = board.done / board.seconds if board.seconds else 0.0
    clock = f", {board.facts.kilohertz / 1000:g} MHz" if board.facts.kilohertz else ""
    lost = f"; {board.repeated:,} frames sent again" if board.repeated else ""
    return f"{board.name}: {board.facts.variant}{clock}, {rate:,.0f} cases a second{lost}"


def draw_built(built: Built, console: Console) -> None:
    """A table of what the chip has and what is taken of it, then the verdict."""
    table = plain_table(built.chip, ">taken", ">there")
    table.add_row("LUTs (logic cells)", f"{built.logic:,}", f"{built.logic_there:,}")
    table.add_row("block RAM", f"{built.memory:,}", f"{built.memory_there:,}")
    console.print(table)
    console.print()
    if built.pins:
        where = "of the chip, lowest first"
        pins = plain_table("member", where, folds=[where])
        for name, several in built.pins.items():
            pins.add_row(name, several)
        console.print(pins)
        console.print()
    seeds = "  ".join(f"{seed}: {mhz:g}" for seed, mhz in built.reaches_mhz.items())
    best = built.reaches_mhz[built.seed]
    console.print(Text(f"Highest clock in MHz, by seed   {seeds}"))
    if built.agree:
        what = f"{best:g} MHz where {built.needs_mhz:g} is needed"
        console.print(Text(f"{built.output}: {built.top}, {built.variant}, {what}"))
    else:
        what = f"needs {built.needs_mhz:g} MHz, and the best of these allows {best:g}"
        console.print(Text(f"Too slow: {built.board} {what}. Nothing was written; try --seeds."))


def draw_chip_sweep(swept: ChipSweep, console: Console) -> None:
    """A row an opcode; the first wrong case of each that is wrong as 'compare' shows it."""
    table = plain_table("opcode", "", ">cases", ">questions", ">seconds", "")
    for row in swept.rows:
        verdict = Text("agrees") if row.first is None else Text("wrong", "bold red")
        table.add_row(
            f"{row.form.opcode:02X}", str(row.form), f"{row.cases:,}", f"{row.questions:,}",
            f"{row.seconds:.1f}", verdict,
        )  # fmt: skip
    console.print(table)
    rate = swept.cases / swept.seconds if swept.seconds else 0
    clocks = f", {swept.kilohertz * 1000 / rate:.0f} clocks a case" if rate else ""
    said = f"{swept.cases:,} cases made on the chip in {swept.seconds:.1f} s{clocks}"
    console.print(Text(f"\n{swept.variant}: {said}"))
    for row in swept.rows:
        if row.first is not None:
            name = row.form.mnemonic
            fields = dict.fromkeys(row.first_fields, 1)
            tally = Tally(1, 1, fields)
            console.print(Text(f"\n{row.form}, case {row.first.index:,}", style="bold"))
            report(Comparison(1, 1, {name: tally}, row.first), console)
            command = operation_command(row.first.case, swept.variant)
            draw_why(row.first.case, swept.variant, {"To draw it": command}, row.likely, console)
