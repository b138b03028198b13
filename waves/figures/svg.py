"""A figure as one SVG file: text as text, light and dark, the same bytes at every run.

    figure = Figure(640, 200, "A title", "What the figure shows, in words.")
    figure.text(20, 40, "c8", "carry", anchor="middle", mono=True)
    figure.line(20, 60, 620, 60, "line", width=1.5, dash="4 3")
    Path("a.svg").write_text(figure.render())

A role is a name of PALETTE: the same role is another colour where the reader prefers dark. Lengths
are CSS pixels, y downwards; the y of a text is its baseline.
"""

import copy
import hashlib
import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from typing import Final

#: Each role's colour on a light and on a dark page. Colour never stands alone: pair it with a
#: stroke's weight, a dash, a mark or a word.
PALETTE: Final = {
    "background": ("#ffffff", "#14171c"),
    "panel": ("#f2f4f7", "#20252d"),
    "ink": ("#16181d", "#eceff4"),
    "quiet": ("#5a6270", "#a7b0bf"),
    "line": ("#858e9c", "#737e8f"),
    "one": ("#1447a6", "#8ab4ff"),
    "carry": ("#0a6637", "#6fd39b"),
    "wrong": ("#b3261e", "#ff8f85"),
    "mark": ("#8a4b00", "#f0b36b"),
}

#: The roles that text may have: each stands 4.5 : 1 or better on `background` and on `panel`, the
#: least that WCAG 2.2 asks (1.4.3). `line` is for strokes; it stands 3 : 1 (1.4.11).
TEXT_ROLES: Final = ("ink", "quiet", "one", "carry", "wrong", "mark")

SANS: Final = "Helvetica, Arial, sans-serif"
MONO: Final = "Menlo, Consolas, 'DejaVu Sans Mono', monospace"
MONO_ADVANCE: Final = 0.61  # of the size, rounded up: Menlo's 0.602 is the widest of the three
SANS_ADVANCE: Final = 0.6  # of the size, on average, in the widest font that is met (DejaVu Sans)
NAMESPACE: Final = "http://www.w3.org/2000/svg"


def number(value: float) -> str:
    """A coordinate: at most two places, no trailing zeros, never -0."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def text_width(text: str, size: float = 14, mono: bool = False) -> float:
    """About how wide a text is at most, in pixels: fonts differ from reader to reader."""
    return len(text) * size * (MONO_ADVANCE if mono else SANS_ADVANCE)


def _style() -> str:
    # Rules written out for both schemes, not custom properties: slide programs know no var().
    def rules(scheme: int) -> str:
        return "".join(
            f".carrywave .fill-{role}{{fill:{colours[scheme]}}}"
            f".carrywave .line-{role}{{stroke:{colours[scheme]}}}\n"
            for role, colours in PALETTE.items()
        )

    dark = f"@media screen and (prefers-color-scheme: dark) {{\n{rules(1)}}}\n"
    return f"\n.carrywave .mono{{font-family:{MONO}}}\n{rules(0)}{dark}"


def _clean(text: str) -> str:
    """Without the characters that XML cannot hold."""
    return re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]", "\ufffd", text)


class Figure:
    """A figure of `width` by `height` pixels that grows and shrinks with its page.

    `title` names it and `description` says in words what it shows: screen readers speak both. It
    draws its own background, so it can be read on any page, and its ids are made from its content,
    so several figures can stand in one page.
    """

    def __init__(self, width: float, height: float, title: str, description: str) -> None:
        self.width, self.height = width, height
        self.title, self.description = _clean(title), _clean(description)
        self._root = ET.Element("svg", {
            "xmlns": NAMESPACE, "width": number(width), "height": number(height),
            "viewBox": f"0 0 {number(width)} {number(height)}", "class": "carrywave", "role": "img",
            "font-family": SANS, "style": "max-width:100%;height:auto",
        })  # fmt: skip
        for tag, words in (("title", self.title), ("desc", self.description)):
            ET.SubElement(self._root, tag).text = words
        ET.SubElement(self._root, "style").text = _style()
        self.rect(0, 0, width, height, "background")

    def resize(self, height: float) -> None:
        """Another height, where only drawing shows how high the figure is."""
        self.height = height
        for element in (self._root, self._root.findall("rect")[0]):
            element.set("height", number(height))
        self._root.set("viewBox", f"0 0 {number(self.width)} {number(height)}")

    def _add(self, tag: str, attributes: dict[str, str]) -> ET.Element:
        return ET.SubElement(self._root, tag, {k: v for k, v in attributes.items() if v})

    def text(
        self, x: float, y: float, text: str, role: str = "ink", anchor: str = "start",
        size: float = 14, mono: bool = False, bold: bool = False, name: str = "",
    ) -> None:  # fmt: skip
        """A line of text; `anchor` is "start", "middle" or "end", `name` a class to find it by."""
        if role not in TEXT_ROLES:
            raise ValueError(f"{role!r} is no role of a text: one of {', '.join(TEXT_ROLES)}")
        classes = " ".join(filter(None, (f"fill-{role}", "mono" if mono else "", name)))
        element = self._add("text", {
            "x": number(x), "y": number(y), "class": classes, "font-size": number(size),
            "text-anchor": anchor if anchor != "start" else "",
            "font-weight": "bold" if bold else "",
        })  # fmt: skip
        element.text = _clean(text)

    def line(
        self, x1: float, y1: float, x2: float, y2: float, role: str = "line", width: float = 1,
        dash: str = "", name: str = "",
    ) -> None:  # fmt: skip
        """A straight line; `dash` as in SVG: "4 3" is 4 drawn, 3 left out."""
        self._add("line", {
            "x1": number(x1), "y1": number(y1), "x2": number(x2), "y2": number(y2),
            **self._stroke(role, width, dash, name),
        })  # fmt: skip

    def path(
        self, d: str, role: str = "line", width: float = 1, dash: str = "", fill: str = "",
        name: str = "",
    ) -> None:  # fmt: skip
        """A path in SVG's own notation; `role` "" draws no stroke, `fill` is a role or ""."""
        self._add("path", {"d": d, **self._stroke(role, width, dash, name, fill)})

    def polyline(
        self, points: Sequence[tuple[float, float]], role: str = "line", width: float = 1,
        dash: str = "", fill: str = "", closed: bool = False, name: str = "",
    ) -> None:  # fmt: skip
        """Straight lines from point to point."""
        d = "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points) + "Z" * closed
        self.path(d, role, width, dash, fill, name)

    def rect(
        self, x: float, y: float, width: float, height: float, fill: str = "panel",
        line: str = "", stroke: float = 1, round: float = 0, name: str = "",
    ) -> None:  # fmt: skip
        """A box; `line` is the role of its border, if it has one."""
        self._add("rect", {
            "x": number(x), "y": number(y), "width": number(width), "height": number(height),
            "rx": number(round) if round else "", **self._stroke(line, stroke, "", name, fill),
        })  # fmt: skip

    def circle(
        self, x: float, y: float, radius: float, fill: str = "", line: str = "", stroke: float = 1,
        name: str = "",
    ) -> None:  # fmt: skip
        """A circle, or a dot if it has a fill and no line."""
        self._add("circle", {
            "cx": number(x), "cy": number(y), "r": number(radius),
            **self._stroke(line, stroke, "", name, fill),
        })  # fmt: skip

    def image(self, x: float, y: float, width: float, height: float, png: str) -> None:
        """A picture within the file, a PNG in base64, its pixels as squares."""
        self._add("image", {
            "x": number(x), "y": number(y), "width": number(width), "height": number(height),
            "href": f"data:image/png;base64,{png}", "preserveAspectRatio": "none",
            "style": "image-rendering:pixelated",
        })  # fmt: skip

    def _stroke(
        self, role: str, width: float, dash: str, name: str, fill: str = ""
    ) -> dict[str, str]:
        for used in filter(None, (role, fill)):
            if used not in PALETTE:
                raise ValueError(f"{used!r} is no role: one of {', '.join(PALETTE)}")
        classes = (f"line-{role}" if role else "", f"fill-{fill}" if fill else "", name)
        return {
            "class": " ".join(filter(None, classes)),
            "fill": "" if fill else "none",
            "stroke-width": number(width) if role and width != 1 else "",
            "stroke-dasharray": dash if role else "",
        }

    def _repr_svg_(self) -> str:
        """What a notebook shows."""
        return self.render()

    def render(self) -> str:
        """The file's text, with a newline at its end."""
        root = copy.deepcopy(self._root)
        ET.indent(root, " ")
        key = hashlib.sha256(ET.tostring(root)).hexdigest()[:10]
        for tag in ("title", "desc"):
            root.findall(tag)[0].set("id", f"cw-{key}-{tag}")
        root.set("aria-labelledby", f"cw-{key}-title cw-{key}-desc")
        return ET.tostring(root, encoding="unicode") + "\n"
