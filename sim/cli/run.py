"""The command `run`."""

import click

from carrywave.waves.run.listing import run_listing
from carrywave.waves.run.report import draw_run

from .options import json_option, variant_option
from .outputs import InputType, OutputType, WritingCommand
from .terminal import conclude, progress_bar


@click.command("run", WritingCommand)
@click.argument("listing", type=InputType())
@click.option("--vcd", "vcd", type=OutputType(), help="Keep the waveform in this file.")
@variant_option
@click.option(
    "--max-clocks", type=click.IntRange(1, 10**12), metavar="N",
    help="Stop after N clocks, if nothing ends the run before.  [default: 100000]",
)  # fmt: skip
@click.option("--rows", type=click.IntRange(0, 10**9), default=40, show_default=True, metavar="N",
              help="Show at most N instructions: the first and the last.")  # fmt: skip
@json_option
def command(
    listing: str, vcd: str | None, variant: str, max_clocks: int | None, rows: int, as_json: bool
) -> None:
    """Run a listing on the hardware, its waveform held to the model.

    The run begins with the reset sequence and ends when an instruction jumps or branches to its own
    address, or at --max-clocks. A listing that does neither of these within 100000 clocks is
    reported as one that never ends, unless --max-clocks was given.
    """
    with progress_bar("clocks", max_clocks or 100_000) as progress:
        report = run_listing(listing, vcd, variant, max_clocks, rows, progress, keep_writes=as_json)
    conclude(report, as_json, lambda screen: screen.print(draw_run(report)))
