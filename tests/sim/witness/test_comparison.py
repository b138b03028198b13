"""Comparison: each field by itself, counts by instruction, parts that merge, the report."""

from __future__ import annotations

import io
import json
import pickle
import re
import subprocess
import sys
from collections import Counter
from functools import reduce
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from carrywave.sim.cases.kinds import instruction_of
from carrywave.sim.cases.layout import CASE, OUTCOME, WRITES, Cases, Outcomes, plain
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.instructions import BY_MNEMONIC, BY_OPCODE
from carrywave.sim.family.members import EVENTS
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.witness.comparison import (
    FIELDS,
    Comparison,
    Disagreement,
    Tally,
    compare,
    differences,
)
from carrywave.sim.witness.model import Model
from carrywave.sim.witness.report import report

COUNT = 20_000
CASES = sampled_cases(COUNT, seed=20)
RIGHT = Model().execute(CASES)


def spoil(outcomes: Outcomes, field: str, rows: Any) -> None:
    """Makes one field wrong in the given rows, as far as it is compared there."""
    if field.startswith("p."):
        outcomes["p"][rows] ^= 1 << FLAG_BITS[field[2]]
    elif field in ("write_value", "write_address"):
        outcomes[field][rows, 0] ^= 1
    elif field == "cycles":
        outcomes["cycles"][rows] += 1
    else:
        outcomes[field][rows] ^= 1


def rows_with(field: str) -> np.ndarray:
    """Rows of `RIGHT` in which the field counts."""
    if field in ("write_value", "write_address"):
        return np.flatnonzero(RIGHT["writes"] > 0)
    return np.arange(COUNT)


# Fields


def test_the_fields_are_the_outcomes_with_the_flags_apart() -> None:
    assert set(FIELDS) - {f"p.{name}" for name in "nvdizc"} == set(OUTCOME.names or ()) - {"p"}
    assert len(FIELDS) == len(set(FIELDS)) == 15


@pytest.mark.parametrize("field", FIELDS)
def test_each_field_is_found_by_itself(field: str) -> None:
    chosen = rows_with(field)[3::7]
    assert len(chosen) > 100
    actual = RIGHT.copy()
    spoil(actual, field, chosen)
    found = Comparison.of(CASES, RIGHT, actual)
    assert (found.cases, found.mismatches) == (COUNT, len(chosen))
    assert sum(tally.fields.get(field, 0) for tally in found.instructions.values()) == len(chosen)
    assert {name for tally in found.instructions.values() for name in tally.fields} == {field}
    assert found.first is not None
    assert found.first.index == chosen[0]
    assert found.first.case == CASES[chosen[0]]
    assert found.first.expected == RIGHT[chosen[0]]
    assert found.first.actual == actual[chosen[0]]
    assert not found.agree


@pytest.mark.parametrize("field", FIELDS)
def test_a_skipped_field_is_not_compared_and_named(field: str) -> None:
    actual = RIGHT.copy()
    spoil(actual, field, rows_with(field)[::2])
    found = Comparison.of(CASES, RIGHT, actual, skip=[field])
    assert found.agree
    assert found.cases == COUNT
    assert found.skipped == (field,)
    other = "a" if field != "a" else "x"
    spoil(actual, other, slice(0, 5))
    assert Comparison.of(CASES, RIGHT, actual, skip=[field]).mismatches == 5


def test_skipping_p_skips_the_six_flags() -> None:
    actual = RIGHT.copy()
    actual["p"] ^= 0xCF
    assert Comparison.of(CASES, RIGHT, actual).mismatches == COUNT
    found = Comparison.of(CASES, RIGHT, actual, skip={"p"})
    assert found.agree
    assert found.skipped == ("p.n", "p.v", "p.d", "p.i", "p.z", "p.c")


def unspoken(outcomes: Outcomes) -> None:
    """Changes all that is not compared."""
    outcomes["p"] ^= 0x30
    beyond = np.arange(WRITES) >= outcomes["writes"][:, None]
    outcomes["write_value"][beyond] ^= 0xFF
    outcomes["write_address"][beyond] ^= 0xFFFF


@pytest.mark.parametrize("cycles", ["all", "none", "some"])
def test_what_says_nothing_is_not_compared(cycles: str) -> None:
    actual = RIGHT.copy()
    unspoken(actual)
    if cycles != "all":
        actual["cycles"][:: 1 if cycles == "none" else 3] = 0
    found = Comparison.of(CASES, RIGHT, actual)
    assert found.agree
    assert found.cases == COUNT
    assert found.uncounted == {"all": 0, "none": COUNT, "some": len(range(0, COUNT, 3))}[cycles]
    raw = RIGHT.view(np.uint8).reshape(COUNT, -1) != actual.view(np.uint8).reshape(COUNT, -1)
    assert raw.any(axis=1).all(), "every row differs in its bytes"


def test_a_wrong_count_of_clocks_is_found_among_uncounted_ones() -> None:
    actual = RIGHT.copy()
    actual["cycles"] = 0
    actual["cycles"][17] = RIGHT["cycles"][17] + 1
    for expected, other in ((RIGHT, actual), (actual, RIGHT)):
        found = Comparison.of(CASES, expected, other)
        assert (found.mismatches, found.uncounted) == (1, COUNT - 1)
        assert found.first is not None
        assert found.first.index == 17
    silent = RIGHT.copy()
    silent["cycles"] = 0
    assert Comparison.of(CASES, silent, RIGHT).uncounted == COUNT


def test_a_missing_write_is_missed() -> None:
    actual = RIGHT.copy()
    writing = np.flatnonzero(RIGHT["writes"])
    for name in ("writes", "write_value", "write_address"):
        actual[name] = 0
    found = Comparison.of(CASES, RIGHT, actual)
    assert found.mismatches == len(writing) > 2000
    counts = Counter[str]()
    for tally in found.instructions.values():
        counts.update(tally.fields)
    there = np.arange(WRITES) < RIGHT["writes"][:, None]
    assert counts["writes"] == len(writing)
    for name in ("write_value", "write_address"):
        assert counts[name] == (there & (RIGHT[name] > 0)).any(axis=1).sum() > 2000


@pytest.mark.parametrize("name", ["write_value", "write_address"])
@pytest.mark.parametrize("place", range(WRITES))
def test_each_write_is_compared_in_its_place(name: str, place: int) -> None:
    actual = RIGHT.copy()
    rows = np.flatnonzero(RIGHT["writes"] > place)
    assert len(rows) > 500
    actual[name][:, place] ^= 0x40  # beyond those that there are it says nothing
    found = Comparison.of(CASES, RIGHT, actual)
    assert found.mismatches == len(rows)
    assert sum(tally.fields.get(name, 0) for tally in found.instructions.values()) == len(rows)


def test_differences_tells_the_rows() -> None:
    actual = RIGHT.copy()
    spoil(actual, "p.v", [1, 4])
    spoil(actual, "pc", [4, 9])
    found = differences(RIGHT, actual, skip=["y"])
    assert list(found) == [name for name in FIELDS if name != "y"]
    rows = {name: np.flatnonzero(mask).tolist() for name, mask in found.items() if mask.any()}
    assert rows == {"pc": [4, 9], "p.v": [1, 4]}


# Counts by instruction


def by_hand(cases: Cases, expected: Outcomes, actual: Outcomes) -> dict[str, Tally]:
    """The same one case and one field at a time."""
    tallies: dict[str, Tally] = {}
    for case, e, a in zip(cases, expected, actual, strict=True):
        event = EVENTS[case["event"]]
        masked = event == "instruction" or (event == "IRQ" and int(case["p"]) & 4)
        name = BY_OPCODE[int(case["read_value"][0])].mnemonic if masked else event
        wrong = [n for n in ("pc", "a", "x", "y", "sp") if e[n] != a[n]]
        wrong += [f"p.{n}" for n, bit in FLAG_BITS.items() if int(e["p"] ^ a["p"]) >> bit & 1]
        wrong += ["writes"] if e["writes"] != a["writes"] else []
        for n in ("write_value", "write_address"):
            if e[n][: e["writes"]].tolist() != a[n][: e["writes"]].tolist():
                wrong.append(n)
        if a["cycles"] and e["cycles"] and e["cycles"] != a["cycles"]:
            wrong.append("cycles")
        share = Tally(1, int(bool(wrong)), dict.fromkeys(wrong, 1))
        tallies[name] = tallies.get(name, Tally(0)).merge(share)
    return tallies


def damaged(rows: slice, seed: int, rate: float) -> Outcomes:
    """The right outcomes of these cases with bits flipped all over."""
    rng = np.random.default_rng(seed)
    actual = RIGHT[rows].copy()
    flips = rng.integers(0, 256, actual.nbytes, np.uint8)
    flips[rng.random(actual.nbytes) >= rate] = 0
    actual.view(np.uint8)[:] ^= flips
    return actual


@pytest.mark.parametrize("rate", [0.002, 0.05, 0.9])
def test_counts_are_those_of_one_case_at_a_time(rate: float) -> None:
    rows = slice(0, 3000)
    actual = damaged(rows, 1, rate)
    found = Comparison.of(CASES[rows], RIGHT[rows], actual)
    expected = by_hand(CASES[rows], RIGHT[rows], actual)
    assert found.instructions == expected
    assert found.cases == sum(tally.cases for tally in expected.values()) == 3000
    assert found.mismatches == sum(tally.mismatches for tally in expected.values()) > 50
    assert set(found.instructions) == {*BY_MNEMONIC, "IRQ", "NMI", "RESET"}
    assert list(found.instructions) == [*BY_MNEMONIC, "IRQ", "NMI", "RESET"]


def test_a_masked_irq_counts_as_its_instruction() -> None:
    cases = sampled_cases(4, 1, [BY_OPCODE[0x69]], ["instruction"])
    cases["event"] = [0, 1, 1, 2]  # what the entries read is what ADC would: it is a vector too
    cases["p"] = [0xFF, 0xFF, 0xFB, 0xFF]
    found = Comparison.of(cases, outcomes := Model().execute(cases), outcomes)
    assert {name: tally.cases for name, tally in found.instructions.items()} == {
        "ADC": 2, "IRQ": 1, "NMI": 1,
    }  # fmt: skip
    assert [instruction_of(case) for case in cases] == ["ADC", "ADC", "IRQ", "NMI"]


def test_an_undocumented_opcode_counts_under_its_number() -> None:
    cases = np.zeros(3, CASE)
    cases["read_value"][:, 0] = [0x02, 0xEA, 0x02]
    outcomes = np.zeros(3, OUTCOME)
    found = Comparison.of(cases, outcomes, outcomes)
    assert {name: tally.cases for name, tally in found.instructions.items()} == {"NOP": 1, "02": 2}


@pytest.mark.parametrize("index", [0, 16383, 16384, 49_999])
def test_the_first_wrong_case_is_found_in_whichever_chunk_it_lies(index: int) -> None:
    cases = np.resize(CASES, 50_000)
    right = np.resize(RIGHT, 50_000)
    actual = right.copy()
    actual["a"][index:] ^= 0x80
    found = Comparison.of(cases, right, actual)
    assert found.first is not None
    assert (found.first.index, found.mismatches) == (index, 50_000 - index)
    assert found.first.actual == actual[index]


# Agreement


def test_all_alike_agrees() -> None:
    found = Comparison.of(CASES, RIGHT, RIGHT.copy())
    assert found.agree
    assert (found.cases, found.mismatches, found.first) == (COUNT, 0, None)


def test_comparing_nothing_never_agrees() -> None:
    assert not Comparison().agree
    assert not Comparison.of(CASES[:0], RIGHT[:0], RIGHT[:0]).agree
    assert not compare(Model(), Model(), CASES[:0]).agree
    skipped = Comparison.of(CASES, RIGHT, RIGHT, skip=FIELDS)
    assert (skipped.cases, skipped.mismatches, skipped.agree) == (COUNT, 0, False)


def test_one_single_case_can_be_compared() -> None:
    assert Comparison.of(CASES[7], RIGHT[7], RIGHT[7]).agree
    found = Comparison.of(CASES[7], RIGHT[7], damaged(slice(7, 8), 3, 1.0)[0])
    assert (found.cases, found.mismatches) == (1, 1)


class Crooked(Model):
    """Gets X wrong in every tenth case of those it is given."""

    def execute(self, cases: Cases) -> Outcomes:
        """Counts what it is given, and spoils it."""
        outcomes = super().execute(cases)
        outcomes["x"][::10] ^= 1
        return outcomes


@pytest.mark.parametrize("batch", [1000, 3000, COUNT, 1 << 20])
def test_witnesses_are_compared_batch_by_batch(batch: int) -> None:
    done: list[int] = []
    found = compare(Model(), Crooked(), CASES, batch=batch, progress=done.append)
    assert (found.cases, found.mismatches) == (COUNT, COUNT // 10)
    assert done == [*range(batch, COUNT, batch), COUNT]
    assert compare(Model(), Crooked(), CASES, batch=batch, skip=["x"]).agree


# Merging


def equal(one: Comparison, other: Comparison) -> bool:
    """Equal, and in the same order too."""
    return one == other and json.dumps(one.to_json()) == json.dumps(other.to_json())


@settings(max_examples=60, deadline=None, database=None)
@given(
    cuts=st.tuples(st.integers(0, 400), st.integers(0, 400)).map(sorted),
    seed=st.integers(0, 1000),
    rate=st.sampled_from([0.0, 0.0005, 0.01, 0.5]),
    skips=st.lists(st.sets(st.sampled_from(FIELDS), max_size=3), min_size=3, max_size=3),
)
def test_merging_is_associative_and_keeps_the_order(
    cuts: list[int], seed: int, rate: float, skips: list[set[str]]
) -> None:
    rows = slice(0, 400)
    actual = damaged(rows, seed, rate)
    edges = [0, *cuts, 400]

    def part(i: int, skip: set[str]) -> Comparison:
        here = slice(edges[i], edges[i + 1])
        return Comparison.of(CASES[rows][here], RIGHT[rows][here], actual[here], skip)

    a, b, c = (part(i, skip) for i, skip in enumerate(skips))
    assert equal(a.merge(b).merge(c), a.merge(b.merge(c)))
    assert equal(Comparison().merge(a), a)
    assert equal(a.merge(Comparison()), a)
    whole = Comparison.of(CASES[rows], RIGHT[rows], actual)
    parts = [part(i, set()) for i in range(3)]
    assert equal(reduce(Comparison.merge, parts, Comparison()), whole)
    assert whole.cases == 400


def test_parts_travel_to_other_processes() -> None:
    found = Comparison.of(CASES, RIGHT, damaged(slice(0, COUNT), 2, 0.01))
    assert found.first is not None
    assert found.first.case.base is None, "one wrong case must not keep them all"
    assert equal(pickle.loads(pickle.dumps(found)), found)


def test_disagreements_are_equal_by_their_bytes() -> None:
    records = (CASES[0:1].reshape(()), RIGHT[0:1].reshape(()), RIGHT[1:2].reshape(()))
    one = Disagreement(3, *records)
    assert one == Disagreement(3, *records)
    assert hash(one) == hash(Disagreement(3, *records))
    assert one != one.after(1)
    assert one.after(1).index == 4
    assert one != "one"


# JSON


def test_json_has_the_counts_and_the_first_case_by_field_name() -> None:
    actual = RIGHT.copy()
    spoil(actual, "p.c", [5])
    found = json.loads(json.dumps(Comparison.of(CASES, RIGHT, actual, skip=["cycles"]).to_json()))
    assert {name: found[name] for name in ("agree", "cases", "mismatches", "skipped")} == {
        "agree": False, "cases": COUNT, "mismatches": 1, "skipped": ["cycles"],
    }  # fmt: skip
    name = instruction_of(CASES[5])
    wrong = {n: share for n, share in found["instructions"].items() if share["mismatches"]}
    assert {n: share["fields"] for n, share in wrong.items()} == {name: {"p.c": 1}}
    first = found["first"]
    assert list(first) == ["index", "case", "expected", "actual", "outside"]
    assert list(first["case"]) == ["event", "reads", "pc", "a", "x", "y", "sp", "p"]
    assert list(first["expected"]) == list(first["actual"])
    assert list(first["actual"]) == ["pc", "a", "x", "y", "sp", "p", "cycles", "writes"]
    assert first["index"] == 5
    assert first["case"]["reads"] == [
        [CASES[5]["read_address"][i], CASES[5]["read_value"][i]] for i in range(CASES[5]["reads"])
    ]
    assert first["expected"]["p"] ^ first["actual"]["p"] == 1
    assert Comparison.of(CASES, RIGHT, RIGHT).to_json()["first"] is None


def test_a_record_becomes_plain_numbers() -> None:
    row = int(np.flatnonzero(RIGHT["writes"] == 2)[0])
    record: dict[str, Any] = dict(plain(RIGHT[row]))
    kinds = {type(value) for value in record.values()}
    assert kinds == {int, list}
    assert len(record["writes"]) == 2
    assert all(type(number) is int for pair in record["writes"] for number in pair)


# The report


def printed(comparison: Comparison, **options: Any) -> str:
    stream = io.StringIO()
    report(comparison, Console(file=stream, **{"width": 80, **options}))
    return stream.getvalue()


def worked_example() -> Comparison:
    """45 + 45 = 8A, V set; somebody's emulator says V clear."""
    cases = sampled_cases(3, 1, [BY_OPCODE[0x69]], ["instruction"])
    for name, value in {"pc": 0x0400, "a": 0x45, "x": 1, "y": 2, "sp": 0xFD, "p": 0x24}.items():
        cases[name] = value
    cases["read_value"][:, 1] = 0x45
    cases["event"] = [0, 2, 0]
    cases["read_value"][1, :2] = [0x34, 0x12]
    expected = Model().execute(cases)
    actual = expected.copy()
    actual["p"][2] ^= 0x40
    return Comparison.of(cases, expected, actual)


def test_the_report_shows_the_first_case_with_its_wrong_bit_marked() -> None:
    lines = [line.rstrip() for line in printed(worked_example()).splitlines()]
    assert lines == [
        "Disagree: 1 of 3 cases.",
        "",
        "instruction   cases   wrong   fields, each with its count",
        "ADC               2       1   p.v:1",
        "1 other agrees, in 1 case.",
        "",
        "First wrong case: ADC, number 2 counted from 0",
        "  instruction 69 45 at 0400",
        "                  before  expected       actual",
        "   pc             0400    0402           0402",
        "   a              45      8A             8A",
        "   x              01      01             01",
        "   y              02      02             02",
        "   sp             FD      FD             FD",
        "!  p              34      F4  1111 0100  B4  1011 0100",
        "   p.v                         ^              ^",
        "   cycles                 2              2",
    ]


def everything_wrong() -> Comparison:
    actual = RIGHT.copy()
    actual.view(np.uint8)[:] ^= 0xFF
    return Comparison.of(CASES, RIGHT, actual)


def every_first() -> list[Comparison]:
    """The first case of every instruction and event as the first wrong one, all its bits wrong."""
    actual = RIGHT.copy()
    actual.view(np.uint8)[:] ^= 0xFF
    names = np.array([instruction_of(case) for case in CASES[:2000]])
    rows = [int(np.argmax(names == name)) for name in sorted(set(names))]
    return [Comparison.of(CASES[row], RIGHT[row], actual[row]) for row in rows]


def test_the_report_is_plain_ascii_in_80_columns_whatever_is_wrong() -> None:
    comparisons = [everything_wrong(), *every_first()]
    assert len(comparisons) == 1 + len(BY_MNEMONIC) + 3
    for comparison in comparisons:
        text = printed(comparison)
        assert text.isascii()
        assert "\x1b" not in text
        assert max(map(len, text.splitlines())) <= 80
        assert text.count("!  ") >= 8
        assert all(f"{name}:" in text for name in ("pc", "sp", "p.n", "p.c", "writes", "cycles"))


def test_without_colour_the_marks_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    plain_text = printed(worked_example())
    coloured = printed(worked_example(), force_terminal=True, color_system="standard")
    assert "\x1b[31m" in coloured
    monkeypatch.setenv("NO_COLOR", "1")
    without = printed(worked_example(), force_terminal=True, color_system="standard")
    assert "\x1b[31m" not in without
    for text in (coloured, without):
        assert re.sub(r"\x1b\[[\d;]*m", "", text) == plain_text


def test_the_report_tells_memory_stack_and_vector_where_they_matter() -> None:
    told = {instruction_of(c.first.case): printed(c) for c in every_first() if c.first}
    assert "; operand " in told["AND"] or "instruction 29" in told["AND"]
    assert "; operand " in told["INC"]
    assert "; above SP " in told["RTI"]
    assert "  entered at " in told["NMI"]
    assert "; vector " in told["BRK"]
    assert "vector" not in told["NOP"]
    assert "write 3 at" in told["IRQ"]
    assert "write 1 byte" in told["STA"]


def test_a_write_that_one_side_lacks_shows_as_a_dash() -> None:
    row = int(np.flatnonzero(RIGHT["writes"] == 3)[0])
    fewer, more = RIGHT[row : row + 1].copy(), RIGHT[row : row + 1].copy()
    fewer["writes"], fewer["write_value"][:, 2], fewer["write_address"][:, 2] = 2, 0, 0
    byte = f"{more['write_value'][0, 2]:02X}"
    text = printed(Comparison.of(CASES[row], more, fewer))
    assert [line.split() for line in text.splitlines() if "write 3 byte" in line] == [
        ["!", "write", "3", "byte", byte, "-"]
    ]
    text = printed(Comparison.of(CASES[row], fewer, more))
    assert [line.split() for line in text.splitlines() if "write 3 byte" in line] == [
        ["write", "3", "byte", "-", byte]
    ]


def test_the_report_says_what_was_not_compared() -> None:
    silent = RIGHT.copy()
    silent["cycles"] = 0
    text = printed(Comparison.of(CASES, RIGHT, silent, skip=["pc", "p.d"]))
    assert text.splitlines() == [
        "Agree: 20,000 cases of 59 instructions.",
        "Not compared: pc, p.d.",
        "Cycles not counted in 20,000 cases.",
    ]
    assert printed(Comparison()) == "Nothing was compared.\n"
    skipped = printed(Comparison.of(CASES, RIGHT, RIGHT, skip=FIELDS))
    assert skipped.startswith("Nothing was compared.\n")


def test_rich_is_imported_only_for_a_report() -> None:
    code = "import sys, carrywave.sim.witness.comparison; sys.exit('rich' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# Wrong input


def test_an_unknown_field_is_refused() -> None:
    message = (
        "field 'flags': expected one of p, pc, a, x, y, sp, p.n, p.v, p.d, p.i, p.z, p.c, "
        "cycles, writes, write_value, write_address"
    )
    for refuse in (
        lambda: Comparison.of(CASES, RIGHT, RIGHT, skip=["flags"]),
        lambda: compare(Model(), Model(), CASES, skip=["flags"]),
        lambda: differences(RIGHT, RIGHT, skip=["flags"]),
    ):
        with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
            refuse()


def test_arrays_of_other_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^3 cases, but 3 expected and 2 actual outcomes$"):
        Comparison.of(CASES[:3], RIGHT[:3], RIGHT[:2])


def test_arrays_of_other_layouts_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^actual outcomes: expected the OUTCOME layout, not int"):
        Comparison.of(CASES[:3], RIGHT[:3], np.zeros(3, int))
    with pytest.raises(ValueError, match=r"^cases: expected the CASE layout, not \[\('pc', "):
        Comparison.of(RIGHT[:3], RIGHT[:3], RIGHT[:3])


def test_an_unknown_event_is_refused() -> None:
    cases = CASES[:3].copy()
    cases["event"] = [0, 4, 1]
    with pytest.raises(ValueError, match=r"^event 4: expected 0 to 3$"):
        Comparison.of(cases, RIGHT[:3], RIGHT[:3])


def test_a_notebook_shows_the_verdict_and_what_differs() -> None:
    assert Comparison()._repr_html_() == "<p>nothing compared: 0 of 0 cases differ</p>"
    right = Comparison(1000, 0, {"ADC": Tally(1000)})
    assert right._repr_html_() == "<p>agree: 0 of 1,000 cases differ</p>"
    wrong = Comparison(1000, 7, {"ADC": Tally(900), "SBC": Tally(100, 7, {"a": 2, "p.v": 7})})
    assert wrong._repr_html_() == (
        "<p>disagree: 7 of 1,000 cases differ</p><table><tr><th>instruction</th><th>cases</th>"
        "<th>wrong</th><th>fields</th></tr><tr><td>SBC</td><td>100</td><td>7</td>"
        "<td>a:2 p.v:7</td></tr></table>"
    )
