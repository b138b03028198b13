"""The signals of a waveform: their names, widths and types, and the shape of a clock."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from carrywave.sim.family.status_byte import FLAGS

PERIOD: Final = 1000  # of a clock, in timescale units of 1 ns: the family's customary 1 MHz
HALF: Final = PERIOD // 2
TEXT_BITS: Final = 8
CLOSING: Final = "$comment {} clocks $end\n"  # the last line: tells a whole file from one cut off
SETTLED: Final = (
    "$comment settled after {} gate delays $end\n"  # its place in a dump without clocks
)


@dataclass(frozen=True, slots=True)
class SignalSpec:
    """A signal as it stands in the file; a text has `width` // 8 characters, padded in front."""

    scope: str
    name: str
    width: int
    kind: str = "wire"
    text: bool = False

    @property
    def path(self) -> str:
        """Scope and name, as messages and readers give it."""
        return f"{self.scope}.{self.name}"


def _specs() -> Iterator[SignalSpec]:
    unit, control, alu = "unit", "unit.control", "unit.alu"
    yield SignalSpec(unit, "variant", 6 * TEXT_BITS, "reg", text=True)
    yield SignalSpec(unit, "clk", 1)
    for pin in ("reset_n", "irq_n", "nmi_n"):
        yield SignalSpec(unit, pin, 1)
    yield SignalSpec(unit, "address", 16)
    yield SignalSpec(unit, "data_in", 8)
    yield SignalSpec(unit, "data_out", 8)
    yield SignalSpec(unit, "write", 1)
    yield SignalSpec(unit, "sync", 1)
    yield SignalSpec(unit, "mnemonic", 5 * TEXT_BITS, "reg", text=True)
    yield SignalSpec(unit, "pc", 16, "reg")
    for register in ("a", "x", "y"):
        yield SignalSpec(unit, register, 8, "reg")
    yield SignalSpec(control, "opcode", 8, "reg")
    yield SignalSpec(control, "clock_number", 3, "reg")
    yield SignalSpec(alu, "operation", 12 * TEXT_BITS, "reg", text=True)
    for name in ("a", "b", "operand", "propagate", "generate", "sum", "result"):
        yield SignalSpec(alu, name, 8)
    yield SignalSpec(alu, "carry", 9)
    for i in range(9):
        yield SignalSpec(alu, f"c{i}", 1)
    for flag in "nvzc":
        yield SignalSpec(alu, flag, 1)
    for flag in FLAGS:
        yield SignalSpec("unit.status", flag, 1, "reg")
    yield SignalSpec("unit.status", "update", len(FLAGS))
    yield SignalSpec("unit.stack", "sp", 8, "reg")
    yield SignalSpec("unit.stack", "push", 1)
    yield SignalSpec("unit.stack", "pull", 1)


SIGNALS: Final = tuple(_specs())
CLK: Final = next(i for i, spec in enumerate(SIGNALS) if spec.name == "clk")


def text_value(text: str, width: int) -> int:
    """A name as the number that its ASCII characters make, padded with spaces in front."""
    return int.from_bytes(text.rjust(width // TEXT_BITS).encode("ascii"), "big")
