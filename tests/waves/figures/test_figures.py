"""Figures: legible in a browser, one valid file each, and true to the wires they show."""

from __future__ import annotations

import random
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from planting import Edit, planted
from tracked import HOUSE, tracked

from carrywave.sim.cli.map import command as map_command
from carrywave.sim.cli.op import command as op_command
from carrywave.sim.family.instructions import BY_MNEMONIC, NAMES
from carrywave.sim.family.members import VARIANTS
from carrywave.sim.op.operation import Operation, operate
from carrywave.sim.settle.settling import Settling, settle
from carrywave.waves.figures.circle import Move, moves
from carrywave.waves.figures.flagtable import flag_table
from carrywave.waves.figures.hardware_figure import hardware_figure
from carrywave.waves.figures.input_map import NAMED, input_map, map_figure
from carrywave.waves.figures.operation_figure import WHY, operation_figure
from carrywave.waves.figures.ripple_figure import ripple_figure
from carrywave.waves.figures.svg import PALETTE, TEXT_ROLES, Figure, number
from carrywave.waves.figures.timing import timing_figure
from carrywave.waves.vcd.delays import write_settling

REFERENCE = HOUSE / "waves" / "reference"
SVG = "{http://www.w3.org/2000/svg}"

# Mnemonic, register, operand, carry, decimal, variant, status: each layout, and its longest words.
DRAWN: dict[str, tuple[Any, ...]] = {
    "adc-overflow": ("ADC", 0x50, 0x50),
    "adc-longest": ("ADC", 0x80, 0x80, 1),
    "adc-round": ("ADC", 0x80, 0xFF, 1),
    "adc-nothing": ("ADC", 0x00, 0x00),
    "sbc-borrow": ("SBC", 0x50, 0xF0, 1),
    "sbc-longest": ("SBC", 0x80, 0x80, 0),
    "sbc-round": ("SBC", 0x00, 0xFF, 0),
    "cmp": ("CMP", 0x80, 0x01),
    "cpx": ("CPX", 0xFF, 0x80),
    "adc-decimal": ("ADC", 0x58, 0x46, 1, True),
    "adc-decimal-cmos": ("ADC", 0x58, 0x46, 1, True, "cmos"),
    "adc-decimal-99": ("ADC", 0x99, 0x99, 1, True, "cmos", 0xFF),
    "adc-digits": ("ADC", 0x0F, 0x0F, 1, True),
    "adc-not-connected": ("ADC", 0x58, 0x46, 1, True, "binary"),
    "sbc-decimal": ("SBC", 0x12, 0x21, 1, True),
    "sbc-decimal-cmos": ("SBC", 0x00, 0x0B, 0, True, "cmos"),
    "inc": ("INC", 0, 0x7F),
    "inx-round": ("INX", 0xFF),
    "dec-past": ("DEC", 0, 0x80),
    "dex": ("DEX", 0x00),
    "cmp-past": ("CMP", 0x7F, 0xFF),
    "asl": ("ASL", 0xC5),
    "rol": ("ROL", 0x7F, 0, 1),
    "branch": ("BNE", 0, 0xFE),
    "branch-page": ("BPL", 0, 0x80),
    "branch-forward": ("BCC", 0, 0x7F),
    "lsr": ("LSR", 0x01),
    "ror": ("ROR", 0x85, 0, 1),
    "and": ("AND", 0xF0, 0x3C),
    "eor": ("EOR", 0xFF, 0xFF),
    "bit": ("BIT", 0xF0, 0xCF),
    "lda": ("LDA", 0, 0x80),
    "tax": ("TAX", 0x00),
    "plp": ("PLP", 0, 0xC3),
    "rti": ("RTI", 0, 0x3C, 1, True),
    "brk": ("BRK", 0, 0, 1, True, "cmos", 0xFF),
    "irq": ("IRQ",),
    "reset": ("RESET",),
    "php": ("PHP", 0, 0, 1, True, "nmos", 0xFF),
    "pha": ("PHA", 0x5A),
    "jsr": ("JSR",),
    "rts": ("RTS",),
    "txs": ("TXS", 0x05),
    "sed": ("SED",),
    "nop": ("NOP",),
    "sta": ("STA", 0x80),
    "branch-not-taken": ("BEQ", 0, 0x80),
}
# A part, and of what: each layout.
IN_PARTS: dict[str, tuple[str, tuple[Any, ...]]] = {
    "adder-cmp": ("adder", ("CMP", 0x80, 0x01)),
    "adder-decimal": ("adder", ("ADC", 0x58, 0x46, 1, True)),
    "flags-adc": ("flags", ("ADC", 0x80, 0x80, 1)),
    "flags-cmp": ("flags", ("CMP", 0x80, 0x01)),
    "flags-decimal": ("flags", ("ADC", 0x99, 0x99, 1, True, "cmos", 0xFF)),
    "flags-and": ("flags", ("AND", 0xF0, 0x8F)),
    "flags-bit": ("flags", ("BIT", 0xFF, 0xC0)),
    "flags-ror": ("flags", ("ROR", 0x81, 0, 1)),
    "flags-lda": ("flags", ("LDA", 0, 0x80)),
    "circle-cmp": ("circle", ("CMP", 0x80, 0x01)),
    "circle-dec": ("circle", ("DEC", 0, 0x80)),
    "circle-adc": ("circle", ("ADC", 0x50, 0x50)),
    "stack-irq": ("stack", ("IRQ",)),
    "stack-rti": ("stack", ("RTI", 0, 0x3C)),
    "stack-tsx": ("stack", ("JSR",)),
}


def texts(figure: Figure | str) -> dict[str, str]:
    """The texts of a figure that have a name, by it."""
    root = ET.fromstring(figure if isinstance(figure, str) else figure.render())
    named = {}
    for element in root.iter(f"{SVG}text"):
        name = element.attrib["class"].split()[-1]
        if not name.startswith("fill-") and name != "mono":
            assert name not in named, name
            named[name] = element.text or ""
    return named


def operations(seed: int, count: int) -> list[Operation]:
    """Random operations of all mnemonics that can be drawn, on all variants."""
    rng = random.Random(seed)
    found = []
    while len(found) < count:
        mnemonic = rng.choice(sorted(BY_MNEMONIC))
        a, operand = (rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256))) for _ in "ab")
        op = operate(
            mnemonic, a, operand, rng.randint(0, 1), rng.random() < 0.4, rng.choice(VARIANTS),
            rng.randrange(256),
        )  # fmt: skip
        if op.uses_chain or set(op.updated) & set("nz"):
            found.append(op)
    return found


@pytest.fixture
def drawn(tmp_path: Path, settling: Settling) -> dict[str, str]:
    """Every kind of figure, as text."""
    settled = tmp_path / "settle.vcd"
    with settled.open("w") as file:
        write_settling(settling, file)
    named = tmp_path / f"{'a long name ' * 20}.vcd"
    named.write_bytes((REFERENCE / "stack_wrap.vcd").read_bytes())
    figures = {name: operation_figure(operate(*given)) for name, given in DRAWN.items()}
    figures |= {
        f"part-{name}": operation_figure(operate(*given), part)
        for name, (part, given) in IN_PARTS.items()
    }
    figures["slide-ripple"] = ripple_figure(settling)
    figures["slide-ripple-logic"] = ripple_figure(settle("LSR", [0x81]))
    for name, asked in NAMED.items():
        figures[f"slide-{name}"] = map_figure([input_map(one) for one in asked], cursor=(0x80, 1))
    figures |= {f"random-{i}": operation_figure(op) for i, op in enumerate(operations(2, 24))}
    for path in tracked("waves/reference/*.vcd"):
        figures[path.stem] = timing_figure(path)
    figures["interrupts"] = timing_figure(
        REFERENCE / "nested_interrupts.vcd",
        ("clk", "irq_n", "nmi_n", "alu.operation", "mnemonic", "update", "control.clock_number"),
        30_000,
    )
    figures["long-name"] = timing_figure(named, ("clk", "mnemonic", "push", "pull"))
    figures["levels"] = timing_figure(REFERENCE / "signed_compare.vcd", ("clk", "status.n"))
    figures["one-clock"] = timing_figure(REFERENCE / "signed_compare.vcd", (), 254_000)
    figures["settling"] = timing_figure(settled)
    figures["flags"] = flag_table().figure()
    figures["hardware"] = hardware_figure()
    return {name: figure.render() for name, figure in figures.items()}


# In a browser


# Either takes as long as all else about figures; the browser's own font is wider than that one.
@pytest.mark.exhaustive
@pytest.mark.parametrize(
    ("dark", "font"),
    [(False, ""), (True, "DejaVu Sans")],
)
def test_every_figure_is_legible_in_a_browser(
    drawn: dict[str, str], judge_figures: Callable[..., Any], dark: bool, font: str
) -> None:
    told = judge_figures(drawn, dark, font)
    assert {name: one["found"] for name, one in told.items() if one["found"]} == {}
    assert len(told) == len(drawn) == len(DRAWN) + len(IN_PARTS) + 24 + 15 + 7
    assert min(one["texts"] for one in told.values()) >= 6
    background = PALETTE["background"][dark].lstrip("#")
    wanted = f"rgb({', '.join(str(byte) for byte in bytes.fromhex(background))})"
    assert {one["background"] for one in told.values()} == {wanted}


@pytest.mark.exhaustive
def test_the_browser_sees_text_that_overlaps_leaves_or_is_too_faint(
    judge_figures: Callable[..., Any],
) -> None:
    def figure() -> Figure:
        return Figure(300, 100, "planted", "a mistake")

    over, out, box, line, faint, right, wire = (figure() for _ in range(7))
    over.text(20, 40, "under")
    over.text(40, 44, "over")
    out.text(280, 40, "outside")
    box.rect(20, 20, 60, 30)
    box.text(30, 40, "too long for it")
    line.text(20, 40, "struck")
    line.line(0, 36, 300, 36)
    faint.text(20, 40, "faint", "quiet")
    right.rect(20, 20, 100, 30)
    right.text(30, 40, "right")
    right.line(0, 60, 300, 60)
    right.line(60, 0, 60, 15, name="wire-0")
    wire.rect(20, 20, 100, 30)
    wire.line(60, 5, 60, 80, name="wire-0")
    planted = {
        "over": over.render(), "out": out.render(), "box": box.render(), "line": line.render(),
        "faint": re.sub(r"(<text[^>]*)fill-quiet", r"\1fill-panel", faint.render()),
        "right": right.render(), "wire": wire.render(),
    }  # fmt: skip
    for dark, ratio in ((False, 1.1), (True, 1.2)):
        told = judge_figures(planted, dark)
        assert {name: one["found"] for name, one in told.items()} == {
            "over": ["'over' overlaps 'under'"],
            "out": ["'outside' leaves the figure"],
            "box": ["'too long for it' leaves its box"],
            "line": ["a line runs through 'struck'"],
            "faint": [f"'faint' has a contrast of {ratio}"],
            "right": [],
            "wire": ["a wire runs over a box"],
        }


def test_every_role_of_text_stands_out_in_both_schemes() -> None:
    """WCAG 2.2, 1.4.3 and 1.4.11: 4.5 for text and 3 for lines; relative luminance as it defines
    it (from memory)."""

    def luminance(colour: str) -> float:
        parts = [byte / 255 for byte in bytes.fromhex(colour.lstrip("#"))]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    checked = 0
    for role in (*TEXT_ROLES, "line"):
        for scheme in (0, 1):
            for ground in ("background", "panel"):
                ends = sorted(luminance(PALETTE[name][scheme]) for name in (role, ground))
                ratio = (ends[1] + 0.05) / (ends[0] + 0.05)
                assert ratio >= (3 if role == "line" else 4.5), (role, scheme, ground)
                checked += 1
    assert checked == 28


# The file


def test_every_figure_is_one_valid_file_of_its_own(drawn: dict[str, str]) -> None:
    for name, text in drawn.items():
        root = ET.fromstring(text)
        assert root.tag == f"{SVG}svg"
        assert root.attrib["role"] == "img"
        ids = [element.attrib["id"] for element in root.iter() if "id" in element.attrib]
        assert root.attrib["aria-labelledby"].split() == ids
        assert len(set(ids)) == len(ids) == 2
        title, description = (root.findtext(f"{SVG}{tag}") or "" for tag in ("title", "desc"))
        assert len(title) > 10, name
        assert len(description) > 40, name
        assert root.attrib["viewBox"] == f"0 0 {root.attrib['width']} {root.attrib['height']}"
        width = float(root.attrib["width"])
        assert width == 1280 or name.startswith(("part-", "slide-"))
        if name.startswith("part-"):
            sizes = [float(one.attrib["font-size"]) for one in root.iter(f"{SVG}text")]
            assert min(sizes) >= 0.02 * width, name
        assert len(root.findall(f"{SVG}style")) == 1
        tags = {element.tag.removeprefix(SVG) for element in root.iter()}
        allowed = {"svg", "title", "desc", "style", "rect", "text", "line", "path", "circle"}
        assert tags - allowed <= ({"image"} if name.startswith("slide-") else set())
        text = re.sub(r'href="data:image/png;base64,[A-Za-z0-9+/=]+"', "", text)
        assert not re.search(r"href|url\(|@import|src=|<script", text)
        assert text.endswith("</svg>\n")
        assert len(text) < 60_000
    # Figures in one page: two that show the same are the same.
    keys = {re.findall(r'id="(.*?)-title"', text)[0] for text in drawn.values()}
    assert len(keys) == len(set(drawn.values()))


def test_a_figure_is_the_same_bytes_at_every_run() -> None:
    for given in DRAWN.values():
        assert (
            operation_figure(operate(*given)).render() == operation_figure(operate(*given)).render()
        )
    path = REFERENCE / "stack_wrap.vcd"
    figure = timing_figure(path)
    assert figure.render() == figure.render() == timing_figure(path).render()
    assert flag_table().figure().render() == flag_table().figure().render()


def test_text_is_escaped_and_what_xml_cannot_hold_is_replaced() -> None:
    figure = Figure(100, 50, "a < b & \x00", 'says "\x1b"')
    figure.text(5, 20, "<a>&\x07\ud800")
    root = ET.fromstring(figure.render())
    assert root.findtext(f"{SVG}title") == "a < b & \ufffd"
    assert root.findtext(f"{SVG}desc") == 'says "\ufffd"'
    assert root.findtext(f"{SVG}text") == "<a>&\ufffd\ufffd"
    figure.render().encode()


def test_numbers_are_short_and_an_unknown_role_is_named() -> None:
    assert [number(value) for value in (1, 1.005, -0.001, 2.50, 1 / 3)] == [
        "1", "1", "0", "2.5", "0.33",
    ]  # fmt: skip
    figure = Figure(100, 50, "roles", "wrong ones")
    with pytest.raises(ValueError, match=r"^'line' is no role of a text: one of ink, quiet"):
        figure.text(0, 0, "a", "line")
    with pytest.raises(ValueError, match=r"^'blue' is no role: one of background, panel, ink"):
        figure.line(0, 0, 1, 1, "blue")


# One operation


def test_the_texts_of_a_chain_are_the_wires_worked_out_by_arithmetic() -> None:
    """Operands, carries, sum bits and flags as figure, JSON and plain arithmetic have them."""
    rng = random.Random(5)
    bytes_ = [0, 0x55, 0x80, 0xFF]
    pairs = [(a, m) for a in bytes_ for m in bytes_]
    pairs += [(rng.randrange(256), rng.randrange(256)) for _ in range(4)]
    checked = 0
    for a, m in pairs:
        carry = rng.randint(0, 1)
        for mnemonic, operand, enters in (
            ("ADC", m, carry), ("SBC", 255 - m, carry), ("CMP", 255 - m, 1),
            ("DEY", 255, 0), ("INX", 0, 1), ("ASL", a, 0), ("ROL", a, carry),
        ):  # fmt: skip
            op = operate(mnemonic, a, m, carry)
            figure = operation_figure(op)
            shown, told = texts(figure), op.to_json()
            total = a + operand + enters
            for i in range(9):
                below = a % (1 << i) + operand % (1 << i) + enters
                assert shown[f"carry-{i}"] == str(below >> i & 1) == str(told["carries"][i])
            for i in range(8):
                x, y = a >> i & 1, operand >> i & 1
                assert shown[f"a-{i}"] == str(x)
                assert shown[f"operand-{i}"] == str(y)
                assert shown[f"sum-{i}"] == str(total >> i & 1)
                assert shown[f"kind-{i}"] == ("stop", "pass", "make")[x + y]
                if mnemonic in ("SBC", "CMP"):
                    assert shown[f"b-{i}"] == str(1 - y)
            signs = [byte - 256 * (byte > 127) for byte in (a, operand)]
            wanted = {
                "n": total >> 7 & 1, "z": int(total % 256 == 0), "c": total >> 8,
                "v": int(not -128 <= sum(signs) + enters <= 127),
            }  # fmt: skip
            updated = {"ADC": "nvzc", "SBC": "nvzc", "DEY": "nz", "INX": "nz"}.get(mnemonic, "nzc")
            flags = {name[5:]: text for name, text in shown.items() if name.startswith("flag-")}
            assert flags == {flag: str(wanted[flag]) for flag in updated}
            assert flags == {f: str(v) for f, v in told["flags"].items() if v is not None}
            checked += 1
    assert checked == 20 * 7


def test_every_drawn_flag_is_the_hardware_s_and_no_other_is_drawn() -> None:
    checked = 0
    for op in operations(7, 200):
        figure = operation_figure(op)
        shown = texts(figure)
        which = "p-" if op.mnemonic in ("PLP", "RTI") else "flag-"
        flags = {
            name.removeprefix(which): text for name, text in shown.items() if name.startswith(which)
        }
        assert flags == {flag: str(op.after[flag]) for flag in op.updated}
        for flag in op.updated:
            assert f"{flag.upper()} becomes {op.after[flag]}" in figure.description
        if "result-0" in shown:
            bits = "".join(shown[f"result-{i}"] for i in range(7, -1, -1))
            assert bits == f"{op.alu['result']:08b}"
        checked += len(flags)
    assert checked > 350


def test_a_planted_wrong_carry_is_seen() -> None:
    op = operate("ADC", 0x50, 0x50)
    op.alu["carry"] ^= 1 << 7
    assert texts(operation_figure(op))["carry-7"] == "0"
    assert texts(operation_figure(operate("ADC", 0x50, 0x50)))["carry-7"] == "1"


def test_a_one_is_thick_and_a_zero_is_thin() -> None:
    """No wire tells its value by colour alone: the two kinds differ in weight, too."""
    weights: dict[str, set[str]] = {}
    for given in DRAWN.values():
        root = ET.fromstring(operation_figure(operate(*given)).render())
        for path in root.iter(f"{SVG}path"):
            name = path.attrib["class"].split()[-1]
            if name.startswith("wire-"):
                weights.setdefault(name, set()).add(path.attrib.get("stroke-width", "1"))
    assert weights == {"wire-0": {"1"}, "wire-1": {"3"}}


def test_a_decimal_correction_shows_what_is_added_to_each_digit() -> None:
    """B. Clark, *Decimal Mode*: 19 + 28 = 47 (READ); 58 + 46 + 1 = 105, 12 - 21 = 91 with borrow
    (from memory)."""

    def words(*given: Any) -> str:
        return operation_figure(operate(*given)).render()

    plain = words("ADC", 0x19, 0x28, 0, True)
    assert ">high digit as it is<" in plain
    assert ">low digit + 6<" in plain
    assert ">$47<" in plain
    over = words("ADC", 0x58, 0x46, 1, True)
    assert ">high digit + 6<" in over
    assert ">c4 is 1 because the low digits make 15: ten or more<" in over
    assert ">$05<" in over
    assert ">carry<" in over
    borrow = words("SBC", 0x12, 0x21, 1, True)
    assert ">high digit - 6<" in borrow
    assert ">$91<" in borrow
    assert ">borrow<" in borrow
    assert "digit" not in words("ADC", 0x58, 0x46, 1, True, "binary").replace("digits", "")
    assert ">a digit is above 9:<" in words("ADC", 0x0F, 0x0F, 1, True)


def test_the_description_tells_what_the_figure_shows() -> None:
    figure = operation_figure(operate("ADC", 0x50, 0x50))
    assert figure.title == "ADC $50, $50: A + M + C; nmos, binary; before: C 0, D 0"
    assert figure.description == (
        "Eight full adders in a row, bit 7 on the left. A is $50, 80 unsigned and +80 signed. M is "
        "$50, 80 unsigned and +80 signed. From bit 7 to bit 0 they stop make stop make stop stop "
        "stop stop a carry. The carries c8 to c0 are 0 1 0 1 0 0 0 0 0. The sum is $A0, 160 "
        "unsigned and -96 signed. On the circle: unsigned: 80 + 80 = 160, within 255. signed: 80 + "
        "80 = 160, past 127; it crosses the border: overflow. N becomes 1: bit 7 of sum is 1; "
        "signed: -96 is negative. V becomes 1: c8 XOR c7 = 0 XOR 1; signed: 80 + 80 = 160, past "
        "127. Z becomes 0: a bit of sum is 1; the sum is not zero. C becomes 0: c8 is 0; unsigned: "
        "80 + 80 = 160, within 255. Left alone: D I."
    )


def test_a_move_crosses_the_border_where_the_sum_does_not_fit() -> None:
    """On all inputs: the unsigned border is the carry or borrow, the signed one the overflow."""
    checked = 0
    for a in range(256):
        sa = a - 256 * (a > 127)
        for m in range(256):
            sm = m - 256 * (m > 127)
            for carry in (0, 1):
                assert Move(a, m + carry, "", "").crosses == (a + m + carry > 255)
                assert Move(a, -m - carry, "", "").crosses == (a - m - carry < 0)
                near = Move(a, sm + carry, "", "", border=128)
                assert near.crosses == (not -128 <= sa + sm + carry <= 127)
                far = Move(a, -sm - carry, "", "", border=128)
                assert far.crosses == (not -128 <= sa - sm - carry <= 127)
                checked += 1
    assert checked == 131_072


@pytest.mark.exhaustive
def test_the_moves_on_the_circle_agree_with_the_flags() -> None:
    rng, checked = random.Random(11), 0
    for mnemonic in ("ADC", "SBC", "CMP", "ASL", "ROL"):
        for _ in range(100):
            a, m, carry = rng.randrange(256), rng.randrange(256), rng.randint(0, 1)
            op = operate(mnemonic, a, m, carry)
            far, near = moves(op, False)
            assert far is not None
            assert far.crosses == (op.after["c"] == (mnemonic not in ("SBC", "CMP")))
            assert (far.start + far.steps) % 256 == op.alu["sum"]
            if near is not None:
                assert (near.start + near.steps) % 256 == op.alu["sum"]
                assert "v" not in op.updated or near.crosses == bool(op.after["v"])
                assert ("past" in near.words or "below" in near.words) == near.crosses
            checked += 1
    for _ in range(100):
        digits = [rng.randrange(10) * 16 + rng.randrange(10) for _ in "ab"]
        mnemonic, carry = rng.choice(("ADC", "SBC")), rng.randint(0, 1)
        op = operate(mnemonic, *digits, carry, True)
        far, near = moves(op, True)
        assert near is None
        assert far is not None
        end = (far.start + far.steps) % 100
        assert op.result == end // 10 * 16 + end % 10
        assert far.crosses == (op.after["c"] == (mnemonic == "ADC"))
        checked += 1
    assert checked == 600


@pytest.mark.parametrize(
    ("given", "near", "far"),
    [
        (("CMP", 0x80, 0x01), "below -128; V is left alone", "unsigned: 128 - 1 = 127, no borrow"),
        (("CMP", 0x7F, 0xFF), "past 127; V is left alone", "unsigned: 127 - 255 = -128, a borrow"),
        (("INC", 0, 0x7F), "past 127; V is left alone", "unsigned: 127 + 1 = 128"),
        (("DEC", 0, 0x80), "below -128; V is left alone", "unsigned: 128 - 1 = 127"),
    ],
)
def test_a_move_past_the_signed_range_says_that_v_is_left_alone(
    given: tuple[Any, ...], near: str, far: str
) -> None:
    op = operate(*given)
    unsigned, move = moves(op, False)
    assert unsigned is not None
    assert move is not None
    assert (move.crosses, move.crossed, unsigned.words) == (True, near, far)
    assert move.words.endswith(near.split(";")[0])
    drawn = operation_figure(op).render()
    assert ">V is left alone<" in drawn
    assert "overflow" not in drawn


def test_every_instruction_and_entry_has_a_figure_that_tells_its_flags() -> None:
    drawn = 0
    for mnemonic in NAMES:
        op = operate(mnemonic, 0x50, 0x50, status=0x30)
        figure = operation_figure(op)
        if mnemonic == "BRK":
            assert figure.render() == op._repr_svg_()
        for flag in op.updated:
            assert f"{flag.upper()} becomes {op.after[flag]}" in figure.description, mnemonic
        drawn += 1
    assert drawn == 56 + 3


def test_the_status_byte_is_drawn_bit_by_bit_and_the_register_has_no_b() -> None:
    """B is 1 where BRK and PHP push it, and 0 where IRQ and NMI do (from memory)."""
    checked = 0
    for mnemonic, b in (("BRK", 1), ("PHP", 1), ("IRQ", 0), ("NMI", 0)):
        for p in (0x00, 0xC3, 0xCB):
            op = operate(mnemonic, 0, 0, p & 1, bool(p & 8), status=p)
            shown = texts(operation_figure(op, "stack"))
            byte = p | 0x20 | b << 4
            assert "".join(shown[f"status-{i}"] for i in range(7, -1, -1)) == f"{byte:08b}"
            flags = {name[2:]: int(text) for name, text in shown.items() if name[:2] == "p-"}
            assert flags == {
                f: p >> bit & 1 for f, bit in zip("nvdizc", (7, 6, 3, 2, 1, 0), strict=True)
            }
            checked += 1
    assert checked == 12
    pulled = texts(operation_figure(operate("PLP", 0, 0x3D)))
    assert [pulled[f"p-{flag}"] for flag in "nvdizc"] == [*"001101"]


def test_the_stack_is_drawn_as_the_bus_wrote_it() -> None:
    cells = 0
    for mnemonic in ("BRK", "IRQ", "NMI", "JSR", "PHA", "PHP"):
        for sp in (0xFD, 0x00, 0x01):
            op = operate(mnemonic, 0x5A, sp=sp)
            shown = texts(operation_figure(op, "stack"))
            wrote = {f"{one.address:04X}": f"{one.byte:02X}" for one in op.bus if one.kind == "W"}
            found = {name[6:]: text for name, text in shown.items() if name[:6] == "stack-"}
            assert found == wrote, mnemonic
            cells += len(found)
    assert cells == 3 * (3 + 3 + 3 + 2 + 1 + 1)


def test_the_sum_s_bit_is_drawn_where_the_carry_meets_it() -> None:
    """Of each bit: a wire from the carry that comes in, into the XOR that makes the sum."""
    root = ET.fromstring(operation_figure(operate("ADC", 0x01, 0x7F)).render())
    rings = [one for one in root.iter(f"{SVG}circle") if "xor-" in one.attrib["class"]]
    assert len(rings) == 8
    ends = {}
    for path in root.iter(f"{SVG}path"):
        if " wire-" in path.attrib["class"]:
            last = path.attrib["d"].split("L")[-1]
            ends[last] = path.attrib["class"]
    for ring in rings:
        place = f"{number(float(ring.attrib['cx']) + 6)} {ring.attrib['cy']}"
        i = int(ring.attrib["class"].split("xor-")[1])
        assert ends[place].endswith(f"wire-{int(0 < i < 8)}"), i  # the carries c1 to c7 are 1


@pytest.mark.parametrize(
    ("part", "given", "message"),
    [
        ("circle", ("LDA", "5"), "LDA has no circle to draw: it is no move on the circle"),
        ("stack", ("LDA", "5"), "LDA has no stack to draw: it leaves the stack alone"),
        ("adder", ("PHP",), "PHP has no adder to draw: its result is not the adder's"),
        ("flags", ("SEC",), "SEC has no flags to draw: no bit of a result decides one"),
        ("flags", ("BNE", "5"), "BNE has no flags to draw: no bit of a result decides one"),
    ],
)
def test_a_part_that_there_is_not_is_refused(
    carrywave: Callable[..., Any], tmp_path: Path, part: str, given: tuple[str, ...], message: str
) -> None:
    path = tmp_path / "none.svg"
    wanted = (2, "", f"carrywave: {message}\n")
    assert carrywave("op", *given, "--svg", path, "--part", part) == wanted
    assert not path.exists()


def test_a_small_move_beside_the_border_is_magnified() -> None:
    assert ">magnified<" in operation_figure(operate("CMP", 0x80, 0x01)).render()
    assert ">magnified<" not in operation_figure(operate("ADC", 0x50, 0x50)).render()
    for name, mnemonic, ghosts in (("cmp", "CMP", 1), ("sbc", "SBC", 0)):
        shown = texts(operation_figure(operate(mnemonic, 0x80, 0x01, 1)))
        assert ("ghost-v" in shown) == bool(ghosts), name
    assert texts(operation_figure(operate("CMP", 0x80, 0x01)))["ghost-v"] == "(V 1)"


def test_the_command_offers_the_parts_and_maps_that_there_are() -> None:
    part = next(param for param in op_command.params if param.name == "part")
    assert {*part.type.choices} == {*WHY} == {kind for kind, _ in IN_PARTS.values()}
    named = next(param for param in map_command.params if param.name == "named")
    assert [*named.type.choices] == [*NAMED]


def test_op_writes_its_figure(carrywave: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "adc.svg"
    status, out, err = carrywave("op", "ADC", "0x50", "0x50", "--svg", path)
    assert (status, err) == (0, "")
    assert "bit 7 of sum is 1" in out
    assert path.read_text() == operation_figure(operate("ADC", 0x50, 0x50)).render()


def test_a_figure_that_cannot_be_written_is_named(
    carrywave: Callable[..., Any], tmp_path: Path
) -> None:
    path = tmp_path / "no" / "folder.svg"
    wanted = (2, "", f"carrywave: {path}: No such file or directory\n")
    assert carrywave("op", "ADC", "1", "1", "--svg", path) == wanted
    assert carrywave("flags", "-o", path) == wanted
    assert carrywave("draw", REFERENCE / "stack_wrap.vcd", "-o", path) == wanted


def test_a_load_does_not_name_what_the_register_held_before() -> None:
    assert operation_figure(operate("LDA", 3, 0x80)).title == ("LDA $80: M into A; nmos, binary")


def test_the_figure_that_the_readme_shows_is_what_its_command_draws(
    carrywave: Callable[..., Any], tmp_path: Path
) -> None:
    readme = (HOUSE / "README.md").read_text(encoding="utf-8")
    command = re.search(r"carrywave op (.+) --svg add_overflow\.svg", readme)
    assert command
    assert "](waves/reference/add_overflow.svg)" in readme
    path = tmp_path / "again.svg"
    assert carrywave("op", *command[1].split(), "--svg", path)[0] == 0
    assert path.read_bytes() == (REFERENCE / "add_overflow.svg").read_bytes()


def test_the_picture_of_the_hardware_is_that_of_the_source() -> None:
    """To draw it anew, write this to that file."""
    kept = (REFERENCE / "hardware.svg").read_text()
    assert "](waves/reference/hardware.svg)" in (HOUSE / "README.md").read_text(encoding="utf-8")
    assert hardware_figure().render() == kept
    texts = ["".join(one.itertext()) for one in ET.fromstring(kept).iter(f"{SVG}text")]
    for kind in ("Unit", "Control", "Decoder", "Alu", "DecimalCorrection", "StatusRegister"):
        assert texts.count(kind) == 2, kind  # in the tree, and with its ports
    with planted([Edit("alu", '"decimal": In(1)', '"decimal": In(2)', "the picture")]):
        other = hardware_figure().render()
    assert other != kept
    assert (">decimal<" in kept, ">decimal 2<" in other) == (True, True)
