"""The report of a grade."""

from collections import Counter
from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from ..system.tables import plain_table
from .grading import SWEEP, Grade, VariantGrade
from .redundant import INVARIANTS, KINDS
from .scenarios import SCENARIOS


def draw_grade(result: Grade, console: Console, every: bool = False) -> None:
    """Tables of faults and mistakes; with `every`, each fault that no one can see."""
    variants = list(result.variants.values())
    console.print(_draw_faults(variants))
    console.print(Text("\nFaults that no one sees lie in:\n", "bold"))
    console.print(_draw_regions(variants))
    for one in variants:
        _list_faults(one, console, every)
    console.print(
        Text("\nPlanted mistakes, and how many of the sweep's cases show them:\n", "bold")
    )
    console.print(_draw_mistakes(result))
    for mistake in result.mistakes:
        if mistake.count and mistake.count.verdict == "explained":
            console.print(Text(f"* {mistake.mistake.number}: {mistake.count.note}"))
    unexplained = sum(len(one.unexplained) for one in variants)
    faults = sum(len(one.verdicts) for one in variants)
    wrong = sum(not mistake.agree for mistake in result.mistakes)
    console.print(Text(
        f"\nfaults: {faults:,}, not explained: {unexplained:,}\n"
        f"mistakes: {len(result.mistakes)}, not found as documented: {wrong}\n"
        f"{result.seconds:.1f} s"
    ))  # fmt: skip


def _number(value: int, style: str = "") -> Text:
    return Text(f"{value:,}" if value else "-", style if value else "")


def _draw_faults(variants: Sequence[VariantGrade]) -> Table:
    table = plain_table("", *(f">{one.variant}" for one in variants), folds=("",))

    def row(label: str, values: Iterable[int], style: str = "") -> None:
        table.add_row(label, *(_number(value, style) for value in values))

    row("stuck-at faults", (len(one.verdicts) for one in variants))
    row("  more that are the same: of a wire's only reader",
        (one.sites.equivalent for one in variants))  # fmt: skip
    row("seen, first in:", (one.seen.total() for one in variants))
    row("  the sweep's cases", (one.seen[SWEEP] for one in variants))
    for name, scenario in SCENARIOS.items():
        row(f"  {name}: {scenario.title}", (one.seen[name] for one in variants))
    row("proved invisible:", (len(one.unseen) for one in variants))
    reasons = [Counter(v.reason.kind for v in one.unseen if v.reason) for one in variants]
    names = [
        Counter((v.reason.kind, name) for v in one.unseen if v.reason for name in v.reason.names)
        for one in variants
    ]
    for kind, meaning in KINDS.items():
        row(f"  {kind}: {meaning}", (counts[kind] for counts in reasons))
        for name in dict.fromkeys(n for counts in names for k, n in sorted(counts) if k == kind):
            said = f"    {name}: {INVARIANTS[name]}" if name in INVARIANTS else f"    {name}"
            row(said, (counts[kind, name] for counts in names))
    row("not explained", (len(one.unexplained) for one in variants), "bold red")
    table.add_section()
    row("cases of the sweep that each fault is put to", (v.cases for v in variants))
    row("runs from power-up that each fault is put to", (one.runs for one in variants))
    table.add_row("seconds", *(f"{one.seconds:.1f}" for one in variants))
    return table


def _draw_regions(variants: Sequence[VariantGrade]) -> Table:
    table = plain_table("", *(f">{one.variant}" for one in variants), folds=("",))
    regions = [Counter(fault["region"] for fault in one.listed()) for one in variants]
    for region in sorted({region for counts in regions for region in counts}):
        table.add_row(region, *(_number(counts[region]) for counts in regions))
    return table


def _list_faults(one: VariantGrade, console: Console, every: bool) -> None:
    """Those that are not explained, and with `every` the others."""
    for fault in one.listed():
        explained = fault["reason"] != "unexplained"
        if every or not explained:
            place = f"{fault['wire']} at {fault['stuck_at']}"
            place += f", as read by {fault['reader']}" if fault["reader"] else ""
            why = " ".join((fault["reason"], *fault["by"]))
            why += f"; a case is missing: {fault['example']}" if fault["example"] else ""
            line = f"{one.variant}: {place}: {why}"
            console.print(Text(line, "" if explained else "bold red"))


def _draw_mistakes(result: Grade) -> Table:
    table = plain_table(
        "", "mistake", ">cases", *(f">{name}" for name in result.variants), ">documented",
        folds=("", "mistake"),
    )  # fmt: skip
    for one in result.mistakes:
        row = []
        for name in result.variants:
            shown = _number(sum(one.exposed.get(name, {}).values()))
            lost = name in one.variants and not one.found_in(name)
            row.append(Text("not found", "bold red") if lost else shown)
        count = ""
        if one.count:
            mark = {"agrees": "", "explained": " *", "differs": " differs"}[one.count.verdict]
            count = f"{one.count.documented:,}{mark}"
        table.add_row(
            str(one.mistake.number),
            f"{one.mistake.title}: {' '.join(sorted(one.mistake.mnemonics))}",
            _number(max((sum(cases.values()) for cases in one.cases.values()), default=0)), *row,
            Text(count, "bold red" if count.endswith("differs") else ""),
        )  # fmt: skip
    return table
