"""What a program is, on the command line: options that `run` and `compare --program` share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import wraps
from shlex import quote
from typing import TYPE_CHECKING, Any

import click

from .options import WordType
from .outputs import InputType

if TYPE_CHECKING:
    from carrywave.sim.program.assembler import Program


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


@dataclass(frozen=True)
class ProgramOptions:
    """What was given of the options below."""

    at: int | None = None
    start: int | None = None
    load: tuple[tuple[str, int | None], ...] = ()
    pins: str | None = None
    until: int | None = None
    max_instructions: int | None = None
    max_clocks: int | None = None

    @property
    def given(self) -> str:
        """The first one that was given, as it is written; "" if none was."""
        for field in fields(self):
            if getattr(self, field.name) not in (None, ()):
                return "--" + field.name.replace("_", "-")
        return ""

    @property
    def loaded(self) -> str:
        """Those that say what is run and what the pins do, as words of a command."""
        words = []
        for name in ("at", "start"):
            if (value := getattr(self, name)) is not None:
                words += [f"--{name}", f"0x{value:04X}"]
        for path, address in self.load:
            words += ["--load", path if address is None else f"{path}@0x{address:04X}"]
        if self.pins:
            words += ["--pins", self.pins]
        return "".join(f" {quote(word)}" for word in words)

    def read(self, listing: str) -> Program:
        """The program, with its pins. Raises what `load_program` and `read_pins` raise."""
        from carrywave.sim.program.image import load_program
        from carrywave.sim.program.pins import read_pins

        program = load_program(listing, self.at, self.start, self.load)
        if self.pins:
            read_pins(self.pins, program)
        return program


_OPTIONS = (
    click.option("--at", type=WordType(), metavar="ADDRESS",
                 help="FILE is a raw binary, and its first byte lies here."),
    click.option("--start", type=WordType(), metavar="ADDRESS",
                 help="Where the run begins: written to the reset vector."),
    click.option("--load", type=LoadType(), multiple=True, metavar="FILE@ADDRESS",
                 help="One more image; without @ADDRESS if its format says where."),
    click.option("--pins", type=InputType(),
                 help="What the pins do: lines of 'clock 900 .nmi', 'at $0240 .irq low'."),
    click.option("--until", type=WordType(), metavar="ADDRESS",
                 help="Stop before the instruction here is fetched."),
    click.option("--max-instructions", type=click.IntRange(1, 10**12), metavar="N",
                 help="Stop after N instructions."),
    click.option("--max-clocks", type=click.IntRange(1, 10**12), metavar="N",
                 help="Stop after N clocks, if nothing ends the run before.  [default: 100000]"),
)  # fmt: skip


def program_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds the options; the command takes them together, as `options`."""

    @wraps(command)
    def gathered(**given: Any) -> Any:
        mine = {field.name: given.pop(field.name) for field in fields(ProgramOptions)}
        return command(**given, options=ProgramOptions(**mine))

    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    return gathered
