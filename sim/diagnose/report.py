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
    shown: dict[tuple[Any, ...], list[Cause]] = {}
    for cause in causes:
        groups[cause.group].append(cause)
    for group in groups.values():
        key = tuple(
            ("", cause.alike, cause.change) if cause.alike
            else (cause.place, cause.cause, cause.change)
            for cause in group
        )  # fmt: skip
        told[key] += [group[0]]
        shown.setdefault(key, group)
    lines: list[str] = []
    for key, same in told.items():
        names = ", ".join(dict.fromkeys(cause.instruction for cause in same))
        place = "".join(f" {place}" for place in _places(same))
        wrong, explains = (sum(getattr(c, what) for c in same) for what in ("wrong", "explains"))
        for number, one in enumerate(shown[key]):
            head = "or, no different in these cases" if number else f"{names}{place}"
            more = " (for example)" * bool(one.alike and len(same) > 1)
            for text, first in ((f"{head}: {one.cause}{more}.", ""), (f"{one.change}.", "  ")):
                lines += textwrap.wrap(text, width, initial_indent=first, subsequent_indent="  ")
        if same[0].kind != "none":
            share = "all" if explains == wrong else f"{explains:,} of"
            said = "the one wrong case" if wrong == 1 else f"{share} {wrong:,} wrong cases"
            lines.append(f"  That explains {said}.")
    return lines


def _places(causes: Sequence[Cause]) -> list[str]:
    """Which of the cases, where it is not all of some: "in absolute and absolute,X mode"."""
    places = dict.fromkeys(cause.place for cause in causes)
    if len(places) < 2:
        return [place for place in places if place]
    modes = [place.removeprefix("in ").removesuffix(" mode") for place in places if place]
    return [
        f"in {', '.join(modes[:-1])} and {modes[-1]} mode" if modes[1:] else f"in {modes[0]} mode"
    ]
