"""The command line: one function a command, and no logic of its own."""

from __future__ import annotations

import os
import sys
from functools import partial
from typing import Any, Final, NoReturn

import click

from ..netlist import ADDERS
from .options import (
    ArithmeticType,
    ByteType,
    MnemonicType,
    OutputType,
    RowType,
    StartType,
    TrialType,
    adder_option,
    json_option,
    not_compared,
    variant_option,
    variants_option,
)
from .terminal import (
    AGREE,
    DISAGREE,
    Writer,
    console,
    drop_output,
    print_json,
    progress_bar,
    unread,
    unusable,
    write_figure,
    write_files,
)

#: The commands as the help lists them.
SECTIONS: Final = {
    "See why": ("op", "run", "check", "draw", "flags", "claim", "settle"),
    "Your emulator": ("compare", "header", "vectors"),
    "Every input": ("sweep", "prove", "grade", "netlist"),
}


class Commands(click.Group):
    """The commands; click itself would end with 1, which says 'disagrees' here."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order of the help."""
        return [name for names in SECTIONS.values() for name in names]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """A section each."""
        for title, names in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl(
                    [(name, self.commands[name].get_short_help_str(66)) for name in names]
                )

    def invoke(self, ctx: click.Context) -> Any:
        """Ends in a way of its own when the output cannot be written."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            unread()
        except OSError as error:
            if error.filename is not None:
                unusable(f"{error.filename}: {error.strerror}")
            drop_output()
            unusable(f"the output cannot be written: {error.strerror}")


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="carrywave")
def cli() -> None:
    """A hardware bench for 8-bit processors of the 65xx family.

    It answers from hardware: the adder's carry chain, the flags that come out of it, the bytes that
    reach the stack, clock by clock, as a picture or as a waveform, checked against a model.

    \b
    carrywave op ADC 0x50 0x50                   one operation, carry by carry
    carrywave run FILE.s --vcd out.vcd           a listing, into a waveform
    carrywave claim "c == (a >= m)" --after CMP  a rule of thumb, judged
    carrywave compare --library ./mine.so        your emulator beside the gates
    carrywave sweep --variant all                every instruction, every input

    Exit status: 0 all agrees, 1 something disagrees, 2 the input cannot be used.
    """


@cli.command(context_settings={"ignore_unknown_options": True})
@click.argument("mnemonic", type=MnemonicType())
@click.argument("numbers", metavar="[A] [OPERAND]", nargs=-1, type=ByteType())
@click.option("--carry", type=click.IntRange(0, 1), default=0, show_default=True, help="C before.")
@click.option("--decimal", is_flag=True, help="D before: decimal mode for ADC and SBC.")
@click.option(
    "--status", type=ByteType(), default="0x30", help="The other flags before, as a pushed byte."
)
@variant_option
@click.option("--vcd", "vcd", type=OutputType(), help="Write the waveform to this file.")
@click.option("--svg", type=OutputType(), help="Write a figure of it to this file.")
@json_option
def op(
    mnemonic: str, numbers: tuple[int, ...], carry: int, decimal: bool, status: int, variant: str,
    vcd: str | None, svg: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Show one operation: each carry, and where each flag comes from.

    A is the register that MNEMONIC works on (X for CPX, Y for DEY ...); OPERAND is the byte it
    reads, or a branch's offset. Numbers: 80, 0x50, $50, %01010000, -1. An instruction that has only
    one of the two takes one number.

    \b
    carrywave op ADC 0x50 0x50
    carrywave op SBC '$50' '$F0' --carry 1
    carrywave op CMP -128 1
    carrywave op ADC 0x58 0x46 --carry 1 --decimal --variant cmos
    carrywave op ADC 0x50 0x50 --svg adc.svg
    """
    from ..op.operation import UsageError, arrange, operate

    try:
        a, operand = arrange(mnemonic, numbers)
    except UsageError as error:
        unusable(error)
    if vcd and vcd == svg:
        raise click.UsageError("--vcd and --svg are one file: name two")
    result = operate(mnemonic, a, operand, carry, decimal, variant, status)
    writers: dict[str, Writer] = {}
    if svg:
        from carrywave.waves.figures.operations import operation_figure

        from ..system.pictures import NothingToDrawError

        try:
            figure = operation_figure(result)
        except NothingToDrawError as error:
            unusable(error)
        writers[svg] = lambda file: file.write(figure.render())
    if vcd:
        from carrywave.waves.vcd.record import record

        writers[vcd] = partial(record, result)
    write_files(writers)
    if as_json:
        print_json(result.to_json())
    else:
        from ..op.report import draw_operation

        console().print(draw_operation(result))
        if writers:
            click.echo(f"\n{' and '.join(writers)}: written")


@cli.command()
@click.argument("listing", type=click.Path())
@click.option("--vcd", "vcd", type=OutputType(), help="Keep the waveform in this file.")
@variant_option
@click.option(
    "--max-clocks", type=click.IntRange(min=1), metavar="N",
    help="Stop after N clocks, if nothing ends the run before.  [default: 100000]",
)  # fmt: skip
@click.option("--rows", type=click.IntRange(min=0), default=40, show_default=True, metavar="N",
              help="Show at most N instructions: the first and the last.")  # fmt: skip
@json_option
def run(
    listing: str, vcd: str | None, variant: str, max_clocks: int | None, rows: int, as_json: bool
) -> None:
    """Run a listing on the hardware, its waveform held to the model.

    The run begins with the reset sequence and ends when an instruction jumps or branches to its own
    address, or at --max-clocks. A listing that does neither of these within 100000 clocks is
    reported as one that never ends, unless --max-clocks was given.
    """
    from carrywave.waves.check.listing import BenchError, run_listing

    try:
        with progress_bar("clocks", max_clocks or 100_000) as progress:
            report = run_listing(
                listing, vcd, variant, max_clocks, rows, progress, keep_writes=as_json
            )
    except BenchError as error:
        unusable(error)
    if as_json:
        print_json(report.to_json())
    else:
        from carrywave.waves.check.report import draw_run

        console().print(draw_run(report))
    sys.exit(AGREE if report.agree else DISAGREE)


@cli.command()
@click.argument("dump", metavar="FILE.vcd", type=click.Path())
@json_option
def check(dump: str, as_json: bool) -> None:
    """Check a waveform against the model, with nothing but the file."""
    from carrywave.waves.check.checking import check_dump
    from carrywave.waves.vcd.read import DumpError

    try:
        report = check_dump(dump)
    except DumpError as error:
        unusable(error)
    if as_json:
        print_json(report.to_json())
    else:
        from carrywave.waves.check.report import draw_check

        console().print(draw_check(report))
    sys.exit(AGREE if report.agree else DISAGREE)


@cli.command()
@click.option("-o", "--output", metavar="FILE", type=OutputType(),
              help="Write the gates: Verilog (.v), RTLIL (.il) or Yosys JSON (.json).")  # fmt: skip
@variant_option
@click.option(
    "--adder", type=click.Choice((*ADDERS, "all")), default="ripple", show_default=True,
    help="The form of the ALU's adder; 'all' sets them side by side.",
)  # fmt: skip
@json_option
def netlist(output: str | None, variant: str, adder: str, as_json: bool) -> None:
    """Show what the unit costs in gates, and write them for other tools.

    The gates are those that are drawn, with every carry, flag and register by name; in FILE the
    module is unit_nmos, or the variant's. With the extra carrywave[fpga], also what the unit takes
    of an iCE40 part. Whoever wires a board must follow the documents of the makers of its parts.

    \b
    carrywave netlist
    carrywave netlist -o unit.v --variant cmos
    carrywave netlist --adder all
    """
    from rich.console import Console

    from ..netlist.cost import measure, place
    from ..netlist.export import export, module_of
    from ..netlist.report import draw_adders, draw_cost
    from ..netlist.synthesis import NetlistError

    names = ADDERS if adder == "all" else (adder,)
    if output and len(names) > 1:
        raise click.UsageError("-o writes the gates of one unit: name one --adder")
    try:
        with Console(stderr=True).status("Yosys is at work"):
            written = export(output, variant, adder) if output else None
            costs = {name: (measure(variant, name), place(variant, name)) for name in names}
    except NetlistError as error:
        unusable(error)
    except OSError as error:
        unusable(f"{output}: {error.strerror}")
    if as_json:
        found = {
            name: {**cost.to_json(), "fpga": fpga and fpga.to_json()}
            for name, (cost, fpga) in costs.items()
        }
        print_json({"adders": found} if len(names) > 1 else {**found[adder], "file": output})
    else:
        console().print(draw_adders(costs) if len(names) > 1 else draw_cost(*costs[adder]))
        if written:
            click.echo(f"{output}: {written}, module {module_of(variant, adder)}")


@cli.command()
@click.argument("names", metavar="[MNEMONIC]...", nargs=-1, type=RowType())
@variants_option
@adder_option
@json_option
def sweep(names: tuple[str, ...], variant: str, adder: str, as_json: bool) -> None:
    """Hold the gates to the model, on every input that can matter.

    All instructions, or those named; IRQ, NMI and RESET are names too. Compared are the registers,
    flag by flag, what was pushed and stored and where, the clocks, and the bus in every clock. What
    should not matter stands once one way, and once with every bit toggled.

    \b
    carrywave sweep --variant all
    carrywave sweep ADC SBC --variant cmos --json
    carrywave sweep --variant all --adder lookahead
    """
    from ..netlist.synthesis import NetlistError
    from ..sweep.report import draw_sweep
    from ..sweep.sweeping import sweep as sweep_rows
    from ..sweep.sweeping import sweep_size
    from ..system.workers import WorkerError

    try:
        with progress_bar("cases", sweep_size(variant, names)) as progress:
            report = sweep_rows(variant, names, progress=progress, adder=adder)
    except (NetlistError, WorkerError) as error:
        unusable(error)
    if as_json:
        print_json(report.to_json())
    else:
        draw_sweep(report, console())
    sys.exit(AGREE if report.agree else DISAGREE)


@cli.command("compare")
@click.argument("names", metavar="[NAME]...", nargs=-1, type=TrialType())
@click.option("--library", metavar="FILE", help="A shared library; see 'carrywave header'.")
@click.option("--python", metavar="MODULE:FUNCTION",
              help="A Python function of a case; also FILE.py:FUNCTION.")  # fmt: skip
@click.option("--arrays", is_flag=True, help="The Python function takes NumPy arrays of cases.")
@click.option("--pipe", metavar="COMMAND", help="A command that reads and writes JSON Lines.")
@click.option("--trace", metavar="PATH",
              help="A recorded trace: .csv, .jsonl, .parquet, or a folder of parts.")  # fmt: skip
@click.option("--column", "columns", multiple=True, metavar="NAME=THEIRS",
              help="What the trace calls a column, such as sp=S.")  # fmt: skip
@click.option("--hex", "as_hex", is_flag=True, help="The trace's bare digits are hexadecimal.")
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
    "--timeout", type=click.FloatRange(min=0, min_open=True), default=10, show_default=True,
    metavar="SECONDS", help="Longest silence of the emulator.",
)  # fmt: skip
@click.option("--vcd", type=OutputType(),
              help="Write the waveform of the first wrong case to this file.")  # fmt: skip
@json_option
def compare_(
    names: tuple[str, ...], library: str | None, python: str | None, arrays: bool,
    pipe: str | None, trace: str | None, columns: tuple[str, ...], as_hex: bool, variant: str,
    which: str, skip: list[str], seed: int, timeout: float, vcd: str | None, as_json: bool,
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
    from carrywave.waves.vcd.beside import write_waveform

    from ..cases.quick import count_cases
    from ..cases.words import describe_case
    from ..emulator.called import Library, PythonFunction
    from ..emulator.child import EmulatorError
    from ..emulator.pipe import Pipe
    from ..emulator.report import draw_verdict
    from ..emulator.verdict import judge
    from ..netlist.synthesis import NetlistError

    if sum(way is not None for way in (library, python, pipe, trace)) != 1:
        raise click.UsageError("give one of --library, --python, --pipe and --trace")
    if arrays and python is None:
        raise click.UsageError("--arrays goes with --python")
    if (columns or as_hex) and trace is None:
        raise click.UsageError("--column and --hex go with --trace")
    if trace is not None:
        if names or vcd:
            raise click.UsageError("a trace is compared whole, and without --vcd")
        compare_recorded(trace, variant, columns, as_hex, skip, as_json)
    try:
        emulator = (
            Library(library, timeout) if library is not None
            else PythonFunction(python, arrays, timeout) if python is not None
            else Pipe(pipe or "", timeout)
        )  # fmt: skip
        with emulator, progress_bar("cases", count_cases(which, names)) as progress:
            verdict = judge(
                emulator, variant, names, which, skip=skip, seed=seed, progress=progress
            )
    except EmulatorError as error:
        unusable("\n  ".join([str(error), *describe_case(error.case)]))
    except NetlistError as error:
        unusable(error)
    if vcd and verdict.first is not None:
        write_files({vcd: partial(write_waveform, verdict)})
    if as_json:
        print_json(verdict.to_json())
    else:
        draw_verdict(verdict, console())
        if vcd:
            what = "the first wrong case, written" if verdict.first else "nothing to write"
            click.echo(f"\n{vcd}: {what}")
    sys.exit(AGREE if verdict.agree else DISAGREE)


def compare_recorded(
    path: str, variant: str, columns: tuple[str, ...], as_hex: bool, skip: list[str], as_json: bool
) -> NoReturn:
    """The part of `compare` that reads a trace."""
    from ..netlist.synthesis import NetlistError
    from ..trace.formats import TraceError, parts_of
    from ..trace.partial import compare_trace
    from ..trace.report import draw_trace

    renamed = {name: theirs for name, _, theirs in (given.partition("=") for given in columns)}
    if "" in renamed.values():
        raise click.UsageError("--column takes NAME=THEIRS, such as sp=S")
    try:
        with progress_bar("parts", len(parts_of(path))) as progress:
            result = compare_trace(
                path, variant, columns=renamed, hex=as_hex, skip=skip, progress=progress
            )
    except (TraceError, NetlistError, ValueError) as error:
        unusable(error)
    if as_json:
        print_json(result.to_json())
    else:
        draw_trace(result, console())
    sys.exit(AGREE if result.agree else DISAGREE)


@cli.command()
def header() -> None:
    """Print the C header of what 'compare --library' calls.

    \b
    carrywave header > carrywave.h
    """
    from ..emulator.header import header as text

    click.echo(text(), nl=False)


@cli.command()
@click.argument("names", metavar="[MNEMONIC]...", nargs=-1, type=RowType())
@variants_option
@click.option("--timeout", type=click.FloatRange(min=0, min_open=True), default=60.0,
              show_default=True, metavar="SECONDS",
              help="For one question to the solver; what takes longer is not proved.")  # fmt: skip
@click.option("--vcd", type=OutputType(),
              help="Write the first state that refutes something as a waveform.")  # fmt: skip
@adder_option
@json_option
def prove(
    names: tuple[str, ...], variant: str, timeout: float, vcd: str | None, adder: str,
    as_json: bool,
) -> None:  # fmt: skip
    """Prove that the gates follow the specification, in every state.

    All instructions, or those named; IRQ, NMI and RESET are names too. Registers, flags, stack,
    stores, clocks and the bus are proved with every register, flag and byte unknown, against terms
    of SMT-LIB; and the optimised netlist is proved to be the drawn one.

    \b
    carrywave prove --variant all
    carrywave prove ADC SBC --variant cmos --json
    """
    from ..netlist.synthesis import NetlistError

    try:
        from carrywave.waves.vcd.refuted import write_waveform

        from ..prove.proving import proof_size
        from ..prove.proving import prove as prove_rows
        from ..prove.report import draw_proof
    except ModuleNotFoundError as error:
        if error.name != "z3":
            raise
        unusable("prove needs z3: pip install 'carrywave[proof]'")
    try:
        with progress_bar("proofs", proof_size(variant, names)) as progress:
            report = prove_rows(variant, names, progress, timeout=timeout, adder=adder)
    except NetlistError as error:
        unusable(error)
    if vcd and report.first:
        write_files({vcd: partial(write_waveform, report.first, adder=adder)})
    if as_json:
        print_json(report.to_json())
    else:
        draw_proof(report, console())
        if vcd:
            click.echo(f"{vcd}: written" if report.first else f"{vcd}: nothing to write")
    sys.exit(AGREE if report.agree else DISAGREE)


@cli.command("grade")
@variants_option
@click.option("--all", "every", is_flag=True, help="List each fault that no one can see.")
@json_option
def grade_(variant: str, every: bool, as_json: bool) -> None:
    """Grade the checks: every fault seen, every planted mistake found?

    Each wire and pin of the gates is held at 0 and at 1, before the cases of the sweep and runs
    with the pins driven. What none of them sees must be proved invisible; anything else is a case
    that is missing. Then the classic mistakes are put into the model, one by one, and the sweep
    must find them, as often as documented.

    \b
    carrywave grade --variant all
    carrywave grade --all
    """
    from ..netlist.synthesis import NetlistError

    try:
        from ..grade.grading import grade, grade_size
        from ..grade.redundant import ProofError
        from ..grade.report import draw_grade
    except ModuleNotFoundError as error:
        if error.name != "z3":
            raise
        unusable("grade needs z3: pip install 'carrywave[proof]'")
    from ..grade.scenarios import DisagreementError
    from ..system.workers import WorkerError

    try:
        with progress_bar("tasks", grade_size(variant)) as progress:
            report = grade(variant, progress)
    except (NetlistError, DisagreementError, ProofError, WorkerError) as error:
        unusable(error)
    if as_json:
        print_json(report.to_json())
    else:
        draw_grade(report, console(), every)
    sys.exit(AGREE if report.agree else DISAGREE)


@cli.command("vectors")
@click.option("-o", "--output", metavar="FILE", required=True, type=OutputType(),
              help="The file to write: .csv, .jsonl, .parquet, or a C array (.h).")  # fmt: skip
@variant_option
@json_option
def vectors_(output: str, variant: str, as_json: bool) -> None:
    """Write few cases with their outcomes, for unit tests of your own.

    As few as found that show every fault of the gates that single instructions and events can show,
    and every planted mistake; the file begins with its coverage. The first time takes up to a
    minute.

    \b
    carrywave vectors -o vectors.csv
    carrywave vectors -o vectors.h --variant cmos
    """
    from ..grade.scenarios import DisagreementError
    from ..netlist.synthesis import NetlistError
    from ..system.workers import WorkerError
    from ..vectors.compact import VectorsError, cached
    from ..vectors.written import write, writer_of

    try:
        writer_of(output)
        with progress_bar("percent", 100) as progress:
            found = cached(variant, progress)
        write(found, output)
    except (VectorsError, NetlistError, DisagreementError, WorkerError) as error:
        unusable(error)
    except OSError as error:
        unusable(f"{output}: {error.strerror}")
    if as_json:
        print_json({"file": output, **found.coverage})
    else:
        told = found.coverage
        click.echo(
            f"{output}: {told['cases']:,} cases; {told['detected']:,} of {told['faults']:,} faults,"
            f" {told['found']:,} of {told['planted']:,} planted mistakes"
        )


@cli.command()
@click.argument("dump", metavar="FILE.vcd", type=click.Path())
@click.option("-o", "--output", metavar="FILE", required=True, type=OutputType(),
              help="The SVG file to write.")  # fmt: skip
@click.option("--signals", metavar="NAME,...", default="",
              help="What to draw, from the top: names as in the file, such as unit.status.n, or "
              "their ends.  [default: a dozen]")  # fmt: skip
@click.option("--from", "start", metavar="TIME",
              help="Where to begin, in ns, or in us: clock 43 begins at 43us.")  # fmt: skip
@click.option("--to", "end", metavar="TIME", help="Where to end.  [default: as much as fits]")
@json_option
def draw(
    dump: str, output: str, signals: str, start: str | None, end: str | None, as_json: bool
) -> None:
    """Draw a part of a waveform as a figure, 1280 pixels wide.

    Whole clocks are drawn. Of a waveform that `compare --vcd` wrote, the emulator's values too, in
    the scope `emulator`.

    \b
    carrywave draw out.vcd -o out.svg
    carrywave draw out.vcd -o out.svg --signals clk,alu.carry,status.v --from 43us
    """
    from carrywave.waves.figures.timing import TimingError, time_of, timing_figure
    from carrywave.waves.vcd.read import DumpError

    if os.path.exists(output) and os.path.samefile(dump, output):
        raise click.UsageError(f"{output} is the waveform: name another file for the figure")
    try:
        figure = timing_figure(
            dump,
            [name for name in signals.split(",") if name.strip()],
            time_of(start, "--from") if start is not None else None,
            time_of(end, "--to") if end is not None else None,
        )
    except (DumpError, TimingError) as error:
        unusable(error)
    write_figure(figure, output)
    if as_json:
        print_json({"file": output, "title": figure.title, "description": figure.description})
    else:
        click.echo(f"{output}: {figure.title}")


@cli.command()
@click.option("-o", "--output", metavar="FILE", type=OutputType(),
              help="Write the table as a figure, an SVG file.")  # fmt: skip
@json_option
def flags(output: str | None, as_json: bool) -> None:
    """Show which instruction updates which flag.

    \b
    carrywave flags
    carrywave flags -o flags.svg
    """
    from carrywave.waves.figures.flagtable import flag_table

    table = flag_table()
    if output:
        write_figure(table.figure(), output)
    if as_json:
        print_json(table.to_json())
    elif output:
        click.echo(f"{output}: {table.figure().title}")
    else:
        console().print(table.draw())


@cli.command(context_settings={"ignore_unknown_options": True})
@click.argument("expression", metavar='["EXPRESSION"]', required=False)
@click.option("--after", type=ArithmeticType(), metavar="MNEMONIC",
              help="The instruction it is about.")  # fmt: skip
@click.option("--given", metavar="EXPRESSION", help="Judge only the inputs that meet this.")
@click.option("--table", is_flag=True,
              help="The relations of two bytes, with the exact rule for each.")  # fmt: skip
@variant_option
@click.option("--vcd", type=OutputType(),
              help="Write the waveform of the first input it fails on to this file.")  # fmt: skip
@json_option
def claim(
    expression: str | None, after: str | None, given: str | None, table: bool, variant: str,
    vcd: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Judge a rule of thumb, on every input of an instruction.

    The gates say on how many inputs EXPRESSION is true. If it fails, the first input that shows it
    is drawn; if it links flags to a relation of the operands, the simplest formula of N V Z C that
    equals the relation is given, or two inputs that show that there is none.

    Names: the operands before: a (the register that MNEMONIC works on; x or y too for X and Y), m
    (the byte beside it, or the one that INC changes), carry_in, decimal; the result r; the flags
    after: n v z c. carry(i) enters bit i, carry(8) leaves bit 7; bit(x, i) is bit i of x, signed(x)
    a byte as two's complement.

    Grammar and precedence are Python's: == != < <= > >=, and or not, & | ^ ~ + - << >>. Unlike in
    C, a & m == 0 means (a & m) == 0; and a chain n == a < m means n == a and a < m: use brackets.
    Numbers are whole and do not wrap: a + m goes to 510, and a + m & 0xFF is a byte. Write 80, 0x50
    or 0b01010000.

    \b
    carrywave claim "n == (signed(a) < signed(m))" --after CMP
    carrywave claim "c == (a >= m)" --after SBC --given "carry_in and not decimal"
    carrywave claim "v == (carry(8) ^ carry(7))" --after ADC
    carrywave claim --table
    """
    from ..netlist.synthesis import NetlistError

    if table:
        if expression is not None or after or given is not None or vcd:
            raise click.UsageError("--table stands alone: no expression, --after, --given or --vcd")
        claim_table(variant, as_json)
        return
    if expression is None or after is None:
        raise click.UsageError("an expression and --after MNEMONIC are needed, or --table")
    from ..claim.claims import ClaimError, judge
    from ..claim.expressions import ExpressionError

    try:
        judged = judge(expression, after, given, variant)
    except (ExpressionError, ClaimError, NetlistError) as error:
        unusable(error)
    if vcd and not judged.holds:
        from carrywave.waves.vcd.claimed import write_waveform

        write_files({vcd: partial(write_waveform, judged)})
    if as_json:
        print_json(judged.to_json())
    else:
        from ..claim.report import draw_claim

        draw_claim(judged, console(), vcd)
    sys.exit(AGREE if judged.holds else DISAGREE)


def claim_table(variant: str, as_json: bool) -> None:
    """The part of `claim` that shows the relations."""
    from ..claim.relations import relations
    from ..netlist.synthesis import NetlistError

    try:
        blocks = relations(variant)
    except NetlistError as error:
        unusable(error)
    if as_json:
        print_json({"variant": variant, "blocks": [block.to_json() for block in blocks]})
    else:
        from ..claim.report import draw_relations

        draw_relations(blocks, console())


@cli.command("settle", context_settings={"ignore_unknown_options": True})
@click.argument("mnemonic", type=MnemonicType(), required=False)
@click.argument("numbers", metavar="[A] [OPERAND]", nargs=-1, type=ByteType())
@click.option("--carry", type=click.IntRange(0, 1), help="C, the new one.  [default: 0]")
@click.option("--decimal", is_flag=True, help="D, before and after: decimal mode for ADC and SBC.")
@click.option("--from", "start", type=StartType(), metavar="A,OPERAND,CARRY",
              help="The inputs before.  [default: 0,0,0]")  # fmt: skip
@click.option("--all", "every", is_flag=True,
              help="Settle every input at once, of ADC or of MNEMONIC.")  # fmt: skip
@click.option(
    "--adder", type=click.Choice((*ADDERS, "all")),
    help="The form of the ALU's adder.  [default: ripple; with --all, all]",
)  # fmt: skip
@variant_option
@click.option("--vcd", type=OutputType(),
              help="Write the waveform; a unit of its time, 1 ns, is a gate delay.")  # fmt: skip
@click.option("--svg", type=OutputType(), help="With --all: write the plot.")
@json_option
def settle_(
    mnemonic: str | None, numbers: tuple[int, ...], carry: int | None, decimal: bool,
    start: tuple[int, int, int] | None, every: bool, adder: str | None, variant: str,
    vcd: str | None, svg: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Show the carry in time: gates settling, a gate delay a step.

    Every gate, a multiplexer too, answers one step after its inputs. The inputs change in step 0
    from those of --from; what the ALU is to do stands before and after. With --all: after how many
    steps each output is final, over every input, and how long the longest carries are. Delays of
    real gates differ, and so do real adders.

    \b
    carrywave settle ADC 0xFF 1
    carrywave settle ADC 0xFF 1 --adder prefix --vcd settle.vcd
    carrywave settle CMP -128 1 --from -128,2,0
    carrywave settle --all --svg settle.svg
    """
    if every:
        if numbers or carry is not None or decimal or start or vcd:
            raise click.UsageError(
                "--all takes every input, decimal off, from 0,0,0, and writes no waveform: leave "
                "out numbers, --carry, --decimal, --from and --vcd"
            )
        settle_every(mnemonic or "ADC", adder or "all", variant, svg, as_json)
    if mnemonic is None:
        raise click.UsageError("give a mnemonic with its numbers, or --all")
    if svg or adder == "all":
        raise click.UsageError("--svg and --adder all go with --all")
    from ..netlist.synthesis import NetlistError
    from ..op.operation import UsageError
    from ..settle.settling import START, SettleError, settle

    given = (mnemonic, numbers, carry or 0, decimal, start or START, variant, adder or "ripple")
    try:
        settling = settle(*given)
    except (SettleError, UsageError, NetlistError) as error:
        unusable(error)
    if vcd:
        from carrywave.waves.vcd.delays import write_settling

        write_files({vcd: partial(write_settling, settling)})
    if as_json:
        print_json(settling.to_json())
    else:
        from ..settle.report import draw_settling

        console().print(draw_settling(settling))
    sys.exit(AGREE if settling.agree else DISAGREE)


def settle_every(
    mnemonic: str, adder: str, variant: str, svg: str | None, as_json: bool
) -> NoReturn:
    """The part of `settle` that takes every input."""
    from ..netlist.synthesis import NetlistError
    from ..settle.settling import SettleError
    from ..settle.survey import survey

    try:
        report = survey(mnemonic, variant, ADDERS if adder == "all" else (adder,))
    except (SettleError, NetlistError) as error:
        unusable(error)
    if svg:
        from carrywave.waves.figures.plot import plot_survey

        write_figure(plot_survey(report), svg)
    if as_json:
        print_json(report.to_json())
    else:
        from ..settle.survey_report import draw_survey

        console().print(draw_survey(report))
    sys.exit(AGREE if report.agree else DISAGREE)


def main() -> None:
    """The entry point: every error is a message on standard error, and exit status 2."""
    try:
        cli(standalone_mode=False, prog_name="carrywave")
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
    except click.ClickException as error:
        unusable(error.format_message())
    except click.Abort:
        sys.exit(130)
