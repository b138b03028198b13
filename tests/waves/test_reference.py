"""The example listings and their reference waveforms.

A waveform that is meant to change is written anew by
``carrywave run waves/programs/NAME.s --vcd waves/reference/NAME.vcd``; look at the difference.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from tracked import HOUSE, tracked

from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.run.listing import RunReport, run_listing

WAVES = HOUSE / "waves"
LISTINGS = tracked("waves/programs/*.s")
NAMES = [path.stem for path in LISTINGS]
# What each listing says in its own comments that it leaves from there on, as nmos and as cmos.
LEAVES = {
    "decimal_count": (0x10, "99 00 02 01 BD 00 01 0A", "99 00 02 01 3F 01 01 0A"),
    "multibyte_add": (0x10, "64 00 00 80", "64 00 00 80"),
    "nested_interrupts": (0x10, "28 2F 38 02 01 01 01 01", "28 27 38 02 01 01 01 01"),
    "pointer_wrap": (0x10, "5A 5A 01", "5A 5A 02"),
    "signed_compare": (0x22, "06 0A", "06 0A"),
    "stack_wrap": (0x10, "FE 00 03 13 77 FF 42 01", "FE 00 03 13 77 FF 42 01"),
    "table_walk": (0x10, "45 01 02 30", "45 01 02 30"),
    "unsigned_compare": (0x22, "0C 0A 02 01", "0C 0A 02 01"),
    "write_twice": (0x10, "05 02", "05 02"),
}


def left_at(report: RunReport, start: int, like: str) -> str:
    """The bytes in memory after the run, as many as in `like`."""
    assert report.program is not None
    return report.program.memory[start : start + len(like.split())].hex(" ").upper()


def test_every_listing_has_its_waveform_and_its_words() -> None:
    assert len(NAMES) == 9
    assert [path.stem for path in tracked("waves/reference/*.vcd")] == NAMES
    assert sorted(LEAVES) == NAMES


@pytest.mark.parametrize("listing", LISTINGS, ids=NAMES)
def test_a_listing_gives_its_reference_waveform_again(listing: Path, tmp_path: Path) -> None:
    kept = WAVES / "reference" / f"{listing.stem}.vcd"
    report = run_listing(listing, str(tmp_path / "again.vcd"))
    assert (tmp_path / "again.vcd").read_bytes() == kept.read_bytes()
    assert (report.agree, report.engine) == (True, "simulator")
    assert report.run.ended == "self-jump"
    # The waveform has one clock more, in which the last effects stand.
    assert report.check.clocks == report.run.clocks + 1 > 50
    start, wanted, _ = LEAVES[listing.stem]
    assert left_at(report, start, wanted) == wanted


@pytest.mark.parametrize("name", NAMES)
def test_a_reference_waveform_agrees_with_the_model(name: str) -> None:
    report = check_dump(WAVES / "reference" / f"{name}.vcd")
    assert (report.agree, report.variant, report.findings) == (True, "nmos", [])
    assert report.instructions > 15
    assert report.compared > 40 * report.clocks  # values a clock: next to all the signals


@pytest.mark.exhaustive
@pytest.mark.parametrize("variant", ["cmos", "binary"])
@pytest.mark.parametrize("listing", LISTINGS, ids=NAMES)
def test_a_listing_agrees_in_the_other_variants(listing: Path, variant: str) -> None:
    report = run_listing(listing, variant=variant)
    assert report.agree
    assert report.check.variant == variant
    assert report.run.ended == "self-jump"
    if variant == "cmos":  # the listings do not speak of the other
        start, _, wanted = LEAVES[listing.stem]
        assert left_at(report, start, wanted) == wanted
