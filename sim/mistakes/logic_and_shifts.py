"""Mistakes of BIT, the shifts and rotations, and the steps up and down."""

from ..witness.model import State, flag
from .mistake import Chapter, Column

part = Chapter()


def _shifted(s: State) -> Column:
    return s.a if s.place == "a" else s.stored


def _set_shifted(s: State, byte: Column) -> None:
    if s.place == "a":
        s.a = byte
    else:
        s.stored = byte
    s.judge(byte)


@part.mistake(21, "LSR keeps N", "LSR",
              cause="N is left as it was", change="N must become 0")  # fmt: skip
def _lsr_keeps_n(name: str, before: State, after: State, variant: str) -> None:
    after.n = before.n


@part.mistake(22, "ROL shifts the new carry in", "ROL", stage=0,
              cause="bit 0 becomes the old bit 7",
              change="bit 0 must become C as it was before")  # fmt: skip
def _rol_new_carry(name: str, before: State, after: State, variant: str) -> None:
    byte = _shifted(after)
    _set_shifted(after, byte - byte % 2 + after.c)


@part.mistake(23, "ROR shifts 0 in", "ROR", stage=0,
              cause="bit 7 becomes 0", change="bit 7 must become C as it was before")  # fmt: skip
def _ror_shifts_zero(name: str, before: State, after: State, variant: str) -> None:
    _set_shifted(after, _shifted(after) % 128)


@part.mistake(24, "BIT's N and V of A AND M", "BIT",
              cause="N and V are bits 7 and 6 of A AND M",
              change="N and V must be bits 7 and 6 of M")  # fmt: skip
def _bit_nv_of_and(name: str, before: State, after: State, variant: str) -> None:
    both = before.a & before.m
    after.n, after.v = both >> 7, both >> 6 & 1


@part.mistake(25, "BIT's Z of M alone", "BIT",
              cause="Z tells whether M is 0",
              change="Z must tell whether A AND M is 0")  # fmt: skip
def _bit_z_of_m(name: str, before: State, after: State, variant: str) -> None:
    after.z = flag(before.m == 0)


@part.mistake(26, "INC and DEC write C", "INC DEC INX DEX INY DEY",
              cause="C is the carry out of the step", change="C must be kept",
              note="a step down is M + FF, which carries unless M is 0")  # fmt: skip
def _step_writes_c(name: str, before: State, after: State, variant: str) -> None:
    byte = before.m if name[2] == "C" else getattr(before, name[2].lower())
    after.c = flag(byte == 255) if name.startswith("IN") else flag(byte != 0)
