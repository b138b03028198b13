"""The command `draw`."""

import click

from carrywave.waves.figures.timing import time_of, timing_figure

from .options import json_option
from .outputs import InputType, OutputType, WritingCommand
from .terminal import print_json, write_figure


@click.command("draw", WritingCommand)
@click.argument("dump", metavar="FILE.vcd", type=InputType())
@click.option("-o", "--output", metavar="FILE", required=True, type=OutputType(),
              help="The SVG file to write.")  # fmt: skip
@click.option("--signals", metavar="NAME,...", default="",
              help="What to draw, from the top: names as in the file, such as unit.status.n, or "
              "their ends.  [default: a dozen]")  # fmt: skip
@click.option("--from", "start", metavar="TIME",
              help="Where to begin, in ns, or in us: clock 43 begins at 43us.")  # fmt: skip
@click.option("--to", "end", metavar="TIME", help="Where to end.  [default: as much as fits]")
@json_option
def command(
    dump: str, output: str, signals: str, start: str | None, end: str | None, as_json: bool
) -> None:
    """Draw a part of a waveform as a figure, 1280 pixels wide.

    Whole clocks are drawn. Of a waveform that `compare --vcd` wrote, the emulator's values too, in
    the scope `emulator`.

    \b
    carrywave draw out.vcd -o out.svg
    carrywave draw out.vcd -o out.svg --signals clk,alu.carry,status.v --from 43us
    """
    figure = timing_figure(
        dump,
        [name for name in signals.split(",") if name.strip()],
        time_of(start, "--from") if start is not None else None,
        time_of(end, "--to") if end is not None else None,
    )
    write_figure(figure, output)
    if as_json:
        print_json({"file": output, "title": figure.title, "description": figure.description})
    else:
        click.echo(f"{output}: {figure.title}")
