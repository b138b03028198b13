"""Which instruction a case is, and the order of instructions in reports."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
import numpy.typing as npt

from ..family.instructions import BY_MNEMONIC, BY_OPCODE, EVENTS
from .layout import Cases

__all__ = ["KEYS", "in_order", "instruction_of", "keys_of", "name_of_key"]

KEYS: Final = 256 * len(EVENTS)
_ORDER: Final = {name: i for i, name in enumerate((*BY_MNEMONIC, *EVENTS[1:]))}


def keys_of(cases: Cases) -> npt.NDArray[np.uint16]:
    """The opcode of an instruction, 256 times the event of an entry."""
    event = cases["event"]
    if len(event) and event.max() >= len(EVENTS):
        raise ValueError(f"event {event.max()}: expected 0 to {len(EVENTS) - 1}")
    happens = (event > 1) | ((event == 1) & (cases["p"] & 4 == 0))
    keys: npt.NDArray[np.uint16] = np.where(
        happens, event.astype(np.uint16) << 8, cases["bytes"][:, 0]
    )
    return keys


def name_of_key(key: int) -> str:
    """The mnemonic, the event, or the opcode in hex where it is not documented."""
    if key > 255:
        return EVENTS[key >> 8]
    return BY_OPCODE[key].mnemonic if key in BY_OPCODE else f"{key:02X}"


def instruction_of(case: Cases) -> str:
    """What one case counts as: a mnemonic, "IRQ", "NMI" or "RESET"; a masked IRQ is no IRQ."""
    return name_of_key(int(keys_of(np.asarray(case).reshape(1))[0]))


def in_order(names: Iterable[str]) -> list[str]:
    """Mnemonics by the alphabet, then the events: the same however the parts were merged."""
    return sorted(names, key=lambda name: (_ORDER.get(name, len(_ORDER)), name))
