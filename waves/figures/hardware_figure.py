"""The modules of the hardware: which is in which, and the ports of each, read off `rtl/`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from carrywave.sim.family.members import VARIANTS

from .svg import Figure, text_width

WIDTH: Final = 1280
MARGIN: Final = 24
ROW: Final = 22
HEAD: Final = 64  # above the first row
TREE: Final = 304  # the column of what is in what
INDENT: Final = 22
CARD: Final = 436
GAP: Final = 32
SIZE: Final = 14

#: A module: how deep it lies, its name there, its class with its width, its inputs and outputs.
Row = tuple[int, str, str, list[str], list[str]]


def modules_of(variant: str = VARIANTS[0]) -> list[Row]:
    """Every module within a unit, the unit first, and what is in each behind it."""
    from amaranth.hdl import Fragment

    from carrywave.rtl.datapath import Unit

    return [*_walk(Fragment.get(Unit(variant), None), "unit", 0)]


def _walk(fragment: Any, name: str, depth: int) -> Iterator[Row]:
    from amaranth.hdl import Value
    from amaranth.lib.wiring import Component, In

    (component,) = (one for one in fragment.origins if isinstance(one, Component))
    sides: tuple[list[str], list[str]] = ([], [])
    for path, member, value in component.signature.flatten(component):
        width = len(Value.cast(value))
        sides[member.flow != In].append(".".join(map(str, path)) + f" {width}" * (width > 1))
    bits = getattr(component, "width", 0)
    yield depth, name, type(component).__name__ + f", {bits} bits" * bool(bits), *sides
    for inner, inner_name, _ in fragment.subfragments:
        yield from _walk(inner, inner_name, depth + 1)


def hardware_figure(variant: str = VARIANTS[0]) -> Figure:
    """What is in what on the left; on the right the ports of each kind of module, inputs first."""
    modules = modules_of(variant)
    cards: dict[str, tuple[str, list[str], list[str]]] = {}
    for _, _, title, inputs, outputs in modules:
        kind = title.partition(",")[0]
        if kind not in cards or _bits(inputs) > _bits(cards[kind][1]):  # of an adder the widest
            cards[kind] = title, inputs, outputs
    said = [f"{title} takes {', '.join(inputs)} and gives {', '.join(outputs)}."
            for title, inputs, outputs in cards.values()]  # fmt: skip
    title = f"The modules of the hardware, {variant}"
    what = (
        "On the left which module is in which. On the right the ports of each kind, with its bits"
    )
    figure = Figure(WIDTH, 100, title, " ".join([f"{what} where it is not one.", *said]))
    figure.text(MARGIN, 36, title, "ink", size=18, bold=True)
    lowest = _tree(figure, modules)
    _port(figure, MARGIN + 8, lowest + ROW, "port of a bit", 1)
    _port(figure, MARGIN + 8, lowest + 2 * ROW, "port of several", 1, 3)
    ends = [float(HEAD), float(HEAD)]
    for card in cards.values():
        column = ends.index(min(ends))
        left = MARGIN + TREE + GAP + column * (CARD + GAP)
        ends[column] = _card(figure, left, ends[column], *card) + MARGIN
    figure.resize(max(lowest, *ends))
    return figure


def _bits(ports: list[str]) -> int:
    return sum(int(port.partition(" ")[2] or 1) for port in ports)


def _tree(figure: Figure, modules: list[Row]) -> float:
    """A line for each module, below what it is in; where the last one ends."""
    above: dict[int, float] = {}
    y = float(HEAD)
    for depth, name, title, _, _ in modules:
        y += ROW
        x = MARGIN + depth * INDENT
        if depth:
            stem = x - INDENT + 6
            figure.line(stem, above[depth - 1], stem, y - 5, "line")
            figure.line(stem, y - 5, x - 4, y - 5, "line")
            above[depth - 1] = y - 5
        figure.text(x, y, name, "ink", size=SIZE, mono=True)
        figure.text(x + text_width(name, SIZE, True) + 8, y, title, "quiet", size=SIZE)
        above[depth] = y + 5
    return y + ROW


def _card(
    figure: Figure, x: float, y: float, title: str, inputs: list[str], outputs: list[str]
) -> float:
    """The ports of a kind of module; where the card ends."""
    height = ROW * (max(len(inputs), len(outputs)) + 2)
    figure.rect(x, y, CARD, height, "panel", "line")
    figure.text(x + CARD / 2, y + ROW - 4, title, "ink", "middle", SIZE, bold=True)
    for i, port in enumerate(inputs):
        _port(figure, x, y + ROW * (i + 2), port, 1)
    for i, port in enumerate(outputs):
        _port(figure, x + CARD, y + ROW * (i + 2), port, -1)
    return y + height


def _port(figure: Figure, x: float, y: float, port: str, inward: int, width: float = 0) -> None:
    """A port at an edge, and its wire, which is thick for several bits."""
    several = port.partition(" ")[2].isdecimal()
    figure.line(x - 8 * inward, y - 5, x, y - 5, "one", width or (3 if several else 1.5))
    anchor = "start" if inward > 0 else "end"
    figure.text(x + 8 * inward, y, port, "ink", anchor, SIZE, mono=True)
