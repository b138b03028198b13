"""How a judged claim is shown in the terminal, and the table of relations."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from rich.text import Text

from ..family.instructions import ENTRIES
from ..op.report import draw_operation
from ..system.colours import CARRY, ONE, QUIET, WRONG
from ..system.tables import plain_table
from .relations import FLIP

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import Console

    from .claims import Claim, Example, Rule
    from .relations import RelationBlock, RelationRow

Line = Callable[..., None]

WIDTH: Final = 78
DECIMAL: Final = ("decimal off", "decimal on")
LEGEND: Final = (
    "signed         both bytes read as two's complement",
    "branches       to 'yes' where the relation holds, else to 'no' or straight on:",
    "               common practice of the trade, each followed on every input",
    f"flip           {', '.join(FLIP)}  inverts N where V is set; spoils A, Z",
    "rule of thumb  the sign of the difference; with carry_in 0, as if it were 1",
    "fails          on so many inputs",
    "none           the flags do not tell: 'carrywave claim' shows two inputs",
)


def draw_claim(claim: Claim, console: Console, vcd: str | None = None) -> None:
    """Prints the verdict; if it fails the first input that shows it; and the exact rule."""

    def line(*parts: str | tuple[str, str]) -> None:
        console.print(Text.assemble(*parts), soft_wrap=True)

    line((claim.expression, "bold"), (f"   after {claim.after}, {claim.variant}", QUIET))
    if claim.given is not None:
        line(("given ", QUIET), claim.given)
    line()
    line(*_verdict(claim.failures, claim.inputs))
    for part in claim.parts if len(claim.parts) > 1 else ():
        line(f"  {DECIMAL[part.decimal]}: ".ljust(16), *_verdict(part.failures, part.inputs))
        if part.failures and 0 < part.valid < part.inputs:
            line("  valid digits: ".ljust(16), *_verdict(part.valid_failures, part.valid))
    first = claim.counterexample
    if first is not None:
        line()
        line("The first input that it fails on:")
        wide = max(len(text) for text, _ in first.values)
        for text, value in first.values:
            line(f"  {text.ljust(wide)}   ", (str(value), ONE))
        line()
        console.print(draw_operation(first.operation()))
    _draw_rules(claim, line)
    if claim.notes:
        line()
        for note in claim.notes:
            console.print(Text(note), width=WIDTH)
    if first is not None:
        line()
        line(f"{'Its clocks: ' if claim.after in ENTRIES else 'To draw it: '}     {first.command}")
        written = f"written to {vcd}" if vcd else f"{first.command} --vcd claim.vcd"
        line(f"Its waveform:    {written}")
    elif vcd:
        line()
        line(f"It holds: there is no waveform to write to {vcd}.")


def _verdict(failures: int, inputs: int) -> list[str | tuple[str, str]]:
    if not failures:
        return [("holds", CARRY), f" on all {inputs:,} inputs"]
    share = 100 * failures / inputs
    told = f"{share:.1f}%" if share >= 0.1 else "under 0.1%"
    return [("fails", WRONG), f" on {failures:,} of {inputs:,} inputs ({told})"]


def _draw_rules(claim: Claim, line: Line) -> None:
    rules = [("", claim.rule)]
    parts = [part.rule for part in claim.parts]
    if any(rule is not None and rule.formula for rule in parts):
        rules = [(f", {DECIMAL[part.decimal]}", part.rule) for part in claim.parts if part.rule]
    for where, rule in rules:
        if rule is not None:
            line()
            _draw_rule(rule, where, line)


def _draw_rule(rule: Rule, where: str, line: Line) -> None:
    if rule.formula is None:
        line((f"No rule{where}: ", WRONG), f"{' '.join(rule.flags)} do not tell")
        line(f"  {rule.relation}")
        _draw_pair(rule.same_flags, rule.flags, line)
        return
    line((f"Exact rule{where}:  ", CARRY), (rule.formula, ONE))
    line(f"  on all {rule.inputs:,} inputs the same as")
    line(f"  {rule.relation}")
    if rule.same_written:
        line(f"  {' '.join(rule.written)} alone do not tell:")
        _draw_pair(rule.same_written, rule.written, line)


def _draw_pair(pair: tuple[Example, Example] | None, flags: str, line: Line) -> None:
    for example in pair or ():
        before = " ".join(
            f"{name}=" + (f"0x{value:02X}" if name in "am" else f"{value}")
            for name, value in example.row.items()
            if name in ("a", "m", "carry_in", "decimal")
        )
        after = " ".join(f"{flag}={example.row[flag]}" for flag in flags)
        truth = "true" if example.values[0][1] else "false"
        line(f"    {before.ljust(36)}  ", (after, QUIET), f"  {truth}")


def draw_relations(blocks: Iterable[RelationBlock], console: Console) -> None:
    """Prints the table; at most 80 columns wide."""
    for block in blocks:
        given = f", given {block.given}" if block.given else ""
        title = Text.assemble("After ", (block.after, ONE), given)
        console.print(title.append(f"   {block.inputs:,} inputs", QUIET))
        headings = ("", "exact rule", "branches", "rule of thumb", ">fails")
        table = plain_table(*headings, style=QUIET)
        for signed, group in ((False, "unsigned"), (True, "signed")):
            table.add_row(Text(group, QUIET))
            for row in block.rows:
                if row.signed == signed:
                    table.add_row(*_cells(row))
        console.print(table)
        console.print()
    for text in LEGEND:
        console.print(Text(text, QUIET))


def _cells(row: RelationRow) -> tuple[str | Text, ...]:
    rule, branches = Text("none", WRONG), "-"
    if row.rule is not None and row.rule.formula:
        rule = Text(row.rule.formula, ONE)
        if row.rule.unwritten:
            branches = f"{row.rule.unwritten} is not written"
    if row.branches:
        branches = ", ".join(row.branches).replace(", ".join(FLIP), "flip")
    failures = "-" if row.naive_failures is None else f"{row.naive_failures:,}"
    return f" a {row.comparison} m", rule, branches, row.naive or "-", failures
