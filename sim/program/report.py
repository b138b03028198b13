"""How an emulator's way through a program is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ..emulator.report import draw_verdict, remarks

if TYPE_CHECKING:
    from rich.console import Console

    from .comparing import ProgramVerdict
    from .following import FollowedVerdict

_TURNS: Final = 5  # that are shown


def draw_program(verdict: ProgramVerdict, console: Console) -> None:
    """Prints where the first wrong instruction stands, and the verdict as `compare` shows it."""
    _draw_place(verdict, console)
    console.print()
    draw_verdict(verdict.verdict, console)


def draw_followed(verdict: FollowedVerdict, console: Console) -> None:
    """The same of an emulator's own run; where interrupts came otherwise, and why, before it."""
    import textwrap

    from rich.text import Text

    from ..system.colours import WRONG
    from .following import MOST

    _draw_place(verdict, console)
    if verdict.left:
        times = "once" if verdict.left == 1 else f"{verdict.left:,} times"
        text = f"It left the gates' run {times}, and was set back to it each time."
        if verdict.left == MOST:
            text += f" After clock {verdict.followed:,} it was not followed any more."
        console.print(Text("\n".join(textwrap.wrap(text, 78))), highlight=False)
    if verdict.turns:
        console.print()
        times = "once" if len(verdict.turns) == 1 else f"{len(verdict.turns):,} times"
        console.print(Text(f"Interrupts: otherwise than on the gates {times}.", WRONG))
        for turn in verdict.turns[:_TURNS]:
            place = turn.place
            where = f"{place.clock:>12}  {place.address:04X}  {place.text}"
            console.print(Text(f"  {where:<34} then {turn.expected}, not {turn.found}"))
        if len(verdict.turns) > _TURNS:
            console.print(f"  and {len(verdict.turns) - _TURNS:,} more")
        for one in verdict.polling:
            for line in textwrap.wrap(f"{one.cause}: {one.change}.", 76, subsequent_indent="  "):
                console.print(f"  {line}", highlight=False, markup=False)
            for other in one.others:
                line = f"or, no different in this run: {other}."
                console.print(textwrap.indent(textwrap.fill(line, 74), "    "), markup=False)
            console.print(f"    That explains {one.explains:,} of {len(verdict.turns):,}.")
        if not verdict.polling:
            console.print("  No known mistake explains them.")
    console.print()
    if verdict.turns and verdict.verdict.agree:
        cases = verdict.verdict.comparison.cases
        console.print(Text(f"Each of {cases:,} instructions and entries by itself agrees."))
        for line in remarks(verdict.verdict.coverage, False, verdict.verdict.one_write):
            console.print(Text(line), highlight=False)
    else:
        draw_verdict(verdict.verdict, console)


def _draw_place(verdict: ProgramVerdict, console: Console) -> None:
    """What ran, and where the first wrong instruction stands."""
    from rich.text import Text

    from ..system.colours import QUIET, WRONG

    run = verdict.run
    ran = f"{run.instructions:,} instructions in {run.clocks:,} clocks on the gates"
    console.print(Text(f"{verdict.listing}: {ran}, to {ENDS[run.ended]}."), highlight=False)
    wrong = verdict.wrong
    if wrong is not None:
        what = f"instruction {wrong.number:,}" if not wrong.text.startswith("--") else "entry"
        console.print(Text(f"First wrong: {what}, in clock {wrong.clock:,}.", WRONG))
        for place in (*verdict.before, wrong):
            here = place is wrong
            line = f"line {place.line}" if place.line else ""
            text = f"{'>' if here else ' '} {place.clock:>12}  {place.address:04X}  {place.text}"
            console.print(Text(f"{text:<64}{line}".rstrip(), "" if here else QUIET))
        console.print(f"Around it: {verdict.window_command}", markup=False, soft_wrap=True)


#: How a run ended, in words.
ENDS = {
    "self-jump": "a jump to itself", "address": "the address that was asked for",
    "instruction limit": "the limit of instructions", "clock limit": "the clock limit",
}  # fmt: skip
