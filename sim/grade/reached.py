"""The steps of the RTL's sequences: how a run begins, and with which opcodes each is reached.

This is all that the grade takes from the hardware's own tables.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from carrywave.rtl.decode import MODES
from carrywave.rtl.interrupts import EntryCause
from carrywave.rtl.steps import ACCESS, Step, rows
from carrywave.rtl.variant import Variant

from ..family.instructions import BY_OPCODE
from ..netlist.alu_gates import opcodes_of

#: The number of each step.
STEPS: Final[dict[str, int]] = {name: step.value for name, step in Step.__members__.items()}

#: How the registers that matter stand at power-up; all others hold 0.
POWER_UP: Final = {
    "control.position": STEPS["ENTER"],
    "interrupts.cause": EntryCause.__members__["RESET"].value,
    "interrupts.nmi_before": 1,
}


def on_at_power_up(names: Mapping[str, Sequence[int]]) -> set[int]:
    """The flip-flops that hold 1 at power-up, out of the wires of each name."""
    return {w for name, v in POWER_UP.items() for i, w in enumerate(names[name]) if v >> i & 1}


def opcodes_by_step(variant: str) -> dict[int, set[int]]:
    """The opcodes with which each step is reached, but for the clock of a fetch and of an entry."""
    sequences: Any = rows(Variant(variant))
    reached: dict[int, set[int]] = {}

    def walk(position: Any, step: Any, access: Any, opcodes: set[int]) -> None:
        reached.setdefault(position.value, set()).update(opcodes)
        row = sequences[step]
        after = [access if row.next is ACCESS else row.next]
        if row.detour:
            after.append(row.detour[1])
        for following in after:
            if following is Step.REPEAT:
                adds = {o for o in opcodes if BY_OPCODE[o].mnemonic in ("ADC", "SBC")}
                if variant == "cmos" and adds:
                    walk(following, following, access, adds)
            elif following is not None:
                walk(following, following, access, opcodes)

    for first, access, patterns in MODES:
        walk(Step.FIRST, first, access, opcodes_of(patterns))
    walk(Step.ENTER_DISCARD, Step.ENTER_DISCARD, Step.FETCH, {0})
    undocumented = set(range(256)) - set(BY_OPCODE)
    reached[STEPS["FIRST"]] |= undocumented
    reached[STEPS["STOPPED"]] = undocumented
    return reached
