"""What a trace did not record of its reads, out of memory as it showed it before."""

from __future__ import annotations

import random
from collections.abc import Collection

import pytest
from emulated import (
    BARE,
    LOOP,
    Checked,
    drawn,
    emulated,
    without,
)


@pytest.mark.parametrize(
    ("variant", "more"),
    [("nmos", ()), ("nmos", ("writes",)), ("cmos", ("writes", "cycles", "event"))],
)
def test_memory_tells_what_was_not_recorded(
    checked: Checked, variant: str, more: Collection[str]
) -> None:
    rows = emulated(400, variant=variant)
    report = checked(without(rows, "reads", *more), variant)
    assert report.agree
    assert report.unchecked == {}
    assert report.comparison.cases == 399
    opcodes = [row["bytes"][0] for row in rows]
    operand, pointer, pulled = (
        sum(opcode in some for opcode in opcodes)
        for some in ((0xB1, 0xE6, 0x45, 0xA5), (0x91, 0xB1), (0x68, 0x60))
    )
    assert report.recalled == {"operand": operand, "pointer": pointer, "pulled byte": pulled}
    assert (
        f"Not recorded, but shown by memory before: operand of {operand} rows, pointer of {pointer}"
        f" rows, pulled byte of {pulled} rows." in drawn(report)
    )
    assert report.to_json()["recalled"] == report.recalled


def test_a_wrong_row_is_found_by_what_memory_tells(checked: Checked) -> None:
    for own, name in (([0xB1, 0x10], "LDA"), ([0x68], "PLA"), ([0x45, 0x12], "EOR")):
        rows = [dict(row) for row in BARE]
        wrong = next(row for row in range(200, 400) if rows[row]["bytes"] == own)
        rows[wrong + 1]["a"] ^= 1
        rows[wrong + 2 :] = [{**row, "run": 1} for row in rows[wrong + 2 :]]
        report = checked(rows)
        (share,) = (t for t in report.comparison.instructions.values() if t.mismatches)
        assert share.mismatches == 1
        assert report.comparison.instructions[name] == share
        assert report.comparison.first is not None
        assert report.comparison.first.index == wrong


def test_what_memory_does_not_tell_is_counted_in_words(checked: Checked) -> None:
    code = {0x0200: "A5 80 85 81 A5 81 B1 90 40", 0xFFFE: "00 02"}
    rows = without(emulated(6, {5: "IRQ"}, code=code), "reads", "writes")
    report = checked([*rows[:5], {**rows[5], "bytes": []}, {**rows[0], "pc": 0x0200}])
    assert report.unchecked == {
        "operand": {"LDA": 1}, "pointer": {"LDA": 1}, "pulled byte": {"RTI": 1},
        "vector": {"IRQ": 1},
    }  # fmt: skip
    assert report.recalled == {"operand": 1}
    text = drawn(report)
    for line in (
        "Not checked, without operand: LDA 1.",
        "Not checked, without pointer: LDA 1.",
        "Not checked, without pulled byte: RTI 1.",
        "Not checked, without vector: IRQ 1.",
    ):
        assert line in text


def test_a_store_through_an_unknown_pointer_might_hit_anything(checked: Checked) -> None:
    """It does: the pointer was never shown, and leads to what is read behind it."""
    code = {0x0200: "A9 55 85 80 A9 66 A0 00 91 40 A5 80 EA", 0x0040: "80 00"}
    rows = emulated(8, code=code)
    assert rows[6]["a"] == 0x66
    report = checked(without(rows, "reads", "writes"))
    assert report.agree
    assert report.unchecked == {"pointer": {"STA": 1}, "operand": {"LDA": 1}}
    assert checked(without(rows, "reads")).agree  # with what was written, that is known
    assert checked(without(rows, "reads")).unchecked == {"pointer": {"STA": 1}}


def test_a_store_through_a_pointer_may_change_that_pointer(checked: Checked) -> None:
    """Each guess follows from earlier ones, even where the first guesses are wrong."""
    code = {0x0200: "A9 40 85 40 A9 00 85 41 A0 00 A9 50 91 40 A9 33 91 40 A5 50 EA"}
    rows = emulated(12, code=code)
    assert rows[-1]["a"] == 0x33
    report = checked(without(rows, "reads", "writes"))
    assert report.agree
    assert report.unchecked == {}


def test_opcodes_without_a_table_might_store_anything(checked: Checked) -> None:
    code = {0x0200: "A9 55 85 80 EA A5 80 EA"}
    rows = emulated(5, code=code)
    for some in (without(rows, "reads", "writes"), without(rows, "reads")):
        some[2] = {**some[2], "bytes": [0x02]}
        lacking = checked(some).unchecked
        assert lacking.pop("undocumented on this variant") == {"02": 1}
        assert lacking == ({} if "writes" in some[0] else {"operand": {"LDA": 1}})


def test_modifies_without_writes_are_followed_through_each_other(checked: Checked) -> None:
    """Every kind of them, with and without carry, a long way from what was stored."""
    code = {0x0200: "A9 A7 85 80 06 80 26 80 46 80 66 80 38 26 80 66 80 E6 80 C6 80 E6 80 A5 80"
            " 4C 04 02"}  # fmt: skip
    rows = without(emulated(600, code=code), "reads", "writes")
    report = checked(rows)
    assert report.agree
    assert report.unchecked == {}
    last = max(row for row in range(598) if rows[row]["bytes"] == [0xA5, 0x80])
    rows[last + 1]["a"] ^= 0x10
    report = checked(rows)
    assert report.comparison.instructions["LDA"].fields == {"a": 1}


# Random programs, whose pointers and stores hit each other

POINTED = ("91", "B1", "81", "A1", "A5", "85", "95", "E6", "C6", "06", "26", "46", "66", "A4", "86")
ALONE = ("48", "68", "08", "28", "C8", "E8", "CA", "58", "78", "38", "18")


def random_program(rng: random.Random) -> dict[int, str]:
    code = []
    for _ in range(60):
        choice = rng.randrange(4)
        if choice == 0:
            code += [rng.choice(("A9", "A2", "A0")), f"{rng.choice((0, 1, 2, 0x10, 0x14)):02X}"]
        elif choice == 1:
            code += [rng.choice(ALONE)]
        else:
            code += [rng.choice(POINTED), f"{rng.randint(0x10, 0x17):02X}"]
    pointers = " ".join(rng.choice(("00", "01", "10", "12")) for _ in range(8))
    return {**LOOP, 0x0010: pointers, 0x0200: " ".join([*code, "4C 00 02"]), 0x0240: ""}


def hold_programs_to(checked: Checked, seeds: range) -> int:
    """Nothing recorded of reads, or of writes either: how many bytes were recalled all the same."""
    recalled = programs = 0
    for seed in seeds:
        rng = random.Random(seed)
        events = {rng.randrange(5, 120): rng.choice(("NMI", "IRQ")) for _ in range(2)}
        try:
            rows = emulated(120, events, random_program(rng), p=rng.choice((0x30, 0x34)))
        except KeyError:  # what it has stored over itself is no instruction
            continue
        programs += 1
        for some in (without(rows, "reads"), without(rows, "reads", "writes")):
            report = checked(some)
            assert report.agree, seed
            recalled += sum(report.recalled.values())
    assert programs > len(seeds) // 4
    return recalled


def test_no_right_program_is_told_to_be_wrong(checked: Checked) -> None:
    assert hold_programs_to(checked, range(8)) > 100


@pytest.mark.exhaustive
def test_no_right_program_of_many_is_told_to_be_wrong(checked: Checked) -> None:
    assert hold_programs_to(checked, range(8, 100)) > 1000
