"""A waveform of one case with what an emulator made of it beside the unit's signals."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import IO, TYPE_CHECKING, Any, Final

from .dump import Dump
from .signals import FLAGS, PERIOD, SignalSpec

if TYPE_CHECKING:
    from carrywave.sim.emulator.verdict import Verdict


__all__ = ["EMULATOR", "BesideDump", "write_waveform"]


def write_waveform(verdict: Verdict, file: IO[str]) -> None:
    """Writes the first wrong case on the hardware, the emulator's values beside it.

    In the scope `emulator` are the registers and flags: until the instruction has ended those that
    it starts from, then those that the emulator left.
    """

    from carrywave.sim.witness.clocked import Clocked

    first = verdict.first
    if first is None:
        raise ValueError("nothing differs: there is no wrong case")
    before, after = (
        {name: int(record[name]) for name in ("pc", "a", "x", "y", "sp", "p")}
        for record in (first.case, first.actual)
    )
    with BesideDump(file, verdict.variant, before, after) as dump:
        Clocked(verdict.variant, dump).execute(first.case)


_PLACES: Final = {"n": 7, "v": 6, "d": 3, "i": 2, "z": 1, "c": 0}


def _specs() -> Iterator[SignalSpec]:
    yield SignalSpec("emulator", "pc", 16, "reg")
    for register in ("a", "x", "y", "sp", "p"):
        yield SignalSpec("emulator", register, 8, "reg")
    for flag in FLAGS:
        yield SignalSpec("emulator", flag, 1, "reg")


#: The signals beside; a reader of dumps passes them over unless asked for them.
EMULATOR: Final = tuple(_specs())


def _values(state: Mapping[str, int]) -> list[int]:
    """One value a signal, in the order of EMULATOR."""
    flags = {flag: state["p"] >> place & 1 for flag, place in _PLACES.items()}
    return [{**state, **flags}[spec.name] for spec in EMULATOR]


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
