"""Which cases of the sweep expose which planted mistake, and whether that is as documented."""

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from ..cases.exhaustive import exhaustive_cases
from ..cases.kinds import forms_of, lay_reads
from ..cases.layout import CASE, Cases
from ..family.instructions import Instruction
from ..mistakes.catalogue import MISTAKES
from ..mistakes.mistake import Mistake, Mistaken
from ..witness.comparison import Comparison
from ..witness.model import Model

#: The documented inputs: all A, M and C; with D set, those with digits of 0 to 9, or all of them.
BINARY, VALID, DECIMAL = "binary", "valid decimal", "all decimal"
#: All low bytes of a base, or places of a pointer, with all of an index; the same on a base in page
#: FF, or with C set; all low bytes of PC with all offsets.
PLACES, TOP, CARRY, BRANCHES = "places", "page FF", "carry", "branches"
_REGISTER: Final = {"CPX": "x", "CPY": "y"}


def expose(variant: str, form: Instruction) -> tuple[int, dict[int, int]]:
    """How many cases the sweep has of an opcode or event, and how many expose each mistake."""
    model = Model(variant)
    made = {
        mistake.number: Mistaken(mistake, variant=variant)
        for mistake in MISTAKES
        if form.mnemonic in mistake.mnemonics and variant in mistake.variants
    }
    total, exposed = 0, dict.fromkeys(made, 0)
    if made:
        for cases in exhaustive_cases(form, variant):
            total += len(cases)
            expected = model.execute(cases)
            for number, witness in made.items():
                exposed[number] += Comparison.of(cases, expected, witness.execute(cases)).mismatches
    return total, exposed


def documented_inputs(mnemonic: str, kind: str) -> Cases:
    """All inputs of one kind, as immediate instructions; the other registers and flags are 0."""
    values = np.arange(1 << 17)
    cases = np.zeros(len(values), CASE)
    a, m = values >> 9, values >> 1 & 255
    (immediate,) = (form for form in forms_of(mnemonic) if form.mode.takes == "byte")
    lay_reads(cases, immediate, {"pc": 0, "m": m}, "nmos")
    cases[_REGISTER.get(mnemonic, "a")] = a
    cases["p"] = (values & 1) + (0 if kind == BINARY else 8)
    if kind == VALID:
        cases = cases[(a % 16 < 10) & (a // 16 < 10) & (m % 16 < 10) & (m // 16 < 10)]
    return cases


def documented_places(form: Instruction, kind: str, variant: str) -> Cases:
    """All inputs of an address, or of a branch that is taken; no byte is another's."""
    one, other = (column.ravel() for column in np.indices((256, 256)))
    cases = np.zeros(len(one), CASE)
    cases["a"], cases["sp"] = 0x3A, 0xFD
    cases["pc"] = 0x0400 + one * (kind == BRANCHES)
    cases["x"], cases["y"] = (other if form.index == name else one for name in "xy")
    cases["p"] = 0xC3 * (form.mnemonic in ("BMI", "BVS", "BCS", "BEQ")) + (kind == CARRY)
    word = {"low": one, "high": one * 0 + (0xFF if kind == TOP else 0x12)}
    # Where a pointer lies says nothing of what it holds.
    place = one ^ 0x5C if form.index == "y" else one
    pointer = {"pointer": place, "pointer.low": one, "pointer.high": one * 0 + 0x12}
    elsewhere = {"low": one ^ 0x5C, "high": one * 0 + 0x34}
    target = elsewhere if "x" in form.pointer or "pointer.low" in form.reads else word
    columns = {
        # What is equal shows in a compare if it is no longer; other bytes show in all else.
        "m": one * 0 + (0x3A if form.mnemonic == "CMP" else 0x55), "offset": other, **pointer,
        **{f"address.{half}": byte for half, byte in target.items()},
        **{name: cases[name].astype(np.int64) for name in ("pc", "x", "y", "sp")},
    }  # fmt: skip
    lay_reads(cases, form, columns, variant)
    return cases


@dataclass(frozen=True)
class Count:
    """How many documented inputs expose a mistake that has a count.

    `measured` has, by variant, instruction and kind of inputs, how many are wrong at all and how
    many in each field.
    """

    documented: int
    note: str
    measured: dict[tuple[str, str, str], dict[str, int]]

    @property
    def verdict(self) -> str:
        """ "agrees", everywhere; "explained", where the note says where; or "differs"."""
        usual = [counts for (_, _, kind), counts in self.measured.items() if kind != DECIMAL]
        if usual and all(counts["any"] == self.documented for counts in usual):
            return "agrees"
        found = any(self.documented in counts.values() for counts in self.measured.values())
        return "explained" if self.note and found else "differs"

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "documented": self.documented,
            "verdict": self.verdict,
            "note": self.note,
            "measured": [
                {"variant": variant, "instruction": name, "inputs": kind, "exposed": counts}
                for (variant, name, kind), counts in self.measured.items()
            ],
        }


def count_inputs(mistake: Mistake) -> Count | None:
    """Puts the documented inputs to a mistake, in each variant; None if it has no count."""
    if mistake.count is None:
        return None
    kinds = (VALID, DECIMAL) if mistake.modes == "decimal" else (mistake.cases or BINARY,)
    measured = {}
    for variant in mistake.variants:
        for name in sorted(mistake.mnemonics):
            for kind in kinds:
                if mistake.cases:
                    form = next(filter(mistake.made_in, forms_of(name)))
                    cases = documented_places(form, kind, variant)
                else:
                    cases = documented_inputs(name, kind)
                actual = Mistaken(mistake, variant=variant).execute(cases)
                found = Comparison.of(cases, Model(variant).execute(cases), actual)
                fields = found.instructions[name].fields
                measured[variant, name, kind] = {"any": found.mismatches, **fields}
    return Count(mistake.count, mistake.note, measured)


@dataclass
class Exposure:
    """One mistake: by variant and instruction, how many cases there are and how many expose it."""

    mistake: Mistake
    variants: tuple[str, ...]  # those in which it is looked for
    cases: dict[str, dict[str, int]] = field(default_factory=dict)
    exposed: dict[str, dict[str, int]] = field(default_factory=dict)
    count: Count | None = None

    def add(self, variant: str, name: str, cases: int, exposed: int) -> None:
        """Adds what one opcode or event has shown."""
        for sums, number in ((self.cases, cases), (self.exposed, exposed)):
            by_name = sums.setdefault(variant, {})
            by_name[name] = by_name.get(name, 0) + number

    def found_in(self, variant: str) -> bool:
        """Whether a variant's cases expose it in every instruction that it is made in."""
        exposed = self.exposed.get(variant, {})
        return all(exposed.get(name) for name in self.mistake.mnemonics)

    @property
    def found(self) -> bool:
        """Whether it was looked for, and found in every variant."""
        return bool(self.variants) and all(map(self.found_in, self.variants))

    @property
    def agree(self) -> bool:
        """Whether it is found, and as often as documented."""
        return self.found and (self.count is None or self.count.verdict != "differs")

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "number": self.mistake.number,
            "name": self.mistake.name,
            "title": self.mistake.title,
            "instructions": sorted(self.mistake.mnemonics),
            "found": self.found,
            "cases": self.cases,
            "exposed": self.exposed,
            "count": self.count and self.count.to_json(),
        }
