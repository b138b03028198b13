"""The classic mistakes of emulators that one instruction can expose, as changes to the model.

The catalogue and its numbers are common practice of the trade; the counts come from enumeration.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from ..cases.layout import Cases, Outcomes
from ..family.instructions import BY_MNEMONIC
from ..family.members import EVENTS, VARIANTS
from ..witness.model import Model, State, add, flag, signed, subtract, subtract_decimal

__all__ = ["BY_NUMBER", "MISTAKES", "SEQUENCE_ONLY", "Mistake", "Mistaken"]

Column = Any
Edit = Callable[[str, State, State, str], None]

#: Those that no single case can expose, by number, and why.
SEQUENCE_ONLY: Final = {
    50: "PLP stores B, which leaks into a later push: the register has no bit 4 to compare, and "
    "the push is another instruction",
    56: "NMI as a level: only a second entry, while the line is still low, shows it",
    57: "IRQ as an edge: only an entry that does not come, with the line low for long, shows it",
    58: "CLI acts at once: what follows CLI shows it, and a case has one instruction",
    59: "SEI blocks at once: what follows SEI shows it, and a case has one instruction",
    60: "RTI acts late: what follows RTI shows it, and a case has one instruction",
    61: "IRQ beats NMI: a case has one event, so that no two can compete",
}


@dataclass(frozen=True)
class Mistake:
    """One mistake: what is wrong, and what it changes in a right outcome.

    `cause` and `change` are for whoever made it: "V is the carry out", "V must be carry 8 XOR
    carry 7". `count` is how many inputs expose it, as documented: of all A, M and C in binary, of
    the 20,000 with valid digits in decimal; `note` says of which instruction or field, where it is
    not all of them. `modes` says in which modes of arithmetic it is made: "binary", "decimal" or
    "both".
    """

    number: int
    name: str
    title: str
    cause: str
    change: str
    mnemonics: frozenset[str]  # of instructions, and "IRQ", "NMI", "RESET"
    edit: Edit = field(repr=False, compare=False)
    variants: tuple[str, ...] = VARIANTS
    count: int | None = None
    note: str = ""
    modes: str = "both"
    stage: int = 1  # among several in one instruction: 0 changes results, 2 what others have pushed
    unless_masked: bool = False  # with I set nothing is pushed at all

    def apply(self, mnemonic: str, before: State, after: State, variant: str) -> None:
        """Edits the columns of `after`, the right state, as the mistake would have left them."""
        if self.modes == "both":
            self.edit(mnemonic, before, after, variant)
            return
        decimal = before.d * (variant != "binary")
        rows = decimal == int(self.modes == "decimal")
        edited = after.copy()
        self.edit(mnemonic, before, edited, variant)
        for column in ("a", "n", "v", "z", "c"):
            chosen = np.where(rows, getattr(edited, column), getattr(after, column))
            setattr(after, column, chosen)

    def variations(self) -> tuple[Mistake, ...]:
        """This one first, then the same mistake made in other modes of ADC and SBC.

        Whether one formula serves both modes is each emulator's own affair.
        """
        if self.modes != "binary":
            return (self,)
        return (self, replace(self, modes="both"), replace(self, modes="decimal"))


class Mistaken(Model):
    """The model with one or more mistakes made in it: a witness to be found out."""

    def __init__(self, *mistakes: Mistake, variant: str = "nmos") -> None:
        """Raises ValueError without a mistake, or for one that the variant cannot make."""
        super().__init__(variant)
        if not mistakes:
            raise ValueError("no mistake given: that is the model")
        for mistake in mistakes:
            if variant not in mistake.variants:
                made = ", ".join(mistake.variants)
                raise ValueError(
                    f"mistake {mistake.number} ({mistake.name}): made in {made}, not in {variant}"
                )
        self.mistakes = tuple(sorted(mistakes, key=lambda mistake: (mistake.stage, mistake.number)))

    def perform(self, name: str, s: State) -> None:
        """As the model does, then as the mistakes would have it."""
        mnemonic = name.removesuffix(" A")
        made = [mistake for mistake in self.mistakes if mnemonic in mistake.mnemonics]
        before = s.copy()
        super().perform(name, s)
        for mistake in made:
            mistake.apply(mnemonic, before, s, self.variant)

    def _execute_alike(self, cases: Cases, key: int) -> Outcomes:
        outcomes = super()._execute_alike(cases, key)
        # A state's pushes are the same for all its rows, so these can only be taken back here.
        name = EVENTS[key - 256] if key > 255 else _BRK if key == _BRK_OPCODE else ""
        if any(mistake.unless_masked and name in mistake.mnemonics for mistake in self.mistakes):
            masked = cases["p"] & 4 != 0
            for what in ("pushes", "pushed", "push_address"):
                outcomes[what][masked] = 0
        return outcomes


_BRK: Final = "BRK"
_BRK_OPCODE: Final = BY_MNEMONIC[_BRK]["implied"].opcode

_catalogue: list[Mistake] = []


def _mistake(
    number: int, title: str, cause: str, change: str, mnemonics: str, **more: Any
) -> Callable[[Edit], Edit]:
    """Enters an edit into the catalogue under its own name."""

    def enter(edit: Edit) -> Edit:
        name = edit.__name__.strip("_").replace("_", "-")
        named = frozenset(mnemonics.split())
        _catalogue.append(Mistake(number, name, title, cause, change, named, edit, **more))
        return edit

    return enter


_DECIMAL_VARIANTS: Final = ("nmos", "cmos")
_COMPARES: Final = "CMP CPX CPY"
_ENTRIES: Final = "BRK IRQ NMI"
_PULLS: Final = "PLA PLP RTS RTI"


def _again(name: str, before: State, variant: str, **other: Column) -> State:
    """What the right instruction makes of other inputs."""
    state = before.copy()
    state.__dict__.update(other)
    Model(variant).perform(name, state)
    return state


def _adopt(after: State, other: State, names: str) -> None:
    for name in names.split():
        setattr(after, name, getattr(other, name))


def _operand(name: str, s: State) -> Column:
    """What the adder is given: SBC inverts M."""
    return s.m if name == "ADC" else 255 - s.m


def _total(name: str, s: State) -> Column:
    """The 9-bit sum."""
    return s.a + _operand(name, s) + s.c


def _register(name: str, s: State) -> Column:
    return {"CMP": s.a, "CPX": s.x, "CPY": s.y}[name]


# ADC, SBC and compares


@_mistake(
    1, "V taken from the carry",
    "V is the carry out", "V must be carry 8 XOR carry 7",
    "ADC SBC", count=65536, modes="binary",
)  # fmt: skip
def _v_is_c(name: str, before: State, after: State, variant: str) -> None:
    after.v = after.c


@_mistake(
    2, "V taken from the carry into the sign bit",
    "V is the carry into bit 7", "V must be carry 8 XOR carry 7",
    "ADC SBC", count=65536, modes="binary",
)  # fmt: skip
def _v_is_carry_7(name: str, before: State, after: State, variant: str) -> None:
    after.v = flag(before.a % 128 + _operand(name, before) % 128 + before.c > 127)


@_mistake(
    3, "V set whenever the sign of A changes",
    "V is bit 7 of A before XOR bit 7 of the result",
    "V must also need both inputs of the adder to have the same sign",
    "ADC SBC", count=32768, modes="binary",
)  # fmt: skip
def _v_is_sign_change(name: str, before: State, after: State, variant: str) -> None:
    after.v = flag((before.a > 127) != (_total(name, before) % 256 > 127))


@_mistake(
    4, "V of an addition without its carry-in",
    "V is the overflow of A + M", "V must be the overflow of A + M + C",
    "ADC", count=256, modes="binary",
)  # fmt: skip
def _adc_v_ignores_carry(name: str, before: State, after: State, variant: str) -> None:
    after.v = add(before.a, before.m, 0)[2]


@_mistake(
    5, "V computed after A was overwritten",
    "V compares the sign of the result with that of A, which already is the result: always 0",
    "V must be computed from A as it was before",
    "ADC SBC", count=32768, modes="binary",
)  # fmt: skip
def _v_after_overwrite(name: str, before: State, after: State, variant: str) -> None:
    after.v = flag(before.a < 0)


@_mistake(
    6, "C of an addition without its carry-in",
    "C is the carry out of A + M", "C must be the carry out of A + M + C",
    "ADC", count=256, modes="binary",
)  # fmt: skip
def _adc_c_ignores_carry(name: str, before: State, after: State, variant: str) -> None:
    after.c = add(before.a, before.m, 0)[1]


@_mistake(
    7, "Z of the 9-bit sum",
    "Z looks at the carry as well as at the byte", "Z must look at the 8 bits of the result only",
    "ADC SBC", count=511, modes="binary",
)  # fmt: skip
def _z_of_9_bits(name: str, before: State, after: State, variant: str) -> None:
    after.z = flag(_total(name, before) == 0)


@_mistake(
    8, "N taken from bit 8",
    "N is bit 8 of the 9-bit sum", "N must be bit 7 of the result",
    "ADC SBC", count=98304, modes="binary",
)  # fmt: skip
def _n_is_bit_8(name: str, before: State, after: State, variant: str) -> None:
    after.n = flag(_total(name, before) > 255)


@_mistake(
    9, "SBC's V with the operand not inverted",
    "V is an addition's overflow formula over M", "V must use the inverted operand, NOT M",
    "SBC", count=65536, modes="binary",
)  # fmt: skip
def _sbc_v_not_inverted(name: str, before: State, after: State, variant: str) -> None:
    result = _total(name, before) % 256
    after.v = flag(((before.a > 127) == (before.m > 127)) & ((before.a > 127) != (result > 127)))


@_mistake(
    10, "V of a subtraction without its borrow",
    "V is the overflow of A - M", "V must be the overflow of A - M - 1 + C",
    "SBC", count=256, modes="binary",
)  # fmt: skip
def _sbc_v_ignores_borrow(name: str, before: State, after: State, variant: str) -> None:
    after.v = subtract(before.a, before.m, 1)[2]


@_mistake(
    11, "SBC's C as a borrow",
    "C is 1 after a borrow", "C must be 0 after a borrow, 1 without",
    "SBC", modes="binary",
)  # fmt: skip
def _sbc_c_is_borrow(name: str, before: State, after: State, variant: str) -> None:
    after.c = 1 - after.c


@_mistake(
    12, "SBC's C without the borrow that came in",
    "C is A >= M whatever C was", "C must be A >= M + 1 - C",
    "SBC", count=256, modes="binary",
)  # fmt: skip
def _sbc_c_ignores_borrow(name: str, before: State, after: State, variant: str) -> None:
    after.c = flag(before.a >= before.m)


@_mistake(
    13, "SBC subtracts C",
    "SBC computes A - M - C", "SBC must compute A - M - (1 - C)",
    "SBC", modes="binary", stage=0,
)  # fmt: skip
def _sbc_subtracts_c(name: str, before: State, after: State, variant: str) -> None:
    _adopt(after, _again("SBC", before, variant, c=1 - before.c), "a n v z c")


@_mistake(
    14, "SBC adds the two's complement and C",
    "SBC computes A + (-M) + C", "SBC must compute A + NOT M + C",
    "SBC", modes="binary", stage=0,
)  # fmt: skip
def _sbc_adds_negative(name: str, before: State, after: State, variant: str) -> None:
    _adopt(after, _again("ADC", before, variant, m=-before.m % 256), "a n v z c")


@_mistake(
    15, "SBC's C lost when M + 1 - C wraps",
    "C is A >= (M + 1 - C) in 8 bits, where FF + 1 is 0",
    "C must come from a sum wide enough for M + 1 - C = 256",
    "SBC", count=256, modes="binary",
)  # fmt: skip
def _sbc_c_wraps(name: str, before: State, after: State, variant: str) -> None:
    after.c = flag(before.a >= (before.m + 1 - before.c) % 256)


@_mistake(
    16, "Compare uses C",
    "the compare subtracts 1 - C as SBC does", "the compare must subtract without a borrow",
    _COMPARES, count=256, stage=0,
    note="the count is C's, wrong where C = 0 and the two are equal; with C = 0, N and Z are wrong "
    "too where the difference is 0, and Z alone where it is 1, N alone where it is 80: 768 in all",
)  # fmt: skip
def _compare_uses_c(name: str, before: State, after: State, variant: str) -> None:
    difference, after.c, _ = subtract(_register(name, before), before.m, before.c)
    after.judge(difference)


@_mistake(
    17, "Compare's C strict",
    "C is register > M", "C must be register >= M",
    _COMPARES, count=512,
)  # fmt: skip
def _compare_c_strict(name: str, before: State, after: State, variant: str) -> None:
    after.c = flag(_register(name, before) > before.m)


@_mistake(
    18, "Compare's C signed",
    "C is register >= M of signed numbers", "C must be register >= M of unsigned numbers",
    _COMPARES, count=65536,
)  # fmt: skip
def _compare_c_signed(name: str, before: State, after: State, variant: str) -> None:
    after.c = flag(signed(_register(name, before)) >= signed(before.m))


@_mistake(
    19, "Compare's N is signed 'less than'",
    "N is register < M of signed numbers", "N must be bit 7 of register - M, right or overflown",
    _COMPARES, count=32768,
)  # fmt: skip
def _compare_n_signed(name: str, before: State, after: State, variant: str) -> None:
    after.n = flag(signed(_register(name, before)) < signed(before.m))


@_mistake(
    20, "Compare writes V",
    "V is the overflow of register - M", "V must be kept",
    _COMPARES, count=32768,
    note="the count is with V clear before; where V was set, the other 98,304 show it",
)  # fmt: skip
def _compare_writes_v(name: str, before: State, after: State, variant: str) -> None:
    after.v = subtract(_register(name, before), before.m, 1)[2]


# Logic, shifts and steps


def _shifted(after: State) -> Column:
    return after.a if after.stored is None else after.stored


def _set_shifted(after: State, byte: Column) -> None:
    if after.stored is None:
        after.a = byte
    else:
        after.stored = byte
    after.judge(byte)


@_mistake(
    21, "LSR keeps N",
    "N is left as it was", "N must become 0",
    "LSR",
)  # fmt: skip
def _lsr_keeps_n(name: str, before: State, after: State, variant: str) -> None:
    after.n = before.n


@_mistake(
    22, "ROL shifts the new carry in",
    "bit 0 becomes the old bit 7", "bit 0 must become C as it was before",
    "ROL", stage=0,
)  # fmt: skip
def _rol_new_carry(name: str, before: State, after: State, variant: str) -> None:
    byte = _shifted(after)
    _set_shifted(after, byte - byte % 2 + after.c)


@_mistake(
    23, "ROR shifts 0 in",
    "bit 7 becomes 0", "bit 7 must become C as it was before",
    "ROR", stage=0,
)  # fmt: skip
def _ror_shifts_zero(name: str, before: State, after: State, variant: str) -> None:
    _set_shifted(after, _shifted(after) % 128)


@_mistake(
    24, "BIT's N and V of A AND M",
    "N and V are bits 7 and 6 of A AND M", "N and V must be bits 7 and 6 of M",
    "BIT",
)  # fmt: skip
def _bit_nv_of_and(name: str, before: State, after: State, variant: str) -> None:
    both = before.a & before.m
    after.n, after.v = both >> 7, both >> 6 & 1


@_mistake(
    25, "BIT's Z of M alone",
    "Z tells whether M is 0", "Z must tell whether A AND M is 0",
    "BIT",
)  # fmt: skip
def _bit_z_of_m(name: str, before: State, after: State, variant: str) -> None:
    after.z = flag(before.m == 0)


@_mistake(
    26, "INC and DEC write C",
    "C is the carry out of the step", "C must be kept",
    "INC DEC INX DEX INY DEY",
    note="a step down is M + FF, which carries unless M is 0",
)  # fmt: skip
def _step_writes_c(name: str, before: State, after: State, variant: str) -> None:
    byte = {"C": before.m, "X": before.x, "Y": before.y}[name[2]]
    after.c = flag(byte == 255) if name.startswith("IN") else flag(byte != 0)


# Decimal mode


def _decimal_sum(a: Column, m: Column, carry: Column, low_limit: int, carried: bool) -> State:
    """As the model's, but for the low digit's limit and whether the high one sees its carry."""
    low = a % 16 + m % 16 + carry
    low = np.where(low >= low_limit, (low + 6) % 16 + 16, low)
    high = (a - a % 16) + (m - m % 16)
    value = signed(a - a % 16) + signed(m - m % 16) + low
    total = high + low
    n, v = flag(total % 256 > 127), flag((value < -128) | (value > 127))
    total = np.where((total if carried else high) >= 0xA0, total + 0x60, total)
    return State(a=total % 256, c=flag(total > 255), n=n, v=v)


def _take_decimal(after: State, sum_: State, variant: str) -> None:
    _adopt(after, sum_, "a c n v")
    if variant == "cmos":
        after.judge(after.a)


@_mistake(
    27, "Z of the decimal result",
    "Z tells whether the decimal result is 0", "Z must be the binary result's on NMOS",
    "ADC SBC", variants=("nmos",), count=230, modes="decimal",
    note="the count is ADC's; of SBC's valid inputs 10 expose it",
)  # fmt: skip
def _nmos_z_of_result(name: str, before: State, after: State, variant: str) -> None:
    after.z = flag(after.a == 0)


@_mistake(
    28, "N of the decimal result",
    "N is bit 7 of the decimal result",
    "N must be, on NMOS, ADC's before its high digit is corrected, and SBC's binary result's",
    "ADC SBC", variants=("nmos",), count=8800, modes="decimal",
    note="the count is ADC's; of SBC's valid inputs 6,000 expose it",
)  # fmt: skip
def _nmos_n_of_result(name: str, before: State, after: State, variant: str) -> None:
    after.n = flag(after.a > 127)


@_mistake(
    29, "Decimal V of the binary sum",
    "V is the binary sum's", "V must be that of the sum with its low digit corrected",
    "ADC", variants=_DECIMAL_VARIANTS, count=672, modes="decimal",
)  # fmt: skip
def _decimal_v_binary(name: str, before: State, after: State, variant: str) -> None:
    after.v = add(before.a, before.m, before.c)[2]


@_mistake(
    30, "Decimal N of the binary sum",
    "N is the binary sum's",
    "N must be that of the sum with its low digit corrected on NMOS, the result's on CMOS",
    "ADC", variants=_DECIMAL_VARIANTS, count=1008, modes="decimal",
    note="the count is NMOS's; on CMOS, where N is the result's, 9,808 expose it",
)  # fmt: skip
def _decimal_n_binary(name: str, before: State, after: State, variant: str) -> None:
    after.n = flag(add(before.a, before.m, before.c)[0] > 127)


@_mistake(
    31, "Decimal C of the binary sum",
    "C is the binary sum's", "C must be that of the corrected sum: a decimal result above 99",
    "ADC", variants=_DECIMAL_VARIANTS, count=8736, modes="decimal",
)  # fmt: skip
def _decimal_c_binary(name: str, before: State, after: State, variant: str) -> None:
    after.c = add(before.a, before.m, before.c)[1]


@_mistake(
    32, "Low digit corrected on half carry only",
    "the low digit is corrected when it carries out of 4 bits, and A to F stay",
    "the low digit must be corrected whenever it is above 9",
    "ADC", variants=_DECIMAL_VARIANTS, count=8400, modes="decimal", stage=0,
)  # fmt: skip
def _low_on_half_carry(name: str, before: State, after: State, variant: str) -> None:
    _take_decimal(after, _decimal_sum(before.a, before.m, before.c, 16, True), variant)


@_mistake(
    33, "High digit judged without the low one's carry",
    "the high digit is corrected when the two high digits alone are above 9",
    "the high digit must be judged with the carry of the low one in it",
    "ADC", variants=_DECIMAL_VARIANTS, count=1000, modes="decimal", stage=0,
)  # fmt: skip
def _high_ignores_low(name: str, before: State, after: State, variant: str) -> None:
    _take_decimal(after, _decimal_sum(before.a, before.m, before.c, 10, False), variant)


@_mistake(
    34, "Decimal SBC of the other family member",
    "SBC corrects invalid digits as the other of NMOS and CMOS does",
    "the low digit's correction must borrow from the high one on CMOS, and must not on NMOS",
    "SBC", variants=_DECIMAL_VARIANTS, count=9216, modes="decimal", stage=0,
    note="the count is of all 131,072 inputs: valid digits never expose it",
)  # fmt: skip
def _sbc_exchanged(name: str, before: State, after: State, variant: str) -> None:
    after.a = subtract_decimal(before.a, before.m, before.c, variant != "cmos")
    if variant == "cmos":
        after.judge(after.a)


@_mistake(
    35, "CMOS SBC's N and Z binary",
    "N and Z are the binary difference's", "N and Z must be the decimal result's on CMOS",
    "SBC", variants=("cmos",), count=6010, modes="decimal",
)  # fmt: skip
def _cmos_sbc_nz_binary(name: str, before: State, after: State, variant: str) -> None:
    after.judge(subtract(before.a, before.m, before.c)[0])


@_mistake(
    36, "D affects compares",
    "N and Z are those of a decimal difference", "the compare must be binary whatever D is",
    _COMPARES, variants=_DECIMAL_VARIANTS, modes="decimal",
)  # fmt: skip
def _compare_decimal(name: str, before: State, after: State, variant: str) -> None:
    register = _register(name, before)
    after.judge(subtract_decimal(register, before.m, 1, variant == "cmos"))


# Stack


def _push_word(after: State, word: Column) -> None:
    after.pushed[0], after.pushed[1] = word // 256, word % 256


@_mistake(
    37, "Push decrements first",
    "the byte is written below SP", "a push must write at SP, then decrement it",
    f"PHA PHP JSR {_ENTRIES}", stage=2,
)  # fmt: skip
def _push_decrements_first(name: str, before: State, after: State, variant: str) -> None:
    after.push_address = [256 + (address - 1) % 256 for address in after.push_address]


@_mistake(
    38, "Pull reads first",
    "the byte is read at SP, then SP is incremented", "a pull must increment SP, then read there",
    _PULLS, stage=0,
    note="what lies at SP itself is in no case: it is taken to be 0",
)  # fmt: skip
def _pull_reads_first(name: str, before: State, after: State, variant: str) -> None:
    pulled = [before.pulled[0] * 0, *before.pulled[:2]]
    _adopt(after, _again(name, before, variant, pulled=pulled), "a pc n v d i z c")


@_mistake(
    39, "S carries out of page one",
    "the stack's address runs on into page 0 or 2", "SP must wrap within 0100 to 01FF",
    f"JSR {_ENTRIES} {_PULLS}", stage=0,
    note="what lies in page 2 is in no case: it is taken to be 0. One push alone does not show it",
)  # fmt: skip
def _stack_leaves_page(name: str, before: State, after: State, variant: str) -> None:
    after.push_address = [256 + before.sp - i for i in range(len(after.push_address))]
    if name in _PULLS.split():
        pulled = [
            np.where(before.sp + i > 255, 0, byte) for i, byte in enumerate(before.pulled, start=1)
        ]
        _adopt(after, _again(name, before, variant, pulled=pulled), "a pc n v d i z c")


@_mistake(
    40, "JSR pushes PC + 3",
    "JSR pushes the address of the next instruction",
    "JSR must push the address of its own last byte, PC + 2",
    "JSR",
)  # fmt: skip
def _jsr_pushes_next(name: str, before: State, after: State, variant: str) -> None:
    _push_word(after, before.pc)


@_mistake(
    41, "RTS without + 1",
    "RTS goes on at the address it pulls", "RTS must go on one past it",
    "RTS",
)  # fmt: skip
def _rts_without_one(name: str, before: State, after: State, variant: str) -> None:
    after.pc = (after.pc - 1) % 65536


@_mistake(
    42, "RTI with + 1",
    "RTI goes on one past the address it pulls", "RTI must go on at that very address",
    "RTI",
)  # fmt: skip
def _rti_with_one(name: str, before: State, after: State, variant: str) -> None:
    after.pc = (after.pc + 1) % 65536


@_mistake(
    43, "Low byte pushed first",
    "the low byte of PC is pushed before the high one", "the high byte must be pushed first",
    f"JSR {_ENTRIES}", stage=2,
)  # fmt: skip
def _low_byte_first(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[:2] = after.pushed[1::-1]


@_mistake(
    44, "TXS sets N and Z",
    "TXS judges the byte as other transfers do", "TXS must keep all flags",
    "TXS",
)  # fmt: skip
def _txs_sets_nz(name: str, before: State, after: State, variant: str) -> None:
    after.judge(before.x)


@_mistake(
    45, "TSX does not set N and Z",
    "TSX keeps all flags as TXS does", "TSX must set N and Z",
    "TSX",
)  # fmt: skip
def _tsx_keeps_nz(name: str, before: State, after: State, variant: str) -> None:
    _adopt(after, before, "n z")


@_mistake(
    46, "PLA does not set N and Z",
    "PLA keeps all flags", "PLA must set N and Z as LDA does",
    "PLA",
)  # fmt: skip
def _pla_keeps_nz(name: str, before: State, after: State, variant: str) -> None:
    _adopt(after, before, "n z")


# Interrupts. The flags are what is pushed last.


@_mistake(
    47, "PHP and BRK push B = 0",
    "bit 4 of the pushed flags is 0", "bit 4 must be 1 when software pushes the flags",
    "PHP BRK",
)  # fmt: skip
def _software_pushes_b_0(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] & ~16


@_mistake(
    48, "IRQ and NMI push B = 1",
    "bit 4 of the pushed flags is 1", "bit 4 must be 0 when an interrupt pushes the flags",
    "IRQ NMI",
)  # fmt: skip
def _interrupt_pushes_b_1(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] | 16


@_mistake(
    49, "Bit 5 pushed 0",
    "bit 5 of the pushed flags is 0", "bit 5 must be 1 in every push of the flags",
    f"PHP {_ENTRIES}",
)  # fmt: skip
def _bit_5_pushed_0(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] & ~32


@_mistake(
    51, "I set before P is pushed",
    "the pushed flags have I set already", "P must be pushed before I is set",
    _ENTRIES,
)  # fmt: skip
def _i_before_push(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] | 4


@_mistake(
    52, "NMI leaves I clear",
    "NMI keeps I", "NMI must set I",
    "NMI",
)  # fmt: skip
def _nmi_keeps_i(name: str, before: State, after: State, variant: str) -> None:
    after.i = before.i


@_mistake(
    53, "BRK masked by I",
    "with I set BRK does nothing but skip its two bytes", "BRK must be taken whatever I is",
    "BRK", stage=3, unless_masked=True,
    note="its clocks are left as they are",
)  # fmt: skip
def _brk_masked(name: str, before: State, after: State, variant: str) -> None:
    for column in ("pc", "sp", "d"):
        kept = np.where(before.i == 1, getattr(before, column), getattr(after, column))
        setattr(after, column, kept)


@_mistake(
    54, "BRK pushes PC + 1",
    "BRK pushes the address of its second byte", "BRK must push PC + 2: it skips its second byte",
    "BRK",
)  # fmt: skip
def _brk_pushes_pc_1(name: str, before: State, after: State, variant: str) -> None:
    _push_word(after, (before.pc - 1) % 65536)


@_mistake(
    55, "IRQ skips a byte",
    "IRQ pushes PC + 1", "IRQ must push the address of the instruction not yet run",
    "IRQ",
)  # fmt: skip
def _irq_skips(name: str, before: State, after: State, variant: str) -> None:
    _push_word(after, (before.pc + 1) % 65536)


@_mistake(
    62, "CMOS clears D before pushing P",
    "the pushed flags have D clear already", "P must be pushed before D is cleared",
    _ENTRIES, variants=("cmos",),
)  # fmt: skip
def _d_before_push(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] & ~8


@_mistake(
    63, "NMOS clears D",
    "an interrupt clears D", "D must be kept on NMOS",
    _ENTRIES, variants=("nmos", "binary"),
)  # fmt: skip
def _nmos_clears_d(name: str, before: State, after: State, variant: str) -> None:
    after.d = before.d * 0


@_mistake(
    64, "Reset writes the stack",
    "reset pushes PC and the flags as an interrupt does",
    "reset must only move SP: nothing is written",
    "RESET",
)  # fmt: skip
def _reset_writes(name: str, before: State, after: State, variant: str) -> None:
    pushing = before.copy()
    for byte in (before.pc // 256, before.pc % 256, before.status(software=0)):
        pushing.push(byte)
    _adopt(after, pushing, "pushed push_address")


@_mistake(
    65, "Reset leaves I clear",
    "reset keeps I", "reset must set I",
    "RESET",
)  # fmt: skip
def _reset_keeps_i(name: str, before: State, after: State, variant: str) -> None:
    after.i = before.i


@_mistake(
    66, "Vector bytes swapped",
    "the vector's first byte is taken for the high one", "the low byte must come first",
    f"{_ENTRIES} RESET",
)  # fmt: skip
def _vector_swapped(name: str, before: State, after: State, variant: str) -> None:
    after.pc = before.vector % 256 * 256 + before.vector // 256


MISTAKES: Final = tuple(_catalogue)
BY_NUMBER: Final = {mistake.number: mistake for mistake in MISTAKES}
