"""What the terminal shows of a check."""

from rich.console import Group, RenderableType
from rich.text import Text

from carrywave.sim.system.colours import CARRY, QUIET, WRONG

from .findings import CheckReport


def draw_check(report: CheckReport) -> RenderableType:
    """One line if all agrees; else the first findings, one a line."""
    last = report.first + report.clocks - 1
    entries = "1 entry" if report.entries == 1 else f"{report.entries} entries"
    ran = f"{report.instructions - report.entries} instructions and {entries}"
    counts = f"{report.compared} values in clocks {report.first} to {last}, {ran}"
    if report.agree:
        return Text.assemble(("agrees", CARRY), f" with the {report.variant} model: {counts}")
    if not report.disagreements:
        return Text.assemble(("nothing was checked", WRONG), ": the dump holds no complete clock")
    lines = [Text.assemble(("disagrees", WRONG), f": {report.disagreements} of {counts}")]
    lines += [Text(f"  {finding}") for finding in report.findings]
    more = report.disagreements - len(report.findings)
    return Group(*lines, *([Text(f"  ... and {more} more", QUIET)] if more else []))
