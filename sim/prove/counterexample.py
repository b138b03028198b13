"""A property that does not hold, and a state that shows it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..cases.kinds import lay_reads
from ..cases.layout import CASE, Cases, plain
from ..family.instructions import Instruction
from ..family.members import EVENTS
from ..family.status_byte import status_of


@dataclass(frozen=True, eq=False)
class Refuted:
    """A property that does not hold, and a state that shows it.

    `case` is that state as any witness takes it; `beside` has what no case can say, by name: pins
    that move, an interrupt asked for before, what is left over in a latch.
    """

    variant: str
    instruction: Instruction
    field: str
    expected: int
    actual: int
    width: int  # in bits
    case: Cases
    beside: dict[str, int]

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        instruction = self.instruction
        return {
            "variant": self.variant,
            "instruction": instruction.mnemonic,
            "mode": "" if instruction.opcode is None else instruction.mode.name,
            "opcode": instruction.opcode,
            "field": self.field,
            "expected": self.expected,
            "actual": self.actual,
            "case": plain(self.case),
            "beside": self.beside,
        }


def case_of(instruction: Instruction, known: Mapping[str, int]) -> Cases:
    """One case out of the values of a specification's symbols."""
    case = np.zeros((), CASE)
    for name in ("pc", "a", "x", "y", "sp"):
        case[name] = known[name]
    case["p"] = status_of(known)
    if instruction.opcode is None:
        case["event"] = EVENTS.index(instruction.mnemonic)
    lay_reads(case, instruction, known)
    return case
