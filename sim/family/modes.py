"""The addressing modes: notation, length, the address of the operand, and the clocks.

A mode has a sequence of clocks for each kind of access. The lengths are those of Eyes & Lichty,
*Programming the 65816*, chapter 18.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from .address import Term, join, named, number
from .bus_clocks import Clock, sequence_of

_ZERO_PAGE: Final = join(number(0), named("address.low"))
_ABSOLUTE: Final = join(named("address.high"), named("address.low"))


@dataclass(frozen=True, slots=True)
class Mode:
    """An addressing mode.

    `notation` is how a listing writes it, `{}` standing for the operand, which is a "byte", an
    "address" of as many bytes as the mode has, or an "offset". `address` is that of the operand
    in memory; `operand` its byte, where it does not lie there. `rows` are sequences by access.
    """

    name: str
    notation: str
    length: int
    takes: str = ""
    address: Term | None = None
    operand: str = "m"
    rows: Mapping[str, str] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """As the makers' tables name it: #, zp, abs; empty where a mnemonic has no other mode."""
        operand = "zp" if self.length == 2 else "abs"
        return self.notation.format(operand if self.takes == "address" else "")

    def sequence(self, access: str, variant: str) -> tuple[Clock, ...]:
        """The clocks for an access, "read", "write", "modify" or "" for none."""
        return sequence_of(self.rows[access], self.address, variant)


#: By name, in the order in which the notation is tried: the shorter one first.
MODES: Final = {
    mode.name: mode
    for mode in (
        Mode("implied", "", 1, rows={"": "R pc opcode · R pc+1 -"}),
        Mode("accumulator", "A", 1, operand="a", rows={"": "R pc opcode · R pc+1 -"}),
        Mode("immediate", "#{}", 2, "byte", rows={"": "R pc opcode · R pc+1 m"}),
        Mode(
            "zero page", "{}", 2, "address", _ZERO_PAGE,
            rows={
                "read": "R pc opcode · R pc+1 address.low · R ea m",
                "write": "R pc opcode · R pc+1 address.low · W ea stored",
                "modify": "R pc opcode · R pc+1 address.low · R ea m · M ea m · W ea stored",
            },
        ),
        Mode(
            "absolute", "{}", 3, "address", _ABSOLUTE,
            rows={
                "": "R pc opcode · R pc+1 address.low · R pc+2 address.high",
                "read": "R pc opcode · R pc+1 address.low · R pc+2 address.high · R ea m",
                "write": "R pc opcode · R pc+1 address.low · R pc+2 address.high · W ea stored",
                "modify": "R pc opcode · R pc+1 address.low · R pc+2 address.high"
                " · R ea m · M ea m · W ea stored",
            },
        ),
        Mode(
            "relative", "{}", 2, "offset",
            rows={"": "R pc opcode · R pc+1 offset · T pc+2 - · X uncorrected -"},
        ),
        Mode("entry", "", 0),  # of an interrupt or of reset: no instruction
    )
}  # fmt: skip
