"""Vectors: a few cases with their outcomes, for someone else's unit tests.

As few as a greedy cover finds that still show every stuck-at fault of the netlist that the sweep's
cases show, and every planted mistake in every instruction that it is made in.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from operator import index
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.case_memory import possible
from ..cases.exhaustive import exhaustive_cases
from ..cases.kinds import BY_KEY, forms_of, keys_of
from ..cases.layout import CASE, Cases, Outcomes, unnamed
from ..grade.faults import Fault, Injector, Trace, equivalents, fault_sites
from ..grade.scenarios import alike, trace_cases
from ..mistakes.catalogue import MISTAKES
from ..mistakes.mistake import Mistake, Mistaken
from ..netlist.synthesis import drawn_netlist
from ..system import cache
from ..system.errors import UnusableError
from ..system.workers import processors, workers
from ..witness.comparison import Comparison, differences
from ..witness.gates import Gates
from ..witness.model import Model

POOL: Final = 8192  # one in so many of an opcode's or event's cases is asked about every fault
WIDE: Final = 128  # and one in so many about those that the others do not show
LEAST: Final = 16  # cases of each
SHARES: Final = 16  # of the faults

#: What is looked at, in words that go with the numbers of a coverage.
SCOPE: Final = (
    "stuck-at faults: one wire or pin of the drawn netlist held at 0 or 1, seen in the outcome or "
    "on the bus. Undetected are those that no case of one instruction or event shows: they need "
    "runs with the pins driven, or cannot be seen at all. Mistakes count once for each instruction "
    "and mode of arithmetic. After RESET the makers leave D open, except on cmos."
)


#: Those numbers, in their order.
COUNTED: Final = (
    "cases", "faults", "detected", "undetected", "mistakes", "planted", "found",
)  # fmt: skip


class VectorsError(UnusableError):
    """Vectors that cannot be made or written; the message is one line."""


@dataclass(frozen=True)
class Vectors:
    """Cases, and what they cover: plain values by name."""

    variant: str
    cases: Cases
    coverage: dict[str, Any]

    def outcomes(self) -> Outcomes:
        """What the gates answer. Raises VectorsError where the model does not say the same."""
        gates = Gates(self.variant)
        answers, expected = gates.execute(self.cases), Model(self.variant).execute(self.cases)
        if gates.off_bus or not Comparison.of(self.cases, expected, answers).agree:
            raise VectorsError(f"{self.variant}: the gates do not agree with the model")
        return answers


# The pool


def _sampled(one_in: int, variant: str) -> Cases:
    """The same part of the sweep's cases each time, of those that one memory can hold."""
    parts = []
    for seed, instruction in enumerate(BY_KEY.values()):
        batches = [unnamed(batch) for batch in exhaustive_cases(instruction, variant)]
        cases = np.concatenate(batches).view(CASE)
        fitting = unnamed(cases)[possible(cases)]
        rng = np.random.default_rng(seed)
        parts.append(rng.choice(fitting, max(LEAST, len(fitting) // one_in), replace=False))
    return np.concatenate(parts).view(CASE)


def _in_lanes(cases: Cases) -> Cases:
    """The cases in the order of a trace's lanes."""
    return np.concatenate([unnamed(block) for block, _ in alike(cases)]).view(CASE)


# Mistakes


Target = tuple[Mistake, str]


def _targets(variant: str) -> list[Target]:
    """Each mistake, in each mode that the variant has, in each instruction that it is made in."""
    return [
        (made, name)
        for mistake in MISTAKES
        if variant in mistake.variants
        for made in mistake.variations()
        if variant != "binary" or made.modes != "decimal"
        for name in sorted(made.mnemonics)
    ]


def _exposed(variant: str, target: Target, cases: Cases) -> npt.NDArray[np.int64]:
    """The cases that expose a mistake."""
    mistake, name = target
    forms = forms_of(name)
    rows = np.flatnonzero(np.isin(keys_of(cases), [key for key in BY_KEY if BY_KEY[key] in forms]))
    if not len(rows):
        return rows
    asked = cases[rows]
    skip = ["p.d"] if name == "RESET" and variant != "cmos" else []
    expected, actual = (
        witness.execute(asked) for witness in (Model(variant), Mistaken(mistake, variant=variant))
    )
    return rows[np.logical_or.reduce(list(differences(expected, actual, skip).values()))]


def _first_exposed(variant: str, target: Target) -> Cases | None:
    """The first case of the sweep that exposes a mistake, if one does."""
    for batch in chain.from_iterable(
        exhaustive_cases(form, variant) for form in forms_of(target[1])
    ):
        cases = batch[possible(batch)]
        rows = _exposed(variant, target, cases)
        if len(rows):
            return cases[rows[:1]]
    return None


# Faults


@lru_cache(maxsize=2)
def _traced(variant: str, cases: bytes) -> tuple[Injector, Trace]:
    injector = Injector(drawn_netlist(variant))
    return injector, trace_cases(injector, variant, np.frombuffer(cases, CASE))


def _lanes(variant: str, cases: bytes, share: int, faults: Sequence[Fault]) -> tuple[int, Any]:
    """For each fault of a share the lanes in which it is seen."""
    injector, trace = _traced(variant, cases)
    return share, [injector.seen(trace, fault, every=True) for fault in faults]


def compact(
    variant: str = "nmos",
    faults: Sequence[Fault] | None = None,
    progress: Callable[[int], object] | None = None,
    *,
    jobs: int | None = None,
) -> Vectors:
    """The compact set of a variant, the same each time; `faults` are all by default.

    `progress` is told what is done of 100. Raises NetlistError, DisagreementError or WorkerError.
    """
    netlist = drawn_netlist(variant)
    listed = fault_sites(netlist).faults if faults is None else tuple(faults)
    pool = _sampled(POOL, variant)
    targets = _targets(variant)
    missing = [target for target in targets if not len(_exposed(variant, target, pool))]
    more = [first for target in missing if (first := _first_exposed(variant, target)) is not None]
    pool = _in_lanes(np.concatenate([unnamed(part) for part in (pool, *more)]).view(CASE))
    wide = _in_lanes(_sampled(WIDE, variant))

    with workers(processors() if jobs is None else jobs) as work:

        def seen(cases: Cases, asked: Sequence[Fault], begin: int, end: int) -> list[int]:
            alike = equivalents(netlist, asked)
            shares = [[*alike][share::SHARES] for share in range(SHARES)]
            lanes: dict[Fault, int] = {}
            tasks = [
                (_lanes, variant, cases.tobytes(), share, faults)
                for share, faults in enumerate(shares)
            ]
            for done, (share, found) in enumerate(work(tasks), start=1):
                for one, mine in zip(shares[share], found, strict=True):
                    lanes |= dict.fromkeys(alike[one], mine)
                if progress is not None:
                    progress(begin + (end - begin) * done // SHARES)
            return [lanes[fault] for fault in asked]

        by_pool = seen(pool, listed, 0, 90)
        rest = [fault for fault, lanes in zip(listed, by_pool, strict=True) if not lanes]
        by_wide = [lanes for lanes in seen(wide, rest, 90, 100) if lanes]

    exposing = [_exposed(variant, target, pool).tolist() for target in targets]
    found = [sum(1 << row for row in rows) for rows in exposing if rows]
    shown = [lanes for lanes in by_pool if lanes]
    pools = (pool, shown + found), (wide, by_wide)
    covers = [unnamed(cases)[_cover(sets, len(cases))] for cases, sets in pools]
    chosen = np.concatenate(covers).view(CASE)
    counted = (
        len(chosen), len(listed), len(shown) + len(by_wide), len(rest) - len(by_wide),
        len({mistake.number for mistake, _ in targets}), len(targets), len(found),
    )  # fmt: skip
    return Vectors(variant, _in_lanes(chosen), _coverage(variant, counted))


def _coverage(variant: str, counted: Sequence[int]) -> dict[str, Any]:
    """The numbers by their names, and what they are of. Raises TypeError for other than numbers."""
    numbers = dict(zip(COUNTED, map(index, counted), strict=True))
    return {"variant": variant, **numbers, "scope": SCOPE}


# The cover


def _cover(sets: Sequence[int], size: int) -> list[int]:
    """A few of `size` elements, of which each set has one: greedy, then without the needless.

    A set is a mask of elements; none is empty.
    """
    # Only the smallest matter: what hits a set hits those that contain it.
    unique = sorted(set(sets), key=lambda lanes: (lanes.bit_count(), lanes))
    if not unique:
        return []
    length = (size + 7) // 8
    packed = np.frombuffer(b"".join(s.to_bytes(length, "little") for s in unique), np.uint8)
    table = np.unpackbits(packed.reshape(-1, length), axis=1, count=size, bitorder="little")
    flipped = np.packbits(table.T, axis=1, bitorder="little")
    hits = [int.from_bytes(row.tobytes(), "little") for row in flipped]
    left = (1 << len(unique)) - 1
    chosen: list[int] = []
    while left:
        # A set that is hard to hit comes first: whatever hits it, one of these must be taken.
        hardest = (left & -left).bit_length() - 1
        among = np.flatnonzero(table[hardest]).tolist()
        best = max(among, key=lambda element: ((hits[element] & left).bit_count(), -element))
        chosen.append(best)
        left &= ~hits[best]
    times = table[:, chosen].sum(axis=1, dtype=np.int64)
    kept = list(chosen)
    for element in reversed(chosen):
        without = times - table[:, element]
        if without.all():
            times = without
            kept.remove(element)
    return sorted(kept)


# What the user's cache holds: half a minute's work


def cached(variant: str, progress: Callable[[int], object] | None = None) -> Vectors:
    """As `compact`, but kept in the user's cache for this very netlist and these very sources."""
    netlist = drawn_netlist(variant)
    # All rooms: what a set depends on is more than a list would remember.
    sources = sorted(Path(__file__).parents[1].rglob("*.py"))
    made_from = b"\0".join(
        [repr((netlist, np.__version__)).encode(), *map(Path.read_bytes, sources)]
    )

    def make() -> str:
        made = compact(variant, progress=progress)
        counted = [made.coverage[name] for name in COUNTED]
        return json.dumps({"cases": made.cases.tobytes().hex(), "counted": counted})

    def read(text: str) -> Vectors:
        kept = json.loads(text)
        cases = np.frombuffer(bytes.fromhex(kept["cases"]), CASE)
        return Vectors(variant, cases, _coverage(variant, kept["counted"]))

    return cache.cached(f"vectors-{variant}", made_from, make, read)
