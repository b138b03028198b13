"""The command `check`."""

import click

from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.check.report import draw_check

from .options import OnceCommand, json_option
from .outputs import InputType
from .terminal import conclude


@click.command("check", OnceCommand)
@click.argument("dump", metavar="FILE.vcd", type=InputType())
@json_option
def command(dump: str, as_json: bool) -> None:
    """Check a waveform against the model, with nothing but the file."""
    report = check_dump(dump)
    conclude(report, as_json, lambda screen: screen.print(draw_check(report)))
