"""The report of a sweep."""

from rich.console import Console
from rich.text import Text

from ..netlist.synthesis import built_as
from ..system.tables import plain_table
from ..witness.report import report
from .sweeping import SweepReport, fields_in_order


def draw_sweep(result: SweepReport, console: Console) -> None:
    """A table of all rows, and the first wrong case of each variant in full."""
    variants = list(result.variants.values())
    mismatches = [f">{one.variant}\nmismatches" for one in variants]
    table = plain_table(
        "instruction", "opcodes", ">cases", ">fields\ncompared",
        *(mismatches if len(variants) > 1 else [">mismatches"]),
    )  # fmt: skip

    def counted(wrong: int) -> Text:
        return Text(f"{wrong:,}", "bold red" if wrong else "")

    for same in zip(*(one.rows for one in variants), strict=True):
        row, opcodes = same[0], " ".join(f"{opcode:02X}" for opcode in same[0].opcodes)
        wrong = (counted(row.tally.mismatches) for row in same)
        fields = str(len(row.share.fields))
        table.add_row(row.name, opcodes, f"{row.tally.cases:,}", fields, *wrong)
    totals = [one.comparison for one in variants]
    table.add_section()
    count = str(sum(len(row.opcodes) for row in variants[0].rows))
    wrong = (counted(total.mismatches) for total in totals)
    table.add_row("all", count, f"{totals[0].cases:,}", "", *wrong, style="bold")
    console.print(table)
    compared = frozenset(name for one in variants for row in one.rows for name in row.share.fields)
    console.print(Text(f"\nFields compared: {', '.join(fields_in_order(compared))}."))
    for one, total in zip(variants, totals, strict=True):
        verdict = "agrees" if total.agree else f"{total.mismatches:,} wrong"
        built = built_as(one.variant, result.adder)
        console.print(Text(f"{built}: {total.cases:,} cases, {verdict}, {one.seconds:.1f} s"))
    for one, total in zip(variants, totals, strict=True):
        if row_at_fault := one.first_row:
            console.print(Text(f"\nVariant {one.variant}", style="bold"))
            report(total, console)
            fields = ", ".join(row_at_fault.first_fields)
            console.print(Text(f"Wrong in this case of {row_at_fault.name}: {fields}."))
