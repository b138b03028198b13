"""What the cache holds is what was written there, or it is made again."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from carrywave.sim.system.cache import cached

TEXT = "one line\nand another ◄\n"


class Maker:
    """Makes a text, counts how often, and reads it as its lines."""

    def __init__(self) -> None:
        self.times = 0

    def make(self) -> str:
        self.times += 1
        return TEXT

    def read(self, text: str) -> list[str]:
        if "another" not in text:
            raise LookupError
        return text.splitlines()

    def had(self, made_from: bytes = b"this") -> list[str]:
        return cached("lines", made_from, self.make, self.read)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CARRYWAVE_CACHE", str(tmp_path / "a" / "cache"))
    return tmp_path / "a" / "cache"


@pytest.fixture
def kept(folder: Path) -> Path:
    """What the cache holds."""
    assert Maker().had() == TEXT.splitlines()
    (path,) = folder.iterdir()
    return path


def test_it_is_made_once_and_nobody_else_may_write_there(folder: Path) -> None:
    maker = Maker()
    assert maker.had() == maker.had() == TEXT.splitlines()
    assert maker.times == 1
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_made_from_something_else_it_is_another(folder: Path) -> None:
    maker = Maker()
    for made_from in (b"this", b"that", b"this"):
        maker.had(made_from)
    assert maker.times == len(list(folder.iterdir())) == 2


def flip(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


DAMAGE: dict[str, Callable[[bytes], bytes]] = {
    "empty": lambda data: b"",
    "truncated in the seal": lambda data: data[:40],
    "truncated": lambda data: data[: len(data) // 2],
    "without its last byte": lambda data: data[:-1],
    "a byte flipped in what it was made from": lambda data: flip(data, 3),
    "a byte flipped in its hash": lambda data: flip(data, 100),
    "a byte flipped": lambda data: flip(data, 135),
    "one byte more": lambda data: data + b" ",
    "no text at all": lambda data: b"\xff\xfe" + data,
    "of another design": lambda data: b"0" * 64 + data[64:],
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_one_is_made_again(kept: Path, damage: str) -> None:
    good = kept.read_bytes()
    damaged = DAMAGE[damage](good)
    assert damaged != good
    kept.write_bytes(damaged)
    maker = Maker()
    assert maker.had() == TEXT.splitlines()
    assert maker.times == 1
    assert kept.read_bytes() == good


def test_one_of_another_name_is_not_believed(kept: Path, folder: Path) -> None:
    Maker().had(b"that")
    (other,) = set(folder.iterdir()) - {kept}
    kept.write_bytes(other.read_bytes())
    maker = Maker()
    maker.had()
    assert maker.times == 1


def test_a_link_or_a_pipe_in_its_place_is_neither_followed_nor_waited_for(
    kept: Path, tmp_path: Path
) -> None:
    victim = tmp_path / "victim"
    victim.write_text("precious")
    for plant in (lambda: kept.symlink_to(victim), lambda: os.mkfifo(kept)):
        kept.unlink()
        plant()
        assert Maker().had() == TEXT.splitlines()
        assert stat.S_ISREG(kept.lstat().st_mode)
    assert victim.read_text() == "precious"


def test_a_place_that_cannot_be_written_is_told_once_and_the_work_goes_on(
    folder: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    folder.parent.write_text("a file")
    maker = Maker()
    assert maker.had() == maker.had(b"that") == TEXT.splitlines()
    assert maker.times == 2
    assert capfd.readouterr() == (
        "",
        f"carrywave: {folder}: Not a directory: what takes long is made each time; set "
        "CARRYWAVE_CACHE to a folder that can be written\n",
    )
