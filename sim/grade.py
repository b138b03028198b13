"""The checks, graded: is every fault in the gates seen, and every planted mistake found?

A check that has never failed has told nothing. Each wire and pin of the netlist is held at 0 and at
1, and the cases of the sweep, then runs with the pins driven, are asked whether they see it. What
none of them sees is proved to be invisible, or stands in the report as a case that is missing.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from .cases import CASE, Cases, exhaustive_cases, exhaustive_count, unnamed
from .exposure import Exposure, count_inputs, expose
from .faults import Fault, Injector, Sites, Trace, fault_sites
from .gates import BATCH
from .isa import EVENTS, INSTRUCTIONS, VARIANTS, Instruction
from .mistakes import MISTAKES
from .netlist import Netlist, drawn_netlist
from .redundant import INVARIANTS, KINDS, Prover, Reason
from .scenarios import SCENARIOS, trace_cases, trace_lanes
from .wires import Wires
from .workers import Work, processors, workers

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

__all__ = ["Grade", "Judge", "VariantGrade", "Verdict", "draw_grade", "grade", "grade_size"]

SWEEP: Final = "sweep"
STAGES: Final = (SWEEP, *SCENARIOS)
ENTRIES: Final[tuple[Instruction | str, ...]] = (*INSTRUCTIONS, *EVENTS[1:])
SHARES: Final = 12  # of the faults of a variant: enough to go round, few enough to be worth a start

#: First a few cases, which see most faults, then more: one in so many of each opcode's.
SAMPLES: Final = (8192, 512)


@dataclass(frozen=True)
class Verdict:
    """What became of one fault.

    `seen` is the stage that saw it, if one did, and `reason` why none can, if that is proved; else
    `example` is a state that would show it, as far as one clock goes.
    """

    fault: Fault
    seen: str = ""
    reason: Reason | None = None
    example: str = ""

    @property
    def explained(self) -> bool:
        """Whether it is seen, or no one can see it."""
        return bool(self.seen) or self.reason is not None


class Judge:
    """What is asked about the faults of one variant, one stage after the other."""

    def __init__(
        self,
        variant: str,
        netlist: Netlist | None = None,
        samples: Iterable[Cases] | None = None,
        scenarios: Iterable[str] = SCENARIOS,
    ) -> None:
        """Other netlists, cases and scenarios than the usual may be given.

        Raises NetlistError, DisagreementError or ProofError.
        """
        self.variant = variant
        self.injector = Injector(drawn_netlist(variant) if netlist is None else netlist)
        if samples is None:
            samples = [sampled(one_in) for one_in in SAMPLES]
        self.cases = 0
        self.runs = 0
        self.traces: list[tuple[str, Trace]] = []
        for cases in samples:
            self.cases += len(cases)
            self.traces.append((SWEEP, trace_cases(self.injector, variant, cases)))
        for name in scenarios:
            lanes = list(SCENARIOS[name].lanes())
            self.runs += len(lanes)
            self.traces.append((name, trace_lanes(self.injector, lanes, SCENARIOS[name].clocks)))
        self.prover = Prover(self.injector, variant)

    def judge(self, fault: Fault) -> Verdict:
        """The verdict on one fault."""
        for name, trace in self.traces:
            if self.injector.seen(trace, fault):
                return Verdict(fault, name)
        reason = self.prover.reason(fault)
        return Verdict(fault, reason=reason, example="" if reason else self.prover.example(fault))

    def hunt(self, entry: Instruction | str, faults: Sequence[Fault]) -> list[Fault]:
        """Those of the faults that any of the sweep's cases of an opcode or event sees."""
        seen: list[Fault] = []
        for batch in exhaustive_cases(entry):
            for start in range(0, len(batch), BATCH):
                trace = trace_cases(self.injector, self.variant, batch[start : start + BATCH])
                seen += [
                    fault
                    for fault in faults
                    if fault not in seen and self.injector.seen(trace, fault)
                ]
        return seen


def sampled(one_in: int) -> Cases:
    """The same part of the sweep's cases each time: of each opcode's and event's one in so many."""
    parts = []
    for seed, entry in enumerate(ENTRIES):
        cases = np.concatenate([unnamed(batch) for batch in exhaustive_cases(entry)])
        rng = np.random.default_rng(seed)
        parts.append(rng.choice(cases, max(16, len(cases) // one_in), replace=False))
    return np.concatenate(parts).view(CASE)


# What it all comes to


@dataclass
class VariantGrade:
    """One variant's faults: every one of them has a verdict."""

    variant: str
    netlist: Netlist
    sites: Sites
    verdicts: list[Verdict]
    cases: int  # of the sweep, that were traced for all faults
    runs: int
    seconds: float = 0.0

    @property
    def seen(self) -> Counter[str]:
        """How many faults each stage saw first."""
        return Counter(verdict.seen for verdict in self.verdicts if verdict.seen)

    @property
    def unseen(self) -> list[Verdict]:
        """Faults that no one can see."""
        return [verdict for verdict in self.verdicts if verdict.reason is not None]

    @property
    def unexplained(self) -> list[Verdict]:
        """Faults that some case would show, but no case does."""
        return [verdict for verdict in self.verdicts if not verdict.explained]

    @property
    def agree(self) -> bool:
        """Whether every fault there is was judged, and is explained."""
        judged = {verdict.fault for verdict in self.verdicts}
        return judged == set(self.sites.faults) and bool(judged) and not self.unexplained

    def listed(self) -> list[dict[str, Any]]:
        """The faults that nothing saw, in words."""
        wires = Wires(self.netlist)
        return [
            {
                "wire": wires.call(verdict.fault.wire),
                "stuck_at": verdict.fault.value,
                "reader": wires.reader(verdict.fault),
                "region": wires.region(verdict.fault),
                "reason": verdict.reason.kind if verdict.reason else "unexplained",
                "by": list(verdict.reason.names) if verdict.reason else [],
                "example": verdict.example,
            }
            for verdict in (*self.unexplained, *self.unseen)
        ]

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        reasons = Counter(verdict.reason.kind for verdict in self.unseen if verdict.reason)
        return {
            "agree": self.agree,
            "faults": len(self.verdicts),
            "equivalent": self.sites.equivalent,
            "detected": self.seen.total(),
            "detected_by": {stage: self.seen[stage] for stage in STAGES},
            "undetectable": len(self.unseen),
            "undetectable_by": {kind: reasons[kind] for kind in KINDS},
            "unexplained": len(self.unexplained),
            "cases": self.cases,
            "runs": self.runs,
            "seconds": round(self.seconds, 3),
            "undetected": self.listed(),
        }


@dataclass
class Grade:
    """What the checks are worth."""

    variants: dict[str, VariantGrade] = field(default_factory=dict)
    mistakes: list[Exposure] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def agree(self) -> bool:
        """Whether every fault is explained, and every mistake found as often as documented."""
        faults = [one.agree for one in self.variants.values()]
        mistakes = [one.agree for one in self.mistakes]
        return bool(faults) and bool(mistakes) and all(faults + mistakes)

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "agree": self.agree,
            "variants": {name: one.to_json() for name, one in self.variants.items()},
            "mistakes": [one.to_json() for one in self.mistakes],
            "seconds": round(self.seconds, 3),
        }


def grade_size(variant: str) -> int:
    """How many tasks there are, if no fault is left for the whole of the sweep."""
    variants = VARIANTS if variant == "all" else (variant,)
    return len(variants) * (SHARES + len(ENTRIES)) + len(MISTAKES)


def grade(
    variant: str, progress: Callable[[int], object] | None = None, *, jobs: int | None = None
) -> Grade:
    """Grades the checks of a variant, or of "all".

    `progress` is told what is done of `grade_size`. `jobs` is the number of processes: by default
    as many as processors. Raises NetlistError, DisagreementError or ProofError.
    """
    began = time.perf_counter()
    variants = VARIANTS if variant == "all" else (variant,)
    result, done = Grade(), 0

    def counted(answers: Iterator[Any]) -> Iterator[Any]:
        nonlocal done
        for answer in answers:
            done += 1
            if progress is not None:
                progress(done)
            yield answer

    with workers(processors() if jobs is None else jobs) as work:
        for one in variants:
            start = time.perf_counter()
            graded = _grade_faults(one, work, counted)
            graded.seconds = time.perf_counter() - start
            result.variants[one] = graded
        exposures = {}
        for mistake in MISTAKES:
            made = tuple(one for one in variants if one in mistake.variants)
            if made:
                exposures[mistake.number] = Exposure(mistake, made)
        # The largest first, lest one process be left with it at the end.
        entries = sorted(ENTRIES, key=exhaustive_count, reverse=True)
        tasks = [(_expose, one, entry) for entry in entries for one in variants]
        for one, name, cases, exposed in counted(work(tasks)):
            for number, found in exposed.items():
                exposures[number].add(one, name, cases, found)
        for number, count in counted(work([(_count, number) for number in exposures])):
            exposures[number].count = count
        result.mistakes = list(exposures.values())
    result.seconds = time.perf_counter() - began
    return result


def _grade_faults(
    variant: str, work: Work, counted: Callable[[Iterator[Any]], Iterator[Any]]
) -> VariantGrade:
    netlist = drawn_netlist(variant)
    sites = fault_sites(netlist)
    result = VariantGrade(variant, netlist, sites, [], 0, 0)
    found: dict[Fault, Verdict] = {}
    tasks = [(_judge, variant, share) for share in range(SHARES)]
    for verdicts, result.cases, result.runs in counted(work(tasks)):
        found |= {verdict.fault: verdict for verdict in verdicts}
    # A fault that some case would show: all cases are asked, not a part of them.
    left = [fault for fault, verdict in found.items() if not verdict.explained]
    if left:
        for seen in work([(_hunt, variant, entry, left) for entry in ENTRIES]):
            found |= {fault: Verdict(fault, SWEEP) for fault in seen}
    result.verdicts = [found[fault] for fault in sites.faults if fault in found]
    return result


@lru_cache(maxsize=1)
def _usual(variant: str) -> Judge:
    return Judge(variant)


def _judge(variant: str, share: int) -> tuple[list[Verdict], int, int]:
    judge = _usual(variant)
    faults = fault_sites(judge.injector.netlist).faults[share::SHARES]
    return [judge.judge(fault) for fault in faults], judge.cases, judge.runs


def _hunt(variant: str, entry: Instruction | str, faults: Sequence[Fault]) -> list[Fault]:
    return _usual(variant).hunt(entry, faults)


def _expose(variant: str, entry: Instruction | str) -> tuple[str, str, int, dict[int, int]]:
    return (variant, entry if isinstance(entry, str) else entry.mnemonic, *expose(variant, entry))


def _count(number: int) -> tuple[int, Any]:
    return number, count_inputs(next(one for one in MISTAKES if one.number == number))


# The report


def draw_grade(result: Grade, console: Console, every: bool = False) -> None:
    """Tables of faults and mistakes; with `every`, each fault that no one can see."""
    from rich.text import Text

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


def _table(words: Sequence[str], numbers: Sequence[str]) -> Table:
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for heading in words:
        table.add_column(heading, overflow="fold")
    for heading in numbers:
        table.add_column(heading, justify="right", no_wrap=True)
    return table


def _number(value: int, style: str = "") -> Text:
    from rich.text import Text

    return Text(f"{value:,}" if value else "-", style if value else "")


def _draw_faults(variants: Sequence[VariantGrade]) -> Table:
    table = _table([""], [one.variant for one in variants])

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
    table = _table([""], [one.variant for one in variants])
    regions = [Counter(entry["region"] for entry in one.listed()) for one in variants]
    for region in sorted({region for counts in regions for region in counts}):
        table.add_row(region, *(_number(counts[region]) for counts in regions))
    return table


def _list_faults(one: VariantGrade, console: Console, every: bool) -> None:
    """Those that are not explained, and with `every` the others."""
    from rich.text import Text

    for entry in one.listed():
        explained = entry["reason"] != "unexplained"
        if every or not explained:
            place = f"{entry['wire']} at {entry['stuck_at']}"
            place += f", as read by {entry['reader']}" if entry["reader"] else ""
            why = " ".join((entry["reason"], *entry["by"]))
            why += f"; a case is missing: {entry['example']}" if entry["example"] else ""
            line = f"{one.variant}: {place}: {why}"
            console.print(Text(line, "" if explained else "bold red"))


def _draw_mistakes(result: Grade) -> Table:
    from rich.text import Text

    table = _table(["", "mistake"], ["cases", *result.variants, "documented"])
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
