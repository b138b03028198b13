"""Mistakes of addressing: where a pointer or an operand is looked for, and the clock for a carry.

What lies at a wrong address that a case does not list is taken to be 0, as it is behind the shipped
adapters.
"""

from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np

from ..cases.case_memory import Places
from ..family.address import Term, high, join, low, named, number, signed
from ..family.instructions import Instruction
from ..witness.model import State, flag
from .mistake import Chapter

part = Chapter(cases="places", stage=-1)

_POINTER: Final = named("pointer")
_WORD: Final = join(named("address.high"), named("address.low"))
Found = Mapping[str, Any]


def _operand(place: Callable[[Found], Any] | Term) -> Places:
    """An operand that is read and written elsewhere."""
    where = place.over if isinstance(place, Term) else place
    return {"m": where, "stored": where}


def _in_page_zero(one: Instruction) -> bool:
    return bool(one.index and one.access and one.mode.crossing is None and not one.pointer)


def _through_x(one: Instruction) -> bool:
    return "x" in one.pointer


def _through_y(one: Instruction) -> bool:
    return bool(one.pointer) and one.index == "y"


def _through_word(one: Instruction) -> bool:
    return "pointer.low" in one.reads


def _crosses(one: Instruction) -> bool:
    return bool(one.index) and one.mode.crossing is not None


def _read_across(one: Instruction) -> bool:
    return _crosses(one) and one.access == "read"


def _written_across(one: Instruction) -> bool:
    return _crosses(one) and one.access == "write"


def _modified_across(one: Instruction) -> bool:
    return _crosses(one) and one.access == "modify"


def _modifies(one: Instruction) -> bool:
    return one.access == "modify"


def _by_y_in_page_zero(one: Instruction) -> bool:
    return _in_page_zero(one) and one.index == "y"


def _through_any(one: Instruction) -> bool:
    return bool(one.pointer) or _through_word(one)


def _read_through_y(one: Instruction) -> bool:
    return _through_y(one) and one.access == "read"


def _branches(one: Instruction) -> bool:
    return one.branches


def _index(one: Instruction) -> Term:
    return join(number(0), named(one.index))


@part.places(67, "An index leaves page zero", _in_page_zero, count=32640,
             cause="the indexed address leaves page zero",
             change="the index must wrap within page zero")  # fmt: skip
def _zero_page_leaves(one: Instruction, variant: str) -> Places:
    return _operand(join(number(0), named("address.low")) + _index(one))


@part.places(68, "Y mode indexed by X", _by_y_in_page_zero,
             count=65280, cause="X is added where Y must be",
             change="LDX and STX must be indexed by Y")  # fmt: skip
def _indexed_by_x(one: Instruction, variant: str) -> Places:
    return _operand(join(number(0), named("address.low") + named("x")))


@part.places(69, "(zp,X) reads the pointer's high byte from 0100", _through_x, count=256,
             cause="the pointer's high byte is read from 0100 where its low byte lies at 00FF",
             change="a pointer must wrap within page zero")  # fmt: skip
def _pointer_leaves_x(one: Instruction, variant: str) -> Places:
    return {"address.high": (join(number(0), _POINTER + named("x")) + 1).over}


@part.places(70, "(zp),Y reads the pointer's high byte from 0100", _through_y, count=256,
             cause="the pointer's high byte is read from 0100 where its low byte lies at 00FF",
             change="a pointer must wrap within page zero")  # fmt: skip
def _pointer_leaves_y(one: Instruction, variant: str) -> Places:
    return {"address.high": (join(number(0), _POINTER) + 1).over}


@part.places(71, "(zp,X) adds X after the pointer was read", _through_x, count=65280,
             cause="X is added to what the pointer holds",
             change="X must be added to where the pointer lies")  # fmt: skip
def _x_after(one: Instruction, variant: str) -> Places:
    return {
        "address.low": join(number(0), _POINTER).over,
        "address.high": join(number(0), _POINTER + 1).over,
        **_operand(_WORD + join(number(0), named("x"))),
    }


@part.places(72, "(zp),Y adds Y before the pointer is read", _through_y, count=65280,
             cause="Y is added to where the pointer lies",
             change="Y must be added to what the pointer holds")  # fmt: skip
def _y_before(one: Instruction, variant: str) -> Places:
    return {
        "address.low": join(number(0), _POINTER + named("y")).over,
        "address.high": join(number(0), _POINTER + named("y") + 1).over,
        **_operand(_WORD),
    }


@part.places(73, "An index wraps within its page", _crosses, count=32640,
             cause="the carry out of the low byte of the address is lost",
             change="an index must carry into the high byte of the address")  # fmt: skip
def _wraps_in_page(one: Instruction, variant: str) -> Places:
    return _operand(_uncorrected(one))


@part.places(74, "An index leaves memory", _read_across, count=32640, cases="page FF",
             cause="an address beyond FFFF is not brought back to 0000",
             change="an address must wrap from FFFF to 0000",
             note="what lies beyond memory is taken to be 0")  # fmt: skip
def _leaves_memory(one: Instruction, variant: str) -> Places:
    def beyond(found: Found) -> Any:
        total = _WORD.over(found) + _index(one).over(found)
        return np.where(total > 0xFFFF, -1, total)

    return {"m": beyond}


@part.places(75, "JMP (xxFF) carries into the page", _through_word, count=256,
             variants=("nmos", "binary"),
             cause="the pointer's high byte is read from the next page",
             change="on NMOS a pointer must wrap within its page")  # fmt: skip
def _pointer_carries(one: Instruction, variant: str) -> Places:
    return {"address.high": (join(named("pointer.high"), named("pointer.low")) + 1).over}


@part.places(76, "JMP (xxFF) wraps within its page", _through_word, count=256,
             variants=("cmos",), cause="the pointer's high byte is read from its own page",
             change="on CMOS a pointer must carry into the next page")  # fmt: skip
def _pointer_wraps(one: Instruction, variant: str) -> Places:
    return {"address.high": join(named("pointer.high"), named("pointer.low") + 1).over}


@part.places(81, "A modify writes to the uncorrected page", _modified_across, count=32640,
             cause="the result is written where the carry has not reached the page",
             change="both bytes must be written where the operand was read")  # fmt: skip
def _writes_uncorrected(one: Instruction, variant: str) -> Places:
    return {"stored": _uncorrected(one).over}


@part.places(83, "A pointer is read high byte first",
             _through_any, count=65280,
             cause="the pointer's first byte is taken for the high one",
             change="the low byte of a pointer must come first")  # fmt: skip
def _big_endian(one: Instruction, variant: str) -> Places:
    clocks = {clock.reads: clock.address for clock in one.sequence(variant)}
    first, second = clocks["address.low"], clocks["address.high"]
    assert first is not None
    assert second is not None
    return {"address.low": second.over, "address.high": first.over}


@part.places(88, "(zp,X) looks for the pointer beyond page zero", _through_x, count=32896,
             cause="where the pointer lies leaves page zero",
             change="X must wrap within page zero, and so must the pointer",
             note="a store's; two bytes that are not there are a pointer to 0000, where the right "
                  "one may lie: its byte may be the operand's, or one that does the same by AND"
             )  # fmt: skip
def _pointer_beyond(one: Instruction, variant: str) -> Places:
    place = join(number(0), _POINTER) + join(number(0), named("x"))
    return {"address.low": place.over, "address.high": (place + 1).over}


@part.places(89, "The first write of a modify goes to the uncorrected page", _modified_across,
             count=32640, variants=("nmos", "binary"),
             cause="the unmodified byte is written where the carry has not reached the page",
             change="both bytes must be written where the operand was read")  # fmt: skip
def _first_uncorrected(one: Instruction, variant: str) -> Places:
    return {"stored first": _uncorrected(one).over}


@part.places(96, "(zp,X) reads the pointer's high byte beyond page zero", _through_x, count=32896,
             cause="the pointer's high byte is read beyond page zero",
             change="X must wrap within page zero for both bytes of a pointer",
             note="a store's; a high byte that is not there is 0, and in page zero a byte may lie "
                  "that does the same by AND or CMP")  # fmt: skip
def _high_beyond(one: Instruction, variant: str) -> Places:
    return {"address.high": (join(number(0), _POINTER) + join(number(0), named("x")) + 1).over}


def _uncorrected(one: Instruction) -> Term:
    """The address in the page that the carry has not reached."""
    address = one.mode.address
    assert address is not None
    return join(high(address.parts[0]), low(address))


@part.places(84, "Indexed by the other register", _crosses, count=65280,
             cause="the other index register is added",
             change="the register that the mode names must be added")  # fmt: skip
def _other_register(one: Instruction, variant: str) -> Places:
    other = join(number(0), named("x" if one.index == "y" else "y"))
    return _operand(_WORD + other)


@part.places(85, "An index added twice", _crosses, count=65280,
             cause="the index is added twice", change="the index must be added once")  # fmt: skip
def _added_twice(one: Instruction, variant: str) -> Places:
    return _operand(_WORD + _index(one) + _index(one))


@part.places(86, "An index with a sign", _crosses, count=32768,
             cause="an index from 80 on is taken for a negative number",
             change="an index must be added as a number from 0 to 255")  # fmt: skip
def _signed_index(one: Instruction, variant: str) -> Places:
    return _operand(_WORD + signed(named(one.index)))


@part.places(97, "A crossing corrected twice", _crosses, count=32640,
             cause="the carry out of the low byte of the address is added twice",
             change="an index must carry into the high byte of the address once")  # fmt: skip
def _corrected_twice(one: Instruction, variant: str) -> Places:
    right = _WORD + _index(one)

    def twice(found: Found) -> Any:
        address, base = right.over(found), _WORD.over(found)
        return np.where(address >> 8 != base >> 8, address + 256 & 0xFFFF, address)

    return {"m": twice, "stored": twice}


@part.places(87, "C added to the address", _crosses, cases="carry", count=65536,
             cause="C is added to the address",
             change="an address must be formed without the carry flag")  # fmt: skip
def _carry_added(one: Instruction, variant: str) -> Places:
    def carried(found: Found) -> Any:
        return (_WORD.over(found) + _index(one).over(found) + (found["p"] & 1)) & 0xFFFF

    return {"m": carried, "stored": carried}


# Clocks


@part.mistake(77, "No clock for a crossing", made_in=_read_across, count=32640,
              cause="a page crossed takes no clock more",
              change="a read must take a clock more where an index crosses a page")  # fmt: skip
def _crossing_is_free(name: str, before: State, after: State, variant: str) -> None:
    after.cycles = after.cycles - after.crossed


@part.mistake(78, "A clock for a crossing that did not happen",
              made_in=_read_across, count=32896,
              cause="a clock more is taken where no page is crossed",
              change="a read must take a clock more only where an index crosses a page"
              )  # fmt: skip
def _crossing_always(name: str, before: State, after: State, variant: str) -> None:
    after.cycles = after.cycles + 1 - after.crossed


@part.mistake(79, "A crossing counted for writes", made_in=_written_across, count=32640,
              cause="a write takes a clock more where a page is crossed",
              change="a write must take the same number of clocks everywhere")  # fmt: skip
def _crossing_in_writes(name: str, before: State, after: State, variant: str) -> None:
    after.cycles = after.cycles + after.crossed


@part.mistake(80, "A crossing counted for modify", made_in=_modified_across, count=32640,
              cause="a modify takes a clock more where a page is crossed",
              change="a modify must take the same number of clocks everywhere",
              variants=("nmos", "binary"))  # fmt: skip
def _crossing_in_modify(name: str, before: State, after: State, variant: str) -> None:
    after.cycles = after.cycles + after.crossed


@part.mistake(82, "A branch's crossing judged from its own address",
              made_in=_branches, cases="branches", count=512,
              cause="a page is crossed where the target is in another page than the branch itself",
              change="the target's page must be compared with the next instruction's")  # fmt: skip
def _crossing_from_branch(name: str, before: State, after: State, variant: str) -> None:
    own = (before.pc - 2) % 65536
    crossed = flag(after.pc // 256 != own // 256)
    after.cycles = np.where(after.cycles > 2, 3 + crossed, 2)


@part.mistake(90, "A store pays for a crossing alone", made_in=_written_across, count=32896,
              cause="a write takes a clock more only where a page is crossed",
              change="a write must take the same number of clocks everywhere")  # fmt: skip
def _store_pays_for_crossing(name: str, before: State, after: State, variant: str) -> None:
    after.cycles = after.cycles - 1 + after.crossed


@part.mistake(91, "A modify pays for a crossing alone", made_in=_modified_across, count=32896,
              variants=("nmos", "binary"),
              cause="a modify takes a clock more only where a page is crossed",
              change="a modify must take the same number of clocks everywhere")  # fmt: skip
def _modify_pays_for_crossing(name: str, before: State, after: State, variant: str) -> None:
    after.cycles = after.cycles - 1 + after.crossed


@part.mistake(92, "No clock for a branch into another page", made_in=_branches, cases="branches",
              count=16384, cause="a branch into another page takes no clock more",
              change="a taken branch must take a clock more where it crosses a page")  # fmt: skip
def _branch_crosses_free(name: str, before: State, after: State, variant: str) -> None:
    after.cycles = np.minimum(after.cycles, 3)


@part.mistake(93, "A branch back does not borrow", made_in=_branches, cases="branches", count=8256,
              cause="a branch back into the page before stays in its own",
              change="a negative offset must borrow from the high byte of PC")  # fmt: skip
def _branch_without_borrow(name: str, before: State, after: State, variant: str) -> None:
    # `before.pc` is the next instruction's.
    back = after.pc // 256 == (before.pc // 256 - 1) % 256
    after.pc = np.where(back, before.pc // 256 * 256 + after.pc % 256, after.pc)


@part.mistake(94, "A modify writes the result first", made_in=_modifies, count=65536,
              variants=("nmos", "binary"),
              cause="the result is written before the unmodified byte",
              change="the unmodified byte must be written back first, then the result")  # fmt: skip
def _result_first(name: str, before: State, after: State, variant: str) -> None:
    after.m, after.stored = after.stored, after.m


@part.mistake(98, "A crossing judged from where the pointer lies", made_in=_read_through_y,
              count=16384, cause="a page is crossed where Y carries out of the pointer's own place",
              change="Y must be added to the low byte that the pointer holds")  # fmt: skip
def _crossing_from_pointer(name: str, before: State, after: State, variant: str) -> None:
    carries = flag(before.pointer + before.y > 255)
    after.cycles = after.cycles - after.crossed + carries


@part.mistake(99, "A branch by 80 goes forward", made_in=_branches, cases="branches", count=256,
              cause="an offset of 80 is taken for 128 forward",
              change="an offset from 80 on must be a negative number")  # fmt: skip
def _least_offset_forward(name: str, before: State, after: State, variant: str) -> None:
    # `before.pc` is the next instruction's.
    goes = (before.argument == 0x80) & (after.cycles > 2)
    there = (before.pc + 0x80) % 65536
    after.pc = np.where(goes, there, after.pc)
    after.cycles = np.where(goes, 3 + flag(there // 256 != before.pc // 256), after.cycles)


@part.mistake(100, "A branch's crossing judged without the offset's sign", made_in=_branches,
              cases="branches", count=32768,
              cause="a page is crossed where the offset, without its sign, carries out of PC",
              change="the target's page must be compared with the next instruction's")  # fmt: skip
def _crossing_without_sign(name: str, before: State, after: State, variant: str) -> None:
    carries = flag(before.pc % 256 + before.argument > 255)
    after.cycles = np.where(after.cycles > 2, 3 + carries, after.cycles)
