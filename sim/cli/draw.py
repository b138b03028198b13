"""The command `draw`."""

import click

from carrywave.waves.figures.strip import Asked
from carrywave.waves.figures.timing import draw_timing, time_of

from .options import ClocksType, json_option
from .outputs import InputType, OutputType, WritingCommand
from .terminal import print_json, write_figure


@click.command("draw", WritingCommand)
@click.argument("dump", metavar="FILE.vcd", type=InputType())
@click.option("-o", "--output", metavar="FILE", required=True, type=OutputType(),
              help="The SVG file to write.")  # fmt: skip
@click.option("--signals", metavar="NAME,...", default="",
              help="What to draw, from the top: names as in the file, such as unit.status.n, or "
              "their ends.  [default: a dozen]")  # fmt: skip
@click.option("--clocks", type=ClocksType(), metavar="FIRST..LAST",
              help="Which clocks to draw.  [default: those around what matters]")  # fmt: skip
@click.option("--from", "start", metavar="TIME",
              help="Where to begin, in ns, or in us: clock 43 begins at 43us.")  # fmt: skip
@click.option("--to", "end", metavar="TIME", help="Where to end.  [default: as much as fits]")
@json_option
def command(
    dump: str, output: str, signals: str, clocks: tuple[int, int] | None, start: str | None,
    end: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Draw a part of a waveform as a figure, 1280 pixels wide.

    Whole clocks are drawn. Where it is not said which, those around the first of these that there
    is: where an emulator's values are not the hardware's, in a waveform that 'compare --vcd' wrote;
    an NMI; an IRQ; a reset within the run; a page crossing that takes a clock; an overflow that
    sets V. A waveform that 'settle --vcd' wrote is drawn in gate delays, each a ns.

    \b
    carrywave draw out.vcd -o out.svg
    carrywave draw out.vcd -o out.svg --clocks 43..60
    carrywave draw out.vcd -o out.svg --signals clk,alu.carry,status.v --from 43us
    """
    if clocks is not None and (start is not None or end is not None):
        raise click.UsageError("--clocks says where to begin and end: leave out --from and --to")
    asked = Asked(
        time_of(start, "--from") if start is not None else None,
        time_of(end, "--to") if end is not None else None,
        clocks,
    )
    timing = draw_timing(dump, [name for name in signals.split(",") if name.strip()], asked)
    figure = timing.figure
    write_figure(figure, output)
    if as_json:
        told = {"title": figure.title, "description": figure.description}
        print_json({"file": output, **told, "reason": timing.reason})
    else:
        click.echo(f"{output}: {timing.told}")
