"""A trace put to the gates, in this process or anywhere: part by part, the pieces merged."""

import os
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from ..cases.layout import CASE, OUTCOME, REGISTERS
from ..family.members import VARIANTS
from ..netlist.synthesis import drawn_netlist
from ..system.workers import WorkerError, processors, workers
from ..witness.comparison import Comparison
from ..witness.gates import Gates
from .columns import Block, Columns
from .formats import parts_of, read_part
from .partial import EdgeRow, Partial, judged
from .parts import Part, TraceError
from .report import TraceReport
from .rows import UNBUILT, answered, cases_of, taken, why, written_of

_NOTHING: Final = (np.zeros(0, CASE), np.zeros(0, OUTCOME), np.zeros(0, OUTCOME))


def compare_trace(
    path: str | os.PathLike[str],
    variant: str = "nmos",
    *,
    columns: Mapping[str, str] | None = None,
    hex: bool = False,
    skip: Collection[str] = (),
    processes: int | None = None,
    progress: Callable[[int], object] | None = None,
) -> TraceReport:
    """Puts every row of a trace to the gates: a .csv, .jsonl or .parquet file, a folder of parts.

    `columns` maps names of `COLUMNS` to the file's own; `hex` reads digits without a prefix as
    hexadecimal; `skip` names fields that are not compared. `processes` is by default as many as
    processors, or one if there is little to do; they import the caller's main module, as always
    with `multiprocessing`. `progress` is told how many of `parts_of` are done. Raises TraceError,
    NetlistError if the netlist cannot be made, ValueError for an unknown variant or field.
    """
    parts = parts_of(path)
    if processes is None:
        processes = min(len(parts), processors()) if len(parts) > 2 else 1
    if processes > 1:
        drawn_netlist(variant)  # once for all of them, and not by one that may be killed meanwhile
    total, merged, waiting = Partial(), 0, dict[int, Partial | TraceError]()
    asked = variant, dict(columns or {}), hex, tuple(skip)
    try:
        with workers(processes) as work:
            tasks = ((_check_numbered, i, part, *asked) for i, part in enumerate(parts))
            for done, (i, answer) in enumerate(work(tasks), 1):
                waiting[i] = answer
                while merged in waiting:
                    following = waiting.pop(merged)
                    if isinstance(following, TraceError):
                        raise following
                    total, merged = total.merge(following), merged + 1
                if progress is not None:
                    progress(done)
    except WorkerError as error:
        raise TraceError(f"{os.fspath(path)}: {error}") from None
    return total.report(variant)


def check_part(
    part: Part | str | os.PathLike[str],
    variant: str = "nmos",
    *,
    columns: Mapping[str, str] | None = None,
    hex: bool = False,
    skip: Collection[str] = (),
) -> Partial:
    """Checks one of `parts_of` a trace, or one file of it, as a stream in constant memory.

    It is there for whatever distributes work: `reduce(Partial.merge, partials).report(variant)`,
    the partials in the order of the parts, is what `compare_trace` returns. Takes and raises the
    same.
    """
    if variant not in VARIANTS:
        raise ValueError(f"variant {variant!r}: expected one of {', '.join(VARIANTS)}")
    asked, gates = Columns(dict(columns or {}), hex), Gates(variant)
    total = Partial(Comparison.of(*_NOTHING, skip))
    for one in [part] if isinstance(part, Part) else parts_of(part):
        total = total.merge(Partial(files=((one.path, 0),)))
        for block in read_part(one, asked):
            if block.rows:
                total = total.merge(_checked(block, one.path, skip, gates))
    return total


def _check_numbered(
    number: int, part: Part, variant: str, columns: dict[str, str], hexadecimal: bool,
    skip: tuple[str, ...],
) -> tuple[int, Partial | TraceError]:  # fmt: skip
    """What a process does: of all errors the one of the first part is told, not the first found."""
    try:
        return number, check_part(part, variant, columns=columns, hex=hexadecimal, skip=skip)
    except TraceError as error:
        return number, error


def _checked(block: Block, path: str, skip: Collection[str], gates: Gates) -> Partial:
    """What some rows tell: all pairs of them, but for where they meet others."""
    rows, variant = block.rows, gates.variant
    cases, key, lacks = cases_of(block)
    cases, expected = answered(cases, key, lacks, block, gates)
    written, absent = written_of(block)
    run = block.values.get("run", np.zeros(rows, np.uint32))

    def row(at: int) -> EdgeRow:
        case, told, answer = (one[at].tobytes() for one in (cases, written, expected))
        reason = why(int(key[at]), int(lacks[at]), variant) if lacks[at] else None
        return EdgeRow(variant, case, int(run[at]), int(key[at]), reason, told, answer)

    head, tail = row(0), row(-1)
    paired = run[1:] == run[:-1]
    chosen = np.flatnonzero(paired & (lacks[:-1] == 0))
    actual = written[:-1]
    for name in REGISTERS:
        actual[name] = cases[name][1:]
    keys, sides = key[:-1], [cases[:-1], expected[:-1], actual]
    if len(chosen) < rows - 1:
        keys, sides = keys[chosen], [taken(side, chosen) for side in sides]
    told = judged(variant, keys, sides[0], sides[1], sides[2], {*skip, *absent})

    left = np.flatnonzero(paired & (lacks[:-1] != 0))
    odd = left[lacks[left] & UNBUILT != 0]
    unchecked: Counter[tuple[str, str]] = Counter()
    reasons = lacks[left].astype(np.uint32) << 16 | key[left]
    for reason, count in zip(*np.unique(reasons, return_counts=True), strict=True):
        unchecked[why(int(reason) & 0xFFFF, int(reason) >> 16, variant)] += int(count)
    return replace(
        told,
        files=((path, rows),),
        columns=frozenset(block.values),
        unchecked=unchecked,
        unpaired=int(np.count_nonzero(~paired)),
        first_wrong=None if told.first_wrong is None else int(chosen[told.first_wrong]),
        first_unbuilt=int(odd[0]) if len(odd) else None,
        head=head,
        tail=tail,
    )
