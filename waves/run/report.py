"""What the terminal shows of a run."""

from typing import Final

from rich.console import Group, RenderableType
from rich.text import Text

from carrywave.sim.family.instructions import notation_of
from carrywave.sim.family.members import EVENTS
from carrywave.sim.family.status_byte import FLAG_BITS, flags_of
from carrywave.sim.program.ran import Sequence
from carrywave.sim.program.report import ENDS
from carrywave.sim.system.colours import CARRY, ONE, QUIET
from carrywave.sim.system.tables import plain_table

from ..check.report import draw_check
from .listing import GATES, RunReport

STACK_SHOWN: Final = 6  # bytes
LEGEND: Final = "A dot: the flag is unchanged; +N: it is 1 now; -N: it is 0 now."


def draw_run(report: RunReport) -> RenderableType:
    """The instructions as they ran, the flags they changed and the stack; then how it ended."""
    headings = (">clock", "at", "instruction", "A  X  Y", " N V D I Z C", "SP", "stack")
    table = plain_table(*headings, style=QUIET, folds={"instruction"})
    for shown in report.kept.first:
        table.add_row(*_sequence_row(report, *shown))
    if report.kept.omitted:
        table.add_row("", "", Text(f"... {report.kept.omitted} more, --rows shows them", QUIET))
    for shown in report.kept.last:
        table.add_row(*_sequence_row(report, *shown))
    run = report.run
    how = ENDS[run.ended]
    digits = {"pc": 4}
    final = " ".join(
        f"{name.upper()}={value:0{digits.get(name, 2)}X}"
        for name, value in run.final._asdict().items()
    )
    lines: list[RenderableType] = []
    if report.kept.first:
        lines += [table, Text(), Text(LEGEND, QUIET)]
    lines.append(
        Text(f"Ended by {how} after {run.clocks} clocks and {run.instructions} instructions.")
    )
    lines.append(Text(f"Left: {final}"))
    flags = " ".join(f"{flag.upper()}={bit}" for flag, bit in flags_of(run.final.p).items())
    lines.append(
        Text(f"P: {flags}; no B: in {run.final.p:02X} bits 5 and 4 are as PHP pushes them")
    )
    if report.engine == GATES:
        rounds = f"{run.rounds} round" + "s" * (run.rounds != 1)
        wrong = f", after {run.corrected} wrong guesses" if run.corrected else ""
        lines.append(Text(
            "The gates' own run: each sequence began with what the one before it left "
            f"({rounds}{wrong})."
        ))  # fmt: skip
    if report.vcd:
        some = report.window
        which = f", clocks {some.first} to {min(some.last, run.clocks)}" if some else ""
        lines.append(Text(f"Waveform: {report.vcd}{which}"))
    return Group(*lines, draw_check(report.check))


def _sequence_row(report: RunReport, s: Sequence, stack: tuple[int, ...]) -> tuple[str | Text, ...]:
    line = report.program.lines.get(s.address) if report.program else None
    event = s.name in EVENTS
    told = line.text.strip() if line else notation_of(s.code, s.address) or s.name
    text = Text(f"-- {s.name} --", CARRY) if event else Text(told)
    flags = Text()
    for name, bit in FLAG_BITS.items():
        was, now = s.before.p >> bit & 1, s.after.p >> bit & 1
        if was == now:
            flags.append(" .", QUIET)
        else:
            flags.append(f"{'+' if now else '-'}{name.upper()}", CARRY if now else ONE)
    pushed = (
        sum(address >> 8 == 1 for _, address, _ in s.writes) if s.after.sp != s.before.sp else 0
    )
    shown = Text("... " if len(stack) > STACK_SHOWN else "", QUIET)
    for i, byte in enumerate(stack[-STACK_SHOWN:], -min(STACK_SHOWN, len(stack))):
        shown.append(f"{byte:02X} ", CARRY if i >= -pushed else "")
    registers = f"{s.after.a:02X} {s.after.x:02X} {s.after.y:02X}"
    return str(s.clock), f"{s.address:04X}", text, registers, flags, f"{s.after.sp:02X}", shown
