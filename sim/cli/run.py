"""The command `run`."""

import json
from typing import Final

import click

from carrywave.sim.system.files import written_beside
from carrywave.waves.run.listing import AUTO, DEFAULT_CLOCKS, ENGINES, run_listing
from carrywave.waves.run.report import draw_run
from carrywave.waves.run.window import ClockWindow

from .layouts import lay_out, layout_option
from .options import ClocksType, WordType, json_option, variant_option
from .outputs import InputType, OutputType, WritingCommand
from .programs import ProgramOptions, program_options
from .terminal import conclude, progress_bar

LEAD: Final = 8  # clocks that a viewer shows before what a window is around


def _window(
    vcd: str | None, clocks: tuple[int, int] | None, around: int | None, nth: int | None
) -> ClockWindow | None:
    if nth is not None and around is None:
        raise click.UsageError("--nth goes with --around ADDRESS.")
    if clocks and around is not None:
        raise click.UsageError("--clocks and --around both say what to keep: give one of them.")
    if clocks is None and around is None:
        return None
    if vcd is None:
        raise click.UsageError("--clocks and --around cut a waveform: say where it goes by --vcd.")
    return ClockWindow(*clocks) if clocks else ClockWindow(around=around, nth=nth or 1)


def _opened(window: ClockWindow | None) -> int | None:
    """The clock that a viewer shows first; None for the first instruction."""
    if window is None:
        return None
    return max(window.first, window.about - LEAD) if window.about is not None else window.first


@click.command("run", WritingCommand)
@click.argument("listing", metavar="FILE", type=InputType())
@click.option("--vcd", "vcd", type=OutputType(), help="Keep the waveform in this file.")
@variant_option
@program_options
@click.option("--clocks", type=ClocksType(), metavar="FIRST..LAST",
              help="Of the waveform keep these clocks alone.")  # fmt: skip
@click.option("--around", type=WordType(), metavar="ADDRESS",
              help="Keep those around a fetch at this address.")  # fmt: skip
@click.option("--nth", type=click.IntRange(1, 10**12), metavar="N",
              help="With --around: around the Nth such fetch.  [default: 1]")  # fmt: skip
@click.option("--trace", type=OutputType(),
              help="Write what ran as a trace: .csv, .jsonl or .parquet.")  # fmt: skip
@layout_option
@click.option("--engine", type=click.Choice(ENGINES), default=AUTO, show_default=True,
              help="The RTL in Amaranth's simulator; its gates, all clocks at once; or what suits "
                   "the run's length.")  # fmt: skip
@click.option("--rows", type=click.IntRange(0, 10**9), default=40, show_default=True, metavar="N",
              help="Show at most N instructions: the first and the last.")  # fmt: skip
@click.option("--image", type=OutputType(),
              help="Write the memory as it was before the run: 65,536 bytes.")  # fmt: skip
@click.option("--symbols", type=OutputType(),
              help="Write the listing's names with their values: JSON.")  # fmt: skip
@json_option
def command(
    listing: str, clocks: tuple[int, int] | None, around: int | None, nth: int | None,
    trace: str | None, layout: str | None, engine: str, vcd: str | None, variant: str,
    rows: int, image: str | None, symbols: str | None, as_json: bool, options: ProgramOptions,
) -> None:  # fmt: skip
    """Run a listing or an image on the hardware, held to the model.

    FILE is a listing, or an image: a raw binary (.bin, or any with --at), Intel HEX (.hex .ihex) or
    Motorola S-records (.srec .s19 .s28 .s37).

    \b
    carrywave run FILE.s --vcd out.vcd           a listing, into a waveform
    carrywave run rom.bin --at 0xE000            an image with its own vectors
    carrywave run FILE.s --load table.bin@0x4000 --until 0x0240
    carrywave run FILE.s --vcd out.vcd --around 0x0240 --nth 3

    The run begins with the reset sequence and ends when an instruction jumps or branches to its own
    address, at --until, or after --max-instructions or --max-clocks. One that does none of these
    within 100000 clocks is reported as one that never ends, unless --max-clocks was given.
    A run of more than some thousand clocks is put to the gates: the model runs ahead, then all
    instructions are worked out at once, each from its guess, and what each leaves must be the next
    one's. Without a window the waveform of 100000 clocks or more is cut to where the gates leave
    the model's run, or else to its end.
    """
    if layout and not vcd:
        raise click.UsageError("--layout shows a waveform: say where it goes by --vcd.")
    window = _window(vcd, clocks, around, nth)
    program = options.read(listing)
    before, names = bytes(program.memory), dict(program.labels)
    with progress_bar("clocks", options.max_clocks or DEFAULT_CLOCKS) as progress:
        report = run_listing(
            listing, vcd, variant, options.max_clocks, rows, progress, keep_writes=as_json,
            program=program, until=options.until, max_instructions=options.max_instructions,
            engine=engine, window=window, trace=trace,
        )  # fmt: skip
    told = lay_out(layout, vcd, _opened(report.window)) if layout and vcd else ""
    if image:
        with written_beside(image, "wb") as file:
            file.write(before)
    if symbols:
        with written_beside(symbols) as file:
            file.write(json.dumps(names, indent=1) + "\n")
    conclude(report, as_json, lambda screen: screen.print(draw_run(report)), told)
