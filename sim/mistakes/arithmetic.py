"""Mistakes of ADC, SBC and the compares: carry, overflow, the operand's complement."""

from typing import Final

from ..witness.model import State, add, flag, signed, subtract
from .mistake import Chapter, Column, adopt, again

part = Chapter()
COMPARES: Final = "CMP CPX CPY"


def _operand(name: str, s: State) -> Column:
    """What the adder is given: SBC inverts M."""
    return s.m if name == "ADC" else 255 - s.m


def _total(name: str, s: State) -> Column:
    """The 9-bit sum."""
    return s.a + _operand(name, s) + s.c


def register_of(name: str, s: State) -> Column:
    """What a compare compares."""
    return {"CMP": s.a, "CPX": s.x, "CPY": s.y}[name]


@part.mistake(1, "V taken from the carry", "ADC SBC", count=65536, modes="binary",
              cause="V is the carry out", change="V must be carry 8 XOR carry 7")  # fmt: skip
def _v_is_c(name: str, before: State, after: State, variant: str) -> None:
    after.v = after.c


@part.mistake(2, "V taken from the carry into the sign bit", "ADC SBC", count=65536, modes="binary",
              cause="V is the carry into bit 7",
              change="V must be carry 8 XOR carry 7")  # fmt: skip
def _v_is_carry_7(name: str, before: State, after: State, variant: str) -> None:
    after.v = flag(before.a % 128 + _operand(name, before) % 128 + before.c > 127)


@part.mistake(3, "V set whenever the sign of A changes", "ADC SBC", count=32768, modes="binary",
              cause="V is bit 7 of A before XOR bit 7 of the result",
              change="V must also need both inputs of the adder to have the same sign")  # fmt: skip
def _v_is_sign_change(name: str, before: State, after: State, variant: str) -> None:
    after.v = flag((before.a > 127) != (_total(name, before) % 256 > 127))


@part.mistake(4, "V of an addition without its carry-in", "ADC", count=256, modes="binary",
              cause="V is the overflow of A + M",
              change="V must be the overflow of A + M + C")  # fmt: skip
def _adc_v_ignores_carry(name: str, before: State, after: State, variant: str) -> None:
    after.v = add(before.a, before.m, 0)[2]


@part.mistake(5, "V computed after A was overwritten", "ADC SBC", count=32768, modes="binary",
              cause="V compares the sign of the result with that of A, "
                    "which already is the result: always 0",
              change="V must be computed from A as it was before")  # fmt: skip
def _v_after_overwrite(name: str, before: State, after: State, variant: str) -> None:
    after.v = flag(before.a < 0)


@part.mistake(6, "C of an addition without its carry-in", "ADC", count=256, modes="binary",
              cause="C is the carry out of A + M",
              change="C must be the carry out of A + M + C")  # fmt: skip
def _adc_c_ignores_carry(name: str, before: State, after: State, variant: str) -> None:
    after.c = add(before.a, before.m, 0)[1]


@part.mistake(7, "Z of the 9-bit sum", "ADC SBC", count=511, modes="binary",
              cause="Z looks at the carry as well as at the byte",
              change="Z must look at the 8 bits of the result only")  # fmt: skip
def _z_of_9_bits(name: str, before: State, after: State, variant: str) -> None:
    after.z = flag(_total(name, before) == 0)


@part.mistake(8, "N taken from bit 8", "ADC SBC", count=98304, modes="binary",
              cause="N is bit 8 of the 9-bit sum",
              change="N must be bit 7 of the result")  # fmt: skip
def _n_is_bit_8(name: str, before: State, after: State, variant: str) -> None:
    after.n = flag(_total(name, before) > 255)


@part.mistake(9, "SBC's V with the operand not inverted", "SBC", count=65536, modes="binary",
              cause="V is an addition's overflow formula over M",
              change="V must use the inverted operand, NOT M")  # fmt: skip
def _sbc_v_not_inverted(name: str, before: State, after: State, variant: str) -> None:
    result = _total(name, before) % 256
    after.v = flag(((before.a > 127) == (before.m > 127)) & ((before.a > 127) != (result > 127)))


@part.mistake(10, "V of a subtraction without its borrow", "SBC", count=256, modes="binary",
              cause="V is the overflow of A - M",
              change="V must be the overflow of A - M - 1 + C")  # fmt: skip
def _sbc_v_ignores_borrow(name: str, before: State, after: State, variant: str) -> None:
    after.v = subtract(before.a, before.m, 1)[2]


@part.mistake(11, "SBC's C as a borrow", "SBC", modes="binary",
              cause="C is 1 after a borrow",
              change="C must be 0 after a borrow, 1 without")  # fmt: skip
def _sbc_c_is_borrow(name: str, before: State, after: State, variant: str) -> None:
    after.c = 1 - after.c


@part.mistake(12, "SBC's C without the borrow that came in", "SBC", count=256, modes="binary",
              cause="C is A >= M whatever C was", change="C must be A >= M + 1 - C")  # fmt: skip
def _sbc_c_ignores_borrow(name: str, before: State, after: State, variant: str) -> None:
    after.c = flag(before.a >= before.m)


@part.mistake(13, "SBC subtracts C", "SBC", modes="binary", stage=0,
              cause="SBC computes A - M - C",
              change="SBC must compute A - M - (1 - C)")  # fmt: skip
def _sbc_subtracts_c(name: str, before: State, after: State, variant: str) -> None:
    adopt(after, again("SBC", before, variant, c=1 - before.c), "a n v z c")


@part.mistake(14, "SBC adds the two's complement and C", "SBC", modes="binary", stage=0,
              cause="SBC computes A + (-M) + C",
              change="SBC must compute A + NOT M + C")  # fmt: skip
def _sbc_adds_negative(name: str, before: State, after: State, variant: str) -> None:
    adopt(after, again("ADC", before, variant, m=-before.m % 256), "a n v z c")


@part.mistake(15, "SBC's C lost when M + 1 - C wraps", "SBC", count=256, modes="binary",
              cause="C is A >= (M + 1 - C) in 8 bits, where FF + 1 is 0",
              change="C must come from a sum wide enough for M + 1 - C = 256")  # fmt: skip
def _sbc_c_wraps(name: str, before: State, after: State, variant: str) -> None:
    after.c = flag(before.a >= (before.m + 1 - before.c) % 256)


@part.mistake(16, "Compare uses C", COMPARES, count=256, stage=0,
              cause="the compare subtracts 1 - C as SBC does",
              change="the compare must subtract without a borrow",
              note="the count is C's, wrong where C = 0 and the two are equal; with C = 0, N and Z "
                   "are wrong too where the difference is 0, and Z alone where it is 1, N alone "
                   "where it is 80: 768 in all")  # fmt: skip
def _compare_uses_c(name: str, before: State, after: State, variant: str) -> None:
    difference, after.c, _ = subtract(register_of(name, before), before.m, before.c)
    after.judge(difference)


@part.mistake(17, "Compare's C strict", COMPARES, count=512,
              cause="C is register > M", change="C must be register >= M")  # fmt: skip
def _compare_c_strict(name: str, before: State, after: State, variant: str) -> None:
    after.c = flag(register_of(name, before) > before.m)


@part.mistake(18, "Compare's C signed", COMPARES, count=65536,
              cause="C is register >= M of signed numbers",
              change="C must be register >= M of unsigned numbers")  # fmt: skip
def _compare_c_signed(name: str, before: State, after: State, variant: str) -> None:
    after.c = flag(signed(register_of(name, before)) >= signed(before.m))


@part.mistake(19, "Compare's N is signed 'less than'", COMPARES, count=32768,
              cause="N is register < M of signed numbers",
              change="N must be bit 7 of register - M, right or overflown")  # fmt: skip
def _compare_n_signed(name: str, before: State, after: State, variant: str) -> None:
    after.n = flag(signed(register_of(name, before)) < signed(before.m))


@part.mistake(20, "Compare writes V", COMPARES, count=32768,
              cause="V is the overflow of register - M", change="V must be kept",
              note="the count is with V clear before; "
                   "where V was set, the other 98,304 show it")  # fmt: skip
def _compare_writes_v(name: str, before: State, after: State, variant: str) -> None:
    after.v = subtract(register_of(name, before), before.m, 1)[2]
