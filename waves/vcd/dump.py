"""Writes a waveform: IEEE 1364 value change dump, in the types that every viewer shows.

Amaranth's own writer declares enumerations as strings, which the standard does not have; here a
name is a vector of ASCII characters, which a viewer shows as text when asked to.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import IO, Any, Final, Self

from vcd.writer import VCDWriter

from carrywave.rtl.alu import AluOperation
from carrywave.sim.family.status_byte import FLAGS, flags_of, status_of

from .signals import CLK, CLOSING, EMULATOR, HALF, PERIOD, SIGNALS, text_value

OPERATION_TEXTS: Final = {
    operation.value: text_value(name) for name, operation in AluOperation.__members__.items()
}


class Dump:
    """Writes the unit's signals to an open file, a clock at a time. Use as a context manager.

    A clock begins with the rising edge of `clk`; every signal then holds until the next one.
    """

    def __init__(self, file: IO[str], variant: str, first: int = 0) -> None:
        """`variant` goes into the file, which can then be checked with nothing else at hand.

        `first` is the clock that comes first.
        """
        self._file, self._variant = file, variant
        self._writer = VCDWriter(  # no date: the same run gives the same bytes
            file, timescale="1 ns", version="carrywave", date="", check_values=False,
            init_timestamp=first * PERIOD,
        )  # fmt: skip
        self._variables = [
            self._writer.register_var(spec.scope, spec.name, spec.kind, spec.width, init=0)
            for spec in SIGNALS
        ]
        self._variant_text = text_value(variant)
        self._first = self._clock = first

    def __enter__(self) -> Self:
        """Nothing is written before the first clock."""
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        """Ends the last clock; the closing comment tells a whole file from one that was cut off."""
        if kind is None:  # or a clock may be half written, of which the writer would complain
            self._writer.close(self._clock * PERIOD)
            self._file.write(CLOSING.format(self._clock - self._first))

    def clock(self, ctx: Any, unit: Any, name: str) -> None:
        """Writes the settled state of the present clock; `name` is the mnemonic or event."""
        self.put(self._values(ctx.get, unit, name))

    def put(self, values: Iterable[int]) -> None:
        """Writes a clock, a value for each of `SIGNALS`."""
        time = self._clock * PERIOD
        change = self._writer.change
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
            text_value(name), get(unit.pc), get(unit.a), get(unit.x), get(unit.y),
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
        self, file: IO[str], variant: str, before: Mapping[str, int], after: Mapping[str, int],
        first: int = 0,
    ) -> None:  # fmt: skip
        super().__init__(file, variant, first)
        self._after = _beside(after)
        self._variables_beside = [
            self._writer.register_var(spec.scope, spec.name, spec.kind, spec.width, init=value)
            for spec, value in zip(EMULATOR, _beside(before), strict=True)
        ]

    def clock(self, ctx: Any, unit: Any, name: str) -> None:
        """Writes the present clock; the next instruction's fetch shows what this one left."""
        if self._clock > self._first and ctx.get(unit.sync):
            self._show(self._after)
        super().clock(ctx, unit, name)

    def _show(self, values: Iterable[int]) -> None:
        for variable, value in zip(self._variables_beside, values, strict=True):
            self._writer.change(variable, self._clock * PERIOD, value)


class BesideRunDump(BesideDump):
    """A dump of part of a run, from the clock `first` on, with an emulator's registers beside.

    As each instruction begins they are the unit's, since there the emulator was as the gates were;
    in the clock `ends`, in which the wrong one has ended, they are what it `left`.
    """

    def __init__(
        self, file: IO[str], variant: str, first: int, ends: int, left: Mapping[str, int]
    ) -> None:
        super().__init__(file, variant, left, left, first)
        self._ends = ends

    def put(self, values: Iterable[int]) -> None:
        """Writes a clock."""
        values = tuple(values)
        if self._clock == self._ends:
            self._show(self._after)
        elif self._clock == self._first or values[_SYNC]:
            flags = dict(zip(FLAGS, (values[at] for at in _FLAGS), strict=True))
            registers = {name: values[at] for name, at in _REGISTERS.items()}
            self._show(_beside({**registers, "p": status_of(flags)}))
        super().put(values)


_PLACES: Final = {spec.path: i for i, spec in enumerate(SIGNALS)}
_SYNC: Final = _PLACES["unit.sync"]
_FLAGS: Final = [_PLACES[f"unit.status.{flag}"] for flag in FLAGS]
_REGISTERS: Final = {
    **{name: _PLACES[f"unit.{name}"] for name in ("pc", "a", "x", "y")},
    "sp": _PLACES["unit.stack.sp"],
}
