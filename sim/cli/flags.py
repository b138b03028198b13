"""The command `flags`."""

import click

from carrywave.waves.figures.flagtable import flag_table

from .options import json_option
from .outputs import OutputType, WritingCommand
from .terminal import console, print_json, write_figure


@click.command("flags", WritingCommand)
@click.option("-o", "--output", metavar="FILE", type=OutputType(),
              help="Write the table as a figure, an SVG file.")  # fmt: skip
@json_option
def command(output: str | None, as_json: bool) -> None:
    """Show which instruction updates which flag.

    \b
    carrywave flags
    carrywave flags -o flags.svg
    """
    table = flag_table()
    if output:
        write_figure(table.figure(), output)
    if as_json:
        print_json(table.to_json())
    elif output:
        click.echo(f"{output}: {table.figure().title}")
    else:
        console().print(table.draw())
