"""Whatever a reader is given it accepts, or refuses in one short line that names the file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from carrywave.sim.board import frames
from carrywave.sim.system.errors import UnusableError

from .readers import READERS, Reader, outcome


def seen(
    reader: Reader, folder: Path, inputs: int, phases: Sequence[Phase] = (*Phase,)
) -> Counter[str]:
    """What became of so many inputs, the same in each run: others are drawn by hand."""
    found: Counter[str] = Counter()

    @settings(
        max_examples=inputs, phases=phases, derandomize=True, database=None, deadline=None,
        suppress_health_check=[*HealthCheck],
    )  # fmt: skip
    @given(reader.inputs)
    def read(data: bytes) -> None:
        found[outcome(reader, data, folder)] += 1

    read()
    return found


@pytest.mark.parametrize("name", READERS)
def test_hostile_inputs_are_accepted_or_refused(name: str, tmp_path: Path) -> None:
    found = seen(READERS[name], tmp_path, 60)
    assert found.total() >= 60
    assert found["accepted"]
    assert found["refused"]


@pytest.mark.exhaustive
@pytest.mark.parametrize("name", READERS)
def test_hundreds_of_hostile_inputs_are_accepted_or_refused(name: str, tmp_path: Path) -> None:
    found = seen(READERS[name], tmp_path, 500)
    assert found.total() >= 500
    assert min(found["accepted"], found["refused"]) > 10


@pytest.mark.parametrize(
    ("raised", "told"),
    [
        (ZeroDivisionError(), "ZeroDivisionError"),
        (UnusableError("no file is named"), "no file is named"),
    ],
)
def test_what_is_neither_is_seen(tmp_path: Path, raised: Exception, told: str) -> None:
    def read(path: Path) -> None:
        if len(path.read_bytes()) > 99:
            raise raised

    reader = READERS["csv"]._replace(read=read)
    with pytest.raises((ZeroDivisionError, AssertionError)) as caught:
        seen(reader, tmp_path, 200, [Phase.generate])
    assert told in repr(caught.value)


def test_a_line_whose_checksum_is_not_looked_at_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def trusting(between: bytes) -> tuple[bytes, int, int] | None:
        for plain, escaped in ((b"\x7e", b"\x7d\x5e"), (b"\x7d", b"\x7d\x5d")):
            between = between.replace(escaped, plain)
        return (between[:-6], between[-6], between[-5]) if len(between) > 5 else None

    monkeypatch.setattr(frames, "unframed", trusting)
    with pytest.raises(AssertionError):
        seen(READERS["serial"], tmp_path, 1000, [Phase.generate])
