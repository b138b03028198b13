"""When every input has settled: the figure."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Any

import pytest

from carrywave.sim.netlist import ADDERS
from carrywave.sim.netlist.alu_gates import MNEMONICS
from carrywave.sim.settle.survey import Survey, survey
from carrywave.waves.figures.survey_plot import plot_survey

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def three() -> Survey:
    return survey("ADC", adders=ADDERS)


def paint(report: Survey) -> ET.Element:
    return ET.fromstring(plot_survey(report).render())


def texts(figure: ET.Element) -> Iterator[str]:
    return (element.text or "" for element in figure.iter(f"{SVG}text"))


def test_the_figure_has_each_adder_s_figures_in_words(three: Survey) -> None:
    figure = paint(three)
    description = figure.findtext(f"{SVG}desc") or ""
    shown = list(texts(figure))
    for adder in three.adders:
        mean, worst = float(adder["sum"].mean), adder["sum"].worst
        assert (
            f"{adder.adder}, {adder.gates} gates: {mean:.2f} gate delays on average, {worst} at "
            "worst"
        ) in description
        assert {adder.adder, f"{mean:.1f}", f"{worst}"} <= set(shown)
    assert figure.findtext(f"{SVG}title") == (
        "ADC: after how many gate delays the sum and the flags are final"
    )
    assert {*map(str, range(8)), *"NVZC"} <= set(shown)


def test_adders_differ_in_mark_and_dash_and_not_in_colour_alone(three: Survey) -> None:
    figure = paint(three)
    curves = [
        (path.get("stroke-dasharray"), path.get("class"))
        for path in figure.iter(f"{SVG}path")
        if path.get("stroke-width") == "2.5"
    ]
    assert len(curves) == len({dash for dash, _ in curves}) == 3
    assert all(len(list(figure.iter(f"{SVG}{mark}"))) > 12 for mark in ("circle", "rect", "path"))


def test_curves_end_at_the_worst_input(three: Survey) -> None:
    for adder, path in zip(
        three.adders,
        (p for p in paint(three).iter(f"{SVG}path") if p.get("stroke-width") == "2.5"),
        strict=True,
    ):
        points = [tuple(map(float, pair.split())) for pair in (path.get("d") or "")[1:].split("L")]
        assert len(points) == 2 * adder["sum"].worst + 1
        assert all(a[0] == b[0] or a[1] == b[1] for a, b in pairwise(points))  # stairs
        heights = [y for _, y in points]
        assert heights == sorted(heights, reverse=True)
        assert heights[-1] == min(heights) == 130


@pytest.mark.parametrize(
    ("mnemonic", "start"),
    [("SBC", "A=$00 M=$00 C=0"), ("CMP", "A=$00 M=$00"), ("AND", "A=$00 M=$00"), ("INX", "X=$00")],
)
def test_titles_name_the_inputs_before(mnemonic: str, start: str) -> None:
    report = survey(mnemonic)
    about = f"{report.inputs:,} inputs, decimal off, each from {start}"
    assert f"{about}; every gate one delay; nmos" in list(texts(paint(report)))


@pytest.mark.parametrize("mnemonic", MNEMONICS)
def test_every_instruction_can_be_drawn(mnemonic: str) -> None:
    report = survey(mnemonic)
    figure = paint(report)
    assert len(list(texts(figure))) > 20
    # No curve runs under the key, whose box is the only one with round corners.
    key = next(box for box in figure.iter(f"{SVG}rect") if box.get("rx"))
    left, top = float(key.get("x") or 0), float(key.get("y") or 0)
    (curve,) = (p for p in figure.iter(f"{SVG}path") if p.get("stroke-width") == "2.5")
    points = [tuple(map(float, pair.split())) for pair in (curve.get("d") or "")[1:].split("L")]
    assert all(y <= top for x, y in points if x >= left)


def test_the_figure_is_the_same_every_time_and_shows_itself(three: Survey) -> None:
    again = survey("ADC", adders=ADDERS)
    assert three._repr_svg_() == again._repr_svg_() == plot_survey(three).render()


@pytest.mark.exhaustive
@pytest.mark.parametrize(("dark", "font"), [(False, ""), (True, "DejaVu Sans")])
def test_the_figure_is_legible_in_a_browser(
    three: Survey, judge_figures: Callable[..., Any], dark: bool, font: str
) -> None:
    reports = {"three": three, **{mnemonic: survey(mnemonic) for mnemonic in MNEMONICS}}
    drawn = {name: report._repr_svg_() for name, report in reports.items()}
    told = judge_figures(drawn, dark, font)
    assert {name: one["found"] for name, one in told.items() if one["found"]} == {}
    assert len(told) == 1 + len(MNEMONICS)
    assert min(one["texts"] for one in told.values()) >= 25
