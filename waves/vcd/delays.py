"""How one operation settles, as a waveform in gate delays."""

from itertools import pairwise
from typing import IO, Any, Final

from vcd.writer import VCDWriter

from carrywave.sim.settle.report import inputs_text
from carrywave.sim.settle.settling import WIDTHS, Settling

from .signals import SETTLED, TEXT_BITS, text_value

TAIL: Final = 5  # gate delays in the waveform after the last change


def write_settling(settling: Settling, file: IO[str]) -> None:
    """Writes the waveform to an open file: a unit of its time, 1 ns, is one gate delay.

    The inputs are the new ones from 0 on; each output stands as it was before until it changes.
    """
    s = settling
    now, start = (inputs_text(s.mnemonic, *given.values()) for given in (s.inputs, s.start))
    comment = f"1 ns is one gate delay. {s.adder} adder, settled at {start}; from 0 on {now}"
    with VCDWriter(file, timescale="1 ns", version="carrywave", date="", comment=comment) as writer:

        def text(scope: str, name: str, value: str, length: int) -> None:
            width = length * TEXT_BITS
            writer.register_var(scope, name, "reg", width, init=text_value(value))

        unit, alu = "unit", "unit.alu"
        text(unit, "variant", s.variant, 6)
        text(unit, "mnemonic", s.mnemonic, 5)
        text(alu, "operation", s.operation, 12)
        for name, value in s.inputs.items():
            width = 8 if name in ("a", "b") else 1
            writer.register_var(alu, name, "reg", width, init=value)
        wires: dict[str, Any] = {}
        values = [_values(step) for step in s.steps]
        for name, value in values[0].items():
            wires[name] = writer.register_var(alu, name, "wire", WIDTHS.get(name, 1), init=value)
        for time, (before, after) in enumerate(pairwise(values), 1):
            for name, value in after.items():
                if value != before[name]:
                    writer.change(wires[name], time, value)
        writer.close(s.settled + TAIL)
    file.write(SETTLED.format(s.settled))


def _values(step: dict[str, int]) -> dict[str, int]:
    """The ports, and each carry by itself."""
    carries = {f"c{i}": step["carry"] >> i & 1 for i in range(9)} if "carry" in step else {}
    return {**step, **carries}
