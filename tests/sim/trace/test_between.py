"""Interrupts that were not marked, jumps of the state, and IRQs that come late."""

from __future__ import annotations

import pytest
from emulated import (
    Checked,
    Merged,
    drawn,
    emulated,
    interrupted,
    without,
)

from carrywave.sim.trace.parts import TraceError


@pytest.mark.parametrize(
    ("variant", "absent"),
    [("nmos", ()), ("nmos", ("writes",)), ("cmos", ()), ("cmos", ("reads", "writes"))],
)
def test_an_entry_that_was_not_marked_is_recognised(
    checked: Checked, variant: str, absent: tuple[str, ...]
) -> None:
    marked = interrupted(400, variant=variant)
    entries = [row for row in range(400) if marked[row]["event"]]
    assert len(entries) == 10
    report = checked(without(marked, *absent), variant)
    assert report.agree
    rows = [row for row in marked if not row["event"]]
    report = checked(without(rows, "event", *absent), variant)
    assert report.agree
    reason = "looks like the entry of an IRQ: record `event`"
    assert [*report.unchecked] == [reason]
    assert sum(report.unchecked[reason].values()) == len(entries)
    said = f"Not checked, {reason}: "
    (line,) = (line for line in drawn(report) if line.startswith(said))
    assert line.count(",") == 1 + len(report.unchecked[reason]) - 1
    assert report.comparison.cases == len(rows) - 1 - len(entries)
    if "reads" in absent:  # what RTI pulls, nothing else has shown
        assert report.recalled["pulled byte"] > 2 * len(entries)


def test_an_entry_that_is_masked_is_that_of_an_nmi(checked: Checked) -> None:
    """Where one is an NMI's, so are the others with the same handler."""
    rows = emulated(60, {7: "NMI", 30: "NMI"})
    report = checked([row for row in rows if not row["event"]])
    assert report.agree
    assert [*report.unchecked] == ["looks like the entry of an IRQ: record `event`"]
    masked = emulated(60, {50: "NMI"}, p=0x34)
    rows = [{**row, "run": 1} for row in rows] + masked
    report = checked([row for row in rows if not row["event"]])
    assert report.agree
    assert [*report.unchecked] == ["looks like the entry of an NMI: record `event`"]


def test_what_only_resembles_an_entry_is_wrong(checked: Checked) -> None:
    rows = [row for row in interrupted(20) if not row["event"]]
    for name, change in (("a", 1), ("x", 1), ("sp", 1), ("p", 0x40), ("p", 4)):
        wrong = [dict(row) for row in rows[:8]]
        assert wrong[6]["pc"] != 0x0300 == wrong[7]["pc"]
        wrong[7][name] ^= change
        report = checked(wrong)
        assert report.comparison.mismatches == 1
        (wrong_one,) = (t for t in report.comparison.instructions.values() if t.mismatches)
        assert "pc" in wrong_one.fields
        assert report.unchecked == {}


def test_a_jump_of_the_state_makes_memory_unknown(checked: Checked) -> None:
    """Rows were left out: what they did to memory nobody knows."""
    code = {0x0200: "A9 11 85 80 20 40 02 A5 80 EA", 0x0240: "48 E6 80 68 60"}
    rows = emulated(10, code=code)
    assert rows[-1]["a"] == 0x12
    report = checked(without(rows, "reads", "writes"))
    assert (report.agree, report.unchecked) == (True, {})
    report = checked(without(rows[:3] + rows[4:6] + rows[7:], "reads", "writes"))
    assert report.unchecked == {"operand": {"INC": 1, "LDA": 1}, "pulled byte": {"PLA": 1}}


@pytest.mark.parametrize("opcode", ["58", "28"])
@pytest.mark.parametrize("absent", [(), ("reads", "writes")])
def test_an_irq_behind_what_acts_late_is_not_checked(
    checked: Checked, merged: Merged, opcode: str, absent: tuple[str, ...]
) -> None:
    """CLI and PLP clear I, but the IRQ that waits is taken one instruction later."""
    code = {0x0200: f"A9 30 48 {opcode} EA EA EA", 0x0300: "EA 40", 0xFFFE: "00 03"}
    rows = emulated(8, {4: "IRQ"}, code=code, p=0x34)
    assert [row["pc"] for row in rows] == [0x200, 0x202, 0x203, 0x204, 0x205, 0x300, 0x301, 0x205]
    rows = without(rows, *absent)
    rows[3]["event"] = 1  # the line is low when the instruction behind CLI begins
    reason = "an IRQ directly behind CLI, SEI or PLP, which act one instruction late"
    for where in range(4):  # also where parts meet at any row
        report = checked(rows, processes=1)
        assert report.agree
        assert report.unchecked[reason] == {"IRQ": 1}
        cut_there = [rows[:where], rows[where:4], rows[4:]]
        assert where == 0 or merged(cut_there).unchecked[reason] == {"IRQ": 1}
        assert where == 0 or merged(cut_there).agree
    assert f"Not checked, {reason}: IRQ 1." in drawn(report)
    # RTI acts at once, and so does what leaves I as it was.
    rows = emulated(8, {4: "IRQ"}, code=code, p=0x30)
    rows[3]["event"] = 1
    assert reason not in checked(rows).unchecked


def test_an_irq_behind_sei_comes_all_the_same(checked: Checked, merged: Merged) -> None:
    """I is set by then, and pushed so, and no opcode is read."""
    code = {0x0200: "EA 78 EA EA", 0x0300: "EA 40", 0xFFFE: "00 03"}
    rows = emulated(6, {2: "NMI"}, code={**code, 0xFFFA: "00 03"})
    rows[2] = {**rows[2], "event": 1, "bytes": []}
    assert rows[2]["p"] & 4
    report = checked(without(rows, "reads"))
    assert report.agree
    assert [*report.unchecked.values()] == [{"IRQ": 1}]
    for where in (1, 2, 3):
        assert merged([without(rows[:where], "reads"), without(rows[where:], "reads")]).agree
    rows[1]["run"] = 5  # another run: nothing says why it comes
    rows[0]["run"] = 5
    with pytest.raises(TraceError, match=r"row 2 counted from 0: no bytes_0$"):
        checked(without(rows, "reads"))
