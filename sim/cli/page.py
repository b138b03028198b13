"""The command `page`."""

import click

from carrywave.waves.page.html import page_of

from .outputs import InputType, OutputType, WritingCommand
from .terminal import write_files


@click.command("page", WritingCommand)
@click.argument("listings", metavar="[LISTING ...]", nargs=-1, type=InputType(tuple))
@click.option("-o", "--output", metavar="FILE", required=True, type=OutputType(),
              help="The HTML file to write.")  # fmt: skip
def command(listings: tuple[str, ...], output: str) -> None:
    """Write the gates as a page that runs them in a browser.

    One file that needs nothing else: one operation with its carries, settling in time; every input
    as a map; a game of guesses; and listings clock by clock, those given or the bench's own.

    \b
    carrywave page -o page.html
    carrywave page -o page.html waves/programs/nested_interrupts.s
    """
    text = page_of(listings)
    write_files({output: lambda file: file.write(text)})
    count = len(listings)
    told = f"{count} listing{'s' * (count != 1)}" if count else "the bench's own listings"
    click.echo(f"{output}: {len(text.encode()) / 1000:,.0f} KB, {told}")
