"""A sweep on the chip: it makes the cases itself, and tells the CRC of its answers to a block.

A block that is not as the gates say is halved until the first wrong case is found, which is then
asked by itself.
"""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from ..cases.case_memory import complemented
from ..cases.layout import CASE, Cases, plain
from ..diagnose.diagnosis import diagnose
from ..diagnose.question import Cause
from ..emulator.called import EmulatorError
from ..family.instructions import BY_MNEMONIC, Instruction
from ..family.status_byte import ALWAYS
from ..system.errors import UnusableError
from ..witness.comparison import Comparison, Disagreement, Witness, differences
from ..witness.gates import Gates
from .frames import made_cases, told_bytes
from .serial_line import Board

BLOCK: Final = 1 << 16  # cases that one answer is of
WHOLE: Final = 1 << 18  # all that a base makes
AROUND: Final = 1 << 10  # cases asked one by one for the diagnosis
#: What a board makes cases of: the opcodes that work on the byte behind them.
FORMS: Final = tuple(
    form for forms in BY_MNEMONIC.values() for form in forms.values()
    if form.reads == ("opcode", "m")
)  # fmt: skip
MNEMONICS: Final = tuple(form.mnemonic for form in FORMS)


@dataclass(frozen=True)
class SweptOpcode:
    """One opcode: how many cases in how many questions, and the first wrong one."""

    form: Instruction
    cases: int
    questions: int
    seconds: float
    first: Disagreement | None = None
    likely: list[Cause] = field(default_factory=list)

    @property
    def first_fields(self) -> tuple[str, ...]:
        """The fields that are wrong in it."""
        if self.first is None:
            return ()
        found = differences(self.first.expected.reshape(1), self.first.actual.reshape(1))
        return tuple(name for name, mask in found.items() if mask[0])


@dataclass(frozen=True)
class ChipSweep:
    """What a sweep on a chip has shown."""

    variant: str
    rows: tuple[SweptOpcode, ...]
    kilohertz: int

    @property
    def agree(self) -> bool:
        """Whether something was swept and nothing differs."""
        return bool(self.rows) and all(row.first is None for row in self.rows)

    @property
    def cases(self) -> int:
        """All of them."""
        return sum(row.cases for row in self.rows)

    @property
    def seconds(self) -> float:
        """In which the board answered."""
        return sum(row.seconds for row in self.rows)

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        rows = []
        for row in self.rows:
            first = row.first and {
                "index": row.first.index, "case": plain(row.first.case),
                "expected": plain(row.first.expected), "actual": plain(row.first.actual),
            }  # fmt: skip
            rows.append({
                "instruction": str(row.form), "opcode": row.form.opcode, "cases": row.cases,
                "questions": row.questions, "seconds": round(row.seconds, 3), "first": first,
                "likely": [cause.to_json() for cause in row.likely],
            })  # fmt: skip
        return {
            "agree": self.agree, "variant": self.variant, "cases": self.cases,
            "seconds": round(self.seconds, 3), "opcodes": rows,
        }  # fmt: skip


def bases(form: Instruction) -> list[Cases]:
    """The cases of which a board makes all others: one, and one with all else toggled."""
    found = []
    for toggled in (0, 0xFFFF):
        case = np.zeros((), CASE)
        pc = 0x3CC2 ^ toggled
        case["pc"], case["sp"], case["p"] = pc, 0x69 ^ toggled & 0xFF, ALWAYS | toggled & 0xC6
        case["reads"], case["read_value"][0] = 2, form.opcode
        case["read_address"][:2] = pc, pc + 1
        found.append(case)
    return found


def sweep_size(names: Collection[str] = ()) -> int:
    """How many cases a sweep on a chip has."""
    return 2 * WHOLE * sum(not names or name in names for name in MNEMONICS)


def sweep_chip(
    board: Board, names: Collection[str] = (), gates: Witness | None = None,
    progress: Callable[[int], object] | None = None, *, whole: int = WHOLE, block: int = BLOCK,
) -> ChipSweep:  # fmt: skip
    """Sweeps the opcodes of `names`, or all that can be, on a board's chip.

    Raises EmulatorError if the board does not answer, UnusableError for a name that cannot be
    swept so.
    """
    for name in names:
        if name not in MNEMONICS:
            raise UnusableError(
                f"{name}: a board makes cases of {', '.join(MNEMONICS)} alone; 'compare --serial' "
                "--cases full puts those of all others"
            )
    variant = board.facts.variant
    witness = gates or Gates(variant)
    rows, before = [], 0

    def right(base: Cases, first: int, count: int) -> int:
        return zlib.crc32(told_bytes(witness.execute(made_cases(base, first, count))))

    for form in FORMS:
        if names and form.mnemonic not in names:
            continue
        questions, seconds, wrong, done = 0, 0.0, None, 0
        for base in bases(form):
            for start in range(0, whole, block):
                began = time.monotonic()
                told = board.signature(base, start, block)
                seconds += time.monotonic() - began
                questions, done = questions + 1, done + block
                if progress is not None:
                    progress(before + done)
                if told != right(base, start, block):
                    wrong = base, start
                    break
            if wrong:
                break
        first, likely = None, list[Cause]()
        if wrong:
            base, start = wrong
            size = block
            while size > 1:
                size //= 2
                questions += 1
                if board.signature(base, start, size) == right(base, start, size):
                    start += size
            first, likely = _closely(
                board, witness, base, start, whole, done - block + start % block
            )
        before += done
        rows.append(SweptOpcode(form, done, questions, seconds, first, likely))
    return ChipSweep(variant, tuple(rows), board.facts.kilohertz)


def _closely(
    board: Board, gates: Witness, base: Cases, at: int, whole: int, index: int
) -> tuple[Disagreement, list[Cause]]:
    """The first wrong case by itself, and what explains it and others like it."""
    numbers = np.unique(np.append(at, np.arange(at % 251, whole, max(1, whole // AROUND) | 1)))
    cases = made_cases(base, 0, whole)[numbers]
    expected, actual = gates.execute(cases), board.execute(cases)
    here = int(np.searchsorted(numbers, at))
    same = slice(here, here + 1)
    one = Comparison.of(cases[same], expected[same], actual[same]).first
    variant = board.facts.variant
    if one is None:
        what = "the board answers otherwise in a block than by itself"
        raise EmulatorError(f"{board.name}: {what}", cases[here])
    with complemented(True):
        return replace(one, index=index), diagnose(cases, expected, actual, variant, ())
