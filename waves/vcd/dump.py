"""Writes a waveform: IEEE 1364 value change dump, in the types that every viewer shows.

Amaranth's own writer declares enumerations as strings, which the standard does not have; here a
name is a vector of ASCII characters, which a viewer shows as text when asked to.
"""

from collections.abc import Callable, Mapping
from typing import IO, Any, Final, Self

from vcd.writer import VCDWriter

from carrywave.rtl.alu import AluOperation
from carrywave.sim.family.status_byte import FLAGS, flags_of

from .signals import CLK, CLOSING, EMULATOR, HALF, PERIOD, SIGNALS, TEXT_BITS, text_value

OPERATION_TEXTS: Final = {
    operation.value: text_value(name, 12 * TEXT_BITS)
    for name, operation in AluOperation.__members__.items()
}


class Dump:
    """Writes the unit's signals to an open file, a clock at a time. Use as a context manager.

    A clock begins with the rising edge of `clk`; every signal then holds until the next one.
    """

    def __init__(self, file: IO[str], variant: str) -> None:
        """`variant` goes into the file, which can then be checked with nothing else at hand."""
        self._file, self._variant = file, variant
        self._writer = VCDWriter(  # no date: the same run gives the same bytes
            file, timescale="1 ns", version="carrywave", date="", check_values=False
        )
        self._variables = [
            self._writer.register_var(spec.scope, spec.name, spec.kind, spec.width, init=0)
            for spec in SIGNALS
        ]
        self._variant_text = text_value(variant, 6 * TEXT_BITS)
        self._clock = 0

    def __enter__(self) -> Self:
        """Nothing is written before the first clock."""
        return self

    def __exit__(self, *_: object) -> None:
        """Ends the last clock; the closing comment tells a whole file from one that was cut off."""
        self._writer.close(self._clock * PERIOD)
        self._file.write(CLOSING.format(self._clock))

    def clock(self, ctx: Any, unit: Any, name: str) -> None:
        """Writes the settled state of the present clock; `name` is the mnemonic or event."""
        time = self._clock * PERIOD
        change = self._writer.change
        values = self._values(ctx.get, unit, name)
        for variable, value in zip(self._variables, values, strict=True):
            if value != variable.value:
                change(variable, time, value)
        change(self._variables[CLK], time + HALF, 0)
        self._clock += 1

    def _values(self, get: Callable[[Any], int], unit: Any, name: str) -> tuple[int, ...]:
        """One value a signal, in the order of SIGNALS."""
        control, alu, status, stack = unit.control, unit.alu, unit.status, unit.stack
        carry = get(alu.carry)
        flags = get(status.flags.as_value())
        return (
            self._variant_text, 1, get(unit.reset_n), get(unit.irq_n), get(unit.nmi_n),
            get(unit.address), get(unit.data_in), get(unit.data_out), get(unit.write),
            get(unit.sync),
            text_value(name, 5 * TEXT_BITS), get(unit.pc), get(unit.a), get(unit.x), get(unit.y),
            get(control.opcode), get(control.clock_number),
            OPERATION_TEXTS[get(alu.operation.as_value())],
            get(alu.a), get(alu.b), get(alu.operand), get(alu.propagate), get(alu.generate),
            get(alu.sum), get(alu.result),
            carry, *(carry >> i & 1 for i in range(9)),
            get(alu.n), get(alu.v), get(alu.z), get(alu.c),
            *(flags >> i & 1 for i in reversed(range(len(FLAGS)))),
            get(status.update.flags.as_value()),
            get(stack.pointer), get(stack.push), get(stack.pull),
        )  # fmt: skip


def _beside(state: Mapping[str, int]) -> list[int]:
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
        self._after = _beside(after)
        self._variables_beside = [
            self._writer.register_var(spec.scope, spec.name, spec.kind, spec.width, init=value)
            for spec, value in zip(EMULATOR, _beside(before), strict=True)
        ]

    def clock(self, ctx: Any, unit: Any, name: str) -> None:
        """Writes the present clock; the next instruction's fetch shows what this one left."""
        if self._clock and ctx.get(unit.sync):
            for variable, value in zip(self._variables_beside, self._after, strict=True):
                self._writer.change(variable, self._clock * PERIOD, value)
        super().clock(ctx, unit, name)
