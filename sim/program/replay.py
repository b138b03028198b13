"""One case as a listing: it sets memory and registers, and runs that one instruction or entry."""

from __future__ import annotations

from itertools import groupby
from typing import Final

import numpy as np

from ..cases.case_memory import lay_out
from ..cases.kinds import facts_of
from ..cases.layout import Cases
from ..family.instructions import notation_of
from ..family.members import EVENTS
from ..system.errors import UnusableError
from ..witness.model import Model

_SETUP: Final = 10  # bytes of the instructions that set the registers
_VECTOR: Final = 0xFFFC
_RESETS: Final = range(_VECTOR, _VECTOR + 2)


class ReplayError(UnusableError):
    """A case that no listing can bring about; the message is one line."""


def replay(case: Cases, variant: str = "nmos") -> str:
    """The text of a listing that comes to the case behind seven others: RESET, and what sets it up.

    RTI pulls P and PC, so that these are set at once; IRQ and NMI are asked for by then. Raises
    ReplayError for RESET, which begins every run, and where the case needs a byte that this does.
    """
    event = EVENTS[int(case["event"])]
    if event == "RESET":
        raise ReplayError("RESET begins every run: it has no listing of its own")
    pc, a, x, y, sp, p = (int(case[name]) for name in ("pc", "a", "x", "y", "sp", "p"))
    memory = lay_out(case)
    pulled = {0x100 | sp - 2 & 255: p, 0x100 | sp - 1 & 255: pc & 255, 0x100 | sp: pc >> 8}
    for address, byte in pulled.items():
        if memory.setdefault(address, byte) != byte:
            raise ReplayError(f"no listing has the case: it needs {address:04X} to get there")
    if memory.keys() & {*_RESETS}:
        raise ReplayError("no listing has the case: it reads the vector of RESET")
    outcome = Model(variant).execute(np.asarray(case).reshape(1))[0]
    written = outcome["write_address"][: int(outcome["writes"])].tolist()
    taken = {*memory, *written, *_RESETS}
    end = int(outcome["pc"])
    place = _free(_SETUP, taken | {*range(end, end + 3)})
    lines = [
        f"; {'; '.join(facts_of(case))}", f"; What is asked about begins at ${pc:04X}.",
        f"        .org ${place:04X}", *["        .irq low"] * (event == "IRQ"),
        f"SETUP:  LDX #${sp - 3 & 255:02X}", "        TXS", f"        LDA #${a:02X}",
        f"        LDX #${x:02X}", f"        LDY #${y:02X}",
        *["        .nmi +1"] * (event == "NMI"), "        RTI  ; P and PC from the stack",
    ]  # fmt: skip
    for begin, bytes_ in _rows(memory):
        code = bytes_[pc - begin :] if begin <= pc < begin + len(bytes_) else b""
        said = f"  ; {notation_of(code, pc)}" if code else ""
        lines.append(f"        .org ${begin:04X}")
        lines.append(f"        .byte {', '.join(f'${byte:02X}' for byte in bytes_)}{said}")
    if end < 0xFFFE and not taken & {*range(end, end + 3)}:
        lines += [f"        .org ${end:04X}", "DONE:   JMP DONE"]
    return "\n".join([*lines, ""])


def _free(size: int, taken: set[int]) -> int:
    """Where so many bytes are free: at the beginning of a page."""
    return next(
        place for place in range(0x0300, 0xFF00, 0x100) if not taken & {*range(place, place + size)}
    )


def _rows(memory: dict[int, int]) -> list[tuple[int, bytes]]:
    """Bytes that lie in a row, each with the first one's address."""
    found = []
    for _, some in groupby(enumerate(sorted(memory)), key=lambda item: item[1] - item[0]):
        addresses = [address for _, address in some]
        found.append((addresses[0], bytes(memory[address] for address in addresses)))
    return found
