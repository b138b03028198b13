"""The command `check`."""

import click

from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.check.report import draw_check

from .layouts import lay_out, layout_option
from .options import json_option
from .outputs import InputType, WritingCommand
from .terminal import conclude


@click.command("check", WritingCommand)
@click.argument("dump", metavar="FILE.vcd", type=InputType())
@layout_option
@json_option
def command(dump: str, layout: str | None, as_json: bool) -> None:
    """Check a waveform against the model, with nothing but the file.

    \b
    carrywave check out.vcd
    carrywave check out.vcd --layout out.gtkw    how GTKWave shows it, too
    """
    report = check_dump(dump)
    told = lay_out(layout, dump) if layout else ""
    conclude(report, as_json, lambda screen: screen.print(draw_check(report)), told)
