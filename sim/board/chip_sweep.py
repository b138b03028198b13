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

from ..cases.case_memory import complemented, reread
from ..cases.kinds import lay_reads
from ..cases.layout import CASE, Cases, plain
from ..diagnose.diagnosis import diagnose
from ..diagnose.question import Cause
from ..emulator.called import EmulatorError
from ..family.instructions import INSTRUCTIONS, Instruction
from ..family.status_byte import ALWAYS
from ..system.errors import UnusableError
from ..witness.comparison import Comparison, Disagreement, Witness, differences
from ..witness.gates import Gates
from .frames import made_cases, told_bytes
from .serial_line import Board

BLOCK: Final = 1 << 16  # cases that one answer is of, at most,
CLOCKS: Final = 100  # where a case takes so many of the board at most,
PATIENCE: Final = 8  # and an answer so many seconds
WHOLE: Final = 1 << 18  # all that a base makes
AROUND: Final = 1 << 10  # cases asked one by one for the diagnosis
#: What lies where a base's operand is formed: an index carries out of its page, or wraps within it;
#: with all toggled it does not.
LIES: Final = {
    "pc": 0x3CC2, "sp": 0x69, "x": 0x9A, "y": 0x9A, "address.low": 0xC7, "address.high": 0x5B,
    "pointer": 0xE3, "pointer.low": 0xFF, "pointer.high": 0x6D,
}  # fmt: skip


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


def swept(names: Collection[str] = ()) -> list[Instruction]:
    """The opcodes of mnemonics, or in hex, or all of them."""
    return [form for form in INSTRUCTIONS
            if not names or {form.mnemonic, f"{form.opcode:02X}"} & {*names}]  # fmt: skip


def bases(form: Instruction, variant: str = "nmos") -> list[Cases]:
    """The cases of which a board makes all others: one, and one with all else toggled."""
    found = []
    for toggled in (0, 0xFFFF):
        case = np.zeros((), CASE)
        lies = {name: value ^ toggled & (0xFFFF if name == "pc" else 0xFF)
                for name, value in LIES.items()}  # fmt: skip
        for name in ("pc", "sp", "x", "y"):
            case[name] = lies[name]
        case["p"] = ALWAYS | toggled & 0xC6
        lay_reads(case, form, dict.fromkeys(form.reads, 0) | lies, variant)
        if form.reads == ("opcode",):  # the next byte is read and discarded: so the last one is not
            case["reads"], case["read_address"][1] = 2, case["pc"] + 1  # the opcode
        found.append(case)
    return found


def asked(base: Cases, first: int, count: int, variant: str) -> Cases:
    """A block's cases as a board shows their bytes: an index that is toggled leads elsewhere."""
    cases = made_cases(base, first, count)
    with complemented(True):
        return reread(cases, cases, variant)


def sweep_size(names: Collection[str] = ()) -> int:
    """How many cases a sweep on a chip has."""
    return 2 * WHOLE * len(swept(names))


def block_for(kilohertz: int) -> int:
    """How many cases a board of such a clock is asked of at a time; 0 is one that is not known."""
    most = (kilohertz * 1000 * PATIENCE // CLOCKS or BLOCK).bit_length() - 1
    return min(BLOCK, 1 << most)


def sweep_chip(
    board: Board, names: Collection[str] = (), gates: Witness | None = None,
    progress: Callable[[int], object] | None = None, *, whole: int = WHOLE, block: int = 0,
) -> ChipSweep:  # fmt: skip
    """Sweeps the opcodes of `names`, mnemonics or opcodes in hex, or all, on a board's chip.

    In blocks of so many cases, or as its clock allows. Raises EmulatorError if the board does not
    answer, UnusableError for a name that cannot be swept so.
    """
    for name in names:
        if not swept([name]):
            raise UnusableError(
                f"{name}: a board makes cases of instructions alone; 'compare --serial "
                f"{board.name} {name}' puts those of others"
            )
    variant, block = board.facts.variant, block or block_for(board.facts.kilohertz)
    witness = gates or Gates(variant)
    rows, before = [], 0

    def right(base: Cases, first: int, count: int) -> int:
        return zlib.crc32(told_bytes(witness.execute(asked(base, first, count, variant))))

    for form in swept(names):
        questions, seconds, wrong, done = 0, 0.0, None, 0
        for base in bases(form, variant):
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
    numbers = np.append(at, np.random.default_rng(at).integers(0, whole, AROUND))
    variant = board.facts.variant
    itself = asked(base, at, 1, variant)
    told = board.execute(made_cases(base, at, 1))
    one = Comparison.of(itself, gates.execute(itself), told).first
    if one is None:
        what = "the board answers otherwise in a block than by itself"
        raise EmulatorError(f"{board.name}: {what}", itself[0])
    # Here each operand lies where an index leads, so that what lies elsewhere is something else.
    cases = asked(base, 0, whole, variant)[numbers]
    expected, actual = gates.execute(cases), board.execute(cases)
    with complemented(True):
        return replace(one, index=index), diagnose(cases, expected, actual, variant, ())
