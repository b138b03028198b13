"""Mistakes of BRK, IRQ, NMI and reset. The flags are what is pushed last."""

import numpy as np

from ..witness.model import State
from .mistake import Chapter, adopt
from .stacking import ENTRIES, push_word

part = Chapter()


@part.mistake(
    47, "PHP and BRK push B = 0",
    "bit 4 of the pushed flags is 0", "bit 4 must be 1 when software pushes the flags",
    "PHP BRK",
)  # fmt: skip
def _software_pushes_b_0(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] & ~16


@part.mistake(
    48, "IRQ and NMI push B = 1",
    "bit 4 of the pushed flags is 1", "bit 4 must be 0 when an interrupt pushes the flags",
    "IRQ NMI",
)  # fmt: skip
def _interrupt_pushes_b_1(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] | 16


@part.mistake(
    49, "Bit 5 pushed 0",
    "bit 5 of the pushed flags is 0", "bit 5 must be 1 in every push of the flags",
    f"PHP {ENTRIES}",
)  # fmt: skip
def _bit_5_pushed_0(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] & ~32


@part.mistake(
    51, "I set before P is pushed",
    "the pushed flags have I set already", "P must be pushed before I is set",
    ENTRIES,
)  # fmt: skip
def _i_before_push(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] | 4


@part.mistake(
    52, "NMI leaves I clear",
    "NMI keeps I", "NMI must set I",
    "NMI",
)  # fmt: skip
def _nmi_keeps_i(name: str, before: State, after: State, variant: str) -> None:
    after.i = before.i


@part.mistake(
    53, "BRK masked by I",
    "with I set BRK does nothing but skip its two bytes", "BRK must be taken whatever I is",
    "BRK", stage=3, unless_masked=True,
    note="its clocks are left as they are",
)  # fmt: skip
def _brk_masked(name: str, before: State, after: State, variant: str) -> None:
    for column in ("pc", "sp", "d"):
        kept = np.where(before.i == 1, getattr(before, column), getattr(after, column))
        setattr(after, column, kept)


@part.mistake(
    54, "BRK pushes PC + 1",
    "BRK pushes the address of its second byte", "BRK must push PC + 2: it skips its second byte",
    "BRK",
)  # fmt: skip
def _brk_pushes_pc_1(name: str, before: State, after: State, variant: str) -> None:
    push_word(after, (before.pc - 1) % 65536)


@part.mistake(
    55, "IRQ skips a byte",
    "IRQ pushes PC + 1", "IRQ must push the address of the instruction not yet run",
    "IRQ",
)  # fmt: skip
def _irq_skips(name: str, before: State, after: State, variant: str) -> None:
    push_word(after, (before.pc + 1) % 65536)


@part.mistake(
    62, "CMOS clears D before pushing P",
    "the pushed flags have D clear already", "P must be pushed before D is cleared",
    ENTRIES, variants=("cmos",),
)  # fmt: skip
def _d_before_push(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] & ~8


@part.mistake(
    63, "NMOS clears D",
    "an interrupt clears D", "D must be kept on NMOS",
    ENTRIES, variants=("nmos", "binary"),
)  # fmt: skip
def _nmos_clears_d(name: str, before: State, after: State, variant: str) -> None:
    after.d = before.d * 0


@part.mistake(
    64, "Reset writes the stack",
    "reset pushes PC and the flags as an interrupt does",
    "reset must only move SP: nothing is written",
    "RESET",
)  # fmt: skip
def _reset_writes(name: str, before: State, after: State, variant: str) -> None:
    pushing = before.copy()
    for byte in (before.pc // 256, before.pc % 256, before.status(software=0)):
        pushing.push(byte)
    adopt(after, pushing, "pushed push_address")


@part.mistake(
    65, "Reset leaves I clear",
    "reset keeps I", "reset must set I",
    "RESET",
)  # fmt: skip
def _reset_keeps_i(name: str, before: State, after: State, variant: str) -> None:
    after.i = before.i


@part.mistake(
    66, "Vector bytes swapped",
    "the vector's first byte is taken for the high one", "the low byte must come first",
    f"{ENTRIES} RESET",
)  # fmt: skip
def _vector_swapped(name: str, before: State, after: State, variant: str) -> None:
    after.pc = before.vector % 256 * 256 + before.vector // 256
