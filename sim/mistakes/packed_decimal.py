"""Mistakes of ADC, SBC and the compares in decimal mode."""

import numpy as np

from ..witness.model import State, add, flag, signed, subtract, subtract_decimal
from .arithmetic import COMPARES, register_of
from .mistake import Chapter, Column, adopt

part = Chapter(modes="decimal", variants=("nmos", "cmos"))


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
    adopt(after, sum_, "a c n v")
    if variant == "cmos":
        after.judge(after.a)


@part.mistake(27, "Z of the decimal result", "ADC SBC", variants=("nmos",), count=230,
              cause="Z tells whether the decimal result is 0",
              change="Z must be the binary result's on NMOS",
              note="the count is ADC's; of SBC's valid inputs 10 expose it")  # fmt: skip
def _nmos_z_of_result(name: str, before: State, after: State, variant: str) -> None:
    after.z = flag(after.a == 0)


@part.mistake(28, "N of the decimal result", "ADC SBC", variants=("nmos",), count=8800,
              cause="N is bit 7 of the decimal result",
              change="N must be, on NMOS, ADC's before its high digit is corrected, "
                     "and SBC's binary result's",
              note="the count is ADC's; of SBC's valid inputs 6,000 expose it")  # fmt: skip
def _nmos_n_of_result(name: str, before: State, after: State, variant: str) -> None:
    after.n = flag(after.a > 127)


@part.mistake(29, "Decimal V of the binary sum", "ADC", count=672,
              cause="V is the binary sum's",
              change="V must be that of the sum with its low digit corrected")  # fmt: skip
def _decimal_v_binary(name: str, before: State, after: State, variant: str) -> None:
    after.v = add(before.a, before.m, before.c)[2]


@part.mistake(30, "Decimal N of the binary sum", "ADC", count=1008,
              cause="N is the binary sum's",
              change="N must be that of the sum with its low digit corrected on NMOS, "
                     "the result's on CMOS",
              note="the count is NMOS's; on CMOS, where N is the result's, "
                   "9,808 expose it")  # fmt: skip
def _decimal_n_binary(name: str, before: State, after: State, variant: str) -> None:
    after.n = flag(add(before.a, before.m, before.c)[0] > 127)


@part.mistake(31, "Decimal C of the binary sum", "ADC", count=8736,
              cause="C is the binary sum's",
              change="C must be that of the corrected sum: a decimal result above 99")  # fmt: skip
def _decimal_c_binary(name: str, before: State, after: State, variant: str) -> None:
    after.c = add(before.a, before.m, before.c)[1]


@part.mistake(32, "Low digit corrected on half carry only", "ADC", count=8400, stage=0,
              cause="the low digit is corrected when it carries out of 4 bits, and A to F stay",
              change="the low digit must be corrected whenever it is above 9")  # fmt: skip
def _low_on_half_carry(name: str, before: State, after: State, variant: str) -> None:
    _take_decimal(after, _decimal_sum(before.a, before.m, before.c, 16, True), variant)


@part.mistake(33, "High digit judged without the low one's carry", "ADC", count=1000, stage=0,
              cause="the high digit is corrected when the two high digits alone are above 9",
              change="the high digit must be judged "
                     "with the carry of the low one in it")  # fmt: skip
def _high_ignores_low(name: str, before: State, after: State, variant: str) -> None:
    _take_decimal(after, _decimal_sum(before.a, before.m, before.c, 10, False), variant)


@part.mistake(34, "Decimal SBC of the other family member", "SBC", count=9216, stage=0,
              cause="SBC corrects invalid digits as the other of NMOS and CMOS does",
              change="the low digit's correction must borrow from the high one on CMOS, "
                     "and must not on NMOS",
              note="the count is of all 131,072 inputs: valid digits never expose it")  # fmt: skip
def _sbc_exchanged(name: str, before: State, after: State, variant: str) -> None:
    after.a = subtract_decimal(before.a, before.m, before.c, variant != "cmos")
    if variant == "cmos":
        after.judge(after.a)


@part.mistake(35, "CMOS SBC's N and Z binary", "SBC", variants=("cmos",), count=6010,
              cause="N and Z are the binary difference's",
              change="N and Z must be the decimal result's on CMOS")  # fmt: skip
def _cmos_sbc_nz_binary(name: str, before: State, after: State, variant: str) -> None:
    after.judge(subtract(before.a, before.m, before.c)[0])


@part.mistake(36, "D affects compares", COMPARES,
              cause="N and Z are those of a decimal difference",
              change="the compare must be binary whatever D is")  # fmt: skip
def _compare_decimal(name: str, before: State, after: State, variant: str) -> None:
    register = register_of(name, before)
    after.judge(subtract_decimal(register, before.m, 1, variant == "cmos"))
