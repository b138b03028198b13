"""What the bus does in each clock of an instruction, as the makers publish it.

Sources: the NMOS order of clocks in the maker's appendix A, 'Summary of Single-Cycle Execution'
(*R6500 Microcomputer System Hardware Manual*, document 29650 N31, 1978); their number in Eyes &
Lichty, *Programming the 65816*, chapter 18. In a taken branch that appendix prints PC + 2 + offset
without carry for the third clock; as built is what the GTE *G65SC816* data sheet, table 9, has:
PC + 2 there, and the address without carry only in the clock that a crossing adds.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

from .address import Term, high, join, low, named, number, signed


@dataclass(frozen=True, slots=True)
class Clock:
    """One clock of the bus: where, and the name of the byte that is read or written.

    A byte that is read and discarded has no name. `when` says when there is such a clock, if not
    always: "taken", of a branch; "crossed", of a branch or an index; "decimal", of CMOS. An
    `address` of None is not claimed.
    """

    address: Term | None
    reads: str = ""
    writes: str = ""
    when: str = ""

    @property
    def discards(self) -> bool:
        """Whether it reads for nothing."""
        return not self.reads and not self.writes


_PC, _SP = named("pc", 16), named("sp")
#: Where a branch goes: from the next instruction on.
OFFSET_TARGET: Final = _PC + 2 + signed(named("offset"))

_PLACES: Final[dict[str, Term]] = {
    "pc": _PC,
    "pc+1": _PC + 1,
    "pc+2": _PC + 2,
    "zp": join(number(0), named("pointer")),
    "zp+1": join(number(0), named("pointer") + 1),
    "zp,x": join(number(0), named("pointer") + named("x")),
    "zp,x+1": join(number(0), named("pointer") + named("x") + 1),
    "base": join(number(0), named("address.low")),  # before an index is added
    "pointer": join(named("pointer.high"), named("pointer.low")),
    "pointer+1": join(named("pointer.high"), named("pointer.low")) + 1,
    # NMOS drops the carry out of the low byte.
    "pointer+1 wrapped": join(named("pointer.high"), named("pointer.low") + 1),
    "pulled": join(named("pull1"), named("pull0")),
    **{f"s{by:+}" if by else "s": join(number(1), _SP + by) for by in range(-2, 4)},
    **{f"FFF{digit}": number(0xFFF0 + int(digit, 16), 16) for digit in "ABCDEF"},
}


@cache
def sequence_of(text: str, target: Term | None, variant: str) -> tuple[Clock, ...]:
    """The clocks of a table's row; `target` is the operand's address, or where a branch goes.

    R reads, W writes; M is NMOS's write of the unmodified byte, where CMOS reads once more; T and
    X read in a branch that is taken, and where a page is crossed. Then the place and the byte, `-`
    if it is discarded. Of places, `ea` is the target, `uncorrected` the target in the page that the
    carry out of the low byte has not reached; where CMOS has another place it stands behind a
    slash, `?` for one that is not claimed.
    """
    places = {**_PLACES, "ea": target, "?": None}
    if target is not None and target.kind == "sum":
        places["uncorrected"] = join(high(target.parts[0]), low(target))
    clocks = []
    for clock in text.split(" · "):
        kind, rest = clock.split(maxsplit=1)
        place, byte = rest.rsplit(maxsplit=1)
        usual, _, cmos = place.partition("/")
        where = places[cmos if cmos and variant == "cmos" else usual]
        byte = byte.strip("-")
        if kind == "W" or (kind == "M" and variant != "cmos"):
            clocks.append(Clock(where, writes=byte))
        else:
            when = {"T": "taken", "X": "crossed"}.get(kind, "")
            clocks.append(Clock(where, "" if kind == "M" else byte, when=when))
    return tuple(clocks)


#: The instructions and entries that go their own way, whatever their mode.
_OWN: Final = {
    "JSR": "R pc opcode · R pc+1 address.low · R s - · W s pch · W s-1 pcl · R pc+2 address.high",
    "RTS": "R pc opcode · R pc+1 - · R s - · R s+1 pull0 · R s+2 pull1 · R pulled -",
    "RTI": "R pc opcode · R pc+1 - · R s - · R s+1 pull0 · R s+2 pull1 · R s+3 pull2",
    "PHA": "R pc opcode · R pc+1 - · W s a",
    "PHP": "R pc opcode · R pc+1 - · W s p",
    "PLA": "R pc opcode · R pc+1 - · R s - · R s+1 pull0",
    "PLP": "R pc opcode · R pc+1 - · R s - · R s+1 pull0",
    "BRK": "R pc opcode · R pc+1 - · W s pch · W s-1 pcl · W s-2 p"
    " · R FFFE vector.low · R FFFF vector.high",
    "IRQ": "R pc - · R pc - · W s pch · W s-1 pcl · W s-2 p"
    " · R FFFE vector.low · R FFFF vector.high",
    "NMI": "R pc - · R pc - · W s pch · W s-1 pcl · W s-2 p"
    " · R FFFA vector.low · R FFFB vector.high",
    "RESET": "R pc - · R pc - · R s - · R s-1 - · R s-2 - · R FFFC vector.low · R FFFD vector.high",
}


def own_sequence(name: str, variant: str) -> tuple[Clock, ...] | None:
    """The clocks of a mnemonic or event that goes its own way, whatever its mode; else None."""
    row = _OWN.get(name)
    return None if row is None else sequence_of(row, None, variant)
