"""All 65,536 inputs of an operation as one picture: an expression's value for each A and M."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from carrywave.sim.claim.asked import vocabulary
from carrywave.sim.claim.claims import Answers, ClaimError
from carrywave.sim.claim.expressions import read
from carrywave.sim.op.reasons import signed

from .png import png
from .svg import Figure

SIDE: Final = 320  # of a map, in pixels
LEFT: Final = 96
BETWEEN: Final = 92
TOP: Final = 150
HIGH: Final = TOP + SIDE + 164  # of a map with its words
#: Between white and the dark page's colour: 3 : 1 or better on both.
COLOUR: Final = (59, 125, 224)
LONGEST: Final = "longest"  # in place of an expression: the places that the longest carry takes
PLACES: Final = 8


@dataclass(frozen=True, slots=True)
class MapAsked:
    """What a map shows: an expression after an operation, under a carry and a mode before."""

    expression: str
    after: str
    variant: str = "nmos"
    carry: int = 0
    decimal: int = 0
    title: str = ""

    @property
    def told(self) -> str:
        """The operation and what was before."""
        flags = f", C {self.carry}, D {self.decimal} before" * (self.after in ("ADC", "SBC"))
        return f"after {self.after}{flags}, {self.variant}"


@dataclass(frozen=True, slots=True)
class InputMap:
    """Values by A, then M; `most` is the highest that there can be, 1 for a truth."""

    asked: MapAsked
    values: npt.NDArray[np.uint8]
    most: int

    @property
    def count(self) -> int:
        """For how many of the 65,536 it is not 0."""
        return int(np.count_nonzero(self.values))

    @property
    def counts(self) -> list[int]:
        """For how many it is 0, 1 and so on."""
        return [*map(int, np.bincount(self.values.ravel(), minlength=self.most + 1))]

    @property
    def words(self) -> str:
        """The counts in words."""
        if self.most == 1:
            return f"true on {self.count:,} of 65,536"
        return " · ".join(f"{i}: {count:,}" for i, count in enumerate(self.counts))

    def to_json(self) -> dict[str, Any]:
        """Plain values, without the map."""
        asked = self.asked
        return {
            "expression": asked.expression, "after": asked.after, "variant": asked.variant,
            "carry_in": asked.carry, "decimal": bool(asked.decimal), "counts": self.counts,
        }  # fmt: skip

    def _repr_svg_(self) -> str:
        """What a notebook shows."""
        return map_figure([self]).render()


def _compare(name: str, title: str) -> MapAsked:
    return MapAsked(name, "CMP", title=title)


#: The maps that are worth a name.
NAMED: Final = {
    "compare": (
        _compare("n", "N"), _compare("v", "V, which is not written"),
        _compare("n != v", "N XOR V: signed A < M"),
    ),
    "overflow": (MapAsked("v", "ADC", title="V: signed overflow"),
                 MapAsked("c", "ADC", title="C: unsigned carry")),
    "decimal": tuple(
        MapAsked(flag, "ADC", variant, decimal=1, title=f"{flag.upper()} on {variant.upper()}")
        for flag in "zn" for variant in ("nmos", "cmos")
    ),
    "carry": (MapAsked(LONGEST, "ADC", title="places of the longest carry"),),
}  # fmt: skip


def input_map(asked: MapAsked) -> InputMap:
    """Asks the gates. Raises ExpressionError; ClaimError for an operation without two bytes."""
    names, absent = vocabulary(asked.after, asked.variant)
    if not {"a", "m"} <= {*names}:
        raise ClaimError(f"{asked.after} has no two bytes A and M: there is no map of it")
    if asked.carry and "carry_in" not in names:
        raise ClaimError(f"the carry before has no part in {asked.after}: leave out --carry")
    if asked.decimal and "decimal" not in names:
        raise ClaimError(f"decimal mode has no part in {asked.after}: leave out --decimal")
    longest = asked.expression == LONGEST
    if longest and asked.after != "ADC":
        raise ClaimError("'longest' is of ADC's carries")
    claim = None if longest else read(asked.expression, names, absent)
    gates = Answers(asked.after, asked.variant)
    given = [f"carry_in == {asked.carry}"] * ("carry_in" in names)
    given += [f"decimal == {asked.decimal}"] * ("decimal" in names)
    if given:
        gates = gates.only(gates.read(" and ".join(given)))
    if claim is not None and claim.used - {*gates.columns}:
        raise ClaimError("a map is of the ALU alone: small letters n v z c, no flag of P")
    values = longest_carries(gates) if claim is None else gates.truths(claim)
    return InputMap(asked, values.reshape(256, 256).astype(np.uint8), PLACES if longest else 1)


def longest_carries(gates: Answers) -> npt.NDArray[Any]:
    """How many places the longest carry of an addition takes, where it is made included."""
    a, m, carry = (gates.columns[name].astype(np.int64) for name in ("a", "m", "carry"))
    going, longest = np.zeros(gates.rows, np.int64), np.zeros(gates.rows, np.int64)
    for i in range(PLACES):
        made, leaves = a & m & (1 << i) > 0, carry >> i + 1 & 1 > 0
        going = np.where(leaves, np.where(made, 1, going + 1), 0)
        longest = np.maximum(longest, going)
    return longest


def palette_of(most: int) -> list[tuple[int, int, int, int]]:
    """Nothing for 0, and more and more of the colour."""
    return [(*COLOUR, round(255 * i / most)) for i in range(most + 1)]


def _arranged(one: InputMap, by_sign: bool) -> npt.NDArray[np.uint8]:
    """As it is drawn: A to the right, M upwards, from 0 or from -128 on."""
    values = np.roll(one.values, (128, 128), (0, 1)) if by_sign else one.values
    return values.T[::-1]


def map_figure(
    maps: list[InputMap], by_sign: bool = False, cursor: tuple[int, int] | None = None
) -> Figure:
    """The maps beside each other, their axes in both readings, `cursor` an A and an M marked."""
    in_a_row = len(maps) if len(maps) < 4 else 2  # or words would be too small on a slide
    rows = -(-len(maps) // in_a_row)
    width = max(LEFT + in_a_row * (SIDE + BETWEEN) - BETWEEN + 40, 640)
    told = "; ".join(f"{_title(one)}, {one.asked.told}: {one.words}" for one in maps)
    figure = Figure(width, rows * HIGH, told, f"A map of A and M for each. {told}.")
    for i, one in enumerate(maps):
        x, y = LEFT + i % in_a_row * (SIDE + BETWEEN), i // in_a_row * HIGH
        _draw(figure, one, x, y, by_sign, cursor)
    return figure


def _title(one: InputMap) -> str:
    return one.asked.title or one.asked.expression


def _draw(
    figure: Figure, one: InputMap, x: float, y: float, by_sign: bool,
    cursor: tuple[int, int] | None,
) -> None:  # fmt: skip
    data = png(_arranged(one, by_sign), palette_of(one.most))
    figure.text(x, y + 48, _title(one), size=24, bold=True)
    figure.text(x, y + 78, one.asked.told, "quiet", size=16)
    if one.most == 1:
        figure.text(x, y + 108, one.words, size=18)
    top = y + TOP
    figure.image(x, top, SIDE, SIDE, base64.b64encode(data).decode())
    figure.rect(x, top, SIDE, SIDE, "", "line")
    figure.line(x + SIDE / 2, top, x + SIDE / 2, top + SIDE, "ink", 1, "3 3")
    figure.line(x, top + SIDE / 2, x + SIDE, top + SIDE / 2, "ink", 1, "3 3")

    def at(byte: int) -> float:
        return ((byte + 128 * by_sign) % 256 + 0.5) / 256 * SIDE

    ticks = (128, 192, 0, 64, 127) if by_sign else (0, 64, 128, 192, 255)
    low = top + SIDE
    for byte in ticks:
        figure.line(x + at(byte), low, x + at(byte), low + 6, "line", 1.5)
        figure.text(x + at(byte), low + 24, f"{byte}", "ink", "middle", 15, mono=True)
        figure.text(x + at(byte), low + 43, _sign(byte), "quiet", "middle", 15, mono=True)
        up = low - at(byte)
        figure.line(x - 6, up, x, up, "line", 1.5)
        figure.text(x - 10, up + 1, f"{byte}", "ink", "end", 15, mono=True)
        figure.text(x - 10, up + 17, _sign(byte), "quiet", "end", 15, mono=True)
    figure.text(x + SIDE / 2, low + 70, "A: unsigned, signed", anchor="middle", size=16, bold=True)
    figure.text(x - 10, top - 16, "M", anchor="end", size=18, bold=True)
    if one.most > 1:
        _key(figure, one, x, low + 84)
    if cursor:
        a, m = cursor
        across, up = x + at(a), low - at(m)
        figure.line(across, top - 8, across, low, "wrong", 2)
        figure.line(x, up, x + SIDE + 8, up, "wrong", 2)
        value = int(one.values[a, m])
        said = f"{value}" if one.most > 1 else "true" if value else "false"
        told = f"A ${a:02X}, M ${m:02X}: {said}"
        figure.text(x, low + (146 if one.most > 1 else 100), told, "wrong", size=17, bold=True)


def _sign(byte: int) -> str:
    return f"{signed(byte):+}" if byte else "0"


def _key(figure: Figure, one: InputMap, x: float, y: float) -> None:
    """What each shade is, and how often."""
    for i, (value, count) in enumerate(enumerate(one.counts)):
        at = x - 60 + i * 54
        figure.image(at, y, 16, 16, base64.b64encode(
            png(np.array([[value]]), palette_of(one.most))).decode())  # fmt: skip
        figure.rect(at, y, 16, 16, "", "line")
        figure.text(at + 22, y + 14, f"{value}", size=15, bold=True)
        figure.text(at, y + 33, f"{count}", "quiet", size=13, mono=True)


def map_png(
    maps: list[InputMap], by_sign: bool = False, cursor: tuple[int, int] | None = None,
    zoom: int = 3,
) -> bytes:  # fmt: skip
    """The same as a PNG without words: the maps on white, the border of the signs in grey."""
    parts: list[npt.NDArray[Any]] = []
    shades = PLACES + 1
    grey, ink, red = shades, shades + 1, shades + 2
    for one in maps:
        values = _arranged(one, by_sign).astype(np.int64) * PLACES // one.most
        big = np.kron(values, np.ones((zoom, zoom), np.int64))
        half = 128 * zoom
        big[half, ::2], big[::2, half] = grey, grey
        if cursor:
            columns, rows = (((byte + 128 * by_sign) % 256) * zoom + zoom // 2 for byte in cursor)
            big[256 * zoom - 1 - rows, :], big[:, columns] = red, red
        parts += [np.pad(big, 12), np.zeros((256 * zoom + 24, 12), np.int64)]
        parts[-2][11, 11:-11] = parts[-2][-12, 11:-11] = ink
        parts[-2][11:-11, 11] = parts[-2][11:-11, -12] = ink
    reds, greens, blues = (
        [round(255 + (part - 255) * i / PLACES) for i in range(shades)] for part in COLOUR
    )
    palette = [(reds[i], greens[i], blues[i], 255) for i in range(shades)]
    palette += [(150, 150, 150, 255), (20, 20, 20, 255), (200, 30, 30, 255)]
    return png(np.hstack(parts[:-1]), palette)
