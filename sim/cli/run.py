"""The command `run`."""

import json
from typing import Any

import click

from carrywave.sim.program.image import load_program
from carrywave.sim.program.pins import read_pins
from carrywave.sim.system.files import written_beside
from carrywave.waves.run.listing import run_listing
from carrywave.waves.run.report import draw_run

from .options import WordType, json_option, variant_option
from .outputs import InputType, OutputType, WritingCommand
from .terminal import conclude, progress_bar


class LoadType(InputType):
    """FILE@ADDRESS, or the name of a file that says itself where its bytes lie."""

    name = "load"

    def __init__(self) -> None:
        super().__init__(_loaded)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The file's name, and the address or None."""
        if isinstance(value, tuple):
            return value
        path, at, address = value.rpartition("@")
        if not at:
            return value, None
        return path, WordType().convert(address, param, ctx)


def _loaded(values: Any) -> list[str]:
    return [path for path, _ in values]


@click.command("run", WritingCommand)
@click.argument("listing", metavar="FILE", type=InputType())
@click.option("--vcd", "vcd", type=OutputType(), help="Keep the waveform in this file.")
@variant_option
@click.option("--at", type=WordType(), metavar="ADDRESS",
              help="FILE is a raw binary, and its first byte lies here.")  # fmt: skip
@click.option("--start", type=WordType(), metavar="ADDRESS",
              help="Where the run begins: written to the reset vector.")  # fmt: skip
@click.option("--load", "more", type=LoadType(), multiple=True, metavar="FILE@ADDRESS",
              help="One more image; without @ADDRESS if its format says where.")  # fmt: skip
@click.option("--pins", type=InputType(),
              help="What the pins do: lines of 'clock 900 .nmi', 'at $0240 .irq low'.")  # fmt: skip
@click.option("--until", type=WordType(), metavar="ADDRESS",
              help="Stop before the instruction here is fetched.")  # fmt: skip
@click.option("--max-instructions", type=click.IntRange(1, 10**12), metavar="N",
              help="Stop after N instructions.")  # fmt: skip
@click.option(
    "--max-clocks", type=click.IntRange(1, 10**12), metavar="N",
    help="Stop after N clocks, if nothing ends the run before.  [default: 100000]",
)  # fmt: skip
@click.option("--rows", type=click.IntRange(0, 10**9), default=40, show_default=True, metavar="N",
              help="Show at most N instructions: the first and the last.")  # fmt: skip
@click.option("--image", type=OutputType(),
              help="Write the memory as it was before the run: 65,536 bytes.")  # fmt: skip
@click.option("--symbols", type=OutputType(),
              help="Write the listing's names with their values: JSON.")  # fmt: skip
@json_option
def command(
    listing: str, vcd: str | None, variant: str, at: int | None, start: int | None,
    more: tuple[tuple[str, int | None], ...], pins: str | None, until: int | None,
    max_instructions: int | None, max_clocks: int | None, rows: int, image: str | None,
    symbols: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Run a listing or an image on the hardware, held to the model.

    FILE is a listing, or an image: a raw binary (.bin, or any with --at), Intel HEX (.hex .ihex) or
    Motorola S-records (.srec .s19 .s28 .s37).

    \b
    carrywave run FILE.s --vcd out.vcd           a listing, into a waveform
    carrywave run rom.bin --at 0xE000            an image with its own vectors
    carrywave run FILE.s --load table.bin@0x4000 --until 0x0240

    The run begins with the reset sequence and ends when an instruction jumps or branches to its own
    address, at --until, or after --max-instructions or --max-clocks. One that does none of these
    within 100000 clocks is reported as one that never ends, unless --max-clocks was given.
    """
    program = load_program(listing, at, start, more)
    if pins:
        read_pins(pins, program)
    before, names = bytes(program.memory), dict(program.labels)
    with progress_bar("clocks", max_clocks or 100_000) as progress:
        report = run_listing(
            listing, vcd, variant, max_clocks, rows, progress, keep_writes=as_json,
            program=program, until=until, max_instructions=max_instructions,
        )  # fmt: skip
    if image:
        with written_beside(image, "wb") as file:
            file.write(before)
    if symbols:
        with written_beside(symbols) as file:
            file.write(json.dumps(names, indent=1) + "\n")
    conclude(report, as_json, lambda screen: screen.print(draw_run(report)))
