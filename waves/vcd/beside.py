"""A dump of one instruction with an emulator's registers and flags beside the unit's signals."""

from collections.abc import Iterator, Mapping
from typing import IO, Any, Final

from carrywave.sim.cases.layout import REGISTERS
from carrywave.sim.family.status_byte import FLAGS, flags_of

from .dump import Dump
from .signals import PERIOD, SignalSpec


def _specs() -> Iterator[SignalSpec]:
    for register in REGISTERS:
        yield SignalSpec("emulator", register, 16 if register == "pc" else 8, "reg")
    for flag in FLAGS:
        yield SignalSpec("emulator", flag, 1, "reg")


#: The signals beside; a reader of dumps passes them over unless asked for them.
EMULATOR: Final = tuple(_specs())


def _values(state: Mapping[str, int]) -> list[int]:
    """One value a signal, in the order of EMULATOR."""
    values = {**state, **flags_of(state["p"])}
    return [values[spec.name] for spec in EMULATOR]


class BesideDump(Dump):
    """A dump of one instruction, with an emulator's registers in the scope `emulator`.

    They hold `before` until the hardware has ended the instruction, then `after`: both map pc, a,
    x, y, sp and p to numbers.
    """

    def __init__(
        self, file: IO[str], variant: str, before: Mapping[str, int], after: Mapping[str, int]
    ) -> None:
        super().__init__(file, variant)
        self._after = _values(after)
        self._beside = [
            self._writer.register_var(spec.scope, spec.name, spec.kind, spec.width, init=value)
            for spec, value in zip(EMULATOR, _values(before), strict=True)
        ]

    def clock(self, ctx: Any, unit: Any, name: str) -> None:
        """Writes the present clock; the next instruction's fetch shows what this one left."""
        if self._clock and ctx.get(unit.sync):
            for variable, value in zip(self._beside, self._after, strict=True):
                self._writer.change(variable, self._clock * PERIOD, value)
        super().clock(ctx, unit, name)
