"""What every command says of odd numbers and of what is given twice."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click
import pytest

from carrywave.sim.cli.commands import NAMES, cli

Run = Callable[..., tuple[int, str, str]]


def valued(command: click.Command) -> list[click.Option]:
    return [
        param for param in command.params
        if isinstance(param, click.Option) and not param.is_flag and not param.multiple
    ]  # fmt: skip


def test_no_option_is_given_twice() -> None:
    refused = 0
    for name in NAMES:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        for option in valued(command):
            for given in option.opts:
                with pytest.raises(click.UsageError) as error:
                    command.main([given, "1", f"{option.opts[-1]}", "1"], standalone_mode=False)
                told = f"{option.opts[-1]} is given 2 times: once is meant"
                assert error.value.format_message() == told
                refused += 1
    assert refused > 40


def test_a_switch_may_be_repeated(carrywave: Run) -> None:
    assert carrywave("flags", "--json", "--json") == carrywave("flags", "--json")


def test_what_takes_several_may_be_given_again(carrywave: Run) -> None:
    status, _, told = carrywave("compare", "--skip", "cycles", "--skip", "p.d")
    told_of = "carrywave: give one of --library, --python, --pipe, --trace and --serial\n"
    assert (status, told) == (2, told_of)
    asked = ("compare", "--trace", "a.csv", "--column", "a=S", "--column", "a=T")
    assert carrywave(*asked) == (2, "", "carrywave: --column names a column twice: once is meant\n")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("compare", "--python", "x:y", "--timeout", "nan"),
            "Invalid value for '--timeout': 'nan' is not a valid float.",
        ),
        (
            ("compare", "--python", "x:y", "--timeout", "1e400"),
            "Invalid value for '--timeout': inf is not in the range 0<x<=1000000.",
        ),
        (
            ("prove", "ADC", "--timeout", "1e7"),
            "Invalid value for '--timeout': 10000000.0 is not in the range 0<x<=1000000.",
        ),
        (
            ("run", "x.s", "--max-clocks", "1" + "0" * 13),
            "Invalid value for '--max-clocks': 10000000000000 is not in the range "
            "1<=x<=1000000000000.",
        ),
        (("op", "ADC", "0" * 5000 + "256"), None),
        (("op", "ADC", "9" * 5000), None),
        (("op", "ADC", "0x" + "F" * 5000), None),
        (("op", "ADC", "--\x1b[2J\n"), "No such option '--\\x1b[2J\\n'."),
        (("draw", "x.vcd", "-o", "x.svg", "--from", "inf"), "--from: 'inf' is not a time: write "
         "43000 (ns) or 43us, where clock 43 begins"),
    ],
)  # fmt: skip
def test_odd_numbers_and_names_are_refused_in_one_line(
    arguments: Any, message: str | None, carrywave: Run, tmp_path: Any, monkeypatch: Any
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, told = carrywave(*arguments)
    assert (status, out) == (2, "")
    if message is None:
        begin = (
            f"carrywave: Invalid value for '[MODE] [A] [OPERAND] [ADDRESS]': {arguments[-1][:180]}"
        )
        assert told.startswith(begin)
        assert told.endswith("does not fit in a byte: expected -128 to 255\n")
        assert len(told) < 520
    else:
        assert told == f"carrywave: {message}\n"
    assert [*tmp_path.iterdir()] == []
