"""The check of a dump finds a single flipped bit and says where; it lets every true run pass."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from usual import first_of

from carrywave.sim.family.instructions import BY_MNEMONIC, BY_OPCODE
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.waves.check.dump_check import _Checker, check_dump
from carrywave.waves.check.findings import CheckReport, Finding
from carrywave.waves.vcd.read import read_clocks
from carrywave.waves.vcd.signals import SIGNALS

INPUTS = ("unit.clk", "unit.reset_n", "unit.irq_n", "unit.nmi_n", "unit.data_in")
FLAGS = tuple(f"unit.status.{flag}" for flag in "nvdizc")
STATE = ("unit.pc", "unit.a", "unit.x", "unit.y", "unit.stack.sp", *FLAGS)
JUDGED = [spec.path for spec in SIGNALS if spec.path not in INPUTS]
PLACES = 3  # of each signal

# The latch behind these opcodes' left input is not in the dump until its byte has been read. A flip
# there is found as the adder's: it does not do what its inputs say.
LATCHED = [opcode for opcode, form in BY_OPCODE.items() if form.access == "modify"]


@pytest.fixture(scope="module")
def dumps(reference_texts: dict[str, Any], run_random: Callable[..., Any]) -> list[Any]:
    """Decimal, branches, calls and interrupts; and random runs with resets, cut by a limit."""
    cut = reference_texts["nested_interrupts"].shortened(52)  # in the entry of an IRQ
    random_runs = [run_random(seed, variant, 250)[0] for seed, variant in enumerate(VARIANTS, 5)]
    return [*reference_texts.values(), cut, *random_runs]


def spot(dump: Any, path: str, clock: int) -> tuple[int, str]:
    """The clock that a finding must give, and the instruction that it must name.

    What an instruction leaves shows in the next one's first clock, as does where it ends.
    """
    left_over = path in (*STATE, "unit.sync") and clock
    return clock, dump.sequence_at(clock - 1 if left_over else clock)


# A flipped bit


def test_the_untouched_dumps_agree(dumps: list[Any], save: Callable[..., Any]) -> None:
    reports = [check_dump(save(dump)) for dump in dumps]
    assert [report.findings for report in reports] == [[]] * 13
    assert sum(report.clocks for report in reports) > 2000
    assert all(report.agree for report in reports)


@pytest.mark.parametrize("path", first_of(JUDGED[::2] + JUDGED[1::2], len(JUDGED) // 4))
def test_a_flipped_bit_is_found_where_it_was_flipped(
    path: str, dumps: list[Any], save: Callable[..., Any]
) -> None:
    rng = random.Random(path)
    # What the registers hold at power-up is the run's input, as are the pins.
    power_up = (*STATE, "unit.control.opcode")
    places = [
        (dump, change)
        for dump in dumps
        for change in dump.changes[path]
        if change.clock or path not in power_up
    ]
    found = 0
    for dump, change in rng.sample(places, PLACES):
        value = dump.value_in(change.line)
        flipped = value ^ 1 << rng.randrange(dump.width[path])
        report = check_dump(save(dump.put(change.line, flipped)))
        assert not report.agree
        assert report.findings[0].clock == change.clock
        clock, instruction = spot(dump, path, change.clock)
        if path == "unit.variant":
            instruction = "the first clock"
        wanted = Finding(
            clock, path, instruction, dump.spelled(path, flipped), dump.spelled(path, value)
        )
        if path == "unit.variant":
            assert [(wanted.signal, wanted.found)] == [(f.signal, f.found) for f in report.findings]
        elif path == "unit.alu.a" and dump.at("unit.control.opcode", clock) in LATCHED:
            assert report.findings[0].signal.startswith("unit.alu.")
            assert report.findings[0].instruction == instruction
        else:
            assert wanted in report.findings
        found += 1
    assert found == PLACES


def test_the_signals_that_are_judged_are_all_but_the_run_s_inputs() -> None:
    assert len(JUDGED) + len(INPUTS) == len(SIGNALS) == 49


def test_what_a_register_holds_at_power_up_is_taken_as_it_is(
    reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    dump = reference_texts["stack_wrap"]
    (y,) = dump.changes["unit.y"]  # which that listing never touches
    report = check_dump(save(dump.put(y.line, 0x5A)))
    assert report.agree
    assert report.compared > 5000


@pytest.mark.parametrize("clocks", [1, 2, 6, 7, 8, 45, 49, 50, 51, 52, 53, 140, 246])
def test_a_dump_that_ends_in_any_clock_agrees_and_its_last_bit_is_judged(
    clocks: int, reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    dump = reference_texts["nested_interrupts"].shortened(clocks)
    report = check_dump(save(dump))
    assert (report.agree, report.clocks) == (True, clocks)
    judged = 0
    for path in ("unit.write", "unit.address", "unit.control.clock_number", "unit.alu.c4"):
        change = dump.changes[path][-1]
        value = dump.value_in(change.line) ^ 1
        (first, *_) = check_dump(save(dump.put(change.line, value))).findings
        assert (first.clock, first.signal) == (change.clock, path)
        judged += 1
    assert judged == 4


def test_a_finding_reads_as_one_line(
    reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    dump = reference_texts["multibyte_add"]
    clock = next(c for c, v in enumerate(dump.values["unit.mnemonic"]) if "ADC" in text(v))
    change = next(c for c in dump.changes["unit.alu.c8"] if c.clock > clock)
    report = check_dump(save(dump.put(change.line, dump.value_in(change.line) ^ 1)))
    where = dump.sequence_at(change.clock)
    said = {str(finding) for finding in report.findings}
    assert (
        f"unit.alu.c8 at {change.clock}000 ns (clock {change.clock}), in {where}: "
        f"is {dump.value_in(change.line) ^ 1}, must be {dump.value_in(change.line)}"
    ) in said


def text(value: int) -> str:
    return value.to_bytes(5, "big").decode("ascii").lstrip("\0")


# The run's inputs: pins, clock, and what memory answers


def test_a_flipped_bit_of_a_byte_read_is_found_in_the_clock_it_is_read(
    dumps: list[Any], save: Callable[..., Any]
) -> None:
    """The ALU's right input shows it; but where that is a byte read before, the memory must."""
    rng = random.Random(1)
    places = [
        (dump, change)
        for dump in dumps
        for change in dump.changes["unit.data_in"]
        # While an index is added, the ALU has the base's low byte there.
        if b"OFFSET" not in dump.at("unit.alu.operation", change.clock).to_bytes(12, "big")
    ]
    signals: Counter[str] = Counter()
    for dump, change in rng.sample(places, 40):
        value = dump.value_in(change.line) ^ 1 << rng.randrange(8)
        report = check_dump(save(dump.put(change.line, value)))
        at_once = {finding.signal for finding in report.findings if finding.clock == change.clock}
        signals.update(at_once)
        assert at_once & {"unit.alu.b", "unit.data_in"}
    assert signals["unit.alu.b"] > 30
    assert signals["unit.data_in"] > 10  # the same address was read, or written, before
    assert signals["unit.mnemonic"] > 0  # an opcode


MEMORY = """
        .org $0200
START:  LDA #$37
        STA $20
        LDX $20
        LDX $20
DONE:   JMP DONE
"""


@pytest.mark.parametrize(
    ("changed", "found_at"),
    [
        ((0,), 14),  # what was stored is not what is loaded
        ((1,), 17),
        ((0, 1), 14),
    ],
)
def test_what_is_read_must_be_what_was_written_or_read_there_before(
    changed: tuple[int, ...],
    found_at: int,
    run_text: Callable[..., Any],
    save: Callable[..., Any],
) -> None:
    dump = run_text(MEMORY)
    loads = [
        clock
        for clock in range(dump.clocks)
        if dump.at("unit.address", clock) == 0x20 and not dump.at("unit.write", clock)
    ]
    assert loads == [14, 17]
    lines = {change.clock: change.line for change in dump.changes["unit.data_in"]}
    for load in changed:
        dump = dump.put(lines[loads[load]], 0x36)
    findings = [f for f in check_dump(save(dump)).findings if f.signal == "unit.data_in"]
    assert [(f.clock, f.found, f.expected) for f in findings] == [
        (loads[load], "36", "37") for load in changed
    ]
    assert findings[0].clock == found_at


def test_another_opcode_than_the_one_that_ran_is_found_as_the_mnemonic(
    run_text: Callable[..., Any], save: Callable[..., Any]
) -> None:
    dump = run_text(MEMORY)
    (change,) = (c for c in dump.changes["unit.data_in"] if c.clock == 7)
    assert dump.value_in(change.line) == BY_MNEMONIC["LDA"]["immediate"].opcode
    report = check_dump(save(dump.put(change.line, BY_MNEMONIC["LDX"]["immediate"].opcode)))
    assert Finding(7, "unit.mnemonic", "LDX at 0200", "'LDA'", "'LDX'") in report.findings


def test_an_opcode_outside_the_documented_set_is_not_passed_over(
    run_text: Callable[..., Any], save: Callable[..., Any]
) -> None:
    dump = run_text(MEMORY)
    (change,) = (c for c in dump.changes["unit.data_in"] if c.clock == 7)
    report = check_dump(save(dump.put(change.line, 0x02)))
    wanted = Finding(7, "unit.data_in", "? at 0200", "02", "'a documented opcode'")
    assert wanted in report.findings


def test_an_nmi_edge_that_is_not_there_is_found_by_the_entry_that_follows(
    reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    dump = reference_texts["nested_interrupts"]
    (edge,) = (c for c in dump.changes["unit.nmi_n"] if dump.value_in(c.line) == 0)
    entry = [text(v) for v in dump.values["unit.mnemonic"]].index("NMI")
    assert 0 < edge.clock < entry
    first = check_dump(save(dump.put(edge.line, 1))).findings[0]
    assert (first.clock, first.signal, first.found) == (entry, "unit.mnemonic", "'NMI'")


def test_an_irq_that_nobody_asked_for_is_found_by_its_entry(
    reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    dump = reference_texts["nested_interrupts"]
    (low,) = (c for c in dump.changes["unit.irq_n"] if dump.value_in(c.line) == 0)
    entry = [text(v) for v in dump.values["unit.mnemonic"]].index("IRQ")
    first = check_dump(save(dump.put(low.line, 1))).findings[0]
    assert (first.clock, first.signal, first.found) == (entry, "unit.mnemonic", "'IRQ'")


def test_a_reset_that_nobody_asked_for_is_found(
    run_text: Callable[..., Any], save: Callable[..., Any]
) -> None:
    dump = run_text(
        " .org $0200\nSTART: LDX #1\n .reset +1\n INC $20\nDONE: JMP DONE\n", max_clocks=40
    )
    (low, *_) = (c for c in dump.changes["unit.reset_n"] if dump.value_in(c.line) == 0)
    assert check_dump(save(dump)).agree
    findings = check_dump(save(dump.put(low.line, 1))).findings
    # INC ends too early: a new sequence begins where its next clock should be.
    assert findings[0].clock == low.clock + 1
    assert Finding(low.clock + 1, "unit.sync", "INC at 0202", "1", "0") in findings


# True runs


@pytest.mark.parametrize(
    ("variant", "runs"),
    [
        ("nmos", 6),
        *(pytest.param(variant, 40, marks=pytest.mark.exhaustive) for variant in VARIANTS),
    ],
)
def test_hardware_and_check_agree_on_random_opcodes_under_random_pins(
    variant: str, runs: int, run_random: Callable[..., Any], save: Callable[..., Any]
) -> None:
    clocks, names = 0, Counter[str]()
    for seed in range(runs):
        dump, sequences = run_random(seed, variant, 200)
        report = check_dump(save(dump))
        assert (report.findings, report.clocks) == ([], 201), seed
        clocks += report.clocks
        names.update(sequence.name for sequence in sequences)
    assert clocks == runs * 201
    assert runs < 20 or set(EVENTS[1:]) < set(names)
    assert len(set(names) & set(BY_MNEMONIC)) > (55 if runs > 20 else 45)


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("last", ["SEI", "PLP"])
def test_an_irq_that_was_decided_before_i_was_set_is_no_disagreement(
    last: str, variant: str, run_text: Callable[..., Any], save: Callable[..., Any]
) -> None:
    dump = run_text(
        f"""
        .org $0200
START:  LDX #$FF
        TXS
        PHP             ; with I set, as reset left it
        CLI
        .irq low
        {last}
DONE:   JMP DONE
HANDLE: RTI
        .org $FFFE
        .word HANDLE
        """,
        variant,
    )
    entered = [text(v).strip() for v in dump.values["unit.mnemonic"]].index("IRQ")
    assert dump.at("unit.status.i", entered) == 1
    assert check_dump(save(dump)).agree


@pytest.mark.parametrize(
    ("variant", "hijacked"), first_of([("nmos", 4), ("cmos", 0), ("binary", 4)])
)
def test_an_nmi_in_any_clock_of_brk_is_no_disagreement(
    variant: str, hijacked: int, run_text: Callable[..., Any], save: Callable[..., Any]
) -> None:
    """On all but CMOS one that comes in its first four clocks takes its vector."""
    taken = []
    for delay in range(8):
        listing = f"""
        .org $0200
START:  LDX #$FF
        TXS
        .nmi +{delay}
        BRK
DONE:   JMP DONE
HANDLE: RTI
        .org $FFFA
        .word HANDLE, START, HANDLE
        """
        dump = run_text(listing, variant)
        report = check_dump(save(dump))
        assert (report.agree, report.findings) == (True, [])
        begins = [text(v) for v in dump.values["unit.mnemonic"]].index("BRK")
        taken.append(dump.at("unit.address", begins + 5) == 0xFFFA)
    assert taken == [True] * hijacked + [False] * (8 - hijacked)


@pytest.mark.parametrize("delay", first_of([*range(9)], 4))
def test_a_reset_in_any_clock_of_an_instruction_is_no_disagreement(
    delay: int, run_text: Callable[..., Any], save: Callable[..., Any]
) -> None:
    listing = (
        f" .org $0200\nSTART: LDX #$FF\n TXS\n .reset +{delay}\n JSR PART\nPART: INC $20\n BRK\n"
    )
    dump = run_text(listing, max_clocks=60)
    report = check_dump(save(dump))
    assert (report.agree, report.findings) == (True, [])
    assert [text(v) for v in dump.values["unit.mnemonic"]][12:].count("RESET") >= 7


# Chunks


def tampered(dump: Any) -> Any:
    """Five flips, two of them of where a sequence begins."""
    for path, number in (
        ("unit.sync", 9), ("unit.a", 5), ("unit.sync", 40), ("unit.status.z", 3), ("unit.pc", 60),
    ):  # fmt: skip
        change = dump.changes[path][number]
        dump = dump.put(change.line, dump.value_in(change.line) ^ 1)
    return dump


def many_flips(dump: Any) -> Any:
    """More than a report shows."""
    for change in dump.changes["unit.alu.sum"][5:95]:
        dump = dump.put(change.line, dump.value_in(change.line) ^ 4)
    return dump


@pytest.mark.parametrize("change", [lambda dump: dump, tampered, many_flips])
@pytest.mark.parametrize(
    "name",
    ["nested_interrupts", pytest.param("decimal_count", marks=pytest.mark.exhaustive)],
)
def test_the_size_of_the_chunks_makes_no_difference(
    name: str,
    change: Callable[[Any], Any],
    reference_texts: dict[str, Any],
    save: Callable[..., Any],
) -> None:
    path = save(change(reference_texts[name]))
    whole = check_dump(path)
    assert whole.clocks > 240
    assert bool(whole.findings) == (change in (tampered, many_flips))
    reports = [check_dump(path, chunk) for chunk in (1, 7, 64, 4096)]
    assert reports == [whole] * 4


def test_a_report_keeps_the_first_findings_and_counts_the_others(
    reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    report = check_dump(save(many_flips(reference_texts["decimal_count"])))
    assert len(report.findings) == 20
    assert report.disagreements >= 90
    assert report.findings == sorted(report.findings)
    assert report.findings[0].signal == "unit.alu.sum"


def test_a_reader_hands_on_one_chunk_at_a_time(
    reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    path = save(reference_texts["decimal_count"])
    sizes: list[int] = []

    def consume(columns: dict[str, Any], first: int) -> None:
        assert first == sum(sizes)
        assert {len(column) for column in columns.values()} == {len(columns["unit.clk"])}
        sizes.append(len(columns["unit.clk"]))

    assert read_clocks(path, consume, 64) == 416
    assert sizes == [64] * 6 + [32]


def test_the_check_keeps_one_sequence_of_clocks_from_chunk_to_chunk(
    reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    path = save(reference_texts["nested_interrupts"])
    checker, kept = _Checker(), list[int]()

    def consume(columns: dict[str, Any], first: int) -> None:
        checker.consume(columns, first)
        kept.append(len(checker.kept["unit.sync"]))

    read_clocks(path, consume, 16)
    assert len(kept) == 16
    assert 1 <= max(kept) <= 7  # the longest sequences, of the interrupts


# The report


def test_a_report_of_nothing_does_not_agree() -> None:
    report = CheckReport()
    assert (report.agree, report.compared) == (False, 0)


def test_a_dump_of_no_clocks_does_not_agree(
    reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    dump = reference_texts["stack_wrap"]
    head = dump.text.partition("#0\n")[0]
    report = check_dump(save(head + "$comment 0 clocks $end\n"))
    assert (report.agree, report.clocks) == (False, 0)


@pytest.mark.parametrize("unknown", ["nmot", ""])
def test_an_unknown_variant_is_a_finding_and_nothing_else_is_judged(
    unknown: str, reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    dump = reference_texts["stack_wrap"]
    (change,) = dump.changes["unit.variant"]
    value = int.from_bytes(unknown.encode(), "big")
    report = check_dump(save(dump.put(change.line, value)))
    assert [str(finding) for finding in report.findings] == [
        f"unit.variant at 0 ns (clock 0), in the first clock: is {unknown!r}, "
        "must be a known variant"
    ]
    assert (report.agree, report.compared) == (False, 0)


def test_a_name_with_spaces_in_front_as_dumps_once_had_them_is_the_same_name(
    reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    dump = reference_texts["stack_wrap"]
    (change,) = dump.changes["unit.variant"]
    assert dump.value_in(change.line) == int.from_bytes(b"nmos", "big")
    report = check_dump(save(dump.put(change.line, int.from_bytes(b"  nmos", "big"))))
    assert (report.agree, report.variant) == (True, "nmos")


def test_a_dump_of_another_variant_than_it_says_is_found(
    run_text: Callable[..., Any], save: Callable[..., Any]
) -> None:
    listing = " .org $0200\nSTART: SED\n SEC\n LDA #$58\n ADC #$46\nDONE: JMP DONE\n"
    dump = run_text(listing, "nmos")
    (change,) = dump.changes["unit.variant"]
    for variant, signal in (("cmos", "unit.sync"), ("binary", "unit.alu.c4")):
        value = int.from_bytes(variant.encode(), "big")
        findings = check_dump(save(dump.put(change.line, value))).findings
        assert signal in {finding.signal for finding in findings}


def test_the_command_reports_a_tampered_dump_and_exits_with_1(
    carrywave: Callable[..., Any], reference_texts: dict[str, Any], save: Callable[..., Any]
) -> None:
    dump = reference_texts["stack_wrap"]
    change = dump.changes["unit.x"][2]
    path = save(dump.put(change.line, dump.value_in(change.line) ^ 2))
    status, out, err = carrywave("check", path)
    assert (status, err) == (1, "")
    assert out.startswith("disagrees: ")
    where = dump.sequence_at(change.clock - 1)
    assert f"  unit.x at {change.clock}000 ns (clock {change.clock}), in {where}:" in out


def test_every_opcode_s_action_is_known_to_the_rules() -> None:
    from carrywave.waves.check.rules import ACTION

    known = {opcode for opcode in range(256) if ACTION[0, opcode]}
    assert known == set(BY_OPCODE)
