"""Which of the documented opcodes a comparison covered, and by name those that it left out."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Final

from ..family.instructions import DOCUMENTED

_MODES: Final = (
    "", "A", "#", "zp", "zp,X", "zp,Y", "abs", "abs,X", "abs,Y", "(zp,X)", "(zp),Y", "(abs)",
)  # fmt: skip


@dataclass(frozen=True)
class Coverage:
    """The opcodes of which a case was compared."""

    opcodes: frozenset[int] = frozenset()
    variant: str = "nmos"

    @property
    def not_compared(self) -> list[int]:
        """Those that were not asked for or not recorded."""
        return sorted(DOCUMENTED.keys() - self.opcodes)

    def lines(self) -> list[str]:
        """In words: how many of how many, and by name the others."""
        said = [f"Covered: {len(self.opcodes)} of {len(DOCUMENTED)} documented opcodes."]
        if self.not_compared:
            said.append(f"Opcodes not compared: {grouped(self.not_compared)}.")
        if self.variant == "cmos":
            said.append("What CMOS adds to these is not built yet.")
        return said

    def to_json(self) -> dict[str, Any]:
        """The same as numbers and lists of names."""
        return {
            "documented": len(DOCUMENTED),
            "covered": len(self.opcodes),
            "not_compared": [" ".join(DOCUMENTED[code]).strip() for code in self.not_compared],
        }


def grouped(opcodes: Collection[int]) -> str:
    """Opcodes by name, mnemonics with the same modes together: LDX STX zp abs; JMP (abs)."""
    modes = defaultdict(list)
    for mnemonic, mode in map(DOCUMENTED.__getitem__, opcodes):
        modes[mnemonic].append(mode)
    alike = defaultdict(list)
    for mnemonic in sorted(modes):
        alike[" ".join(sorted(modes[mnemonic], key=_MODES.index))].append(mnemonic)
    return "; ".join(f"{' '.join(names)} {where}".strip() for where, names in alike.items())
