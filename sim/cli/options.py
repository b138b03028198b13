"""What the commands take: numbers, mnemonics, and the options that several have."""

import math
import re
from collections import Counter
from collections.abc import Collection
from typing import Any

import click

from ..family.instructions import BY_MNEMONIC, BY_OPCODE
from ..family.members import EVENTS, VARIANTS
from ..netlist import ADDERS

variant_option = click.option(
    "--variant", type=click.Choice(VARIANTS), default="nmos", show_default=True,
    help="The member of the family; 'binary' is nmos with decimal mode disconnected.",
)  # fmt: skip
adder_option = click.option(
    "--adder", type=click.Choice(ADDERS), default="ripple", show_default=True,
    help="The form of the ALU's adder; no instruction can tell.",
)  # fmt: skip
variants_option = click.option(
    "--variant", type=click.Choice((*VARIANTS, "all")), default="nmos", show_default=True,
    help="The member of the family; 'all' takes each in turn.",
)  # fmt: skip
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead.")


class OnceCommand(click.Command):
    """A command that refuses an option with a value that is given again: Click takes the last."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Looks at the order of what is given before anything is made of it."""
        if not ctx.resilient_parsing:
            order = self.make_parser(ctx).parse_args([*args])[2]
            for param, count in Counter(order).items():
                valued = isinstance(param, click.Option) and not (param.is_flag or param.multiple)
                if valued and count > 1:
                    raise click.UsageError(
                        f"{param.opts[-1]} is given {count} times: once is meant"
                    )
        return super().parse_args(ctx, args)


class SecondsType(click.FloatRange):
    """A time that an operating system can wait: up to 1,000,000 seconds, eleven days."""

    def __init__(self) -> None:
        super().__init__(min=0, max=1_000_000, min_open=True)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Refuses what is no number, too, which is neither below nor above one."""
        seconds = super().convert(value, param, ctx)
        if math.isnan(seconds):
            self.fail(f"{value!r} is not a valid float.", param, ctx)
        return seconds


class ClocksType(click.ParamType[tuple[int, int]]):
    """FIRST..LAST, both included."""

    name = "clocks"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The two numbers."""
        if isinstance(value, tuple):
            return value
        found = re.fullmatch(r"([0-9]{1,12})\.\.([0-9]{1,12})", value)
        if not found:
            self.fail(f"{value!r} is no FIRST..LAST, such as 900..1200", param, ctx)
        first, last = int(found[1]), int(found[2])
        if last < first:
            self.fail(f"{value}: the last clock comes before the first", param, ctx)
        return first, last


class ByteType(click.ParamType[int]):
    """A byte as people write it: 80, 0x50, $50, %01010000, -1."""

    name = "byte"
    limits = -128, 0xFF, "a byte"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Accepts what is within the limits."""
        if isinstance(value, int):
            return value
        if value.startswith("--"):  # a command that takes -1 takes what looks like options too
            raise click.NoSuchOption(value, ctx=ctx)
        text = value.strip().lower()
        sign, digits = (-1, text[1:]) if text.startswith("-") else (1, text)
        base = 10
        for prefix, prefixed in (("0x", 16), ("$", 16), ("0b", 2), ("%", 2)):
            if digits.startswith(prefix):
                base, digits = prefixed, digits[len(prefix) :]
                break
        whole = digits.isascii() and digits.isalnum()
        try:
            # Python refuses very long numbers, and these begin like one that is too large here.
            number = sign * int((digits.lstrip("0")[:20] or "0") if whole else "", base)
        except ValueError:
            wanted = "write 80, 0x50, $50, %01010000 or -1"
            self.fail(f"{value!r} is not a number: {wanted}", param, ctx)
        lowest, highest, what = self.limits
        if not lowest <= number <= highest:
            self.fail(f"{value} does not fit in {what}: expected {lowest} to {highest}", param, ctx)
        return number % (highest + 1)


class WordType(ByteType):
    """An address as people write it."""

    name = "address"
    limits = 0, 0xFFFF, "an address"


class OperandType(ByteType):
    """A byte, or an operand in the notation of its mode, `($10),Y`; or where a jump goes."""

    name = "operand"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Leaves a notation as it is."""
        from ..op.notation import is_notation

        if isinstance(value, str) and is_notation(value):
            return value
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            from ..op.operation import goes_to

            if ctx is None or not goes_to(ctx.params.get("mnemonic", "NOP")):
                raise
        return WordType().convert(value, param, ctx)


class MnemonicType(click.ParamType[str]):
    """One of the documented mnemonics, in either case, or what is taken `too`."""

    name = "mnemonic"

    def __init__(self, too: Collection[str] = ()) -> None:
        self.too = too

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Suggests the nearest for one that is not known."""
        mnemonic = value.upper()
        if value.startswith("-"):
            raise click.NoSuchOption(value, ctx=ctx)
        if mnemonic not in BY_MNEMONIC and mnemonic not in self.too:
            import difflib

            near = difflib.get_close_matches(mnemonic, BY_MNEMONIC, 3, 0.5)
            one_of = f": one of {', '.join(BY_MNEMONIC)}"
            hint = f"; did you mean {' or '.join(near)}?" if near else one_of
            self.fail(f"{value!r} is not a documented mnemonic{hint}", param, ctx)
        return mnemonic

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[Any]:
        """Completes in the shell."""
        from click.shell_completion import CompletionItem

        return [CompletionItem(name) for name in BY_MNEMONIC if name.startswith(incomplete.upper())]


ROW = MnemonicType(EVENTS[1:])
PROVED = MnemonicType((*EVENTS[1:], "POWER-UP", "STOPPED"))  # those of prove.standstill
TRIAL = MnemonicType((*EVENTS[1:], *(f"{opcode:02X}" for opcode in BY_OPCODE)))


class StartType(click.ParamType[tuple[int, int, int]]):
    """Two bytes and a carry, between commas."""

    name = "start"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int, int]:
        """The bytes as ByteType has them."""
        if isinstance(value, tuple):
            return value
        parts = value.split(",")
        if len(parts) != 3:
            self.fail(f"{value!r} is not A,OPERAND,CARRY: write three numbers, 0,0,0", param, ctx)
        a, operand, carry = (ByteType().convert(part, param, ctx) for part in parts)
        if carry > 1:
            self.fail(f"{value!r}: the carry is 0 or 1", param, ctx)
        return a, operand, carry


def not_compared(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> list[str]:
    """Field names, one or several an option."""
    from ..emulator.verdict import nothing_compared

    names = [name for several in value for name in several.replace(",", " ").split()]
    try:
        nothing_compared(names)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None
    return names


def addresses(
    ctx: click.Context, param: click.Parameter, value: tuple[str, ...]
) -> list[tuple[int, int]]:
    """First and last addresses in hex, one pair or several an option."""
    found = []
    for text in (pair for several in value for pair in several.split(",")):
        match = re.fullmatch(r"\s*([0-9A-Fa-f]{1,4})-([0-9A-Fa-f]{1,4})\s*", text)
        first, last = (int(digits, 16) for digits in match.groups()) if match else (1, 0)
        if first > last:
            raise click.BadParameter(f"{text!r}: expected two addresses in hex, as in D000-DFFF")
        found.append((first, last))
    return found
