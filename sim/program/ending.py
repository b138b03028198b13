"""Where a run on the gates ends: as one in the simulator does."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..family.instructions import BY_OPCODE
from ..family.status_byte import LOWEST_FIRST
from .part import ENTER
from .pin_levels import PinLevels
from .ran import jumps

_I: Final = LOWEST_FIRST.index("i")
_JUMPS: Final = np.array([
    code in BY_OPCODE and jumps(BY_OPCODE[code].mnemonic) for code in range(256)
])  # fmt: skip


class Ending:
    """Finds where a run ends, as a run in the simulator does."""

    def __init__(
        self, pins: PinLevels, max_clocks: int, until: int | None, most: int | None
    ) -> None:
        self.pins, self.max_clocks, self.until, self.most = pins, max_clocks, until, most
        self.before: tuple[int, bool] | None = None  # address of the last sequence; if it jumps
        self.instructions = 0
        self.clock = 0

    def find(
        self, several: npt.NDArray[Any], begun: npt.NDArray[np.int64], stopped: bool = False
    ) -> tuple[int, str]:
        """The sequence before which the run ends, and why; "" if it does not in this part.

        A part is states, one more than it has sequences, and their clocks; `stopped`, if its last
        one never ends.
        """
        states, clocks = several[:-1], begun[:-1]
        fetches = states["position"] != ENTER
        found: list[tuple[int, int, str]] = []
        after = np.flatnonzero(clocks >= self.max_clocks)
        if len(after):
            found.append(
                (int(after[0]) - (int(clocks[after[0]]) > self.max_clocks), 3, "clock limit")
            )
        elif begun[-1] > self.max_clocks and not stopped:
            found.append((len(states) - 1, 3, "clock limit"))
        ran = self.instructions + np.concatenate([[0], np.cumsum(states["cause"] == 0)])
        if self.most is not None:
            at = np.flatnonzero(ran[:-1] >= self.most)
            if len(at):
                found.append((int(at[0]), 2, "instruction limit"))
        if self.until is not None:
            at = np.flatnonzero(fetches & (states["pc"] == self.until) & (clocks > 0))
            if len(at):
                found.append((int(at[0]), 1, "address"))
        jump = self._self_jump(several, begun, fetches)
        if jump is not None:
            found.append((jump, 0, "self-jump"))
        self.instructions = int(ran[-1])
        if not found:
            self.clock = int(begun[-1])
            return len(states), ""
        end, _, why = min(found)
        self.clock = self.max_clocks if why == "clock limit" else int(clocks[end])
        if self.clock > self.max_clocks:
            self.clock, why = self.max_clocks, "clock limit"
        return end, why

    def _self_jump(
        self, states: npt.NDArray[Any], clocks: npt.NDArray[np.int64],
        fetches: npt.NDArray[np.bool_],
    ) -> int | None:  # fmt: skip
        """The first sequence at the address of a jump before it, where nothing can end the loop."""
        # What a sequence runs is what the next one finds in the opcode's register.
        opcode = states["opcode"][1:]
        jumped = (states["cause"][:-1] == 0) & _JUMPS[opcode]
        place = states["pc"]
        again = np.zeros(len(states) - 1, np.bool_)
        if self.before is not None and len(again):
            again[0] = self.before[1] and place[0] == self.before[0]
        again[1:] = jumped[:-1] & (place[1:-1] == place[:-2])
        if len(again):
            self.before = int(place[-2]), bool(jumped[-1])
        for at in np.flatnonzero(again & fetches).tolist():
            state, clock = states[at], int(clocks[at])
            asked = not self.pins.level("irq_n", clock - 1) and not int(state["flags"]) >> _I & 1
            if not asked and not state["nmi_pending"] and not self.pins.waits(clock):
                return at
        return None
