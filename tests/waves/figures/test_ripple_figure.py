"""The carry in time as a figure: each wire as the gates have it, step by step."""

from __future__ import annotations

import itertools
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

from carrywave.sim.settle.settling import Settling, settle
from carrywave.waves.figures.ripple_figure import PITCH, ripple_figure

SVG = "{http://www.w3.org/2000/svg}"


def finals(s: Settling) -> dict[str, int]:
    root = ET.fromstring(ripple_figure(s).render())
    named = {one.attrib["class"].split()[-1]: one.text or "" for one in root.iter(f"{SVG}text")}
    return {name[6:]: int(text) for name, text in named.items() if name.startswith("final-")}


def test_the_last_values_are_those_of_plain_arithmetic() -> None:
    shown = finals(settle("ADC", [0xFF, 0x01]))
    assert [shown[f"c{i}"] for i in range(9)] == [0] + [1] * 8
    assert [shown[f"sum[{i}]"] for i in range(8)] == [0] * 8
    assert [shown[flag] for flag in "nvzc"] == [0, 0, 1, 1]
    assert len(shown) == 9 + 8 + 4


def test_a_dot_stands_for_each_change_and_a_carry_ripples_from_right_to_left() -> None:
    s = settle("ADC", [0xFF, 0x01])
    root = ET.fromstring(ripple_figure(s).render())
    dots = [(float(one.attrib["cx"]), float(one.attrib["cy"])) for one in root.iter(f"{SVG}circle")]
    drawn = {name: steps for name, steps in s.changes.items()
             if not name.startswith(("operand", "result"))}  # fmt: skip
    assert len(dots) == sum(map(len, drawn.values())) > 30
    first = dots[: sum(len(steps) for name, steps in drawn.items() if name[1:].isdigit())]
    assert len(first) == 8
    for (x, y), (right, later) in itertools.pairwise(first):
        assert right - x == PITCH
        assert later < y


def test_settle_writes_its_figure(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "ripple.svg"
    status, _, err = carrywave("settle", "CMP", "0x80", "1", "--svg", path)
    assert (status, err) == (0, "")
    assert path.read_text() == ripple_figure(settle("CMP", [0x80, 1])).render()
