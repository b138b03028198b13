"""The command `claim`."""

import sys
from functools import partial

import click

from ..claim.claims import judge
from ..claim.relations import relations
from ..claim.report import draw_claim, draw_relations
from ..system.errors import AGREE, DISAGREE
from .options import MnemonicType, json_option, variant_option
from .outputs import OutputType, WritingCommand
from .terminal import console, print_json, write_files


@click.command("claim", WritingCommand, context_settings={"ignore_unknown_options": True})
@click.argument("expression", metavar='["EXPRESSION"]', required=False)
@click.option("--after", type=MnemonicType(("IRQ", "NMI")), metavar="MNEMONIC",
              help="The instruction it is about.")  # fmt: skip
@click.option("--given", metavar="EXPRESSION", help="Judge only the inputs that meet this.")
@click.option("--table", is_flag=True,
              help="The relations of two bytes, with the exact rule for each.")  # fmt: skip
@variant_option
@click.option("--vcd", type=OutputType(),
              help="Write the waveform of the first input it fails on to this file.")  # fmt: skip
@json_option
def command(
    expression: str | None, after: str | None, given: str | None, table: bool, variant: str,
    vcd: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Judge a rule of thumb, on every input of an instruction.

    The gates say on how many inputs EXPRESSION is true. If it fails, the first input that shows it
    is drawn; if it links flags to a relation of the operands, the simplest formula of N V Z C that
    equals the relation is given, or two inputs that show that there is none.

    Names: the operands before: a (the register that MNEMONIC works on; x or y too for X and Y), m
    (the byte beside it, or the one that INC changes or PLP pulls), carry_in, decimal; the result r;
    the flags as the ALU makes them: n v z c; the byte that BRK, PHP, IRQ and NMI push: pushed.
    Capitals N V D I Z C are the flags in P afterwards, before(C) is one as it was. carry(i) enters
    bit i, carry(8) leaves bit 7; bit(x, i) is bit i of x, signed(x) a byte as two's complement,
    bcd(x) as two digits, and valid(x) says that neither is above 9.

    Grammar and precedence are Python's: == != < <= > >=, and or not, & | ^ ~ + - << >>. Unlike in
    C, a & m == 0 means (a & m) == 0; and a chain n == a < m means n == a and a < m: use brackets.
    Numbers are whole and do not wrap: a + m goes to 510, and a + m & 0xFF is a byte. Write 80, 0x50
    or 0b01010000.

    \b
    carrywave claim "n == (signed(a) < signed(m))" --after CMP
    carrywave claim "c == (a >= m)" --after SBC --given "carry_in and not decimal"
    carrywave claim "v == (carry(8) ^ carry(7))" --after ADC
    carrywave claim "C == before(C)" --after INC
    carrywave claim "bit(pushed, 4)" --after IRQ
    carrywave claim --table
    """
    if table:
        if expression is not None or after or given is not None or vcd:
            raise click.UsageError("--table stands alone: no expression, --after, --given or --vcd")
        blocks = relations(variant)
        if as_json:
            print_json({"variant": variant, "blocks": [block.to_json() for block in blocks]})
        else:
            draw_relations(blocks, console())
        return
    if expression is None or after is None:
        raise click.UsageError("an expression and --after MNEMONIC are needed, or --table")

    judged = judge(expression, after, given, variant)
    if vcd and not judged.holds:
        from carrywave.waves.vcd.recorded import write_counterexample

        write_files({vcd: partial(write_counterexample, judged)})
    if as_json:
        print_json(judged.to_json())
    else:
        draw_claim(judged, console(), vcd)
    sys.exit(AGREE if judged.holds else DISAGREE)
