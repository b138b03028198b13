"""What is recorded agrees with the model, and is what ran."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.family.members import VARIANTS
from carrywave.sim.op.operation import operate
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.vcd.dump import Dump
from carrywave.waves.vcd.recorded import write_operation


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_waveform_of_an_operation_agrees_with_the_model(variant: str, tmp_path: Path) -> None:
    path, agreed = tmp_path / "op.vcd", 0
    for mnemonic in BY_MNEMONIC:
        with path.open("w") as file, Dump(file, variant) as dump:
            op = operate(mnemonic, 0x99, 0x81, 1, True, variant, wave=dump)
        report = check_dump(path)
        assert (report.agree, report.findings, report.instructions) == (True, [], 1), mnemonic
        assert report.clocks == len(op.bus) + 1
        agreed += 1
    assert agreed == 56


@pytest.mark.parametrize(
    ("given", "status"),
    [(("ADC", 0x58, 0x46, 1, True, "cmos"), 0xF7), (("BMI", 0, 5), 0xB0), (("PHP",), 0x43)],
)
def test_an_operation_is_recorded_as_it_ran(
    given: tuple[Any, ...], status: int, tmp_path: Path
) -> None:
    waves = [tmp_path / name for name in ("ran.vcd", "again.vcd")]
    variant = given[5] if given[5:] else "nmos"
    with waves[0].open("w") as file, Dump(file, variant) as dump:
        operation = operate(*given, status=status, wave=dump)
    with waves[1].open("w") as file:
        write_operation(operation, file)
    assert waves[0].read_bytes() == waves[1].read_bytes()
    assert check_dump(waves[1]).agree


@pytest.mark.parametrize(
    ("where", "clocks"), [("($10),Y", 6), ("$20F0,Y", 5), ("$10", 3), ("($10,X)", 6)]
)
def test_an_address_that_is_formed_is_in_the_waveform(
    where: str, clocks: int, tmp_path: Path
) -> None:
    operation = operate("LDA", 0, 0x80, where=where, x=3, y=0x15, pointer=0x20F0, pc=0x1234)
    path = tmp_path / "op.vcd"
    with path.open("w") as file:
        write_operation(operation, file)
    report = check_dump(path)
    assert (report.agree, report.clocks, len(operation.bus)) == (True, clocks + 1, clocks)
    assert "b1001000110100 ," in path.read_text()  # PC
