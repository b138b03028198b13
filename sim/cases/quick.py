"""The cases that are put to an emulator: some of each instruction, or all that can matter."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from ..family.instructions import (
    BY_MNEMONIC,
    BY_OPCODE,
    EVENTS,
    INSTRUCTIONS,
    VARIANTS,
    Instruction,
)
from .exhaustive import exhaustive_cases, exhaustive_count
from .layout import CASE, Cases, unnamed
from .sampled import sampled_cases

__all__ = ["NAMES", "batches", "compact_cases", "count_cases", "entries_named", "quick_cases"]

#: What can be compared: the mnemonics, then the events.
NAMES: Final = (*BY_MNEMONIC, *EVENTS[1:])

QUICK: Final = 1024  # cases of an opcode or event, half of them at the corners
CORNERS: Final = (
    0x00, 0x01, 0x02, 0x09, 0x0F, 0x10, 0x50, 0x7F, 0x80, 0x81, 0x99, 0x9A, 0xA0, 0xF0, 0xFE, 0xFF,
)  # fmt: skip


def entries_of(name: str) -> list[Instruction | str]:
    """The opcodes of a mnemonic; an event is its own."""
    return [name] if name in EVENTS else list(BY_MNEMONIC[name].values())


def entries_named(names: Collection[str] = ()) -> dict[str, list[Instruction | str]]:
    """What names ask for, by mnemonic or event in the order of `NAMES`; everything by default.

    A name is one of `NAMES`, or an opcode in hex, "69". Raises ValueError for another.
    """
    opcodes = {f"{opcode:02X}" for opcode in BY_OPCODE}
    for name in names:
        if name not in NAMES and name not in opcodes:
            raise ValueError(
                f"instruction {name!r}: expected a mnemonic, an opcode in hex, IRQ, NMI or RESET"
            )
    found = {}
    for name in NAMES:
        entries = [
            entry for entry in entries_of(name)
            if not names or name in names
            or (isinstance(entry, Instruction) and f"{entry.opcode:02X}" in names)
        ]  # fmt: skip
        if entries:
            found[name] = entries
    return found


def _sample_size(entry: Instruction | str) -> int:
    # With D set these are another computation.
    twice = isinstance(entry, Instruction) and entry.mnemonic in ("ADC", "SBC")
    return 2 * QUICK if twice else QUICK


@lru_cache(maxsize=1)
def compact_cases() -> Cases:
    """The compact sets of all variants, as `vectors.compact` finds them; a test makes them anew."""
    sets = [np.load(Path(__file__).with_name(f"compact_{variant}.npy")) for variant in VARIANTS]
    return np.unique(np.concatenate([unnamed(cases) for cases in sets])).view(CASE)


def _compact_of(entry: Instruction | str) -> Cases:
    cases = compact_cases()
    if isinstance(entry, str):
        wanted = cases["event"] == EVENTS.index(entry)
    else:
        wanted = (cases["event"] == 0) & (cases["bytes"][:, 0] == entry.opcode)
    return cases.take(np.flatnonzero(wanted))


def quick_cases(entry: Instruction | str, seed: int = 0) -> Cases:
    """Some cases of an opcode or event: random ones, some from the corners, the compact sets."""
    if isinstance(entry, str):
        place, entries, event = 256 + EVENTS.index(entry), INSTRUCTIONS, entry
    else:
        place, entries, event = entry.opcode, (entry,), EVENTS[0]
    count = _sample_size(entry)
    cases = sampled_cases(count, seed * 512 + place, entries, [event])
    half = cases[count // 2 :]
    rng = np.random.default_rng([seed, place])

    def corners(*shape: int) -> npt.NDArray[np.uint8]:
        return rng.choice(np.array(CORNERS, np.uint8), (len(half), *shape))

    for register in ("a", "x", "y", "sp"):
        half[register] = corners()
    if isinstance(entry, Instruction):
        if entry.mode in ("immediate", "relative"):
            half["bytes"][:, 1] = corners()
        if entry.access in ("read", "modify"):
            half["operand"] = corners()
        half["pulled"] = np.where(half["pulled"] > 0, corners(3), 0)
    return np.concatenate([unnamed(cases), unnamed(_compact_of(entry))]).view(CASE)


def _quick_count(entry: Instruction | str) -> int:
    return len(_compact_of(entry)) + _sample_size(entry)


def count_cases(which: str, names: Collection[str] = ()) -> int:
    """How many cases there are, "quick" or "full"; a few of the full ones may be left out."""
    counter = exhaustive_count if which == "full" else _quick_count
    return sum(counter(entry) for named in entries_named(names).values() for entry in named)


def batches(entries: Collection[Instruction | str], which: str, seed: int = 0) -> Iterator[Cases]:
    """The cases of opcodes and events, "quick" or "full", one after another."""
    for entry in entries:
        if which == "full":
            yield from exhaustive_cases(entry)
        else:
            yield quick_cases(entry, seed)
