"""The option `--layout`: how a viewer shows a waveform."""

from typing import Any

import click

from carrywave.waves.vcd.viewer import ENDINGS, opening_command, view_of, write_layout

from ..system.files import written_beside
from .outputs import OutputType


class LayoutType(OutputType):
    """The name of a file that tells a viewer how to show a waveform; its ending says which."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuses another ending."""
        path = super().convert(value, param, ctx)
        if not path.lower().endswith(ENDINGS):
            self.fail(f"{value}: name it .gtkw for GTKWave or .sucl for Surfer", param, ctx)
        return path


layout_option = click.option(
    "--layout", type=LayoutType(),
    help="Write how a viewer shows the waveform: .gtkw for GTKWave, .sucl for Surfer.",
)  # fmt: skip


def lay_out(layout: str, dump: str, start: int | None = None) -> str:
    """Writes it for a dump, shown from the clock `start` on; what is told of it."""
    view = view_of(dump, start)
    with written_beside(layout) as file:
        write_layout(file, layout, view)
    return f"To open it: {opening_command(layout, dump)}"
