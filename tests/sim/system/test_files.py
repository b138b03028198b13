"""Output files are whole or are not there."""

from __future__ import annotations

import os
import re
import stat
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from carrywave.sim.system import files
from carrywave.sim.system.files import scratch, written_beside


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.fixture(autouse=True, params=["nameless", "named"])
def without_and_with_a_name(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Files that are not whole yet have no name where that can be, and one elsewhere."""
    if request.param == "named":
        monkeypatch.setattr(files, "_OWN_FILES", "/nowhere")
    return str(request.param)


def test_a_file_appears_when_it_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "out.vcd"
    with written_beside(target) as file:
        file.write("one\n")
        file.flush()
        assert not target.exists()
        file.write("two ◄\n")
    assert target.read_text(encoding="utf-8") == "one\ntwo ◄\n"
    assert names(tmp_path) == ["out.vcd"]


def write_half(target: Path, error: type[BaseException]) -> None:
    with written_beside(target) as file:
        file.write("half")
        raise error


ERRORS = (RuntimeError, KeyboardInterrupt, OSError)


@pytest.mark.parametrize("error", ERRORS)
def test_an_error_leaves_nothing_behind(error: type[BaseException], tmp_path: Path) -> None:
    with pytest.raises(error):
        write_half(tmp_path / "out.vcd", error)
    assert names(tmp_path) == []


@pytest.mark.parametrize("error", ERRORS)
def test_an_error_leaves_the_file_that_was_there(
    error: type[BaseException], tmp_path: Path
) -> None:
    target = tmp_path / "out.vcd"
    target.write_text("good")
    with pytest.raises(error):
        write_half(target, error)
    assert target.read_text() == "good"
    assert names(tmp_path) == ["out.vcd"]


def test_a_file_that_was_there_is_replaced_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "out.vcd"
    target.write_text("old")
    with written_beside(str(target)) as file:
        file.write("new")
        assert target.read_text() == "old"
    assert target.read_text() == "new"


def test_a_folder_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    folder = tmp_path / "out.vcd"
    folder.mkdir()
    with pytest.raises(IsADirectoryError) as caught, written_beside(folder):
        pass
    assert caught.value.strerror == "Is a directory"
    assert names(tmp_path) == ["out.vcd"]


@pytest.mark.parametrize(
    ("path", "strerror"),
    [("none/out.vcd", "No such file or directory"), ("file/out.vcd", "Not a directory")],
)
def test_a_place_that_is_no_folder_is_refused(path: str, strerror: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OSError, match=strerror), written_beside(tmp_path / path):
        pass
    assert names(tmp_path) == ["file"]


def test_a_device_is_written_to_as_it_is() -> None:
    with written_beside("/dev/null") as file:
        file.write("gone")
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


def test_a_pipe_is_written_to_as_it_is(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        with written_beside(pipe) as file:
            file.write("through")
        assert os.read(reader, 100) == b"through"
    finally:
        os.close(reader)
    assert names(tmp_path) == ["pipe"]


def test_what_a_link_leads_to_is_written_and_keeps_its_mode(tmp_path: Path) -> None:
    real, link = tmp_path / "real.svg", tmp_path / "link.svg"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real.name)
    with written_beside(link) as file:
        file.write("new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    assert names(tmp_path) == ["link.svg", "real.svg"]


def test_a_file_that_may_not_be_written_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "kept.svg"
    path.write_text("old")
    monkeypatch.setattr(os, "access", lambda path, mode: False)  # as for one who is not root
    with pytest.raises(PermissionError), written_beside(path):
        pass
    assert path.read_text() == "old"


def test_a_name_may_be_as_long_as_names_are(tmp_path: Path) -> None:
    path = tmp_path / ("n" * 250)
    with written_beside(path) as file:
        file.write("x")
    assert names(tmp_path) == [path.name]


def test_a_folder_that_is_not_there_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), written_beside(f"{tmp_path / 'x'}/"):
        pass
    assert names(tmp_path) == []


def test_what_is_not_whole_yet_has_no_name_or_one_that_cannot_be_guessed(
    tmp_path: Path, without_and_with_a_name: str
) -> None:
    target = tmp_path / "out.vcd"
    seen = set()
    for _ in range(3):
        with written_beside(target) as file:
            file.write("half")
            file.flush()
            seen |= set(names(tmp_path)) - {"out.vcd"}
    assert names(tmp_path) == ["out.vcd"]
    if without_and_with_a_name == "named" or not hasattr(os, "O_TMPFILE"):
        assert len(seen) == 3
        assert all(re.fullmatch(r"out\.vcd\.[0-9a-f]{16}\.partial", name) for name in seen)
    else:
        assert seen == set()


def test_a_link_that_waits_at_the_temporary_name_is_not_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    victim, trap = tmp_path / "victim", tmp_path / f"out.vcd.{'00' * 8}.partial"
    victim.write_text("precious")
    trap.symlink_to(victim)
    monkeypatch.setattr(os, "urandom", bytes)  # as if it could be guessed
    with pytest.raises(FileExistsError), written_beside(tmp_path / "out.vcd") as file:
        file.write("x")
    assert victim.read_text() == "precious"
    assert not (tmp_path / "out.vcd").exists()


def test_a_new_file_has_the_mode_that_all_new_files_have(tmp_path: Path) -> None:
    (tmp_path / "usual").write_text("")
    with written_beside(tmp_path / "out.vcd"):
        pass
    assert (tmp_path / "out.vcd").stat().st_mode == (tmp_path / "usual").stat().st_mode


def test_a_circle_of_links_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(OSError, match="Too many levels") as caught, written_beside(tmp_path / "a"):
        pass
    assert caught.value.filename == str(tmp_path / "a")
    assert names(tmp_path) == ["a", "b"]


def test_a_full_disk_names_the_file() -> None:
    with pytest.raises(OSError, match="No space left") as caught, written_beside("/dev/full") as f:
        f.write("x")
    assert caught.value.filename == "/dev/full"


STANDARD_OUTPUT = """
import sys
from carrywave.sim.system.files import written_beside
print("before", flush=True)
with written_beside(sys.argv[1]) as file:
    file.write("between\\n")
print("after")
"""


@pytest.mark.parametrize("path", ["/dev/stdout", "/dev/fd/1", "out.txt"])
def test_what_is_standard_output_is_written_there(path: str, tmp_path: Path) -> None:
    """A file that the shell has opened for it too: what is printed later comes behind."""
    command = [sys.executable, "-c", STANDARD_OUTPUT, path]
    with (tmp_path / "out.txt").open("wb") as file:
        subprocess.run(command, stdout=file, cwd=tmp_path, check=True, timeout=60)
    assert (tmp_path / "out.txt").read_text() == "before\nbetween\nafter\n"
    if path != "out.txt":
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=tmp_path)
        assert (done.stdout, done.stderr) == ("before\nbetween\nafter\n", "")
    assert names(tmp_path) == ["out.txt"]


def test_a_scratch_file_is_read_back_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with scratch() as (file, path):
        file.write("◄\n")
        file.flush()
        assert Path(path).read_text(encoding="utf-8") == "◄\n"
    assert names(tmp_path) == []
