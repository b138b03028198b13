"""Causes as lines of text."""

import textwrap
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from .question import Cause


def describe(causes: Sequence[Cause], width: int = 80) -> list[str]:
    """Lines of at most so many columns; what several instructions have in common is said once."""
    told: dict[tuple[Any, ...], list[Cause]] = defaultdict(list)
    groups: dict[tuple[Any, ...], list[Cause]] = defaultdict(list)
    for cause in causes:
        groups[cause.group].append(cause)
    for group in groups.values():
        key = tuple((cause.place, cause.cause, cause.change) for cause in group)
        told[key] += [group[0]]
    lines: list[str] = []
    for alternatives, same in told.items():
        names = ", ".join(cause.instruction for cause in same)
        place = f" {same[0].place}" if same[0].place else ""
        wrong, explains = (sum(getattr(c, what) for c in same) for what in ("wrong", "explains"))
        for number, (_, cause, change) in enumerate(alternatives):
            head = "or, no different in these cases" if number else f"{names}{place}"
            for text, first in ((f"{head}: {cause}.", ""), (f"{change}.", "  ")):
                lines += textwrap.wrap(text, width, initial_indent=first, subsequent_indent="  ")
        if same[0].kind != "none":
            share = "all" if explains == wrong else f"{explains:,} of"
            lines.append(f"  That explains {share} {wrong:,} wrong cases.")
    return lines
