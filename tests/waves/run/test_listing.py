"""A listing from end to end, as the library gives it."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from carrywave.sim.program.assembler import assemble
from carrywave.sim.program.kept import move_stack
from carrywave.sim.program.ran import Sequence
from carrywave.sim.system.errors import UnusableError
from carrywave.sim.witness.registers import Registers
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.check.findings import CheckReport, Finding
from carrywave.waves.run import listing as bench
from carrywave.waves.run.listing import RunReport, place, run_listing

TURNSTILE = """\
COUNT = $20             ; people in the hall
        .org $0200
START:  LDX #$FF
        TXS
        LDA #3
        STA COUNT
        JSR ENTER
DONE:   JMP DONE
ENTER:  INC COUNT
        RTS
"""


@pytest.fixture
def listing(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "hall.s"
        path.write_text(text)
        return path

    return write


def refused(path: Path, **options: Any) -> str:
    """What the bench says of a listing, without the path that it begins with."""
    with pytest.raises(UnusableError) as caught:
        run_listing(path, **options)
    message = str(caught.value)
    assert message.startswith(f"{path}:")
    assert "\n" not in message
    return message.removeprefix(f"{path}:")


# What a run reports


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
def test_a_run_reports_what_ran_and_what_was_checked(
    variant: str, listing: Callable[[str], Path]
) -> None:
    path = listing(TURNSTILE)
    report = run_listing(path, variant=variant)
    value = json.loads(json.dumps(report.to_json()))
    checked = value.pop("checked")
    assert value == {
        "agree": True,
        "listing": str(path),
        "variant": variant,
        "ended": "self-jump",
        # Reset 7, LDX TXS LDA 6, STA 3, JSR 6, INC 5, RTS 6, JMP 3.
        "clocks": 36,
        "instructions": 8,
        "final": {"pc": 0x020A, "a": 3, "x": 0xFF, "y": 0, "sp": 0xFF, "p": 0x34},
        # NMOS writes the unmodified byte back before the new one.
        "writes": [
            [15, 0x20, 3], [19, 0x01FF, 0x02], [20, 0x01FE, 0x09],
            *([[25, 0x20, 3]] if variant != "cmos" else []), [26, 0x20, 4],
        ],
        "findings": [],
        "vcd": None,
        "engine": "simulator",
        "window": None,
        "rounds": 0,
        "corrected": 0,
    }  # fmt: skip
    assert (checked["instructions"], checked["clocks"]) == (9, 37)  # with reset; and a last fetch
    assert checked["values"] > 40 * 37


def test_the_waveform_is_kept_where_it_is_asked_for(
    listing: Callable[[str], Path], tmp_path: Path
) -> None:
    path = tmp_path / "kept.vcd"
    report = run_listing(listing(TURNSTILE), str(path))
    assert report.vcd == str(path)
    assert check_dump(path) == report.check
    assert sorted(file.name for file in tmp_path.iterdir()) == ["hall.s", "kept.vcd"]


def test_without_it_no_file_is_left(listing: Callable[[str], Path], tmp_path: Path) -> None:
    run_listing(listing(TURNSTILE))
    assert [file.name for file in tmp_path.iterdir()] == ["hall.s"]


def test_a_report_agrees_only_if_its_check_does() -> None:
    report = RunReport("hall.s", "nmos", bench.Run(), CheckReport(), None)
    assert not report.agree
    report.check = CheckReport("nmos", 9, 3, compared=400)
    assert report.agree
    report.check.disagreements = 1
    report.check.findings = [Finding(4, "unit.a", "LDA at 0200", "51", "50")]
    assert not report.agree
    assert report.to_json()["findings"] == [
        "unit.a at 4000 ns (clock 4), in LDA at 0200: is 51, must be 50"
    ]


def test_writes_need_not_be_kept(listing: Callable[[str], Path]) -> None:
    report = run_listing(listing(TURNSTILE), keep_writes=False)
    assert report.to_json()["writes"] == []
    assert report.agree


def test_progress_is_told_as_the_run_goes_on(listing: Callable[[str], Path]) -> None:
    told: list[int] = []
    run_listing(
        listing(" .org $0200\nSTART: INC $20\n JMP START\n"), max_clocks=1000, progress=told.append
    )
    assert told == [0, 256, 512, 768]


@pytest.mark.parametrize(
    ("rows", "first", "last", "omitted"),
    [(0, 0, 0, 9), (1, 1, 0, 8), (4, 2, 2, 5), (9, 5, 4, 0), (100, 9, 0, 0)],
)
def test_the_first_and_the_last_instructions_are_kept(
    rows: int, first: int, last: int, omitted: int, listing: Callable[[str], Path]
) -> None:
    report = run_listing(listing(TURNSTILE), rows=rows)
    assert (len(report.kept.first), len(report.kept.last), report.kept.omitted) == (
        first,
        last,
        omitted,
    )
    names = [sequence.name for sequence, _ in [*report.kept.first, *report.kept.last]]
    every = ["RESET", "LDX", "TXS", "LDA", "STA", "JSR", "INC", "RTS", "JMP"]
    assert names == every[:first] + every[9 - last :]


def test_each_instruction_comes_with_the_stack_it_left(listing: Callable[[str], Path]) -> None:
    report = run_listing(listing(TURNSTILE), rows=100)
    assert [(sequence.name, stack) for sequence, stack in report.kept.first[4:8]] == [
        ("STA", ()), ("JSR", (0x02, 0x09)), ("INC", (0x02, 0x09)), ("RTS", ()),
    ]  # fmt: skip


# How a run ends


@pytest.mark.parametrize(
    ("end", "clocks"),
    [("DONE: JMP DONE", 12), ("CLC\nDONE: BCC DONE", 14), ("DONE: BNE DONE", 12)],
)
def test_a_jump_or_a_branch_to_itself_ends_a_run(
    end: str, clocks: int, listing: Callable[[str], Path]
) -> None:
    report = run_listing(listing(f" .org $0200\nSTART: LDX #1\n{end}\n"))
    assert (report.run.ended, report.run.clocks, report.agree) == ("self-jump", clocks, True)


def test_a_jump_to_itself_does_not_end_a_run_that_an_interrupt_will_wake(
    listing: Callable[[str], Path],
) -> None:
    report = run_listing(
        listing(
            " .org $0200\nSTART: LDX #$FF\n TXS\n .nmi +9\n NOP\nWAIT: JMP WAIT\n"
            "ALARM: INC $20\nDONE: JMP DONE\n .org $FFFA\n .word ALARM\n"
        ),
        rows=20,
    )
    names = [sequence.name for sequence, _ in [*report.kept.first, *report.kept.last]]
    assert names[4:] == ["JMP", "JMP", "JMP", "NMI", "INC", "JMP"]
    assert report.run.ended == "self-jump"
    assert report.agree


@pytest.mark.parametrize("max_clocks", [1, 7, 8, 15, 16, 17, 24, 35])
def test_a_clock_limit_that_was_asked_for_ends_a_run(
    max_clocks: int, listing: Callable[[str], Path]
) -> None:
    report = run_listing(listing(TURNSTILE), max_clocks=max_clocks)
    assert (report.run.ended, report.run.clocks) == ("clock limit", max_clocks)
    assert report.agree
    assert report.check.clocks == max_clocks + 1


def test_a_listing_that_never_ends_is_refused(
    listing: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench, "DEFAULT_CLOCKS", 100)
    path = listing(" .org $0200\nSTART: INC $20\n JMP START\n")
    assert refused(path, vcd=str(tmp_path / "out.vcd")) == (
        " did not end within 100 clocks, last at 0202 (line 3): "
        "end it with an instruction that jumps to itself, or give --max-clocks"
    )
    assert [file.name for file in tmp_path.iterdir()] == ["hall.s"]


def test_the_limit_is_what_the_command_s_help_says() -> None:
    assert bench.DEFAULT_CLOCKS == 100_000


# Listings that cannot be run


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (" .org $0200\n LDA #1\n .byte $02\n",
         " opcode 02 at 0202 (line 3): undocumented on this variant"),
        (" .org $0200\n JMP $4000\n .org $4000\n .byte $FF\n",
         " opcode FF at 4000 (line 4): undocumented on this variant"),
        (" .org $0200\n JMP AT+1\nAT: LDA #$CB\n",
         " opcode CB at 0204: undocumented on this variant"),
        ("", "1:1: found an empty file; expected a listing"),
        (" .org $0200\n LDA #$1FF\n", "2:7: found 511; expected a byte, -128 to 255"),
    ],
)  # fmt: skip
def test_a_listing_that_cannot_be_run_is_refused_and_nothing_is_left(
    text: str, message: str, listing: Callable[[str], Path], tmp_path: Path
) -> None:
    out = tmp_path / "out.vcd"
    path = listing(text)
    assert refused(path, vcd=str(out)) == message
    assert [file.name for file in tmp_path.iterdir()] == ["hall.s"]
    out.write_text("good")
    assert refused(path, vcd=str(out)) == message
    assert out.read_text() == "good"


def test_an_undocumented_opcode_that_the_limit_leaves_unrun_is_no_error(
    listing: Callable[[str], Path],
) -> None:
    report = run_listing(listing(" .org $0200\n LDA #1\n .byte $02\n"), max_clocks=9)
    assert (report.run.ended, report.agree) == ("clock limit", True)


@pytest.mark.parametrize(
    ("name", "reason"),
    [("none/out.vcd", "No such file or directory"), ("hall.s/out.vcd", "Not a directory"),
     ("", "Is a directory")],
)  # fmt: skip
def test_a_waveform_that_cannot_be_written_is_refused(
    name: str, reason: str, listing: Callable[[str], Path], tmp_path: Path
) -> None:
    path, out = listing(TURNSTILE), str(tmp_path / name)
    with pytest.raises(OSError, match=reason) as caught:
        run_listing(path, out)
    assert (caught.value.filename, caught.value.strerror) == (out, reason)
    assert [file.name for file in tmp_path.iterdir()] == ["hall.s"]


def test_a_waveform_goes_whole_into_a_pipe(listing: Callable[[str], Path], tmp_path: Path) -> None:
    """One cannot be read back: what goes there has been checked before."""
    path, pipe = listing(TURNSTILE), tmp_path / "pipe"
    os.mkfifo(pipe)
    with ThreadPoolExecutor(1) as beside:
        through = beside.submit(pipe.read_bytes)
        assert run_listing(path, str(pipe)).agree
    run_listing(path, str(tmp_path / "out.vcd"))
    assert through.result() == (tmp_path / "out.vcd").read_bytes()


# The stack, and places


def sequence(name: str, before: int, after: int, *writes: tuple[int, int]) -> Sequence:
    """A sequence that moved SP, with the address and the byte of each write."""
    state = Registers(0x0200, 0, 0, 0, before, 0x30)
    return Sequence(
        name, 0, 3, 0x0200, state, state._replace(sp=after),
        tuple((0, address, byte) for address, byte in writes),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("moved", "left"),
    [
        (sequence("PHA", 0xFD, 0xFC, (0x01FD, 7)), [1, 2, 7]),
        (sequence("JSR", 0x00, 0xFE, (0x0100, 3), (0x01FF, 4)), [1, 2, 3, 4]),
        (sequence("IRQ", 0x01, 0xFE, (0x0101, 3), (0x0100, 4), (0x01FF, 5)), [1, 2, 3, 4, 5]),
        (sequence("PLA", 0xFC, 0xFD), [1]),
        (sequence("RTS", 0xFF, 0x01), []),
        (sequence("RTI", 0xFF, 0x02), []),  # more than was ever pushed
        (sequence("TXS", 0xFC, 0xFF), []),
        (sequence("RESET", 0xFC, 0xF9), []),
        (sequence("STA", 0xFC, 0xFC, (0x01FC, 9)), [1, 2]),  # page one, but no push
    ],
    ids=lambda value: value.name if isinstance(value, Sequence) else "",
)
def test_the_stack_grows_and_shrinks_with_its_pointer(moved: Sequence, left: list[int]) -> None:
    stack = [1, 2]
    move_stack(stack, moved)
    assert stack == left


def test_the_stack_is_a_page_at_most() -> None:
    stack: list[int] = []
    for i in range(300):
        low = (0xFF - i) % 256
        move_stack(stack, sequence("PHA", low, (low - 1) % 256, (0x0100 + low, i % 256)))
    assert stack == [i % 256 for i in range(44, 300)]


def test_a_place_is_an_address_with_its_line_if_it_has_one() -> None:
    program = assemble(" .org $0200\n\nSTART: LDA #1\n")
    assert place(program, 0x0200) == "0200 (line 3)"
    assert place(program, 0x0201) == "0201"
