"""The command `op`."""

from functools import partial

import click

from ..op.operation import TARGET, arrange, goes_to, operate, takes
from .options import (
    ROW,
    ByteType,
    OperandType,
    WordType,
    json_option,
    variant_option,
)
from .outputs import OutputType, WritingCommand
from .terminal import Writer, console, print_json, write_files


@click.command("op", WritingCommand, context_settings={"ignore_unknown_options": True})
@click.argument("mnemonic", type=ROW)
@click.argument("numbers", metavar="[MODE] [A] [OPERAND] [ADDRESS]", nargs=-1, type=OperandType())
@click.option("--carry", type=click.IntRange(0, 1), default=0, show_default=True, help="C before.")
@click.option("--decimal", is_flag=True, help="D before: decimal mode for ADC and SBC.")
@click.option(
    "--status", type=ByteType(), default="0x30", help="The other flags before, as a pushed byte."
)
@click.option("--x", type=ByteType(), default=0, help="X before, where it is an index.")
@click.option("--y", type=ByteType(), default=0, help="Y before, where it is an index.")
@click.option(
    "--pointer",
    type=WordType(),
    default=f"0x{TARGET:04X}",
    show_default=True,
    help="The address that lies where a pointer is read.",
)
@click.option("--pc", type=WordType(), default="0x0200", show_default=True,
              help="Where the instruction lies.")  # fmt: skip
@click.option("--sp", type=ByteType(), default="0xFD", help="SP before.  [default: 0xFD]")
@variant_option
@click.option("--vcd", "vcd", type=OutputType(), help="Write the waveform to this file.")
@click.option("--svg", type=OutputType(), help="Write a figure of it to this file.")
@click.option("--part", type=click.Choice(("adder", "flags", "circle", "stack")),
              help="With --svg: one part alone, large, for a slide.")  # fmt: skip
@json_option
def command(
    mnemonic: str, numbers: tuple[int | str, ...], carry: int, decimal: bool, status: int, x: int,
    y: int, pointer: int, pc: int, sp: int, variant: str, vcd: str | None, svg: str | None,
    part: str | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Show one operation: each carry, and where each flag comes from.

    A is the register that MNEMONIC works on (X for CPX, Y for DEY ...); OPERAND is the byte it
    reads, or a branch's offset. Numbers: 80, 0x50, $50, %01010000, -1. An instruction that has only
    one of the two takes one number. MODE is where the operand lies, in the maker's notation: the
    address is then formed before your eyes. IRQ, NMI and RESET are taken like an instruction.
    ADDRESS, which may be left out, is where JMP and JSR go, what RTS and RTI pull, and what the
    vector of BRK and of interrupts holds.

    \b
    carrywave op ADC 0x50 0x50
    carrywave op SBC '$50' '$F0' --carry 1
    carrywave op CMP -128 1
    carrywave op ADC 0x58 0x46 --carry 1 --decimal --variant cmos
    carrywave op ADC 0x50 0x50 --svg adc.svg
    carrywave op LDA '($10),Y' 0x80 --y 0x15 --pointer 0x20F0
    carrywave op STA '$20F0,X' 0x80 --x 0x15
    carrywave op JSR 0x4638 --sp 0x00
    carrywave op RTI 0x80 0x4638
    """
    where = str(numbers[0]) if numbers and isinstance(numbers[0], str) else ""
    plain = [number for number in numbers[bool(where) :] if isinstance(number, int)]
    if len(plain) < len(numbers) - bool(where):
        raise click.UsageError("the mode stands behind the mnemonic, once")
    needs = len([name for name in takes(mnemonic) if name])
    if where and not plain:
        plain = [0] * needs
    target = plain.pop() if goes_to(mnemonic) and not where and len(plain) == needs + 1 else None
    if any(number > 0xFF for number in plain):
        raise click.UsageError(f"{mnemonic}: the address stands last, behind what is a byte")
    a, operand = arrange(mnemonic, plain)
    if vcd and vcd == svg:
        raise click.UsageError("--vcd and --svg are one file: name two")
    if part and not svg:
        raise click.UsageError("--part is of a figure: say where it goes by --svg")
    result = operate(
        mnemonic, a, operand, carry, decimal, variant, status,
        where=where, x=x, y=y, pointer=pointer, pc=pc, sp=sp, target=target,
    )  # fmt: skip
    writers: dict[str, Writer] = {}
    if svg:
        from carrywave.waves.figures.operation_figure import operation_figure

        figure = operation_figure(result, part or "")
        writers[svg] = lambda file: file.write(figure.render())
    if vcd:
        from carrywave.waves.vcd.recorded import write_operation

        writers[vcd] = partial(write_operation, result)
    write_files(writers)
    if as_json:
        from ..op.course import words_of

        print_json(result.to_json() | {"words": words_of(result)})
    else:
        from ..op.report import draw_operation

        console().print(draw_operation(result))
        if writers:
            click.echo(f"\n{' and '.join(writers)}: written")
