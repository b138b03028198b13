"""Mistakes of pushes and pulls: the place on the stack, the order, what they leave in the flags."""

from typing import Final

import numpy as np

from ..witness.model import State
from .mistake import Chapter, Column, adopt, again

part = Chapter()
ENTRIES: Final = "BRK IRQ NMI"
_PULLS: Final = "PLA PLP RTS RTI"


def push_word(after: State, word: Column) -> None:
    """Puts another word in place of the one that was pushed first."""
    after.pushed[0], after.pushed[1] = word // 256, word % 256


@part.mistake(37, "Push decrements first", f"PHA PHP JSR {ENTRIES}", stage=2,
              cause="the byte is written below SP",
              change="a push must write at SP, then decrement it")  # fmt: skip
def _push_decrements_first(name: str, before: State, after: State, variant: str) -> None:
    after.push_address = [256 + (address - 1) % 256 for address in after.push_address]


@part.mistake(38, "Pull reads first", _PULLS, stage=0,
              cause="the byte is read at SP, then SP is incremented",
              change="a pull must increment SP, then read there",
              note="what lies at SP itself is in no case: it is taken to be 0")  # fmt: skip
def _pull_reads_first(name: str, before: State, after: State, variant: str) -> None:
    pulled = [before.pulled[0] * 0, *before.pulled[:2]]
    adopt(after, again(name, before, variant, pulled=pulled), "a pc n v d i z c")


@part.mistake(39, "S carries out of page one", f"JSR {ENTRIES} {_PULLS}", stage=0,
              cause="the stack's address runs on into page 0 or 2",
              change="SP must wrap within 0100 to 01FF",
              note="what lies in page 2 is in no case: it is taken to be 0. "
                   "One push alone does not show it")  # fmt: skip
def _stack_leaves_page(name: str, before: State, after: State, variant: str) -> None:
    after.push_address = [256 + before.sp - i for i in range(len(after.push_address))]
    if name in _PULLS.split():
        pulled = [
            np.where(before.sp + i > 255, 0, byte) for i, byte in enumerate(before.pulled, start=1)
        ]
        adopt(after, again(name, before, variant, pulled=pulled), "a pc n v d i z c")


@part.mistake(95, "A pull at SP FF reads in page 2", _PULLS, stage=0,
              cause="a pull adds 1 to 01FF for its address, though SP itself wraps",
              change="the address of a pull must wrap within 0100 to 01FF, as SP does",
              note="what lies in page 2 is in no case: it is taken to be 0")  # fmt: skip
def _pull_in_page_two(name: str, before: State, after: State, variant: str) -> None:
    pulled = [
        np.where((before.sp + i) % 256 == 255, 0, byte) for i, byte in enumerate(before.pulled)
    ]
    adopt(after, again(name, before, variant, pulled=pulled), "a pc n v d i z c")


@part.mistake(40, "JSR pushes PC + 3", "JSR",
              cause="JSR pushes the address of the next instruction",
              change="JSR must push the address of its own last byte, PC + 2")  # fmt: skip
def _jsr_pushes_next(name: str, before: State, after: State, variant: str) -> None:
    push_word(after, before.pc)


@part.mistake(41, "RTS without + 1", "RTS",
              cause="RTS goes on at the address it pulls",
              change="RTS must go on one past it")  # fmt: skip
def _rts_without_one(name: str, before: State, after: State, variant: str) -> None:
    after.pc = (after.pc - 1) % 65536


@part.mistake(42, "RTI with + 1", "RTI",
              cause="RTI goes on one past the address it pulls",
              change="RTI must go on at that very address")  # fmt: skip
def _rti_with_one(name: str, before: State, after: State, variant: str) -> None:
    after.pc = (after.pc + 1) % 65536


@part.mistake(43, "Low byte pushed first", f"JSR {ENTRIES}", stage=2,
              cause="the low byte of PC is pushed before the high one",
              change="the high byte must be pushed first")  # fmt: skip
def _low_byte_first(name: str, before: State, after: State, variant: str) -> None:
    after.pushed[:2] = after.pushed[1::-1]


@part.mistake(44, "TXS sets N and Z", "TXS",
              cause="TXS judges the byte as other transfers do",
              change="TXS must keep all flags")  # fmt: skip
def _txs_sets_nz(name: str, before: State, after: State, variant: str) -> None:
    after.judge(before.x)


@part.mistake(45, "TSX does not set N and Z", "TSX",
              cause="TSX keeps all flags as TXS does", change="TSX must set N and Z")  # fmt: skip
def _tsx_keeps_nz(name: str, before: State, after: State, variant: str) -> None:
    adopt(after, before, "n z")


@part.mistake(46, "PLA does not set N and Z", "PLA",
              cause="PLA keeps all flags", change="PLA must set N and Z as LDA does")  # fmt: skip
def _pla_keeps_nz(name: str, before: State, after: State, variant: str) -> None:
    adopt(after, before, "n z")
