"""The command `header`."""

import click

from ..emulator.c_header import header as text
from .options import OnceCommand


@click.command("header", cls=OnceCommand)
def command() -> None:
    """Print the C header of what 'compare --library' calls.

    \b
    carrywave header > carrywave.h
    """
    click.echo(text(), nl=False)
