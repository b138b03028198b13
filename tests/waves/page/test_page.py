"""The page in headless Chromium: every control, by mouse and by keys alone; what a link brings."""

from __future__ import annotations

import re
import shutil
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from tracked import tracked

from carrywave.waves.page.html import page_of

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.skipif(
    shutil.which("chromium") is None, reason="chromium is not installed: no page is opened"
)
SWITCHES = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
Opened = Callable[..., Any]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "page.html"
    listings = ("nested_interrupts", "decimal_count", "table_walk")
    path.write_text(
        page_of([str(tracked(f"waves/programs/{name}.s")[0]) for name in listings]),
        encoding="utf-8",
    )
    return path


@pytest.fixture(scope="module")
def one_page() -> Iterator[tuple[Any, list[str]]]:
    """A page that all tests share, for a browser takes longer to start than most of them; and what
    it complained of, or asked of a network."""
    complaints: list[str] = []
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(
            executable_path=shutil.which("chromium"), args=[*SWITCHES]
        )
        page = browser.new_page()
        page.set_default_timeout(60_000)
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda asked: complaints.append(asked.url)
                if not asked.url.startswith(("about:", "file:", "blob:")) else None)  # fmt: skip
        yield page, complaints
        browser.close()


FOLLOW = """address => {
  history.replaceState(null, "", address);
  dispatchEvent(new HashChangeEvent("hashchange"));
}"""


@pytest.fixture
def opened(written: Path, one_page: tuple[Any, list[str]]) -> Iterator[Opened]:
    """Brings what an address says; at the end nothing may have been complained of."""
    page, complaints = one_page
    complaints.clear()

    def open_page(
        address: str = "",
        width: int = 1280,
        scheme: str = "light",
        anew: bool = False,
        height: int = 400,
    ) -> Any:
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        if anew or page.url == "about:blank":
            page.goto("about:blank")  # or another address of the same page would not open it
            page.goto(written.as_uri() + address)
            page.wait_for_selector("html[data-ready]")
        else:  # as a link in the page
            page.evaluate(FOLLOW, address or "#")
        return page

    yield open_page
    assert complaints == []


def wait_for(page: Any, expression: str) -> None:
    """Until it is true; asked again and again, for the page's policy lets nobody else look."""
    for _ in range(200):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never: {expression}")


def flags(page: Any) -> list[str]:
    return [text.split("\n")[0] for text in page.locator(".flag-row").all_inner_texts()]


def test_the_page_opens_and_one_bit_turned_over_changes_all(opened: Opened) -> None:
    page = opened()
    assert flags(page) == ["N 1", "V 1", "Z 0", "C 0"]
    assert page.locator("#op-command").inner_text() == "carrywave op ADC 0x50 0x50"
    page.locator("[data-key=m7]").click()
    assert flags(page) == ["N 0", "V 0", "Z 0", "C 1"]
    assert page.locator("#op-command").inner_text() == "carrywave op ADC 0x50 0xD0"
    assert page.locator("#map-here").inner_text() == "A +80, M -48: V is 0"
    wait_for(page, "location.hash === '#m=D0'")
    page.locator("[data-key=flag-v]").hover()
    assert page.locator("#because").inner_text().startswith("V is 0 because c8 XOR c7 = 1 XOR 1")


def test_each_control_of_the_operation(opened: Opened) -> None:
    page = opened()
    page.select_option("select[name=op]", "SBC")
    page.select_option("select[name=on]", "cmos")
    page.fill("input[name=a]", "-128")
    page.fill("input[name=m]", "%00000001")
    page.click("button[name=c]")
    page.click("button[name=d]")
    wanted = "carrywave op SBC 0x80 0x01 --carry 1 --decimal --variant cmos"
    assert page.locator("#op-command").inner_text() == wanted
    page.fill("input[name=a]", "300")
    assert (
        page.locator("#asked-wrong").inner_text()
        == "A is 300: a byte goes from -128 to 255, or $00 to $FF"
    )
    page.fill("input[name=a]", "x")
    assert page.locator("#asked-wrong").inner_text().startswith('A: "x" is no byte')
    assert page.locator("#op-command").inner_text() == wanted
    page.fill("input[name=a]", "$50")
    assert not page.locator("#asked-wrong").is_visible()
    chips = page.locator("#examples button")
    seen = set()
    for i in range(chips.count()):
        chips.nth(i).click()
        seen.add(page.locator("#op-command").inner_text())
    assert len(seen) == chips.count() == 6
    told = page.evaluate(EACH_INSTRUCTION)
    assert len(told) == 19
    for mnemonic, (title, *reasons) in told.items():
        assert title.startswith(f"{mnemonic}: ")
        assert all(len(reason) > 20 for reason in reasons), mnemonic


#: Each instruction is chosen, and two bits of what comes of it are pointed at.
EACH_INSTRUCTION = """() => {
  const choice = document.querySelector("select[name=op]"), found = {};
  const words = id => document.getElementById(id).textContent;
  for (const {value} of [...choice.options]) {
    choice.value = value;
    choice.dispatchEvent(new Event("change"));
    found[value] = [words("op-title")];
    for (const bit of [7, 0]) {
      document.querySelector(`[data-key=sum${bit}]`).dispatchEvent(new Event("pointerenter"));
      found[value].push(words("because"));
    }
  }
  return found;
}"""


def test_the_carry_creeps_and_v_is_wrong_meanwhile(opened: Opened) -> None:
    page = opened("#op=ADC&a=FF&m=01")
    last = int(page.locator("#delay").get_attribute("max"))
    assert last == 24
    wrong = []
    for step in range(0, last + 1, 3):
        page.locator("#delay").fill(str(step))
        if "V still shows 1" in page.locator("#delay-told").inner_text():
            wrong.append(step)
            assert page.locator(".flag-box.not-yet").count()
    assert wrong
    assert page.locator("#delay-told").inner_text() == "24 gate delays: all at rest"
    assert page.locator(".not-yet").count() == 0
    page.locator("#delay").fill("3")
    assert page.locator("#op-command").inner_text() == "carrywave settle ADC 0xFF 0x01"
    page.click("#play")
    assert page.locator("#play").inner_text() == "Stop"
    page.click("#play")
    assert page.locator("#play").inner_text() == "Play"


#: What is counted of each map; the last one, a claim, stays.
EACH_MAP = """() => {
  const choice = document.querySelector("select[name=map]"), found = {};
  for (const {value} of [...choice.options]) {
    choice.value = value;
    choice.dispatchEvent(new Event("change"));
    found[value] = document.getElementById("map-count").textContent;
  }
  return found;
}"""


def test_each_control_of_the_map(opened: Opened) -> None:
    page = opened("#op=CMP&a=80&m=01&map=v", height=800)
    page.fill("input[name=claim]", "n == (signed(a) < signed(m))")
    page.select_option("select[name=map]", "v")
    counts = {kind: told.split(" of ")[0] for kind, told in page.evaluate(EACH_MAP).items()}
    assert len(counts) == 20
    assert (counts["n"], counts["v"], counts["nxv"]) == ("32,768", "16,384", "32,640")
    assert counts["claim"] == "16,384"
    assert "n != v" in page.locator("#map-claim").inner_text()
    page.select_option("select[name=axes]", "unsigned")
    assert page.locator(".mark-x").all_inner_texts() == ["0", "64", "128", "192", "255"]
    page.fill("input[name=claim]", "c == (a >= m)")
    assert "holds on all 65,536" in page.locator("#map-claim").inner_text()
    page.fill("input[name=claim]", "c == (a >= mm)")
    assert page.locator("#claim-wrong").inner_text().startswith("no name 'mm' here")
    page.select_option("select[name=op]", "SBC")
    page.fill("input[name=claim]", "c == (a >= m)")
    for condition, told in {
        "carry_in and not decimal": "holds on all 65,536 inputs that meet the condition",
        "carry_in == 0 and a != m": "holds on all",
        "carry_in == 0": "fails on 512 of 131,072",
    }.items():
        page.fill("input[name=given]", condition)
        assert told in page.locator("#map-claim").inner_text(), condition
        assert f'--given "{condition}"' in page.locator("#map-command").inner_text()
    for condition, told in {"mm": "no name 'mm' here", "a == 256": "no input meets"}.items():
        page.fill("input[name=given]", condition)
        assert page.locator("#claim-wrong").inner_text().startswith(told)
        assert page.locator("input[name=given]").get_attribute("aria-invalid") == "true"
    page.fill("input[name=given]", "")
    page.select_option("select[name=op]", "CMP")
    pad = page.locator(".pad")
    pad.scroll_into_view_if_needed()
    box = pad.bounding_box()
    page.mouse.move(box["x"] + 5, box["y"] + 5)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] - 2, box["y"] + box["height"] - 2)
    page.mouse.up()
    assert page.locator("#map-here").inner_text().startswith("A 255, M 0")
    for i in range(3):
        page.locator(".fold-one").nth(i).click()
    assert page.locator("select[name=map]").input_value() == "nxv"
    with page.expect_download() as saved:
        page.click("#map-save")
    assert saved.value.suggested_filename == "map.svg"


def test_a_game_is_played(opened: Opened) -> None:
    page = opened()
    for turn in (1, 2):
        assert page.locator("[data-key=guess-go]").is_disabled()
        for flag in "nvzc":
            page.locator(f"[data-key=guess-{flag}-0]").click()
        page.locator("[data-key=guess-go]").click()
        told = page.locator("#game").inner_text()
        assert f"of {4 * turn} flags" in told
        (right,) = map(int, re.findall(r"Score: (\d+) of", told))
        assert len(re.findall("✓|✗", told)) == 4
        assert right <= 4 * turn
        page.locator("[data-key=guess-go]").click()


def test_a_listing_forwards_backwards_and_changed(opened: Opened) -> None:
    page = opened()
    now, score = page.locator("#run-now"), page.locator("[data-key=score]")
    assert now.inner_text().startswith("Clock 45: IRQ reads E6 at 0218")  # its first interrupt
    assert page.locator(".stack .held").count() == 0
    score.focus()
    page.keyboard.press("Home")
    assert page.locator(".stack .held").count() == 0
    begin = now.inner_text()
    score.focus()
    for key in ("PageDown", "ArrowRight", "PageDown", "ArrowLeft", "PageUp", "PageUp"):
        page.keyboard.press(key)
    assert now.inner_text() == begin
    assert begin.startswith("Clock 0:")
    page.fill("#run-clock", "50")
    page.keyboard.press("Enter")
    assert page.locator(".stack .held .cell-byte").all_inner_texts() == ["02", "18", "28"]
    page.fill("#run-clock", "0")
    page.keyboard.press("Enter")
    page.select_option("#run-stop", "interrupt or BRK")
    page.get_by_label("On to the next of these").click()
    assert now.inner_text().startswith("Clock 45: IRQ reads E6 at 0218")
    page.locator("#run-words summary").click()
    rows = [row.split("\t") for row in page.locator(".bus tbody tr").all_inner_texts()]
    order = [row[2:4] for row in rows if 45 <= int(row[0]) <= 51]
    assert order == [
        ["reads", "0218"], ["reads", "0218"], ["writes", "01FF"], ["writes", "01FE"],
        ["writes", "01FD"], ["reads", "FFFE"], ["reads", "FFFF"],
    ]  # fmt: skip
    assert page.locator(".note.writes .byte").all_text_contents().count("28") >= 1
    for stop, key, shown in (
        ("push", "End", "pushed"),
        ("pull", "End", "pulled"),
        ("page crossing", "End", "none follows"),
    ):
        page.select_option("#run-stop", stop)
        score.focus()
        page.keyboard.press(key)
        assert shown in page.locator("#clocks").inner_text()
    page.select_option("#run-stop", "write to")
    page.fill("#run-write", "BREAKS")
    page.get_by_label("On to the next of these").click()
    assert now.inner_text().startswith("Clock 232: INC writes 00 at 0015")
    page.fill("#run-clock", "500")
    page.keyboard.press("Enter")
    page.get_by_label("Back to the last of these").click()
    assert now.inner_text().startswith("Clock 233: INC writes 01 at 0015")
    page.fill("#run-write", "nowhere")
    page.get_by_label("On to the next of these").click()
    assert "is no address" in page.locator("#run-wrong").inner_text()
    page.fill("#run-clock", "180")
    page.keyboard.press("Enter")
    page.fill("#run-at", "001F")
    page.fill("#run-byte", "$77")
    page.get_by_label("Change the byte").click()
    assert page.locator(".memory .chosen").inner_text() == "77"
    page.locator("[data-key=pulse-nmi_n]").click()
    page.locator("[data-key=hold-reset_n]").click()
    assert page.locator(".edits li").count() == 4
    assert page.locator("[data-key=hold-reset_n]").get_attribute("aria-checked") == "true"
    wait_for(page, "location.hash.includes('-reset-0')")
    address = page.evaluate("location.hash")
    shown = page.locator("#run").inner_text()
    page = opened(address, anew=True)
    now = page.locator("#run-now")
    assert page.locator("#run").inner_text() == shown
    page.locator(".edits button").first.click()
    assert page.locator(".edits li").count() == 3
    page.fill("#run-clock", "246")
    page.keyboard.press("Enter")
    page.select_option("select[name=list]", "decimal_count.s")
    page.select_option("select[name=unit]", "cmos")
    assert now.inner_text().startswith("Clock 7: LDX reads A2")  # no interrupt there
    with page.expect_download() as saved:
        page.click("#run-save")
    assert saved.value.suggested_filename == "clocks.svg"
    kept = ElementTree.parse(saved.value.path())
    notes = [one for one in kept.iter() if one.get("paint-order", "").startswith("stroke")]
    assert len(notes) > 5  # addresses on the bus: without it the paper would cover them


def test_the_cursor_is_dragged_over_the_score(opened: Opened) -> None:
    page = opened("#clock=49", height=900)
    score = page.locator("#score")
    score.scroll_into_view_if_needed()

    def middle_of(clock: int) -> tuple[float, float]:
        box = page.locator(".note").nth(0).bounding_box()
        cursor = page.locator(".cursor").bounding_box()
        at = int(page.locator(".lanes").get_attribute("aria-valuenow"))
        return cursor["x"] + (clock - at + 0.5) * cursor["width"], box["y"] + 60

    page.mouse.move(*middle_of(49))
    page.mouse.down()
    for clock in (50, 51, 47):
        page.mouse.move(*middle_of(clock))
        assert page.locator("#run-now").inner_text().startswith(f"Clock {clock}:")
    page.mouse.up()
    page.mouse.move(*middle_of(52))
    assert page.locator("[data-key=score]").get_attribute("aria-valuenow") == "47"
    told = page.locator("[data-key=score]").get_attribute("aria-valuetext")
    assert told == "Clock 47: IRQ writes 02 at 01FF, PC, high byte, pushed"
    page.locator(".sequence", has_text="PLA").first.click()
    assert page.locator("#run-now").inner_text().startswith("Clock 55: PLA")


def test_names_are_explained_where_they_stand(opened: Opened) -> None:
    page = opened()
    bar = page.locator("#term")
    names = page.locator("[data-term]")
    assert names.count() > 20
    for name in {names.nth(i).get_attribute("data-term") for i in range(names.count())}:
        page.locator(f"[data-term={name}]").last.focus()
        assert bar.is_visible()
        assert len(bar.inner_text()) > 30
    page.keyboard.press("Escape")
    assert not bar.is_visible()


def test_the_keyboard_reaches_and_does_everything(opened: Opened) -> None:
    page = opened()
    page.evaluate(
        "document.addEventListener('focusin', ({target: e}) => (window.reached ||= [])"
        ".push(e.dataset.key || e.id || e.name))"
    )
    for _ in range(160):
        page.keyboard.press("Tab")
    reached = {*page.evaluate("window.reached")}
    assert {"op", "on", "a", "m", "c", "d", "a7", "m7", "sum7", "flag-v", "reason-n", "delay",
            "play", "op-save", "map", "claim", "axes", "guess-n-0", "list", "run-clock",
            "run-stop", "score", "hold-irq_n", "pulse-nmi_n", "run-save"} <= reached  # fmt: skip
    page.locator("[data-key=a7]").focus()
    for key in ("ArrowRight", "ArrowDown", "Space"):
        page.keyboard.press(key)
    assert page.locator("#op-command").inner_text() == "carrywave op ADC 0x50 0x10"
    assert page.evaluate("document.activeElement.dataset.key") == "m6"
    page.locator("[data-key=map]").focus()
    for key in ("ArrowUp", "Shift+ArrowRight", "ArrowLeft"):
        page.keyboard.press(key)
    assert page.locator("#op-command").inner_text() == "carrywave op ADC 0x5F 0x11"
    page.locator("[data-key=score]").focus()
    page.keyboard.press("Home")
    page.locator("[data-key=hold-irq_n]").focus()
    for key in (".", ".", ",", "PageDown"):
        page.keyboard.press(key)
    assert page.locator("#run-now").inner_text().startswith("Clock 7:")
    for key, pin, low in (("Enter", "irq", True), ("n", "nmi", True), ("n", "nmi", False)):
        page.keyboard.press(key)
        held = page.locator(f"[data-key=hold-{pin}_n]").get_attribute("aria-checked")
        assert held == ("true" if low else "false")
    assert page.evaluate("document.activeElement.dataset.key") == "hold-irq_n"
    assert page.locator("#said").inner_text()


BAD_LINKS = {
    "#a=300": "a must be 00 to FF",
    "#op=NOP": 'the instruction "NOP" is not known',
    "#clock=-5": "clock must be 0 to 1000000",
    "#edits=1-zz": '"1-zz" is no change of a byte or a pin',
    "#claim=%E0%A4%A": "claim cannot be read",
    "#__proto__=1&toString=2": '"__proto__" means nothing here; "toString" means nothing here',
    "#list=<img src=x onerror=alert(1)>": "the listing",
}


def test_a_bad_link_is_told_and_never_taken_for_markup(opened: Opened) -> None:
    page = opened("#a=300", anew=True)
    assert flags(page) == ["N 1", "V 1", "Z 0", "C 0"]
    for address, told in BAD_LINKS.items():
        page.evaluate("address => { location.hash = address; }", address)
        wait_for(page, f"document.getElementById('told').textContent.includes({told!r})")
    page.evaluate("location.hash = '#map=claim&claim=' + encodeURIComponent('<img src=x>')")
    wait_for(page, "document.getElementById('claim-wrong').textContent.length > 0")
    assert page.locator("img").count() == 0


def test_a_link_brings_the_same_back(opened: Opened) -> None:
    address = "#op=SBC&on=cmos&a=80&m=01&c=1&d=1&map=claim&axes=unsigned&claim=v&unit=cmos&clock=60"
    page = opened(address, anew=True)
    assert not page.locator("#told").is_visible()
    page.locator("[data-key=a0]").click()
    page.locator("[data-key=a0]").click()
    page.wait_for_timeout(300)
    assert page.evaluate("location.hash") == address


SCENES = (
    "#", "#op=CMP&a=80&m=01&map=claim&clock=49", "#op=ADC&a=99&m=01&d=1&delay=5&clock=100",
    "#op=BIT&a=FF&m=C0&clock=200", "#op=ROR&a=81&c=1&map=c7",
)  # fmt: skip


@pytest.mark.parametrize(
    ("width", "scheme", "scenes"),
    [(360, "light", SCENES), (768, "light", SCENES[:1]), (1280, "dark", SCENES[:3]),
     (1920, "light", SCENES[1:2]), (3840, "dark", SCENES[:1])],
)  # fmt: skip
def test_nothing_overlaps_or_is_faint(
    opened: Opened, width: int, scheme: str, scenes: tuple[str, ...]
) -> None:
    script = (Path(__file__).parent / "judge_page.js").read_text()
    page = opened(width=width, scheme=scheme)
    for scene in scenes:
        page.evaluate("address => { location.hash = address; }", scene)
        page.wait_for_timeout(250)
        told = page.evaluate(script)
        assert told["texts"] > 200
        assert told["found"] == [], scene
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_judge_sees_what_is_planted(opened: Opened) -> None:
    script = (Path(__file__).parent / "judge_page.js").read_text()
    page = opened()
    page.evaluate(
        "document.getElementById('op-mode').style.cssText = 'margin-left: -80px; color: #ccc'"
    )
    found = page.evaluate(script)["found"]
    assert any("overlaps" in one for one in found)
    assert any("contrast" in one for one in found)
