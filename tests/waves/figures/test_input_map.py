"""Maps of all inputs: the values are those of plain arithmetic, and the pixels are the values."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from carrywave.sim.claim.claims import ClaimError
from carrywave.sim.settle.survey import expected_carries
from carrywave.waves.figures.input_map import (
    LONGEST,
    NAMED,
    MapAsked,
    input_map,
    map_figure,
    map_png,
    palette_of,
)
from carrywave.waves.figures.png import png

A, M = np.meshgrid(np.arange(256), np.arange(256), indexing="ij")
SA, SM = A - 256 * (A > 127), M - 256 * (M > 127)


def outside(x: npt.NDArray[Any]) -> npt.NDArray[Any]:
    return (x < -128) | (x > 127)


@pytest.mark.parametrize(
    ("asked", "wanted"),
    [
        (MapAsked("n", "CMP"), (A - M) % 256 > 127),
        (MapAsked("v", "CMP"), outside(SA - SM)),
        (MapAsked("n != v", "CMP"), SA < SM),
        (MapAsked("v", "ADC"), outside(SA + SM)),
        (MapAsked("v", "ADC", carry=1), outside(SA + SM + 1)),
        (MapAsked("c", "ADC"), A + M > 255),
        (MapAsked("z", "ADC", decimal=1), (A + M) % 256 == 0),
        (MapAsked("z", "AND"), A & M == 0),
    ],
)
def test_a_map_is_plain_arithmetic_at_every_input(
    asked: MapAsked, wanted: npt.NDArray[np.bool_]
) -> None:
    found = input_map(asked)
    assert found.values.shape == (256, 256)
    assert np.array_equal(found.values, wanted)
    assert found.count == int(wanted.sum())
    assert found.words == f"true on {int(wanted.sum()):,} of 65,536"


@pytest.mark.exhaustive
def test_decimal_z_of_cmos_is_that_of_the_digits() -> None:
    found = input_map(MapAsked("z", "ADC", "cmos", decimal=1)).values
    valid = (A % 16 < 10) & (A < 0xA0) & (M % 16 < 10) & (M < 0xA0)
    digits = 10 * (A >> 4) + A % 16 + 10 * (M >> 4) + M % 16
    assert np.array_equal(found[valid], digits[valid] % 100 == 0)
    assert valid.sum() == 10_000


def test_the_longest_carry_is_as_often_as_its_recurrence_says() -> None:
    found = input_map(MapAsked(LONGEST, "ADC"))
    assert tuple(found.counts) == expected_carries(0)
    assert found.values[0xFF, 0x01] == 8
    assert found.values[0x01, 0x01] == 1
    assert found.values[0x55, 0x2A] == 0


def pixels_of(data: bytes) -> npt.NDArray[np.uint8]:
    """The indices of a PNG, read without the writer."""
    chunks, place = {}, 8
    while place < len(data):
        (length,) = struct.unpack(">I", data[place : place + 4])
        kind, body = data[place + 4 : place + 8], data[place + 8 : place + 8 + length]
        check = struct.unpack(">I", data[place + 8 + length : place + 12 + length])[0]
        assert zlib.crc32(kind + body) == check
        chunks[kind] = body
        place += length + 12
    width, height = struct.unpack(">II", chunks[b"IHDR"][:8])
    rows = np.frombuffer(zlib.decompress(chunks[b"IDAT"]), np.uint8).reshape(height, width + 1)
    assert not rows[:, 0].any()
    return rows[:, 1:]


def test_the_pixels_are_the_values_and_a_wrong_one_is_seen() -> None:
    one = input_map(MapAsked("n", "CMP"))
    shown = pixels_of(map_png([one], zoom=1))[12:-12, 12:-12]
    inner = np.ones((256, 256), bool)
    inner[128, ::2] = inner[::2, 128] = False  # the border of the signs
    assert np.array_equal(shown[inner] > 0, one.values.T[::-1][inner] > 0)
    one.values[3, 200] ^= 1
    assert not np.array_equal(shown[inner] > 0, one.values.T[::-1][inner] > 0)
    signed = pixels_of(map_png([one], by_sign=True, zoom=1))[12:-12, 12:-12]
    assert signed[255, 1] // 8 == one.values[129, 128]  # A -127, M -128: the lower left corner
    assert pixels_of(png(np.array([[0, 1], [2, 0]]), palette_of(2))).tolist() == [[0, 1], [2, 0]]


def test_several_stand_beside_each_other_and_tell_their_counts() -> None:
    figure = map_figure([input_map(one) for one in NAMED["compare"]], cursor=(0x80, 0x01))
    text = figure.render()
    for words in ("32,768", "16,384", "32,640"):
        assert f">true on {words} of 65,536<" in text
    assert text.count("<image ") == 3
    assert [text.count(f">A $80, M $01: {word}<") for word in ("true", "false")] == [2, 1]


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        (MapAsked("n", "INX"), "INX has no two bytes A and M: there is no map of it"),
        (MapAsked("n", "CMP", carry=1), "the carry before has no part in CMP: leave out --carry"),
        (MapAsked("n", "CMP", decimal=1), "decimal mode has no part in CMP: leave out --decimal"),
        (MapAsked(LONGEST, "CMP"), "'longest' is of ADC's carries"),
        (MapAsked("N", "CMP"), "a map is of the ALU alone: small letters n v z c, no flag of P"),
    ],
)
def test_what_has_no_map_is_refused(asked: MapAsked, message: str) -> None:
    with pytest.raises(ClaimError) as caught:
        input_map(asked)
    assert str(caught.value) == message


def test_the_command_writes_svg_or_png(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "map.svg"
    status, out, err = carrywave("map", "--name", "overflow", "-o", path, "--at", "0x50,0x50")
    assert (status, err) == (0, "")
    assert "v, after ADC, C 0, D 0 before, nmos: true on 16,384 of 65,536\n" in out
    assert ">A $50, M $50: true<" in path.read_text()
    path = tmp_path / "map.png"
    assert carrywave("map", "n", "z", "--after", "CMP", "--signed", "-o", path)[0] == 0
    assert pixels_of(path.read_bytes()).shape == (792, 2 * 792 + 12)
    refused = "carrywave: an expression and --after MNEMONIC are needed, or --name\n"
    assert carrywave("map", "-o", path) == (2, "", refused)
    assert carrywave("map", "n", "--after", "CMP", "-o", tmp_path / "x.gif")[0] == 2
    assert carrywave("map", "n", "--after", "CMP", "-o", path, "--at", "5")[0] == 2
