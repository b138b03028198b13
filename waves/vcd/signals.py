"""The signals of a waveform: their names, widths and types, and the shape of a clock."""

from dataclasses import dataclass
from typing import Final

from carrywave.sim.cases.layout import REGISTERS
from carrywave.sim.family.status_byte import FLAGS

PERIOD: Final = 1000  # of a clock, in timescale units of 1 ns: the family's customary 1 MHz
HALF: Final = PERIOD // 2
TEXT_BITS: Final = 8
CLOSING: Final = "$comment {} clocks $end\n"  # the last line: tells a whole file from one cut off
SETTLED: Final = "$comment settled after {} gate delays $end\n"  # its place without clocks


@dataclass(frozen=True, slots=True)
class SignalSpec:
    """A signal as it stands in the file; a text has up to `width` // 8 characters."""

    scope: str
    name: str
    width: int
    kind: str = "wire"
    text: bool = False

    @property
    def path(self) -> str:
        """Scope and name, as messages and readers give it."""
        return f"{self.scope}.{self.name}"


def _of(scope: str, names: str, width: int = 1, kind: str = "wire") -> list[SignalSpec]:
    return [SignalSpec(scope, name, width, kind) for name in names.split()]


def _text(scope: str, name: str, characters: int) -> SignalSpec:
    return SignalSpec(scope, name, characters * TEXT_BITS, "reg", text=True)


SIGNALS: Final = (
    _text("unit", "variant", 6),
    *_of("unit", "clk reset_n irq_n nmi_n"),
    *_of("unit", "address", 16),
    *_of("unit", "data_in data_out", 8),
    *_of("unit", "write sync"),
    _text("unit", "mnemonic", 5),
    *_of("unit", "pc", 16, "reg"),
    *_of("unit", "a x y", 8, "reg"),
    *_of("unit.control", "opcode", 8, "reg"),
    *_of("unit.control", "clock_number", 3, "reg"),
    _text("unit.alu", "operation", 12),
    *_of("unit.alu", "a b operand propagate generate sum result", 8),
    *_of("unit.alu", "carry", 9),
    *_of("unit.alu", "c0 c1 c2 c3 c4 c5 c6 c7 c8 n v z c"),
    *_of("unit.status", " ".join(FLAGS), 1, "reg"),
    *_of("unit.status", "update", len(FLAGS)),
    *_of("unit.stack", "sp", 8, "reg"),
    *_of("unit.stack", "push pull"),
)
#: An emulator's, beside the unit's; a reader of dumps passes them over unless asked for them.
EMULATOR: Final = tuple(
    SignalSpec("emulator", name, 16 if name == "pc" else 8 if name in REGISTERS else 1, "reg")
    for name in (*REGISTERS, *FLAGS)
)
CLK: Final = next(i for i, spec in enumerate(SIGNALS) if spec.name == "clk")


def text_value(text: str) -> int:
    """A name as the number that its ASCII characters make.

    A vector that is wider has zeros in front, as Verilog keeps a string: viewers leave them out,
    where spaces would push the name out of a clock's width.
    """
    return int.from_bytes(text.encode("ascii"), "big")


def text_of(number: int, width: int) -> str:
    """The name that a vector shows; spaces in front, as dumps once had them, are none of it."""
    return number.to_bytes(width // TEXT_BITS, "big").decode("latin-1").lstrip("\0 ")
