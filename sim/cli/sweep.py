"""The command `sweep`."""

import click

from ..sweep.report import draw_sweep
from ..sweep.sweeping import sweep as sweep_rows
from ..sweep.sweeping import sweep_size
from .options import ROW, OnceCommand, adder_option, json_option, variants_option
from .terminal import conclude, progress_bar


@click.command("sweep", cls=OnceCommand)
@click.argument("names", metavar="[MNEMONIC]...", nargs=-1, type=ROW)
@variants_option
@adder_option
@json_option
def command(names: tuple[str, ...], variant: str, adder: str, as_json: bool) -> None:
    """Hold the gates to the model, on every input that can matter.

    All instructions, or those named; IRQ, NMI and RESET are names too. Compared are the registers,
    flag by flag, what was pushed and stored and where, the clocks, and the bus in every clock. What
    should not matter stands once one way, and once with every bit toggled.

    \b
    carrywave sweep --variant all
    carrywave sweep ADC SBC --variant cmos --json
    carrywave sweep --variant all --adder lookahead
    """
    with progress_bar("cases", sweep_size(variant, names)) as progress:
        report = sweep_rows(variant, names, progress=progress, adder=adder)
    conclude(report, as_json, lambda screen: draw_sweep(report, screen))
