"""A trace put to the gates, in this process or anywhere: part by part, the pieces merged."""

import os
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from ..cases.layout import CASE, OUTCOME, READS, unnamed
from ..family.members import VARIANTS
from ..netlist.synthesis import drawn_netlist
from ..system.workers import WorkerError, processors, workers
from ..witness.comparison import Comparison
from ..witness.gates import Gates
from .accesses import Happened, accesses_of
from .between import Mask
from .cluster import cluster
from .columns import Block, Columns
from .formats import parts_of, read_part
from .memory import Memory
from .partial import EdgeRow, Pairs, Partial, judged, seam_memory
from .parts import Part, TraceError
from .recall import recalled
from .report import TraceReport
from .rows import BYTES, answered, cases_of, word_of, written_of

#: How often memory is asked, if it has told what an entry without a row has pushed.
PASSES: Final = 4
_NOTHING: Final = (np.zeros(0, CASE), np.zeros(0, OUTCOME), np.zeros(0, OUTCOME))


def compare_trace(
    path: str | os.PathLike[str],
    variant: str = "nmos",
    *,
    columns: Mapping[str, str] | None = None,
    hex: bool = False,
    skip: Collection[str] = (),
    devices: Collection[tuple[int, int]] = (),
    processes: int | None = None,
    scheduler: str | None = None,
    progress: Callable[[int], object] | None = None,
) -> TraceReport:
    """Puts every row of a trace to the gates: a .csv, .jsonl or .parquet file, a folder of parts.

    `columns` maps names of `COLUMNS` to the file's own; `hex` reads digits without a prefix as
    hexadecimal; `skip` names fields that are not compared; `devices` are first and last addresses
    of what is no memory, so that a byte may be another without being written. `processes` is by
    default as many as processors, or one if there is little to do; they import the caller's main
    module, as always with `multiprocessing`. What is read must be recorded for that: else each part
    has to wait for the memory that the one before it leaves. `scheduler` is the address of a Dask
    scheduler, whose workers find the parts by the same absolute paths, or "local" for a cluster of
    `processes`. `progress` is told how many of `parts_of` are done. Raises TraceError, NetlistError
    if the netlist cannot be made, ValueError for an unknown variant or field, or an impossible
    address.
    """
    parts = parts_of(path)
    if processes is None:
        processes = min(len(parts), processors()) if len(parts) > 2 else 1
    shared = processes > 1 or scheduler is not None
    if shared:
        drawn_netlist(variant)  # once for all of them, and not by one that may be killed meanwhile
    asked = partial(
        check_part, variant=variant, columns=columns, hex=hex, skip=skip, devices=devices
    )
    merged, total = 0, Partial()
    waiting: dict[int, Partial | TraceError] = {}

    def advance(following: Partial | None = None) -> None:
        """Merges the next part, checked with what is known by now if it was not, or lacked that."""
        nonlocal merged, total
        if following is None or following.asks:
            following = asked(parts[merged], after=total)
        total, merged = total.merge(following), merged + 1

    def sent(part: Part) -> Part:
        """The same for a process that works in another folder."""
        return part if scheduler is None else replace(part, path=os.path.abspath(part.path))

    at = os.fspath(path)
    try:
        with workers(processes) if scheduler is None else cluster(scheduler, processes) as work:
            # The first part tells whether the others have to know what memory it leaves.
            while merged < len(parts) and (merged == 0 or not shared or total.asks):
                advance()
                if progress is not None:
                    progress(merged)
            tasks = ((_check_numbered, i, sent(parts[i]), asked) for i in range(merged, len(parts)))
            for done, (i, answer) in enumerate(work(tasks), merged + 1):
                waiting[i] = answer
                while merged in waiting:
                    following = waiting.pop(merged)
                    if isinstance(following, TraceError):
                        if scheduler is None:
                            raise following
                        at = parts[merged].path
                        advance()  # which raises the same with the file's name as it was given
                        raise WorkerError(f"{scheduler}: a worker cannot read it: {following}")
                    if scheduler is not None:
                        ((_, rows),) = following.files
                        following = replace(following, files=((parts[merged].path, rows),))
                    advance(following)
                if progress is not None:
                    progress(done)
    except WorkerError as error:
        raise TraceError(f"{at}: {error}") from None
    return total.report(variant)


def check_part(
    part: Part | str | os.PathLike[str],
    variant: str = "nmos",
    *,
    columns: Mapping[str, str] | None = None,
    hex: bool = False,
    skip: Collection[str] = (),
    devices: Collection[tuple[int, int]] = (),
    after: Partial | None = None,
) -> Partial:
    """Checks one of `parts_of` a trace, or one file of it, as a stream in constant memory.

    It is there for whatever distributes work: `reduce(Partial.merge, partials).report(variant)`,
    the partials in the order of the parts, is what `compare_trace` returns if all that is read was
    recorded. If not, memory has to be known from the parts before: `after` is what they told.
    Takes and raises the same.
    """
    if variant not in VARIANTS:
        raise ValueError(f"variant {variant!r}: expected one of {', '.join(VARIANTS)}")
    after = Partial() if after is None else after
    asked, gates, followed = Columns(dict(columns or {}), hex), Gates(variant), _followed(devices)
    total = Partial(Comparison.of(*_NOTHING, skip))
    for one in [part] if isinstance(part, Part) else parts_of(part):
        total = total.merge(Partial(files=((one.path, 0),)))
        for block in read_part(one, asked):
            if block.rows:
                found = _checked(block, one.path, skip, gates, after, followed)
                total, after = total.merge(found), after.merge(found)
    return total


def _followed(devices: Collection[tuple[int, int]]) -> Mask:
    """Which addresses are memory."""
    followed = np.ones(1 << 16, np.bool_)
    for first, last in devices:
        if not 0 <= first <= last < len(followed):
            raise ValueError(f"devices {first:04X}-{last:04X}: expected addresses, the lower first")
        followed[first : last + 1] = False
    return followed


def _check_numbered(
    number: int, part: Part, check: Callable[[Part], Partial]
) -> tuple[int, Partial | TraceError]:
    """What a process does: of all errors the one of the first part is told, not the first found."""
    try:
        return number, check(part)
    except TraceError as error:
        return number, error


def _checked(
    block: Block, path: str, skip: Collection[str], gates: Gates, before: Partial, followed: Mask
) -> Partial:
    """What some rows tell: all pairs of them, but for where they meet others."""
    variant = gates.variant
    cases, key, lacks = cases_of(block)
    cases, expected = answered(cases, key, lacks, block, gates, np.arange(block.rows))
    written, absent = written_of(block)
    recorded = not absent & {"writes", "write_value", "write_address"}
    run = block.values.get("run", np.zeros(block.rows, np.uint32))

    def row(at: int) -> EdgeRow:
        case, told, answer = (one[at].tobytes() for one in (cases, written, expected))
        waits = at == 0 and bool(cases["event"][at] == 1)
        return EdgeRow(
            variant, case, int(run[at]), int(key[at]), int(lacks[at]), told, answer, waits
        )

    def pairs() -> Pairs:
        last, paired = slice(-1), run[1:] == run[:-1]
        sides = key[last], lacks[last], cases[last], expected[last], written[last]
        return Pairs(variant, *sides, cases[1:], paired)

    def happened() -> Happened:
        writes = written if recorded else expected
        return Happened(writes, recorded, lacks, pairs().between(), expected)

    shown, told = lacks, Counter[str]()
    if (lacks & BYTES).any():
        known = before.memory
        if before.tail is not None:
            known = known.merge(seam_memory(before.tail, row(0)), before.rows)
        for _ in range(PASSES):
            there = happened()
            lacks = recalled(cases, key, shown, there, known.known(), followed, gates)
            found = np.flatnonzero(lacks != there.lacked)
            some = answered(cases, key, lacks, block, gates, found)
            for whole, part in zip((cases, expected), some, strict=True):
                unnamed(whole)[found] = unnamed(part)
            if not (there.between.maybe & (lacks[:-1] == 0)).any():
                break
        told = _words(key, shown & ~lacks)
    accesses = accesses_of(cases, key, shown, lacks, happened())

    every, skipped = pairs(), {*skip, *absent}
    head, tail = row(0), row(-1) if block.rows > 1 else row(0)
    apart = head.waits and block.rows > 1 and bool(every.paired[0])
    main = judged(every.part(slice(apart, None)), skipped)
    return replace(
        main,
        files=((path, block.rows),),
        columns=frozenset(block.values),
        first_wrong=None if main.first_wrong is None else main.first_wrong + apart,
        first_unbuilt=None if main.first_unbuilt is None else main.first_unbuilt + apart,
        memory=Memory.of(accesses.among(followed)),
        recalled=told,
        asks=bool((shown & BYTES).any()),
        opening=judged(every.part(slice(1)), skipped) if apart else None,
        head=head,
        tail=tail,
    )


def _words(key: npt.NDArray[np.uint16], found: npt.NDArray[np.uint8]) -> Counter[str]:
    """Of how many rows what was found, in the bits of its places."""
    words: Counter[str] = Counter()
    both = (found.astype(np.uint32) << 16 | key)[found != 0]
    for one, count in zip(*np.unique(both, return_counts=True), strict=True):
        bits, its = int(one) >> 16, int(one) & 0xFFFF
        words.update(
            dict.fromkeys((word_of(its, i) for i in range(READS) if bits >> i & 1), int(count))
        )
    return words
