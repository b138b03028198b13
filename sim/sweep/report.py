"""The report of a sweep."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..netlist.synthesis import built_as
from ..witness.report import report
from .results import SweepReport, fields_in_order

if TYPE_CHECKING:
    from rich.console import Console


def draw_sweep(result: SweepReport, console: Console) -> None:
    """A table of all rows, and the first wrong case of each variant in full."""
    from rich.table import Table
    from rich.text import Text

    variants = list(result.variants.values())
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for heading in ("instruction", "opcodes"):
        table.add_column(heading, no_wrap=True, vertical="bottom")
    several = [f"{one.variant}\nmismatches" for one in variants] if len(variants) > 1 else []
    for heading in ("cases", "fields\ncompared", *(several or ["mismatches"])):
        table.add_column(heading, justify="right", no_wrap=True, vertical="bottom")

    def counted(wrong: int) -> Text:
        return Text(f"{wrong:,}", "bold red" if wrong else "")

    for same in zip(*(one.rows for one in variants), strict=True):
        row = same[0]
        table.add_row(
            row.name,
            " ".join(f"{opcode:02X}" for opcode in row.opcodes),
            f"{row.tally.cases:,}",
            str(len(row.share.fields)),
            *(counted(row.tally.mismatches) for row in same),
        )
    totals = [one.comparison for one in variants]
    table.add_section()
    opcodes = sum(len(row.opcodes) for row in variants[0].rows)
    wrong = (counted(total.mismatches) for total in totals)
    table.add_row("all", str(opcodes), f"{totals[0].cases:,}", "", *wrong, style="bold")
    console.print(table)
    compared = frozenset(name for one in variants for row in one.rows for name in row.share.fields)
    console.print(Text(f"\nFields compared: {', '.join(fields_in_order(compared))}."))
    for one, total in zip(variants, totals, strict=True):
        verdict = "agrees" if total.agree else f"{total.mismatches:,} wrong"
        built = built_as(one.variant, result.adder)
        console.print(Text(f"{built}: {total.cases:,} cases, {verdict}, {one.seconds:.1f} s"))
    for one, total in zip(variants, totals, strict=True):
        row_at_fault = one.first_row
        if row_at_fault is not None:
            console.print(Text(f"\nVariant {one.variant}", style="bold"))
            report(total, console)
            fields = ", ".join(row_at_fault.first_fields)
            console.print(Text(f"Wrong in this case of {row_at_fault.name}: {fields}."))
