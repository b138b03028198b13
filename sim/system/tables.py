"""The plain table of every report."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.table import Table


def plain_table(
    *headings: str, style: str = "bold", gap: int = 2, folds: Collection[str] = ()
) -> Table:
    """A table without lines, `style` that of its headings, `gap` in columns of the terminal.

    A heading that begins with ">" is of numbers, which stand to the right. Only the columns whose
    headings are in `folds` may be broken into lines.
    """
    from rich.table import Table

    table = Table(box=None, padding=(0, gap, 0, 0), pad_edge=False, header_style=style)
    several_lines = any("\n" in heading for heading in headings)
    for heading in headings:
        table.add_column(
            heading.removeprefix(">"),
            justify="right" if heading.startswith(">") else "left",
            vertical="bottom" if several_lines else "top",
            no_wrap=heading not in folds,
            overflow="fold" if heading in folds else "ellipsis",
        )
    return table
