"""The command `map`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from .options import ByteType, MnemonicType, json_option, variant_option
from .outputs import OutputType, WritingCommand
from .terminal import print_json, write_figure

if TYPE_CHECKING:
    from carrywave.waves.figures.input_map import MapAsked

NAMES = ("compare", "overflow", "decimal", "carry")


class PairType(click.ParamType[tuple[int, int]]):
    """A,M: two bytes between a comma."""

    name = "pair"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The bytes as ByteType has them."""
        if isinstance(value, tuple):
            return value
        a, comma, m = value.partition(",")
        if not comma:
            self.fail(f"{value!r} is not A,M: write two numbers, 0x80,1", param, ctx)
        return tuple(ByteType().convert(part, param, ctx) for part in (a, m))


@click.command("map", WritingCommand, context_settings={"ignore_unknown_options": True})
@click.argument("expressions", metavar='["EXPRESSION"]...', nargs=-1)
@click.option("--after", type=MnemonicType(), metavar="MNEMONIC",
              help="The operation: ADC, SBC, CMP, AND, ORA, EOR, BIT ...")  # fmt: skip
@click.option("--name", "named", type=click.Choice(NAMES),
              help="Maps that have a name, in place of expressions.")  # fmt: skip
@click.option("-o", "--output", metavar="FILE", required=True, type=OutputType(),
              help="The file to write: .svg, or .png without words.")  # fmt: skip
@click.option("--carry", type=click.IntRange(0, 1), default=0, show_default=True, help="C before.")
@click.option("--decimal", is_flag=True, help="D before: decimal mode for ADC and SBC.")
@click.option("--signed", "by_sign", is_flag=True, help="Axes from -128 to 127, not 0 to 255.")
@click.option("--at", "cursor", type=PairType(), metavar="A,M", help="Mark this input.")
@variant_option
@json_option
def command(
    expressions: tuple[str, ...], after: str | None, named: str | None, output: str, carry: int,
    decimal: bool, by_sign: bool, cursor: tuple[int, int] | None, variant: str, as_json: bool,
) -> None:  # fmt: skip
    """Draw every input of an operation as one picture.

    A goes to the right, M upwards. A point is blue where EXPRESSION, as 'carrywave claim' has it,
    is true; the gates say where. Several stand beside each other. 'longest' in its place is how
    many places ADC's longest carry takes. Each tells on how many of the 65,536 inputs it is true.

    \b
    carrywave map "n" "v" "n != v" --after CMP -o compare.svg
    carrywave map --name overflow -o overflow.svg --at 0x50,0x50
    carrywave map "n == (signed(a) < signed(m))" --after CMP --signed -o thumb.png
    """
    from carrywave.waves.figures.input_map import NAMED, MapAsked, input_map, map_figure, map_png

    if named:
        if expressions or after or carry or decimal or variant != "nmos":
            raise click.UsageError("--name says all of it: leave out what else says what to show")
        asked: list[MapAsked] = [*NAMED[named]]
    elif not expressions or after is None:
        raise click.UsageError("an expression and --after MNEMONIC are needed, or --name")
    else:
        asked = [MapAsked(one, after, variant, carry, int(decimal)) for one in expressions]
    if not output.endswith((".svg", ".png")):
        raise click.UsageError(f"-o {output}: .svg or .png is wanted")
    maps = [input_map(one) for one in asked]
    if output.endswith(".png"):
        from ..system.files import written_beside

        with written_beside(output, "wb") as file:
            file.write(map_png(maps, by_sign, cursor))
    else:
        write_figure(map_figure(maps, by_sign, cursor), output)
    if as_json:
        print_json({"file": output, "maps": [one.to_json() for one in maps]})
        return
    for one in maps:
        click.echo(f"{one.asked.expression}, {one.asked.told}: {one.words}")
    click.echo(f"{output}: written")
