"""How one operation settles: as a table for the terminal, and as a waveform in gate delays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from ..netlist.alu_gates import MNEMONICS
from ..system.colours import CARRY, ONE, QUIET, WRONG
from .settling import WIDTHS, name_of

if TYPE_CHECKING:
    from .settling import Settling

__all__ = ["draw_settling"]

AS_BEFORE: Final = "."


def inputs_text(mnemonic: str, a: int, m: int, carry: int, decimal: int = 0) -> str:
    """What the instruction has a use for, in numbers: A or X or Y, M, C and, if it is set, D."""
    use = MNEMONICS[mnemonic]
    texts = [f"{use.left}=${a:02X}"]
    texts += [f"M=${m:02X}"] * use.operand + [f"C={carry}"] * use.carry
    return " ".join(texts + ["D=1"] * (use.decimal and decimal))


def note(text: str, style: str = "") -> RenderableType:
    """A remark below a table, a column in."""
    return Padding(Text(text, style), (0, 0, 0, 1), expand=False)


def draw_settling(settling: Settling) -> RenderableType:
    """A row a gate delay, with what changes in it; at most 80 columns wide."""
    s = settling
    now, start = (inputs_text(s.mnemonic, *given.values()) for given in (s.inputs, s.start))
    head = Text.assemble(
        (s.mnemonic, "bold"), f"  {now}  after {start}", (f"   {s.variant}, {s.adder}", QUIET)
    )
    flags = [port for port in s.steps[0] if port in "nvzc"]
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style=QUIET)
    table.add_column(" step", justify="right")
    for port in s.steps[0]:
        if port in WIDTHS:
            table.add_column("c8 .. c0" if port == "carry" else port, no_wrap=True)
    table.add_column(" ".join(flag.upper() for flag in flags), no_wrap=True)
    table.add_column("gates", justify="right")
    table.add_row("before", *_cells(s.steps[0], None, flags), "")
    for i in range(1, s.settled + 1):
        table.add_row(f"{i}", *_cells(s.steps[i], s.steps[i - 1], flags), f"{s.moved[i]}")
    table.add_row("final", *_cells(s.steps[-1], None, flags), "")
    return Group(head, Text(), table, Text(), *_remarks(s))


def _cells(step: dict[str, int], before: dict[str, int] | None, flags: list[str]) -> list[Text]:
    """The ports bit by bit; with `before`, what is as it was is a dot."""

    def bits(port: str) -> list[tuple[str, str]]:
        shown = []
        for i in reversed(range(WIDTHS.get(port, 1))):
            bit = step[port] >> i & 1
            if before is None:
                shown.append((f"{bit}", ONE if bit else QUIET))
            elif before[port] >> i & 1 == bit:
                shown.append((AS_BEFORE, QUIET))
            else:
                shown.append((f"{bit}", CARRY if port == "carry" and bit else ONE))
        return shown

    cells = [Text.assemble(*bits(port)) for port in step if port in WIDTHS]
    return [*cells, Text(" ").join(Text.assemble(*bits(flag)) for flag in flags)]


def _remarks(s: Settling) -> list[RenderableType]:
    said = f"Settled after {s.settled} gate delays." if s.settled else "No output changes."
    lines = [
        note(
            f"A dot: as it was. The inputs change in step 0; 'gates' is how many of the {s.gates} "
            "change in a step."
        ),
        note(said),
    ]
    if s.glitches:
        about = "Glitches, wires that change more than once, and how often"
        lines.append(note(f"{about}: {_glitches(s)}."))
    if not s.agree:
        lines.append(note("The last values are not those of the gates without delay.", WRONG))
    return lines


def _glitches(s: Settling) -> str:
    """How often each wire changes that does so more than once: ports that do alike together."""
    ports: dict[str, list[str]] = {}  # by what is said of their bits
    for port in s.steps[0]:
        if port in WIDTHS and (said := _how_often(s, port, WIDTHS[port])):
            ports.setdefault(said, []).append(port)
    flags: dict[int, list[str]] = {}
    for name, steps in s.glitches.items():
        if name in "nvzc":
            flags.setdefault(len(steps), []).append(name.upper())
    parts = [f"{', '.join(names)}: {said}" for said, names in ports.items()]
    return "; ".join(parts + [f"{' '.join(names)}: {times}" for times, names in flags.items()])


def _how_often(s: Settling, port: str, width: int) -> str:
    bits: dict[int, list[str]] = {}
    for bit in range(width):
        if steps := s.glitches.get(name_of(port, bit)):
            bits.setdefault(len(steps), []).append(f"{bit}")
    if [*map(len, bits.values())] == [width]:
        return f"every bit {next(iter(bits))}"
    return ", ".join(
        f"{'bits' if found[1:] else 'bit'} {' '.join(found)}: {times}"
        for times, found in bits.items()
    )
