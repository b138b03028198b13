"""The command `vectors`."""

import click

from ..vectors.compact import cached
from ..vectors.written import write, writer_of
from .options import json_option, variant_option
from .outputs import OutputType, WritingCommand
from .terminal import print_json, progress_bar


@click.command("vectors", WritingCommand)
@click.option("-o", "--output", metavar="FILE", required=True, type=OutputType(),
              help="The file to write: .csv, .jsonl, .parquet, or a C array (.h).")  # fmt: skip
@variant_option
@json_option
def command(output: str, variant: str, as_json: bool) -> None:
    """Write few cases with their outcomes, for unit tests of your own.

    As few as found that show every fault of the gates that single instructions and events can show,
    and every planted mistake; the file begins with its coverage. The first time takes up to a
    minute.

    \b
    carrywave vectors -o vectors.csv
    carrywave vectors -o vectors.h --variant cmos
    """
    writer_of(output)
    with progress_bar("percent", 100) as progress:
        found = cached(variant, progress)
    write(found, output)
    if as_json:
        print_json({"file": output, **found.coverage})
    else:
        told = found.coverage
        click.echo(
            f"{output}: {told['cases']:,} cases; {told['detected']:,} of {told['faults']:,} faults,"
            f" {told['found']:,} of {told['planted']:,} planted mistakes"
        )
