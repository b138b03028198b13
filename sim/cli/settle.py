"""The command `settle`."""

from functools import partial

import click

from ..netlist import ADDERS
from ..settle.report import draw_settling, draw_survey
from ..settle.settling import START, settle
from ..settle.survey import survey
from .options import ByteType, MnemonicType, StartType, json_option, variant_option
from .outputs import OutputType, WritingCommand
from .terminal import Writer, conclude, write_figure, write_files


@click.command("settle", WritingCommand, context_settings={"ignore_unknown_options": True})
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
@click.option(
    "--svg",
    type=OutputType(),
    help="Write a figure: of the carry in time or, with --all, the plot.",
)
@json_option
def command(
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
    carrywave settle ADC 0xFF 1 --svg ripple.svg
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
        adders = ADDERS if adder in (None, "all") else (adder,)
        report = survey(mnemonic or "ADC", variant, adders)
        if svg:
            from carrywave.waves.figures.survey_plot import plot_survey

            write_figure(plot_survey(report), svg)
        conclude(report, as_json, lambda screen: screen.print(draw_survey(report)))
    if mnemonic is None:
        raise click.UsageError("give a mnemonic with its numbers, or --all")
    if adder == "all":
        raise click.UsageError("--adder all goes with --all")

    given = (mnemonic, numbers, carry or 0, decimal, start or START, variant, adder or "ripple")
    settling = settle(*given)
    writers: dict[str, Writer] = {}
    if vcd:
        from carrywave.waves.vcd.delays import write_settling

        writers[vcd] = partial(write_settling, settling)
    if svg:
        from carrywave.waves.figures.ripple_figure import ripple_figure

        figure = ripple_figure(settling)
        writers[svg] = lambda file: file.write(figure.render())
    write_files(writers)
    conclude(settling, as_json, lambda screen: screen.print(draw_settling(settling)))
