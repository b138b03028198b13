"""Vectors: a few cases with their outcomes, for someone else's unit tests.

As few as a greedy cover finds that still show every stuck-at fault of the netlist that the sweep's
cases show, and every planted mistake in every instruction that it is made in.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from .cases import CASE, OUTCOME, Cases, Outcomes, exhaustive_cases, unnamed
from .compare import Comparison, differences
from .emulator import layout_of
from .faults import Fault, Injector, Trace, fault_sites
from .files import written_beside
from .gates import Gates
from .isa import BY_MNEMONIC, EVENTS, INSTRUCTIONS, Instruction
from .mistakes import MISTAKES, Mistake, Mistaken
from .model import Model
from .netlist import cache_folder, drawn_netlist
from .scenarios import alike, trace_cases
from .trials import possible
from .workers import processors, workers

__all__ = ["SUFFIXES", "Vectors", "VectorsError", "columns", "compact", "write"]

ENTRIES: Final[tuple[Instruction | str, ...]] = (*INSTRUCTIONS, *EVENTS[1:])
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


class VectorsError(Exception):
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


def _sampled(one_in: int) -> Cases:
    """The same part of the sweep's cases each time, of those that one memory can hold."""
    parts = []
    for seed, entry in enumerate(ENTRIES):
        cases = np.concatenate([unnamed(batch) for batch in exhaustive_cases(entry)]).view(CASE)
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


def _entries_of(name: str) -> list[Instruction | str]:
    return [name] if name in EVENTS else list(BY_MNEMONIC[name].values())


def _rows_of(cases: Cases, name: str) -> npt.NDArray[np.int64]:
    """Where the cases of a mnemonic or event are; an IRQ that is masked belongs to neither."""
    if name in EVENTS:
        happens = (name != "IRQ") | (cases["p"] & 4 == 0)
        return np.flatnonzero((cases["event"] == EVENTS.index(name)) & happens)
    opcodes = [entry.opcode for entry in BY_MNEMONIC[name].values()]
    return np.flatnonzero((cases["event"] == 0) & np.isin(cases["bytes"][:, 0], opcodes))


def _exposed(variant: str, target: Target, cases: Cases) -> npt.NDArray[np.int64]:
    """The cases that expose a mistake."""
    mistake, name = target
    rows = _rows_of(cases, name)
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
    for batch in chain.from_iterable(exhaustive_cases(entry) for entry in _entries_of(target[1])):
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
    listed = fault_sites(drawn_netlist(variant)).faults if faults is None else tuple(faults)
    pool = _sampled(POOL)
    targets = _targets(variant)
    missing = [target for target in targets if not len(_exposed(variant, target, pool))]
    more = [first for target in missing if (first := _first_exposed(variant, target)) is not None]
    pool = _in_lanes(np.concatenate([unnamed(part) for part in (pool, *more)]).view(CASE))
    wide = _in_lanes(_sampled(WIDE))

    with workers(processors() if jobs is None else jobs) as work:

        def seen(cases: Cases, asked: Sequence[Fault], begin: int, end: int) -> list[int]:
            shares = [asked[share::SHARES] for share in range(SHARES)]
            lanes: list[int] = [0] * len(asked)
            tasks = [
                (_lanes, variant, cases.tobytes(), share, faults)
                for share, faults in enumerate(shares)
            ]
            for done, (share, found) in enumerate(work(tasks), start=1):
                lanes[share::SHARES] = found
                if progress is not None:
                    progress(begin + (end - begin) * done // SHARES)
            return lanes

        by_pool = seen(pool, listed, 0, 90)
        rest = [fault for fault, lanes in zip(listed, by_pool, strict=True) if not lanes]
        by_wide = [lanes for lanes in seen(wide, rest, 90, 100) if lanes]

    rows = [_bits(_exposed(variant, target, pool)) for target in targets]
    shown = [lanes for lanes in by_pool if lanes]
    found = [lanes for lanes in rows if lanes]
    chosen = np.concatenate(
        [
            unnamed(pool)[_cover(shown + found, len(pool))],
            unnamed(wide)[_cover(by_wide, len(wide))],
        ]
    ).view(CASE)
    coverage = {
        "variant": variant,
        "cases": len(chosen),
        "faults": len(listed),
        "detected": len(shown) + len(by_wide),
        "undetected": len(rest) - len(by_wide),
        "mistakes": len({mistake.number for mistake, _ in targets}),
        "planted": len(targets),
        "found": len(found),
        "scope": SCOPE,
    }
    return Vectors(variant, _in_lanes(chosen), coverage)


# The cover


def _bits(rows: npt.NDArray[np.int64]) -> int:
    return sum(1 << int(row) for row in rows)


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


_SOURCES: Final = ("cases", "faults", "mistakes", "model", "scenarios", "trials", "vectors")


def cached(variant: str, progress: Callable[[int], object] | None = None) -> Vectors:
    """As `compact`, but kept in the user's cache for this very netlist and these very sources."""
    netlist = drawn_netlist(variant)
    digest = hashlib.sha256(repr((netlist, np.__version__)).encode())
    for name in _SOURCES:
        digest.update(Path(__file__).with_name(f"{name}.py").read_bytes())
    path = cache_folder() / f"vectors-{variant}-{digest.hexdigest()[:32]}.json"
    with suppress(OSError, ValueError, KeyError, TypeError):
        kept = json.loads(path.read_text(encoding="utf-8"))
        cases = np.frombuffer(bytes.fromhex(kept["cases"]), CASE)
        if len(cases) == kept["coverage"]["cases"] > 0:
            return Vectors(variant, cases, kept["coverage"])
    made = compact(variant, progress=progress)
    with suppress(OSError):  # it is only made again
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_beside(path) as file:
            json.dump({"cases": made.cases.tobytes().hex(), "coverage": made.coverage}, file)
    return made


# Files


_SHARED: Final = frozenset(CASE.names or ()) & frozenset(OUTCOME.names or ())


def columns(vectors: Vectors) -> dict[str, npt.NDArray[Any]]:
    """The cases' columns, then the outcomes': `after_` stands before names that both have."""
    parts = [("", vectors.cases), ("after_", vectors.outcomes())]
    return {
        f"{prefix if name in _SHARED else ''}{name}{end}": column
        for prefix, records in parts
        for name in records.dtype.names or ()
        for end, column in _single(records[name])
    }


def _single(column: npt.NDArray[Any]) -> Iterator[tuple[str, npt.NDArray[Any]]]:
    if column.ndim == 1:
        yield "", column
    else:
        yield from ((f"_{i}", column[:, i]) for i in range(column.shape[1]))


def _said(coverage: dict[str, Any]) -> list[str]:
    """A coverage in lines."""
    return [f"{name}: {value}" for name, value in coverage.items()]


def _csv(vectors: Vectors) -> bytes:
    table, text = columns(vectors), io.StringIO()
    text.writelines(f"# {line}\n" for line in _said(vectors.coverage))
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table)
    writer.writerows(zip(*(column.tolist() for column in table.values()), strict=True))
    return text.getvalue().encode()


def _jsonl(vectors: Vectors) -> bytes:
    table = columns(vectors)
    rows = zip(*(column.tolist() for column in table.values()), strict=True)
    lines = [
        json.dumps({"coverage": vectors.coverage}),
        *(json.dumps(dict(zip(table, row, strict=True)), separators=(",", ":")) for row in rows),
    ]
    return "".join(f"{line}\n" for line in lines).encode()


def _header(vectors: Vectors) -> bytes:
    said = "\n   ".join(_said(vectors.coverage))
    outcomes = vectors.outcomes()
    head = (
        f"/* Made by `carrywave vectors`; carrywave.h is what `carrywave header` prints.\n   {said}"
        " */\n#ifndef CARRYWAVE_VECTORS_H\n#define CARRYWAVE_VECTORS_H\n\n"
        '#include "carrywave.h"\n\n'
        "struct carrywave_vector {\n    struct carrywave_case before;\n"
        "    struct carrywave_outcome after;\n};\n\n"
        f"enum {{ CARRYWAVE_VECTORS = {len(outcomes)} }};\n\n"
        "static const struct carrywave_vector carrywave_vectors[CARRYWAVE_VECTORS] = {\n"
    )
    rows = (
        f"    {{{_initial(case)},\n     {_initial(outcome)}}},\n"
        for case, outcome in zip(vectors.cases, outcomes, strict=True)
    )
    return f"{head}{''.join(rows)}}};\n\n#endif\n".encode()


def _initial(record: Any) -> str:
    """A record as C initialises it."""
    members = []
    for name, kind, count in layout_of(record.dtype):
        digits = 2 if kind == "B" else 4
        numbers = [f"0x{number:0{digits}X}" for number in np.atleast_1d(record[name]).tolist()]
        members.append(f"{{{', '.join(numbers)}}}" if count > 1 else numbers[0])
    return f"{{{', '.join(members)}}}"


def _parquet(vectors: Vectors) -> bytes:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ModuleNotFoundError as error:
        if error.name != "pyarrow":
            raise
        raise VectorsError("Parquet needs pyarrow: pip install 'carrywave[trace]'") from None
    table = pa.table({name: np.ascontiguousarray(c) for name, c in columns(vectors).items()})
    sink = io.BytesIO()
    metadata = {"coverage": json.dumps(vectors.coverage)}
    pq.write_table(table.replace_schema_metadata(metadata), sink)
    return sink.getvalue()


_WRITERS: Final[dict[str, Callable[[Vectors], bytes]]] = {
    ".csv": _csv,
    ".jsonl": _jsonl,
    ".parquet": _parquet,
    ".h": _header,
}
SUFFIXES: Final = tuple(_WRITERS)


def writer_of(path: str | os.PathLike[str]) -> Callable[[Vectors], bytes]:
    """What makes the content of a file of this name. Raises VectorsError if nothing does."""
    suffix = Path(path).suffix
    if suffix not in _WRITERS:
        raise VectorsError(f"{path}: expected a name that ends in {', '.join(SUFFIXES)}")
    return _WRITERS[suffix]


def write(vectors: Vectors, path: str | os.PathLike[str]) -> None:
    """Writes a file by its suffix, each row first put to the model.

    Raises VectorsError or OSError; then there is no file.
    """
    writer = writer_of(path)
    with written_beside(path, "wb") as file:
        file.write(writer(vectors))
