"""The sweep: the gates against the model, on every input that can matter to each instruction.

What shares of an instruction's cases have shown merges into its row.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from functools import reduce
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.exhaustive import exhaustive_cases, exhaustive_count
from ..cases.kinds import forms_of
from ..cases.layout import Cases, Outcomes, plain
from ..family.instructions import NAMES, Instruction
from ..family.members import VARIANTS
from ..system.workers import processors, workers
from ..witness.comparison import FIELDS, Comparison, Disagreement, Tally, Witness, differences
from ..witness.gates import Gates
from ..witness.model import Model

#: The field that is wrong where the bus did not show the published activity, clock by clock.
BUS: Final = "bus"
SMALL: Final = 1 << 20  # so many cases are done before other processes have started


@dataclass(frozen=True)
class Share:
    """What the cases of a row, or some of them, have shown."""

    comparison: Comparison = field(default_factory=Comparison)
    fields: frozenset[str] = frozenset()  # those that were there to compare
    off_bus: int = 0
    off_bus_only: int = 0  # of these, those whose outcome is right
    first_off_bus: Disagreement | None = None

    @classmethod
    def of(
        cls, row: str, cases: Cases, expected: Outcomes, actual: Outcomes,
        off_bus: npt.NDArray[np.bool_] | None = None,
    ) -> Share:  # fmt: skip
        """Compares outcomes already at hand; `off_bus` marks cases that are wrong on the bus."""
        comparison = Comparison.of(cases, expected, actual)
        # A masked IRQ counts as the instruction that runs: here it is the row's.
        tally = reduce(Tally.merge, comparison.instructions.values(), Tally(0))
        comparison = replace(comparison, instructions={row: tally})
        fields = set(FIELDS)
        if not expected["writes"].any():
            fields -= {"write_value", "write_address"}
        if off_bus is None:
            return cls(comparison, frozenset(fields))
        rows = np.flatnonzero(off_bus)
        wrong = cases[rows], expected[rows], actual[rows]
        first = None
        if len(rows):
            case, right, answer = (array[:1].reshape(()) for array in wrong)
            first = Disagreement(int(rows[0]), case, right, answer)
        only = len(rows) - Comparison.of(*wrong).mismatches
        return cls(comparison, frozenset({*fields, BUS}), len(rows), only, first)

    def merge(self, other: Share) -> Share:
        """This one's cases followed by the other's."""
        first = self.first_off_bus
        if first is None and other.first_off_bus is not None:
            first = other.first_off_bus.after(self.comparison.cases)
        return Share(
            self.comparison.merge(other.comparison),
            self.fields | other.fields,
            self.off_bus + other.off_bus,
            self.off_bus_only + other.off_bus_only,
            first,
        )


@dataclass(frozen=True)
class SweepRow:
    """A mnemonic or an entry, and what its cases have shown."""

    name: str
    share: Share

    @property
    def opcodes(self) -> tuple[int, ...]:
        """Those of the mnemonic; none for an entry."""
        return tuple(form.opcode for form in forms_of(self.name) if form.opcode is not None)

    @property
    def tally(self) -> Tally:
        """Cases, mismatches and the fields that differ, `BUS` among them."""
        share = self.share
        tally = share.comparison.instructions[self.name]
        fields = tally.fields | ({BUS: share.off_bus} if share.off_bus else {})
        return Tally(tally.cases, tally.mismatches + share.off_bus_only, fields)

    @property
    def first(self) -> Disagreement | None:
        """The first wrong case, counted within the row."""
        both = (self.share.comparison.first, self.share.first_off_bus)
        return min((one for one in both if one), key=lambda one: one.index, default=None)

    @property
    def first_fields(self) -> tuple[str, ...]:
        """The fields that are wrong in it."""
        first, off_bus = self.first, self.share.first_off_bus
        if first is None:
            return ()
        found = differences(first.expected.reshape(1), first.actual.reshape(1))
        wrong = tuple(name for name, mask in found.items() if mask[0])
        return (*wrong, BUS) if off_bus and off_bus.index == first.index else wrong


@dataclass(frozen=True)
class VariantReport:
    """One variant: its rows in the order of `NAMES`, and how long they took."""

    variant: str
    rows: tuple[SweepRow, ...]
    seconds: float

    @property
    def first_row(self) -> SweepRow | None:
        """The first row with a mismatch."""
        return next((row for row in self.rows if row.first), None)

    @property
    def comparison(self) -> Comparison:
        """All rows as one; `first` is that of the first wrong row, counted within the row."""
        tallies = {row.name: row.tally for row in self.rows}
        return Comparison(
            sum(tally.cases for tally in tallies.values()),
            sum(tally.mismatches for tally in tallies.values()),
            tallies,
            None if self.first_row is None else self.first_row.first,
            uncounted=sum(row.share.comparison.uncounted for row in self.rows),
        )

    def to_json(self) -> dict[str, Any]:
        """The same as plain dictionaries, lists and numbers."""
        comparison, wrong = self.comparison, self.first_row
        result: dict[str, Any] = {
            "cases": comparison.cases,
            "mismatches": comparison.mismatches,
            "seconds": round(self.seconds, 3),
            "instructions": {
                row.name: {
                    "opcodes": list(row.opcodes),
                    "cases": row.tally.cases,
                    "compared": fields_in_order(row.share.fields),
                    "mismatches": row.tally.mismatches,
                    "fields": row.tally.fields,
                }
                for row in self.rows
            },
            "first": None,
        }
        if wrong is not None and wrong.first is not None:
            result["first"] = {
                "instruction": wrong.name,
                "fields": list(wrong.first_fields),
                "index": wrong.first.index,
                "case": plain(wrong.first.case),
                "expected": plain(wrong.first.expected),
                "actual": plain(wrong.first.actual),
            }
        return result


@dataclass(frozen=True)
class SweepReport:
    """What a sweep has shown, by variant; `adder` is the form of the ALU's."""

    variants: dict[str, VariantReport]
    adder: str = "ripple"

    @property
    def agree(self) -> bool:
        """Whether something was compared in every variant and nothing differs."""
        return bool(self.variants) and all(one.comparison.agree for one in self.variants.values())

    def to_json(self) -> dict[str, Any]:
        """The same as plain dictionaries, lists and numbers."""
        return {
            "agree": self.agree,
            "adder": self.adder,
            "variants": {name: one.to_json() for name, one in self.variants.items()},
        }


def fields_in_order(fields: Collection[str]) -> list[str]:
    """The fields compared, `BUS` last."""
    return [name for name in (*FIELDS, BUS) if name in fields]


def sweep(
    variant: str, names: Collection[str] = (), witness: Witness | None = None,
    progress: Callable[[int], object] | None = None, *,
    model: Witness | None = None, jobs: int | None = None, adder: str = "ripple",
) -> SweepReport:  # fmt: skip
    """Puts every case of the rows named, or of all `NAMES`, to the gates and to the model.

    `variant` may be "all". `witness` stands in for the gates, and `model` for the model; the
    `off_bus_rows` that the gates mark count too. `progress` is told how many cases are done. `jobs`
    is the number of processes: by default as many as processors, or one if there is little to do;
    witnesses are pickled for them, and those of the main script make them import that. `adder` is
    the form of the ALU's in the gates. Raises NetlistError if a netlist cannot be made, ValueError
    for an unknown row, variant or adder, WorkerError if a process dies.
    """
    forms, variants = _wanted(variant, names)
    if jobs is None:
        jobs = processors() if sweep_size(variant, names) > SMALL else 1
    pairs = {one: (model or Model(one), witness or Gates(one, adder=adder)) for one in variants}
    # The largest first, lest one process be left with it at the end.
    tasks = sorted(forms, key=exhaustive_count, reverse=True)
    reports: dict[str, VariantReport] = {}
    done = 0
    with workers(jobs, pairs) as work:
        for one in variants:
            began = time.perf_counter()
            shares: dict[tuple[str, int | None], Share] = {}
            for form, share in work((_examine, one, task) for task in tasks):
                shares[form.mnemonic, form.opcode] = share
                done += share.comparison.cases
                if progress is not None:
                    progress(done)
            rows: dict[str, Share] = {}
            for form in forms:
                row = rows.get(form.mnemonic, Share())
                rows[form.mnemonic] = row.merge(shares[form.mnemonic, form.opcode])
            found = tuple(SweepRow(name, share) for name, share in rows.items())
            reports[one] = VariantReport(one, found, time.perf_counter() - began)
    return SweepReport(reports, adder)


def sweep_size(variant: str, names: Collection[str] = ()) -> int:
    """How many cases a sweep has."""
    forms, variants = _wanted(variant, names)
    return len(variants) * sum(map(exhaustive_count, forms))


def _wanted(variant: str, names: Collection[str]) -> tuple[list[Instruction], tuple[str, ...]]:
    """The opcodes and entries, in the order of the report, and the variants."""
    variants = VARIANTS if variant == "all" else (variant,)
    for name in names:
        if name not in NAMES:
            raise ValueError(f"row {name!r}: expected a mnemonic, IRQ, NMI or RESET")
    wanted = [name for name in NAMES if not names or name in names]
    return [form for name in wanted for form in forms_of(name)], variants


def _examine(
    pairs: dict[str, tuple[Witness, Witness]], variant: str, form: Instruction
) -> tuple[Instruction, Share]:
    """All cases of one opcode or entry."""
    model, witness = pairs[variant]
    total = Share()
    for cases in exhaustive_cases(form, variant):
        expected, actual = model.execute(cases), witness.execute(cases)
        off_bus = getattr(witness, "off_bus_rows", None)
        total = total.merge(Share.of(form.mnemonic, cases, expected, actual, off_bus))
    return form, total
