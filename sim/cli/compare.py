"""The command `compare`."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from copy import deepcopy
from functools import partial
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from carrywave.waves.vcd.recorded import write_wrong_case

from ..board.serial_line import BAUD
from ..cases.sampled import count_cases
from ..emulator.called import Emulator, Library, PythonFunction
from ..emulator.pipe import Pipe
from ..emulator.report import draw_verdict
from ..emulator.running import LibraryRunner, PipeRunner, PythonRunner, Runner
from ..emulator.verdict import Verdict, judge
from ..system.files import written_beside
from ..trace.checking import compare_trace
from ..trace.formats import parts_of
from ..trace.report import draw_trace
from ..witness.comparison import Witness
from .board import board_of
from .options import TRIAL, SecondsType, addresses, json_option, not_compared, variant_option
from .outputs import (
    InputType,
    OutputType,
    WritingCommand,
    files_of_command,
    files_of_function,
)
from .programs import ProgramOptions, program_options
from .terminal import conclude, progress_bar, write_files

if TYPE_CHECKING:
    from rich.console import Console

    from ..program.assembler import Program
    from ..program.comparing import ProgramVerdict

_Found = TypeVar("_Found", bound="ProgramVerdict")


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
@click.option("--serial", metavar="PORT", type=InputType(),
              help="A board on a serial port, or what --record has kept of one.")  # fmt: skip
@click.option("--baud", type=click.IntRange(min=1), default=BAUD, show_default=True, metavar="N",
              help="Bits a second on that port.")  # fmt: skip
@click.option("--record", type=OutputType(), help="Keep what the board answers in this file.")
@click.option("--program", metavar="FILE", type=InputType(),
              help="Put each instruction that this listing or image runs, in order.")  # fmt: skip
@click.option("--run", "own", is_flag=True,
              help="The emulator runs the program on its own, with its interrupts.")  # fmt: skip
@program_options
@click.option("--column", "columns", multiple=True, metavar="NAME=THEIRS",
              help="What the trace calls a column, such as sp=S.")  # fmt: skip
@click.option("--hex", "as_hex", is_flag=True, help="The trace's bare digits are hexadecimal.")
@click.option("--scheduler", metavar="ADDRESS",
              help="A trace's parts go to this Dask cluster; 'local' starts one.")  # fmt: skip
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
              help="Write the waveform of, or around, the first wrong case.")  # fmt: skip
@click.option("--replay", type=OutputType(),
              help="Write a listing that runs the first wrong case to this file.")  # fmt: skip
@json_option
def command(
    names: tuple[str, ...], library: str | None, python: str | None, arrays: bool,
    pipe: str | None, trace: str | None, serial: str | None, baud: int, record: str | None,
    program: str | None, own: bool,
    columns: tuple[str, ...], as_hex: bool, scheduler: str | None,
    devices: list[tuple[int, int]], variant: str, which: str, skip: list[str], seed: int,
    timeout: float, vcd: str | None, replay: str | None, as_json: bool, options: ProgramOptions,
) -> None:  # fmt: skip
    """Put an emulator beside the gates.

    All instructions, or those named: mnemonics, opcodes in hex, IRQ, NMI and RESET. So one that is
    not finished can be put there too: name the opcodes it has. The emulator is yours, in any
    language, and runs in a process of its own: give one of --library, --python and --pipe. Or give
    what it recorded, one row per executed instruction: --trace. Or a board with the hardware in it,
    see 'carrywave board': --serial.

    \b
    carrywave compare --library ./mine.so
    carrywave compare --python mine.py:execute ADC SBC --vcd first.vcd
    carrywave compare --python mine.py:execute 69 E9 C9
    carrywave compare --pipe "node mine.js" --cases full --skip cycles
    carrywave compare --trace run.csv --hex --column sp=S
    carrywave compare --trace parts/ --scheduler tcp://host:8786
    carrywave compare --library ./mine.so --program rom.bin --at 0xE000
    carrywave compare --serial /dev/ttyUSB1 ADC SBC

    With --program each instruction has the state and the memory that the gates had before it: one
    slip is one wrong instruction, and the first one is named with its clock and line. With --run
    too the emulator runs it by itself, interrupts included: 'carrywave_run' of the header, a
    function (start, memory, pins, count) of rows, or an object a line over the pipe.

    \b
    carrywave compare --library ./mine.so --program ferry.s --pins p.txt --run

    With --scheduler the parts are checked side by side by a cluster's workers, which have the same
    Carrywave and find the parts by the same absolute paths; those of a worker that is lost are
    checked again. Each tells what memory it reads first and leaves, and here they are held to each
    other in order: the report is the one that it is without. Only where rows do not tell all that
    they read does a part need the memory before it: then all are checked here, in turn.
    """
    if sum(way is not None for way in (library, python, pipe, trace, serial)) != 1:
        raise click.UsageError("give one of --library, --python, --pipe, --trace and --serial")
    if (record or baud != BAUD) and serial is None:
        raise click.UsageError("--baud and --record go with --serial")
    if arrays and python is None:
        raise click.UsageError("--arrays goes with --python")
    if (columns or as_hex or devices or scheduler is not None) and trace is None:
        raise click.UsageError("--column, --hex, --devices and --scheduler go with --trace")
    if trace is not None:
        if names or vcd or replay:
            raise click.UsageError("a trace is compared whole, and without --vcd or --replay")
        renamed = {name: theirs for name, _, theirs in (given.partition("=") for given in columns)}
        if "" in renamed.values():
            raise click.UsageError("--column takes NAME=THEIRS, such as sp=S")
        if len(renamed) < len(columns):
            raise click.UsageError("--column names a column twice: once is meant")
        if scheduler is not None:
            import logging

            logging.disable()  # what Dask says while it starts, and when it is interrupted
        with progress_bar("parts", len(parts_of(trace))) as progress:
            report = compare_trace(
                trace, variant, columns=renamed, hex=as_hex, skip=skip, devices=devices,
                scheduler=scheduler, progress=progress,
            )  # fmt: skip
        conclude(report, as_json, lambda screen: draw_trace(report, screen))
    if program is None and options.given:
        raise click.UsageError(f"{options.given} goes with --program")
    if program is not None and (names or which == "full" or seed):
        raise click.UsageError("--program says what is put: no names, --cases or --seed")
    if own and program is None:
        raise click.UsageError("--run goes with --program")
    if serial is not None:
        if program is not None:
            raise click.UsageError("a board is asked case by case: no --program")
        _ask_board(serial, baud, record, variant, names, which, skip, seed, timeout,
                   (vcd, replay), as_json)  # fmt: skip
    loaded = None if program is None else options.read(program)
    if own and program is not None and loaded is not None:
        runner = (
            LibraryRunner(library, timeout) if library is not None
            else PythonRunner(python, arrays, timeout) if python is not None
            else PipeRunner(pipe or "", timeout)
        )  # fmt: skip
        from ..program.following import judge_run
        from ..program.report import draw_followed

        _through(runner, judge_run, draw_followed, program, loaded, options, variant, skip,
                 (vcd, replay), as_json)  # fmt: skip
    emulator = (
        Library(library, timeout) if library is not None
        else PythonFunction(python, arrays, timeout) if python is not None
        else Pipe(pipe or "", timeout)
    )  # fmt: skip
    if program is not None and loaded is not None:
        from ..program.comparing import judge_program
        from ..program.report import draw_program

        _through(emulator, judge_program, draw_program, program, loaded, options, variant, skip,
                 (vcd, replay), as_json)  # fmt: skip
    with emulator, progress_bar("cases", count_cases(which, names)) as progress:
        verdict = judge(emulator, variant, names, which, skip=skip, seed=seed, progress=progress)
    told = _write_first(verdict, vcd, replay)
    conclude(verdict, as_json, lambda screen: draw_verdict(verdict, screen), told)


def _ask_board(
    name: str, baud: int, record: str | None, variant: str, names: tuple[str, ...], which: str,
    skip: list[str], seed: int, timeout: float, outputs: tuple[str | None, str | None],
    as_json: bool,
) -> NoReturn:  # fmt: skip
    """A board, or what was recorded of one."""
    from ..board.kept_answers import AnswerKeeper
    from ..board.report import line_of
    from ..board.serial_line import Board

    with ExitStack() as opened:
        board = board_of(name, baud, variant, timeout)
        opened.enter_context(board)
        witness: Witness = board
        if record:
            file = opened.enter_context(written_beside(record))
            witness = AnswerKeeper(board, variant, file)
        progress = opened.enter_context(progress_bar("cases", count_cases(which, names)))
        if isinstance(board, Board):
            board.answered = progress
        verdict = judge(witness, variant, names, which, skip=skip, seed=seed)
    told = _write_first(verdict, *outputs)
    if isinstance(board, Board):
        told += f"\n{line_of(board)}"
    conclude(verdict, as_json, lambda screen: draw_verdict(verdict, screen), told)


def _through(
    peer: Emulator | Runner, how: Callable[..., _Found], draw: Callable[[_Found, Console], object],
    listing: str, program: Program, options: ProgramOptions, variant: str, skip: list[str],
    outputs: tuple[str | None, str | None], as_json: bool,
) -> NoReturn:  # fmt: skip
    """An emulator through a program, instruction by instruction or by itself."""
    again = deepcopy(program)
    most = options.max_clocks or 100_000
    with peer, progress_bar("clocks", most) as progress:
        found = how(
            peer, listing, program, variant, most, until=options.until,
            max_instructions=options.max_instructions, skip=skip, progress=progress,
        )  # fmt: skip
    found.loaded = options.loaded
    told = _write_first(found.verdict, *outputs, through=(found, again))
    conclude(found, as_json, lambda screen: draw(found, screen), told)


def _write_first(
    verdict: Verdict, vcd: str | None, replay: str | None,
    through: tuple[ProgramVerdict, Program] | None = None,
) -> str:  # fmt: skip
    """Writes the first wrong case, if there is one, as is asked for; what is told of it.

    The waveform is that of the run where the case comes in a program.
    """
    from carrywave.waves.run.beside import write_wrong_window

    from ..program.replay import replay as listing_of

    files: dict[str, Any] = {}
    told = ""
    wave = "the first wrong case"
    if through is not None:
        wave = "the run around the first wrong instruction"
    somewhere = through is not None and through[0].wrong is not None
    for path, what, there in (
        (vcd, wave, somewhere or verdict.first is not None),
        (replay, "a listing of the first wrong case", verdict.first is not None),
    ):
        if path:
            told += f"\n{path}: {f'{what}, written' if there else 'nothing to write'}"
    if vcd and through is not None and somewhere:
        files[vcd] = partial(write_wrong_window, *through)
    elif vcd and verdict.first is not None:
        files[vcd] = partial(write_wrong_case, verdict)
    if verdict.first is not None and replay:
        text = listing_of(verdict.first.case, verdict.variant)
        files[replay] = lambda file: file.write(text)
    write_files(files)
    return told
