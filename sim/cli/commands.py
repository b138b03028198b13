"""The commands: which there are, and how what stops one is told."""

import os
import sys
from importlib import import_module
from typing import Final

import click

from ..system.errors import UnusableError
from .streams import drop
from .terminal import unread, unusable

#: The commands as the help lists them. Each lies in a file of its own, which is imported when it is
#: asked for: the command line starts in a blink.
SECTIONS: Final = {
    "See why": {
        "op": "Show one operation: each carry, and where each flag comes from.",
        "run": "Run a listing or an image on the hardware, held to the model.",
        "check": "Check a waveform against the model, with nothing but the file.",
        "draw": "Draw a part of a waveform as a figure, 1280 pixels wide.",
        "flags": "Show which instruction updates which flag.",
        "page": "Write the gates as a page that runs them in a browser.",
        "claim": "Judge a rule of thumb, on every input of an instruction.",
        "map": "Draw every input of an operation as one picture.",
        "settle": "Show the carry in time: gates settling, a gate delay a step.",
    },
    "Your emulator": {
        "compare": "Put an emulator beside the gates.",
        "header": "Print the C header of what 'compare --library' calls.",
        "vectors": "Write few cases with their outcomes, for unit tests of your own.",
    },
    "In an FPGA": {
        "board": "Build the hardware for a board, load it, or simulate it.",
    },
    "Every input": {
        "sweep": "Hold the gates to the model, on every input that can matter.",
        "prove": "Prove that the gates follow the specification, in every state.",
        "grade": "Grade the checks: every fault seen, every planted mistake found?",
        "netlist": "Show what the unit costs in gates, and write them for other tools.",
    },
}
NAMES: Final = tuple(name for section in SECTIONS.values() for name in section)
COMPLETION: Final = "_CARRYWAVE_COMPLETE"  # where a shell says what it wants


class Commands(click.Group):
    """The commands, each imported when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order of the help."""
        return [*NAMES]

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """The `command` of the file of that name."""
        if name not in NAMES:
            return None
        command: click.Command = import_module(f".{name}", __package__).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """A section each."""
        for title, commands in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl([*commands.items()])


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

    Exit status: 0 all agrees, 1 something disagrees, 2 the input cannot be used. No verdict either:
    70 a mistake of Carrywave, 130, 143 and 141 ended by Ctrl-C, by SIGTERM or by a closed pipe.
    """


def answer(arguments: list[str]) -> None:
    """Does what the command line asks; ends with SystemExit unless its exit status is 0.

    Not by the package's own `main`, which ends with 1 where an output is closed, or a shell is not
    known: here that says 'disagrees'.
    """
    try:
        if completion := os.environ.get(COMPLETION):
            _complete(completion)
            return
        with cli.make_context("carrywave", arguments) as context:
            cli.invoke(context)
    except click.exceptions.Exit:  # after the help, or the version
        pass
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
    except click.ClickException as error:
        unusable(error.format_message())
    except UnusableError as error:
        unusable(error.summary, error.details)
    except BrokenPipeError:
        unread()
    except OSError as error:
        if error.filename is not None:
            unusable(f"{error.filename}: {error.strerror}")
        drop(sys.stdout)
        unusable(f"the output cannot be written: {error.strerror}")


def _complete(instruction: str) -> None:
    """What a shell asks for, as the package has it."""
    from click.shell_completion import shell_complete

    if shell_complete(cli, {}, "carrywave", COMPLETION, instruction):
        shells = "bash_source, zsh_source or fish_source"
        unusable(f"{COMPLETION} is {instruction!r:.60}: expected {shells}")
