"""What the dump writes is what the hardware's wires hold."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from io import StringIO
from typing import Any

import pytest

from carrywave.sim.program.assembler import assemble
from carrywave.sim.program.bench import run_program
from carrywave.waves.vcd.dump import Dump
from carrywave.waves.vcd.signals import SIGNALS, text_value

LISTING = """
        .org $0200
START:  LDX #$FF
        TXS
        SED
        LDA #$58
        SEC
        ADC #$46
        PHP
        ROR A
        JSR PART
        .nmi
        NOP
DONE:   JMP DONE
PART:   INC $20
        RTS
ALARM:  RTI
        .org $FFFA
        .word ALARM
"""


def wire(unit: Any, path: str) -> Any:
    """The hardware's own signal behind a path of the dump."""
    scope, name = path.rsplit(".", 1)
    for part in scope.split(".")[1:]:
        unit = getattr(unit, part)
    if scope == "unit.alu" and name[0] == "c" and name[1:].isdigit():
        return unit.carry[int(name[1:])]
    if scope == "unit.status":
        return unit.update.flags.as_value() if name == "update" else unit.flags[name]
    return getattr(unit, {"sp": "pointer"}.get(name, name))


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
def test_each_signal_holds_what_its_wire_holds(
    variant: str, parse_text: Callable[[str], Any]
) -> None:
    paths = [spec.path for spec in SIGNALS if not spec.text and spec.name != "clk"]
    seen: dict[str, list[int]] = {path: [] for path in paths}
    names: list[str] = []
    operations: list[str] = []

    class Both(Dump):
        def clock(self, ctx: Any, unit: Any, name: str) -> None:
            super().clock(ctx, unit, name)
            names.append(name)
            operations.append(ctx.get(unit.alu.operation).name)
            for path in paths:
                seen[path].append(ctx.get(wire(unit, path)))

    file = StringIO()
    with Both(file, variant) as dump:
        run_program(assemble(LISTING), variant, 200, dump)
    text = parse_text(file.getvalue())
    assert text.clocks == len(names) == {"nmos": 60, "cmos": 61, "binary": 60}[variant]
    assert {path: text.values[path] for path in paths} == seen
    assert len(paths) == 45
    assert text.values["unit.mnemonic"] == [text_value(name) for name in names]
    assert text.values["unit.alu.operation"] == [text_value(name) for name in operations]
    assert text.values["unit.variant"] == [text_value(variant)] * len(names)
    assert {"RESET", "NMI", "RTI", "JMP"} < set(names)


@pytest.mark.parametrize(
    ("text", "width", "characters"),
    [("ADC", 40, "\0\0ADC"), ("RESET", 40, "RESET"), ("nmos", 48, "\0\0nmos"), ("", 8, "\0")],
)
def test_a_text_is_padded_in_front_with_zeros(text: str, width: int, characters: str) -> None:
    """As strings are in Verilog, IEEE 1364-2005, 3.6 (from memory)."""
    assert text_value(text).to_bytes(width // 8, "big").decode("ascii") == characters


def test_an_end_in_the_middle_of_a_clock_is_told_and_closes_nothing() -> None:
    class Ended(BaseException):
        """What a signal raises, wherever it comes."""

    class Cut(Dump):
        def put(self, values: Iterable[int]) -> None:
            if self._clock == 5:
                self._clock -= 1  # all of a clock is written, and it is not counted yet
                raise Ended
            super().put(values)

    file = StringIO()
    with pytest.raises(Ended), Cut(file, "nmos") as dump:
        run_program(assemble(LISTING), recorder=dump)
    assert "$enddefinitions" in file.getvalue()
    assert "clocks $end" not in file.getvalue()
