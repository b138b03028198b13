"""The steps of the RTL's sequences: how a run begins, and with which opcodes each is reached.

This is all that the grade takes from the hardware's own tables.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from carrywave.rtl.decode import EAGER_ON_CMOS, MODES
from carrywave.rtl.interrupts import EntryCause
from carrywave.rtl.steps import ACCESS, BASED, SETTLED, Step, rows
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
    eager_ones = opcodes_of([EAGER_ON_CMOS]) if variant == "cmos" else set()

    def walk(position: Any, step: Any, chosen: dict[Any, Any], opcodes: set[int]) -> None:
        reached.setdefault(position.value, set()).update(opcodes)
        row = sequences[step]
        if row.next is SETTLED:  # a write waits for a carry, and on CMOS a shift does not
            eager = opcodes & eager_ones if chosen[ACCESS] is not Step.READ else opcodes
            for some, following in ((eager, chosen[ACCESS]), (opcodes - eager, Step.INDEX_WAIT)):
                if some:
                    walk(following, following, chosen, some)
            after = []
        else:
            after = [chosen.get(row.next, row.next)]
        if row.detour:
            after.append(row.detour[1])
        for following in after:
            if following is Step.REPEAT:
                adds = {o for o in opcodes if BY_OPCODE[o].mnemonic in ("ADC", "SBC")}
                if variant == "cmos" and adds:
                    walk(following, following, chosen, adds)
            elif following is not None:
                walk(following, following, chosen, opcodes)

    for (first, *based), access, patterns in MODES:
        chosen = {BASED: based[0] if based else access, ACCESS: access}
        walk(Step.FIRST, first, chosen, opcodes_of(patterns.split()))
    walk(Step.ENTER_DISCARD, Step.ENTER_DISCARD, {}, {0})
    undocumented = set(range(256)) - set(BY_OPCODE)
    reached[STEPS["FIRST"]] |= undocumented
    reached[STEPS["STOPPED"]] = undocumented
    return reached
