"""What the terminal shows of settling: one operation step by step, or every input counted."""

from __future__ import annotations

import itertools
from fractions import Fraction
from typing import TYPE_CHECKING, Final

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from ..netlist.alu_gates import MNEMONICS
from ..system.colours import CARRY, ONE, QUIET, WRONG
from ..system.tables import plain_table
from .settling import START, WIDTHS, name_of

if TYPE_CHECKING:
    from .settling import Settling
    from .survey import AdderSurvey, Output, Survey

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
    ports = ("c8 .. c0" if port == "carry" else port for port in s.steps[0] if port in WIDTHS)
    letters = " ".join(flags).upper()
    table = plain_table(
        "> step", *ports, letters, ">gates", style=QUIET, folds=("> step", ">gates")
    )
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
    dot = "A dot: as it was. The inputs change in step 0; 'gates' is how many of the"
    said = f"Settled after {s.settled} gate delays." if s.settled else "No output changes."
    lines = [note(f"{dot} {s.gates} change in a step."), note(said)]
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


# Every input of an operation


def draw_survey(survey: Survey) -> RenderableType:
    """When each output is final, and the longest carries; at most 80 columns wide."""
    start = inputs_text(survey.mnemonic, *START)
    head = Text.assemble(
        (survey.mnemonic, "bold"),
        f"  {survey.inputs:,} inputs, decimal off, each from {start}",
        (f"   {survey.variant}", QUIET),
    )
    table = _side_by_side(survey) if survey.adders[1:] else _one(survey)
    parts: list[RenderableType] = [head, Text(), table]
    for adder in survey.adders:
        if adder.wrong:
            said = f"{adder.adder}: {adder.wrong:,} inputs do not end as without delay"
            parts.append(note(said, WRONG))
    if not any(adder.wrong for adder in survey.adders):
        parts.append(note("Every input ends as the same gates do without delay."))
    if any(adder.carries for adder in survey.adders):
        parts += [Text(), *_carries(survey)]
    return Group(*parts)


def _label(output: Output) -> str:
    """An output's name as it is shown: flags are capitals."""
    return output.name.upper() if output.name in "nvzc" else output.name


def _shown(adder: AdderSurvey) -> list[Output]:
    """The result is the sum one or two gates later: its bits are left to JSON."""
    return [output for output in adder.outputs if not output.name.startswith("result[")]


def _input(survey: Survey, output: Output) -> str:
    return inputs_text(survey.mnemonic, *output.worst_input) if output.worst else ""


def _one(survey: Survey) -> RenderableType:
    adder = survey.adders[0]
    steps = (">mean", ">half", ">9 in 10", ">worst")
    table = plain_table(" output", *steps, "first worst input", ">glitches", style=QUIET)
    for output in _shown(adder):
        table.add_row(
            f" {_label(output)}", f"{float(output.mean):.2f}",
            f"{output.within(Fraction(1, 2))}", f"{output.within(Fraction(9, 10))}",
            Text(f"{output.worst}", ONE), _input(survey, output), f"{output.glitches:,}",
        )  # fmt: skip
    about = (
        f"{adder.adder}: {adder.gates} gates, the longest path {adder.depth}. Gate delays until "
        "an output is final: the mean, and within how many half, nine in ten and all of the "
        "inputs are. Glitches: the inputs for which it changes more than once. "
        f"{_longest_path(survey)}"
    )
    return Group(table, Text(), note(about))


def _side_by_side(survey: Survey) -> RenderableType:
    pairs = ((f">{adder.adder}\nmean", ">\nworst") for adder in survey.adders)
    table = plain_table(" output", *itertools.chain(*pairs), style=QUIET)
    for row in zip(*map(_shown, survey.adders), strict=True):
        cells = ((f"{float(o.mean):.2f}", Text(f"{o.worst}", ONE)) for o in row)
        table.add_row(f" {_label(row[0])}", *(cell for pair in cells for cell in pair))
    for name, what in (("gates", "gates"), ("longest path", "depth")):
        figures = (("", f"{getattr(adder, what)}") for adder in survey.adders)
        table.add_row(f" {name}", *itertools.chain(*figures))
    lines = [
        note("Mean and worst: gate delays until an output is final. First worst input of all:"),
        *(note(f"{a.adder.ljust(9)}  {_input(survey, a['all'])}") for a in survey.adders),
        note(_longest_path(survey)),
    ]
    return Group(table, Text(), *lines)


def _longest_path(survey: Survey) -> str:
    """Why the longest path is longer than the worst input takes."""
    why = "No input takes the longest path: it begins at the operation, which stands"
    if survey.variant == "binary":
        return f"{why}."
    return f"{why}, and goes through the decimal correction, which is off."


def _carries(survey: Survey) -> list[RenderableType]:
    places = (f">{length}" for length in range(9))
    table = plain_table(" longest carry", *places, ">mean", style=QUIET)
    wrong = [adder.adder for adder in survey.adders if adder.carries != survey.adders[0].carries]
    for carries in survey.adders[0].carries:
        table.add_row(
            f" carry-in {carries.carry_in}", *map(str, carries.counts), f"{float(carries.mean):.4f}"
        )
        table.add_row(Text("  expected", QUIET), *(Text(f"{n}", QUIET) for n in carries.expected))
        if carries.counts != carries.expected:
            wrong.append(survey.adders[0].adder)
    about = note(
        "Pairs by the places that their longest carry takes, where it is made included. "
        "Expected: the recurrence of Burks, Goldstine and von Neumann (1946, from memory), "
        "who bound the mean without carry-in by log2 of the width, 3. The row of carry-in 1 "
        "extends it."
    )
    strays = (note(f"{name}: its carries are not those expected", WRONG) for name in wrong)
    return [table, about, *strays]
