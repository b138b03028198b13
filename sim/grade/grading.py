"""The checks, graded: is every fault in the gates seen, and every planted mistake found?

A check that has never failed has told nothing. Each wire and pin of the netlist is held at 0 and at
1, and the cases of the sweep, then runs with the pins driven, are asked whether they see it. What
none of them sees is proved to be invisible, or stands in the report as a case that is missing.
"""

import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import takewhile
from typing import Any, Final

import numpy as np

from ..cases.exhaustive import exhaustive_cases, exhaustive_count
from ..cases.kinds import BY_KEY
from ..cases.layout import CASE, Cases, unnamed
from ..family.instructions import Instruction
from ..family.members import VARIANTS
from ..mistakes.catalogue import MISTAKES
from ..netlist.synthesis import Netlist, drawn_netlist
from ..system.workers import Work, processors, workers
from ..witness.gates import BATCH
from .exposure import Exposure, count_inputs, expose
from .faults import Fault, Injector, Sites, Trace, Wires, equivalents, fault_sites
from .redundant import KINDS, FaultProver, Reason
from .scenarios import SCENARIOS, trace_cases, trace_lanes

SWEEP: Final = "sweep"
STAGES: Final = (SWEEP, *SCENARIOS)
FORMS: Final = tuple(BY_KEY.values())
SHARES: Final = 12  # of the faults of a variant: enough to go round, few enough to be worth a start

#: First a few cases, which see most faults, then more: one in so many of each opcode's.
SAMPLES: Final = (8192, 512)


@dataclass(frozen=True)
class FaultVerdict:
    """What became of one fault.

    `seen` is the stage that saw it, if one did, and `reason` why none can, if that is proved; else
    `example` is a state that would show it, as far as one clock goes, and `opcode` the one there.
    """

    fault: Fault
    seen: str = ""
    reason: Reason | None = None
    example: str = ""
    opcode: int = 0

    @property
    def explained(self) -> bool:
        """Whether it is seen, or no one can see it."""
        return bool(self.seen) or self.reason is not None


class Judge:
    """What is asked about the faults of one variant, one stage after the other."""

    def __init__(
        self, variant: str, netlist: Netlist | None = None,
        samples: Iterable[Cases] | None = None, scenarios: Iterable[str] = SCENARIOS,
    ) -> None:  # fmt: skip
        """Other netlists, cases and scenarios than the usual may be given.

        Raises NetlistError, DisagreementError or ProofError.
        """
        self.variant = variant
        self.injector = Injector(drawn_netlist(variant) if netlist is None else netlist)
        self.cases, self.runs = 0, 0
        self.traces: list[tuple[str, Trace]] = []
        for cases in samples or (sampled(one_in, variant) for one_in in SAMPLES):
            self.cases += len(cases)
            self.traces.append((SWEEP, trace_cases(self.injector, variant, cases)))
        for name in scenarios:
            lanes = list(SCENARIOS[name].lanes())
            self.runs += len(lanes)
            self.traces.append((name, trace_lanes(self.injector, lanes, SCENARIOS[name].clocks)))
        self.prover = FaultProver(self.injector, variant)

    def judge(self, fault: Fault) -> FaultVerdict:
        """The verdict on one fault."""
        return self.judge_alike(fault, [fault])[0]

    def judge_alike(self, one: Fault, faults: Sequence[Fault]) -> list[FaultVerdict]:
        """The verdicts on faults that cannot be told from `one`; see `equivalents`."""
        for name, trace in self.traces:
            if self.injector.seen(trace, one):
                return [FaultVerdict(fault, name) for fault in faults]
        return [self._unseen(fault) for fault in faults]

    def _unseen(self, fault: Fault) -> FaultVerdict:
        reason = self.prover.reason(fault)
        example, opcode = ("", 0) if reason else self.prover.example(fault)
        return FaultVerdict(fault, "", reason, example, opcode)

    def hunt(self, instruction: Instruction, faults: Sequence[Fault]) -> list[Fault]:
        """Those of the faults that any of the sweep's cases of an opcode or entry sees."""
        seen: list[Fault] = []
        for batch in exhaustive_cases(instruction, self.variant):
            for start in range(0, len(batch), BATCH):
                trace = trace_cases(self.injector, self.variant, batch[start : start + BATCH])
                left = [fault for fault in faults if fault not in seen]
                seen += [fault for fault in left if self.injector.seen(trace, fault)]
        return seen


def sampled(one_in: int, variant: str) -> Cases:
    """The same part of the sweep's cases each time: of each opcode's and event's one in so many."""
    parts = []
    for seed, instruction in enumerate(FORMS):
        cases = np.concatenate([unnamed(batch) for batch in exhaustive_cases(instruction, variant)])
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
    verdicts: list[FaultVerdict]
    cases: int  # of the sweep, that were traced for all faults
    runs: int
    seconds: float = 0.0

    @property
    def seen(self) -> Counter[str]:
        """How many faults each stage saw first."""
        return Counter(verdict.seen for verdict in self.verdicts if verdict.seen)

    @property
    def unseen(self) -> list[FaultVerdict]:
        """Faults that no one can see."""
        return [verdict for verdict in self.verdicts if verdict.reason is not None]

    @property
    def unexplained(self) -> list[FaultVerdict]:
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
    return len(variants) * (SHARES + len(FORMS)) + len(MISTAKES)


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
            result.variants[one] = _grade_faults(one, work, counted)
        exposures = {}
        for mistake in MISTAKES:
            made = tuple(one for one in variants if one in mistake.variants)
            if made:
                exposures[mistake.number] = Exposure(mistake, made)
        # The largest first, lest one process be left with it at the end.
        forms = sorted(FORMS, key=exhaustive_count, reverse=True)
        tasks = [(_expose, one, form) for form in forms for one in variants]
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
    began = time.perf_counter()
    netlist = drawn_netlist(variant)
    sites = fault_sites(netlist)
    result = VariantGrade(variant, netlist, sites, [], 0, 0)
    found: dict[Fault, FaultVerdict] = {}
    tasks = [(_judge, variant, share) for share in range(SHARES)]
    for verdicts, result.cases, result.runs in counted(work(tasks)):
        found |= {verdict.fault: verdict for verdict in verdicts}
    # A fault that some case would show: all cases are asked, not a part of them, until one does.
    # The opcodes of the examples come first.
    left = {fault: verdict.opcode for fault, verdict in found.items() if not verdict.explained}
    likely = {*left.values()}
    forms = sorted(FORMS, key=lambda form: form.opcode not in likely)
    for seen in work((_hunt, variant, form, [*left]) for form in takewhile(lambda _: left, forms)):
        for fault in seen:
            found[fault] = FaultVerdict(fault, SWEEP)
            left.pop(fault, None)
    result.verdicts = [found[fault] for fault in sites.faults if fault in found]
    result.seconds = time.perf_counter() - began
    return result


@lru_cache(maxsize=1)
def _usual(variant: str) -> Judge:
    return Judge(variant)


def _judge(variant: str, share: int) -> tuple[list[FaultVerdict], int, int]:
    judge = _usual(variant)
    netlist = judge.injector.netlist
    alike = [*equivalents(netlist, fault_sites(netlist).faults).items()][share::SHARES]
    verdicts = [verdict for one, faults in alike for verdict in judge.judge_alike(one, faults)]
    return verdicts, judge.cases, judge.runs


def _hunt(variant: str, instruction: Instruction, faults: Sequence[Fault]) -> list[Fault]:
    return _usual(variant).hunt(instruction, faults)


def _expose(variant: str, instruction: Instruction) -> tuple[str, str, int, dict[int, int]]:
    return (variant, instruction.mnemonic, *expose(variant, instruction))


def _count(number: int) -> tuple[int, Any]:
    return number, count_inputs(next(one for one in MISTAKES if one.number == number))
