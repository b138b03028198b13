"""The command `board`: build it, load it, simulate it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import click

from ..board.building import BOARDS
from ..board.kept_answers import KeptAnswers
from ..board.serial_line import Board, open_port
from ..system.errors import UnusableError
from .options import OnceCommand, WordType, json_option, variant_option
from .outputs import InputType, OutputType, WritingCommand
from .terminal import conclude


def board_of(name: str, baud: int, variant: str, timeout: float) -> Board | KeptAnswers:
    """The board at a port, or the file that answers in its place; it must be of the variant."""
    if os.path.isfile(name):
        recorded = KeptAnswers(name)
        _same(name, recorded.variant, variant)
        return recorded
    board = Board(open_port(name, baud), name, timeout)
    try:
        _same(name, board.facts.variant, variant)
    except UnusableError:
        board.close()
        raise
    return board


def _same(name: str, there: str, asked: str) -> None:
    if there != asked:
        raise UnusableError(f"{name}: this board is {there}: say --variant {there}")


@click.group("board")
def command() -> None:
    """Build the hardware for a board, load it, or simulate it.

    A board plays cases, so that 'compare --serial' and 'sweep --serial' put it beside the gates, or
    runs a listing out of its own memory.

    \b
    carrywave board simulate
    carrywave compare --serial /dev/pts/3 ADC
    carrywave board build --board hx8k -o player.bin
    carrywave board load player.bin --board hx8k
    carrywave compare --serial /dev/ttyUSB1

    Nothing here knows your board's wiring. Voltages, levels, currents and cables are those of the
    makers' documents: what is for 5 V destroys what is for 3.3 V.
    """


@command.command("simulate", cls=OnceCommand)
@variant_option
def simulate(variant: str) -> None:
    """Simulate a board behind a pseudo-terminal, until Ctrl-C.

    The hardware of 'board build', its serial line included, as gates. With a C compiler (cc) it
    takes some seconds to begin, and answers some tens of cases a second; without one a case takes
    seconds.
    """
    from ..board.desk import Desk
    from ..board.simulated import DIVISOR, Line, board_machine

    with Desk(Line(board_machine(variant)), DIVISOR) as desk:
        option = "" if variant == "nmos" else f" --variant {variant}"
        click.echo(f"{desk.path}: carrywave compare --serial {desk.path}{option} ADC")
        sys.stdout.flush()
        while True:
            desk.serve()


@command.command("build", WritingCommand)
@click.option("--board", "name", type=click.Choice([*BOARDS]), required=True,
              help="The board, by its chip.")  # fmt: skip
@click.option("-o", "--output", metavar="FILE", type=OutputType(), required=True,
              help="The bitstream.")  # fmt: skip
@click.option("--program", metavar="FILE", type=InputType(),
              help="A listing or image that the chip is to run; else it plays cases.")  # fmt: skip
@click.option("--at", type=WordType(), metavar="ADDRESS",
              help="The program is a raw binary, and its first byte lies here.")  # fmt: skip
@click.option("--start", type=WordType(), metavar="ADDRESS",
              help="Where it begins: written to the reset vector.")  # fmt: skip
@click.option("--socket", is_flag=True,
              help="The member lies in a socket beside the chip; see below.")  # fmt: skip
@variant_option
@click.option("--seeds", type=click.IntRange(1, 99), default=3, show_default=True, metavar="N",
              help="Place so many times, and keep the best.")  # fmt: skip
@json_option
def build(
    name: str, output: str, program: str | None, at: int | None, start: int | None, variant: str,
    socket: bool, seeds: int, as_json: bool,
) -> None:  # fmt: skip
    """Build a bitstream: minutes, and more the first time.

    hx8k is an iCE40 HX8K, up5k an iCE40 UP5K and ecp5-25f an ECP5-25F, on the boards for which
    amaranth-boards has their pins. The line is that of the board's UART, 1,000,000 bits a second.

    A --program has memory from 0000 to 0FFF and from F000 to FFFF. What it writes to D000 is sent,
    and a byte that came is read there; D001 says in bit 7 that one can be sent, in bit 6 that one
    has come.

    With --socket the player serves a member of the family of your own, at 500 kHz, in place of the
    unit; the report has the pins. This was simulated, and tried on no hardware. The chip takes and
    gives 3.3 V alone: levels must be shifted, `drive` being the direction of the data bus, and
    currents limited, as the makers' documents of all parts say.

    \b
    carrywave board build --board hx8k -o player.bin
    carrywave board build --board hx8k -o socket.bin --socket
    carrywave board build --board ecp5-25f -o hello.bit --program hello.s
    """
    from ..board import building
    from ..board.report import draw_built

    kind = BOARDS[name]
    if program is None and (at is not None or start is not None):
        raise click.UsageError("--at and --start go with --program")
    if socket and (program is not None or not kind.member):
        raise click.UsageError("--socket plays cases, and only these boards have pins for it: hx8k")
    content = None if program is None else contents_of(program, at, start)
    building.need_tools()

    def say(line: str) -> None:
        click.echo(f"carrywave: {line}", err=True)

    if not building.compiled_before():
        say("the tools are compiled now, once: some minutes")
    from carrywave.rtl.board.member_socket import MemberSocket
    from carrywave.rtl.board.player_board import PlayerBoard
    from carrywave.rtl.board.program_board import ProgramBoard

    half = kind.hertz // 1_000_000  # of a clock of 500 kHz
    there = MemberSocket(half, half) if socket else None
    inner = (
        PlayerBoard(variant, kind.divisor, kilohertz=kind.hertz // 1000, socket=there)
        if content is None else ProgramBoard(variant, kind.divisor, content)
    )  # fmt: skip
    top = "program" if program else "socket" if socket else "player"
    numbers = range(1, seeds + 1)
    built = building.build(name, output, inner, top, variant, numbers, say, there)
    conclude(built, as_json, lambda screen: draw_built(built, screen))


def contents_of(path: str, at: int | None = None, start: int | None = None) -> list[int]:
    """The memory that a listing or image fills. Raises UnusableError where it does not fit."""
    from carrywave.rtl.board.program_board import SIZE, place_of

    from ..program.image import load_program

    program = load_program(Path(path), at, start)
    content = [0] * SIZE
    for address in sorted({*program.given, 0xFFFC, 0xFFFD}):
        place = place_of(address)
        if place is None:
            raise UnusableError(
                f"{path}: a byte lies at {address:04X}: the board's memory is 0000 to 0FFF and "
                "F000 to FFFF"
            )
        content[place] = program.memory[address]
    return content


@command.command("load", cls=OnceCommand)
@click.argument("file", type=InputType())
@click.option("--board", "name", type=click.Choice([*BOARDS]), required=True,
              help="What it was built for.")  # fmt: skip
def load(file: str, name: str) -> None:
    """Hand a bitstream to openFPGALoader, where that is installed.

    It goes into the chip, and is gone with its power. Not tried on hardware here.
    """
    if not os.path.isfile(file):
        raise UnusableError(f"{file}: no such file")
    loader = shutil.which(os.environ.get("OPENFPGALOADER", "openFPGALoader"))
    if loader is None:
        raise UnusableError("openFPGALoader is not installed: its documents say how to get it")
    done = subprocess.run([loader, "-b", BOARDS[name].loader, file])
    if done.returncode:
        raise UnusableError(f"{file}: openFPGALoader ended with status {done.returncode}")
