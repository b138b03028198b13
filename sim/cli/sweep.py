"""The command `sweep`."""

import click

from ..board import chip_sweep
from ..board.report import draw_chip_sweep
from ..board.serial_line import BAUD, Board
from ..family.instructions import NAMES
from ..sweep.report import draw_sweep
from ..sweep.sweeping import sweep as sweep_rows
from ..sweep.sweeping import sweep_size
from .board import board_of
from .options import TRIAL, OnceCommand, adder_option, json_option, variants_option
from .terminal import conclude, progress_bar


@click.command("sweep", cls=OnceCommand)
@click.argument("names", metavar="[MNEMONIC]...", nargs=-1, type=TRIAL)
@variants_option
@adder_option
@click.option("--serial", metavar="PORT", help="Sweep a board on this serial port instead.")
@click.option("--baud", type=click.IntRange(min=1), default=BAUD, show_default=True, metavar="N",
              help="Bits a second on that port.")  # fmt: skip
@json_option
def command(
    names: tuple[str, ...], variant: str, adder: str, serial: str | None, baud: int, as_json: bool
) -> None:
    """Hold the gates to the model, on every input that can matter.

    All instructions, or those named; IRQ, NMI and RESET are names too. Compared are the registers,
    flag by flag, what was pushed and stored and where, the clocks, and the bus in every clock. What
    should not matter stands once one way, and once with every bit toggled.

    \b
    carrywave sweep --variant all
    carrywave sweep ADC SBC --variant cmos --json
    carrywave sweep --variant all --adder lookahead

    A board makes cases of each opcode itself: of the last byte read all values, with all of A, X
    and Y, which are toggled together, and of C and D. It answers with a checksum of a block of
    outcomes, which is held to that of the gates; a block that differs is halved until its first
    wrong case is found. An opcode in hex is one mode alone. See 'carrywave board'.

    \b
    carrywave sweep --serial /dev/ttyUSB1 ADC SBC
    carrywave sweep --serial /dev/ttyUSB1 69
    """
    if serial is not None:
        if variant == "all" or adder != "ripple":
            raise click.UsageError("a board is of one variant, and tells nothing of its --adder")
        board = board_of(serial, baud, variant, 10.0)
        if not isinstance(board, Board):
            raise click.UsageError(f"--serial {serial}: a sweep asks a board, not a file")
        with board, progress_bar("cases", chip_sweep.sweep_size(names)) as progress:
            swept = chip_sweep.sweep_chip(board, names, progress=progress)
        conclude(swept, as_json, lambda screen: draw_chip_sweep(swept, screen))
    for name in names:
        if name not in NAMES:
            raise click.UsageError(f"{name}: an opcode goes with --serial")
    with progress_bar("cases", sweep_size(variant, names)) as progress:
        report = sweep_rows(variant, names, progress=progress, adder=adder)
    conclude(report, as_json, lambda screen: draw_sweep(report, screen))
