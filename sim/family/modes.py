"""The addressing modes: notation, length, the address of the operand, and the clocks.

A mode has a sequence of clocks for each kind of access. The lengths are those of Eyes & Lichty,
*Programming the 65816*, chapter 18.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from .address import Term, high, join, named, number
from .bus_clocks import OFFSET_TARGET, Clock, sequence_of

_ABSOLUTE: Final = join(named("address.high"), named("address.low"))


def _in_zero_page(low: Term) -> Term:
    return join(number(0), low)


def _indexed(register: str) -> Term:
    """A word and an index, which carries into the page."""
    return _ABSOLUTE + join(number(0), named(register))


_ZERO: Final = "R pc opcode · R pc+1 address.low"
_FAR: Final = f"{_ZERO} · R pc+2 address.high"
_THROUGH_X: Final = (
    "R pc opcode · R pc+1 pointer · R zp - · R zp,x address.low · R zp,x+1 address.high"
)
_THROUGH_Y: Final = "R pc opcode · R pc+1 pointer · R zp address.low · R zp+1 address.high"
_MODIFY: Final = "R ea m · M ea m · W ea stored"


def _accesses(formed: str, *accesses: str) -> dict[str, str]:
    """The rows of a mode, by access, once the clocks have come that form the address."""
    rows = {"read": "R ea m", "write": "W ea stored", "modify": _MODIFY}
    return {access: f"{formed} · {rows[access]}" for access in accesses}


def _crossings(formed: str, last: str, *accesses: str) -> dict[str, str]:
    """The same where an index may cross into the next page; `last` is the instruction's last byte.

    What writes waits for the carry, come or not; on CMOS a shift does not wait.
    """
    rows = {
        "read": f"X uncorrected/{last} - · R ea m",
        "write": "R uncorrected/? - · W ea stored",
        "modify": f"R uncorrected/? - · {_MODIFY}",
        "shift": f"X uncorrected/{last} - · {_MODIFY}",
    }
    return {access: f"{formed} · {rows[access]}" for access in accesses}


@dataclass(frozen=True, slots=True)
class Mode:
    """An addressing mode.

    `notation` is how a listing writes it, `{}` standing for the operand, which is a "byte", an
    "address" of as many bytes as the mode has, or an "offset". `address` is that of the operand
    in memory, or where JMP and JSR go; `operand` its byte, where it does not lie there. `target`
    is the sum whose carry crosses into another page, if there is one, or else `carry`. `rows` are
    sequences by access; "shift" is that of a shift on CMOS where it is another, "cmos" that of JMP.
    """

    name: str
    notation: str
    length: int
    takes: str = ""
    address: Term | None = None
    operand: str = "m"
    rows: Mapping[str, str] = field(default_factory=dict)
    carry: Term | None = None

    @property
    def label(self) -> str:
        """As the makers' tables name it: #, zp, abs,X; empty where a mnemonic has no other mode."""
        operand = "zp" if self.length == 2 else "abs"
        return self.notation.format(operand if self.takes == "address" else "")

    @property
    def target(self) -> Term | None:
        """Where a branch goes, else the operand's address."""
        return OFFSET_TARGET if self.takes == "offset" else self.address

    @property
    def crossing(self) -> tuple[Term, Term] | None:
        """The page before something is added, and after; None where no page is crossed."""
        for term in (self.carry, self.target):
            if term is not None and term.kind == "sum":
                return high(term.parts[0]), high(term)
        return None

    def sequence(self, access: str, variant: str) -> tuple[Clock, ...]:
        """The clocks for an access, "read", "write", "modify", "shift" or "" for none."""
        return sequence_of(self.rows[access], self.target, variant)


#: By name, in the order in which the notation is tried: the shorter one first.
MODES: Final = {
    mode.name: mode
    for mode in (
        Mode("implied", "", 1, rows={"": "R pc opcode · R pc+1 -"}),
        Mode("accumulator", "A", 1, operand="a", rows={"": "R pc opcode · R pc+1 -"}),
        Mode("immediate", "#{}", 2, "byte", rows={"": "R pc opcode · R pc+1 m"}),
        Mode(
            "zero page", "{}", 2, "address", _in_zero_page(named("address.low")),
            rows=_accesses(_ZERO, "read", "write", "modify"),
        ),
        Mode(
            "absolute", "{}", 3, "address", _ABSOLUTE,
            rows={"": _FAR, **_accesses(_FAR, "read", "write", "modify")},
        ),
        *(
            Mode(
                f"zero page,{register.upper()}", f"{{}},{register.upper()}", 2, "address",
                _in_zero_page(named("address.low") + named(register)),
                rows=_accesses(f"{_ZERO} · R base -", "read", "write", "modify"),
            )
            for register in "xy"
        ),
        *(
            Mode(
                f"absolute,{register.upper()}", f"{{}},{register.upper()}", 3, "address",
                _indexed(register),
                rows=_crossings(_FAR, "pc+2", "read", "write", "modify", "shift"),
            )
            for register in "xy"
        ),
        Mode(
            "(zero page,X)", "({},X)", 2, "address", _ABSOLUTE,
            rows=_accesses(_THROUGH_X, "read", "write"),
        ),
        Mode(
            "(zero page),Y", "({}),Y", 2, "address", _indexed("y"),
            rows=_crossings(_THROUGH_Y, "pc+1", "read", "write"),
        ),
        Mode(
            "(absolute)", "({})", 3, "address", _ABSOLUTE,
            rows={
                "": "R pc opcode · R pc+1 pointer.low · R pc+2 pointer.high"
                " · R pointer address.low · R pointer+1 wrapped address.high",
                "cmos": "R pc opcode · R pc+1 pointer.low · R pc+2 pointer.high"
                " · R pointer address.low · R ? - · R pointer+1 address.high",
            },
            carry=join(named("pointer.high"), named("pointer.low")) + 1,
        ),
        Mode(
            "relative", "{}", 2, "offset",
            rows={"": "R pc opcode · R pc+1 offset · T pc+2 - · X uncorrected -"},
        ),
        Mode("entry", "", 0),  # of an interrupt or of reset: no instruction
    )
}  # fmt: skip
