"""Which instruction updates which flag: a table for the terminal, a figure and a notebook."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.family.status_byte import FLAGS
from carrywave.sim.system.tables import plain_table

from .svg import Figure

if TYPE_CHECKING:
    from rich.console import Group

TITLE: Final = "Which instruction updates which flag"
NOTE: Final = "on cmos BRK clears D too"  # which the makers' table of flags does not show
ROW: Final = 44
FIRST: Final = 64  # the middle of N's column
PITCH: Final = 56
WORDS: Final = 416  # where the mnemonics begin
A_ROW: Final = 13  # mnemonics
STEP: Final = 64


@dataclass(frozen=True, slots=True)
class FlagTable:
    """The instructions that update the same flags, by those flags; the most flags first."""

    groups: dict[str, tuple[str, ...]]

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "groups": [
                {"flags": list(flags), "instructions": list(names)}
                for flags, names in self.groups.items()
            ],
            "note": NOTE,
        }

    def draw(self) -> Group:
        """For the terminal."""
        from rich.console import Group
        from rich.text import Text

        table = plain_table(*FLAGS.upper(), "instructions", style="dim", folds={"instructions"})
        for flags, names in self.groups.items():
            marks = (Text("x", "bold") if flag in flags else Text(".", "dim") for flag in FLAGS)
            table.add_row(*marks, " ".join(names))
        return Group(table, Text(NOTE, "dim"))

    def figure(self) -> Figure:
        """As a figure: a mark where a flag is updated."""
        told = [
            f"{' '.join(flags.upper()) or 'no flag'}: {', '.join(names)}."
            for flags, names in self.groups.items()
        ]
        rows = [-(-len(names) // A_ROW) for names in self.groups.values()]
        height = 124 + sum(ROW + 22 * (n - 1) for n in rows) + 44
        figure = Figure(1280, height, TITLE, f"{' '.join(told)} {NOTE.capitalize()}.")
        figure.text(24, 42, TITLE, size=22, bold=True)
        figure.line(24, 58, 1256, 58)
        for i, flag in enumerate(FLAGS):
            figure.text(FIRST + i * PITCH, 96, flag.upper(), anchor="middle", size=17, bold=True)
        figure.text(WORDS, 96, "instructions", "quiet", size=12)
        y = 132.0
        for (flags, names), lines in zip(self.groups.items(), rows, strict=True):
            figure.line(24, y - 22, 1256, y - 22, "line", 0.5)
            for i, flag in enumerate(FLAGS):
                x = FIRST + i * PITCH
                if flag in flags:
                    figure.circle(x, y, 8, "one", name=f"updates-{flag}")
                else:
                    figure.line(x - 4, y, x + 4, y, "line", 1)
            for i, name in enumerate(names):
                x, line = WORDS + i % A_ROW * STEP, i // A_ROW
                figure.text(x, y + 5 + 22 * line, name, size=15, mono=True)
            y += ROW + 22 * (lines - 1)
        figure.line(24, y - 22, 1256, y - 22, "line", 0.5)
        figure.text(24, y + 8, f"dot: updated; dash: left alone; {NOTE}", "quiet", size=12)
        return figure

    def _repr_svg_(self) -> str:
        """What a notebook shows."""
        return self.figure().render()


def flag_table() -> FlagTable:
    """The table of the documented instructions, out of `sim/family`."""
    groups: dict[str, list[str]] = {}
    for mnemonic, forms in BY_MNEMONIC.items():
        for flags in {form.flags for form in forms.values()}:
            groups.setdefault("".join(f for f in FLAGS if f in flags), []).append(mnemonic)
    order = sorted(groups, key=lambda flags: (-len(flags), [FLAGS.index(f) for f in flags]))
    return FlagTable({flags: tuple(groups[flags]) for flags in order})
