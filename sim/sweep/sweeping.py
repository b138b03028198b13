"""The sweep: the gates against the model, on every input that can matter to each instruction."""

import time
from collections.abc import Callable, Collection
from typing import Final

from ..cases.exhaustive import exhaustive_cases, exhaustive_count
from ..cases.kinds import forms_of
from ..family.instructions import NAMES, Instruction
from ..family.members import VARIANTS
from ..system.workers import processors, workers
from ..witness.comparison import Witness
from ..witness.gates import Gates
from ..witness.model import Model
from .results import Share, SweepReport, SweepRow, VariantReport

SMALL: Final = 1 << 20  # so many cases are done before other processes have started

Task = tuple[int, str, Instruction]  # its place, the variant and an opcode or entry
Pair = tuple[Witness, Witness]


def sweep(
    variant: str,
    names: Collection[str] = (),
    witness: Witness | None = None,
    progress: Callable[[int], object] | None = None,
    *,
    model: Witness | None = None,
    jobs: int | None = None,
    adder: str = "ripple",
) -> SweepReport:
    """Puts every case of the rows named, or of all `NAMES`, to the gates and to the model.

    `variant` may be "all". `witness` stands in for the gates, and `model` for the model; the
    `off_bus_rows` that the gates mark count too. `progress` is told how many cases are done. `jobs`
    is the number of processes: by default as many as processors, or one if there is little to do;
    witnesses are pickled for them, and they import the caller's main module, as always with
    `multiprocessing`. `adder` is the form of the ALU's in the gates. Raises NetlistError if a
    netlist cannot be made, ValueError for an unknown row, variant or adder, WorkerError if a
    process dies.
    """
    tasks, variants = _tasks(variant, names)
    if jobs is None:
        jobs = processors() if sweep_size(variant, names) > SMALL else 1
    pairs = {one: (model or Model(one), witness or Gates(one, adder=adder)) for one in variants}
    shares: dict[int, Share] = {}
    reports: dict[str, VariantReport] = {}
    done = 0
    with workers(jobs, pairs) as work:
        for one in variants:
            began = time.perf_counter()
            mine = [task for task in tasks if task[1] == one]
            # The largest first, lest one process be left with it at the end.
            mine.sort(key=_task_size, reverse=True)
            for place, share in work((_examine, *task) for task in mine):
                shares[place] = share
                done += share.comparison.cases
                if progress is not None:
                    progress(done)
            rows: dict[str, Share] = {}
            for place, _, form in sorted(mine, key=lambda task: task[0]):
                row = rows.get(form.mnemonic, Share())
                rows[form.mnemonic] = row.merge(shares[place])
            reports[one] = VariantReport(
                one,
                tuple(SweepRow(name, share) for name, share in rows.items()),
                time.perf_counter() - began,
            )
    return SweepReport(reports, adder)


def sweep_size(variant: str, names: Collection[str] = ()) -> int:
    """How many cases a sweep has."""
    return sum(map(_task_size, _tasks(variant, names)[0]))


def _tasks(variant: str, names: Collection[str]) -> tuple[list[Task], tuple[str, ...]]:
    """What there is to do, in the order of the report, and the variants."""
    variants = VARIANTS if variant == "all" else (variant,)
    for name in names:
        if name not in NAMES:
            raise ValueError(f"row {name!r}: expected a mnemonic, IRQ, NMI or RESET")
    wanted = [
        (one, form)
        for one in variants
        for name in NAMES
        if not names or name in names
        for form in forms_of(name)
    ]
    return [(place, *task) for place, task in enumerate(wanted)], variants


def _task_size(task: Task) -> int:
    return exhaustive_count(task[2])


def _examine(
    pairs: dict[str, Pair], place: int, variant: str, form: Instruction
) -> tuple[int, Share]:
    """All cases of one opcode or entry, with its place."""
    model, witness = pairs[variant]
    total = Share()
    for cases in exhaustive_cases(form):
        expected, actual = model.execute(cases), witness.execute(cases)
        off_bus = getattr(witness, "off_bus_rows", None)
        total = total.merge(Share.of(form.mnemonic, cases, expected, actual, off_bus))
    return place, total
