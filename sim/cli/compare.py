"""The command `compare`."""

from functools import partial

import click

from carrywave.waves.vcd.recorded import write_wrong_case

from ..cases.sampled import count_cases
from ..emulator.called import Library, PythonFunction
from ..emulator.pipe import Pipe
from ..emulator.report import draw_verdict
from ..emulator.verdict import judge
from ..trace.checking import compare_trace
from ..trace.formats import parts_of
from ..trace.report import draw_trace
from .options import TRIAL, SecondsType, addresses, json_option, not_compared, variant_option
from .outputs import (
    InputType,
    OutputType,
    WritingCommand,
    files_of_command,
    files_of_function,
)
from .terminal import conclude, progress_bar, write_files


@click.command("compare", WritingCommand)
@click.argument("names", metavar="[NAME]...", nargs=-1, type=TRIAL)
@click.option("--library", metavar="FILE", type=InputType(),
              help="A shared library; see 'carrywave header'.")  # fmt: skip
@click.option("--python", metavar="MODULE:FUNCTION", type=InputType(files_of_function),
              help="A Python function of a case; also FILE.py:FUNCTION.")  # fmt: skip
@click.option("--arrays", is_flag=True, help="The Python function takes NumPy arrays of cases.")
@click.option("--pipe", metavar="COMMAND", type=InputType(files_of_command),
              help="A command that reads and writes JSON Lines.")  # fmt: skip
@click.option("--trace", metavar="PATH", type=InputType(),
              help="A recorded trace: .csv, .jsonl, .parquet, or a folder of parts.")  # fmt: skip
@click.option("--column", "columns", multiple=True, metavar="NAME=THEIRS",
              help="What the trace calls a column, such as sp=S.")  # fmt: skip
@click.option("--hex", "as_hex", is_flag=True, help="The trace's bare digits are hexadecimal.")
@click.option("--devices", metavar="FIRST-LAST,...", multiple=True, callback=addresses,
              help="Where a trace finds no memory, in hex, such as D000-DFFF.")  # fmt: skip
@variant_option
@click.option(
    "--cases", "which", type=click.Choice(("quick", "full")), default="quick", show_default=True,
    help="Some cases of each instruction, or every one that can matter.",
)  # fmt: skip
@click.option("--skip", metavar="FIELD,...", multiple=True, callback=not_compared,
              help="Fields not to compare, such as cycles or p.d.")  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, metavar="N",
              help="Draw other quick cases.")  # fmt: skip
@click.option(
    "--timeout", type=SecondsType(), default=10, show_default=True,
    metavar="SECONDS", help="Longest silence of the emulator.",
)  # fmt: skip
@click.option("--vcd", type=OutputType(),
              help="Write the waveform of the first wrong case to this file.")  # fmt: skip
@json_option
def command(
    names: tuple[str, ...], library: str | None, python: str | None, arrays: bool,
    pipe: str | None, trace: str | None, columns: tuple[str, ...], as_hex: bool,
    devices: list[tuple[int, int]], variant: str, which: str, skip: list[str], seed: int,
    timeout: float, vcd: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Put an emulator beside the gates.

    All instructions, or those named: mnemonics, opcodes in hex, IRQ, NMI and RESET. So one that is
    not finished can be put there too: name the opcodes it has. The emulator is yours, in any
    language, and runs in a process of its own: give one of --library, --python and --pipe. Or give
    what it recorded, one row per executed instruction: --trace.

    \b
    carrywave compare --library ./mine.so
    carrywave compare --python mine.py:execute ADC SBC --vcd first.vcd
    carrywave compare --python mine.py:execute 69 E9 C9
    carrywave compare --pipe "node mine.js" --cases full --skip cycles
    carrywave compare --trace run.csv --hex --column sp=S
    """
    if sum(way is not None for way in (library, python, pipe, trace)) != 1:
        raise click.UsageError("give one of --library, --python, --pipe and --trace")
    if arrays and python is None:
        raise click.UsageError("--arrays goes with --python")
    if (columns or as_hex or devices) and trace is None:
        raise click.UsageError("--column, --hex and --devices go with --trace")
    if trace is not None:
        if names or vcd:
            raise click.UsageError("a trace is compared whole, and without --vcd")
        renamed = {name: theirs for name, _, theirs in (given.partition("=") for given in columns)}
        if "" in renamed.values():
            raise click.UsageError("--column takes NAME=THEIRS, such as sp=S")
        if len(renamed) < len(columns):
            raise click.UsageError("--column names a column twice: once is meant")
        with progress_bar("parts", len(parts_of(trace))) as progress:
            report = compare_trace(
                trace, variant, columns=renamed, hex=as_hex, skip=skip, devices=devices,
                progress=progress,
            )  # fmt: skip
        conclude(report, as_json, lambda screen: draw_trace(report, screen))
    emulator = (
        Library(library, timeout) if library is not None
        else PythonFunction(python, arrays, timeout) if python is not None
        else Pipe(pipe or "", timeout)
    )  # fmt: skip
    with emulator, progress_bar("cases", count_cases(which, names)) as progress:
        verdict = judge(emulator, variant, names, which, skip=skip, seed=seed, progress=progress)
    if vcd and verdict.first is not None:
        write_files({vcd: partial(write_wrong_case, verdict)})
    what = "the first wrong case, written" if verdict.first else "nothing to write"
    told = f"\n{vcd}: {what}" if vcd else ""
    conclude(verdict, as_json, lambda screen: draw_verdict(verdict, screen), told)
