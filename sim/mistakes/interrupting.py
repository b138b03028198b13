"""Mistakes of BRK, IRQ, NMI and reset. The flags are what is pushed last."""

import numpy as np

from ..witness.model import State
from .mistake import Chapter, adopt
from .stacking import ENTRIES, push_word

part = Chapter()


@part.mistake(47, "PHP and BRK push B = 0", "PHP BRK",
              cause="bit 4 of the pushed flags is 0",
              change="bit 4 must be 1 when software pushes the flags")  # fmt: skip
def _software_pushes_b_0(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] & ~16


@part.mistake(48, "IRQ and NMI push B = 1", "IRQ NMI",
              cause="bit 4 of the pushed flags is 1",
              change="bit 4 must be 0 when an interrupt pushes the flags")  # fmt: skip
def _interrupt_pushes_b_1(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] | 16


@part.mistake(49, "Bit 5 pushed 0", f"PHP {ENTRIES}",
              cause="bit 5 of the pushed flags is 0",
              change="bit 5 must be 1 in every push of the flags")  # fmt: skip
def _bit_5_pushed_0(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] & ~32


@part.mistake(51, "I set before P is pushed", ENTRIES,
              cause="the pushed flags have I set already",
              change="P must be pushed before I is set")  # fmt: skip
def _i_before_push(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] | 4


@part.mistake(52, "NMI leaves I clear", "NMI",
              cause="NMI keeps I", change="NMI must set I")  # fmt: skip
def _nmi_keeps_i(name: str, before: State, after: State, variant: str) -> None:
    after.i = before.i


@part.mistake(53, "BRK masked by I", "BRK", stage=3, unless_masked=True,
              cause="with I set BRK does nothing but skip its two bytes",
              change="BRK must be taken whatever I is",
              note="its clocks are left as they are")  # fmt: skip
def _brk_masked(name: str, before: State, after: State, variant: str) -> None:
    for column in ("pc", "sp", "d"):
        kept = np.where(before.i == 1, getattr(before, column), getattr(after, column))
        setattr(after, column, kept)


@part.mistake(54, "BRK pushes PC + 1", "BRK",
              cause="BRK pushes the address of its second byte",
              change="BRK must push PC + 2: it skips its second byte")  # fmt: skip
def _brk_pushes_pc_1(name: str, before: State, after: State, variant: str) -> None:
    push_word(after, (before.pc - 1) % 65536)


@part.mistake(55, "IRQ skips a byte", "IRQ",
              cause="IRQ pushes PC + 1",
              change="IRQ must push the address of the instruction not yet run")  # fmt: skip
def _irq_skips(name: str, before: State, after: State, variant: str) -> None:
    push_word(after, (before.pc + 1) % 65536)


@part.mistake(62, "CMOS clears D before pushing P", ENTRIES, variants=("cmos",),
              cause="the pushed flags have D clear already",
              change="P must be pushed before D is cleared")  # fmt: skip
def _d_before_push(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[-1] = after.pushed[-1] & ~8


@part.mistake(63, "NMOS clears D", ENTRIES, variants=("nmos", "binary"),
              cause="an interrupt clears D", change="D must be kept on NMOS")  # fmt: skip
def _nmos_clears_d(name: str, before: State, after: State, variant: str) -> None:
    after.d = before.d * 0


@part.mistake(64, "Reset writes the stack", "RESET",
              cause="reset pushes PC and the flags as an interrupt does",
              change="reset must only move SP: nothing is written")  # fmt: skip
def _reset_writes(name: str, before: State, after: State, variant: str) -> None:
    pushing = before.copy()
    for byte in (before.pc // 256, before.pc % 256, before.status(software=0)):
        pushing.push(byte)
    adopt(after, pushing, "pushed push_address")


@part.mistake(65, "Reset leaves I clear", "RESET",
              cause="reset keeps I", change="reset must set I")  # fmt: skip
def _reset_keeps_i(name: str, before: State, after: State, variant: str) -> None:
    after.i = before.i


@part.mistake(66, "Vector bytes swapped", f"{ENTRIES} RESET",
              cause="the vector's first byte is taken for the high one",
              change="the low byte must come first")  # fmt: skip
def _vector_swapped(name: str, before: State, after: State, variant: str) -> None:
    after.pc = before.vector % 256 * 256 + before.vector // 256
