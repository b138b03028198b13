"""The command `page`: one file that needs nothing else, within its size; what it refuses."""

from __future__ import annotations

import base64
import fnmatch
import hashlib
import re
import tomllib
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest
from tracked import HOUSE, tracked

Answer = tuple[int, str, str]
LISTING = "  .org $0200\n; </script><script>alert(1)</script>\nDONE: JMP DONE\n"
MOST = 400_000  # bytes, with one listing


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("done.s").write_text(LISTING)


class Seen(HTMLParser):
    """The elements of a page, and the texts of its scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attributes)))

    def handle_data(self, data: str) -> None:
        if self.elements and self.elements[-1][0] in ("script", "style"):
            self.inside.append(data)


def test_the_page_is_one_file_that_lets_nothing_else_in(
    carrywave: Callable[..., Answer],
) -> None:
    status, out, error = carrywave("page", "-o", "page.html", "done.s")
    assert (status, error) == (0, "")
    text = Path("page.html").read_text(encoding="utf-8")
    size = len(text.encode())
    assert size < MOST
    assert out == f"page.html: {size / 1000:,.0f} KB, 1 listing\n"
    seen = Seen(text)
    tags = [tag for tag, _ in seen.elements]
    assert tags.count("script") == 2  # the data, and what reads them: the listing added none
    assert not {"link", "img", "iframe", "object", "embed"} & {*tags}
    outside = [value for _, some in seen.elements for name, value in some.items()
               if name in ("src", "href", "action", "style") and value != "#"]  # fmt: skip
    assert outside == []
    policy = next(str(some["content"]) for _, some in seen.elements if "http-equiv" in some)
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    allowed = set(re.findall(r"'(sha256-[^']+)'", policy))
    digests = {
        "sha256-" + base64.b64encode(hashlib.sha256(part.encode()).digest()).decode()
        for part in seen.inside
    }
    assert len(allowed) == 2
    assert allowed <= digests


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("wrong.s",), "wrong.s:2:7: found 'BAD', which no line defines"),
        (("nowhere.s",), "nowhere.s:1:1: found nothing to read"),
        (("done.s", "two/done.s"), "two listings are called done.s"),
        (("done.s", "-o", "done.s"), "would replace done.s"),
    ],
)
def test_what_cannot_be_used_is_one_line(
    carrywave: Callable[..., Answer], arguments: tuple[str, ...], told: str
) -> None:
    Path("wrong.s").write_text("  .org $0200\n  LDX BAD\n")
    Path("two").mkdir()
    Path("two/done.s").write_text(LISTING)
    given = arguments if "-o" in arguments else (*arguments, "-o", "page.html")
    status, out, error = carrywave("page", *given)
    assert (status, out) == (2, "")
    assert told in error
    assert error.count("\n") == 1
    assert not Path("page.html").exists()


def test_its_sources_come_with_the_package() -> None:
    project = tomllib.loads((HOUSE / "pyproject.toml").read_text())["tool"]["setuptools"]
    patterns = project["package-data"]["carrywave.waves.page"]
    sources = [path.name for path in tracked("waves/page/*") if path.suffix != ".py"]
    assert len(sources) > 10
    assert [n for n in sources if not any(fnmatch.fnmatch(n, p) for p in patterns)] == []
