"""The command line: what it prints, its exit status, one clear line for what it cannot use."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest
from tracked import HOUSE

from carrywave.sim.cli.commands import NAMES, SECTIONS
from carrywave.sim.cli.commands import cli as commands
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.waves.check.findings import CheckReport, Finding
from carrywave.waves.run import listing as bench

REFERENCE = HOUSE / "waves" / "reference"
GATE = """\
        .org $0200
START:  LDX #$FF
        TXS
        LDA #$50
        PHA
DONE:   JMP DONE
"""
FOREVER = "        .org $0200\nSTART:  INC $20\n        JMP START\n"

Answer = tuple[int, str, str]


@pytest.fixture
def listing(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "gate.s"
        path.write_text(text)
        return path

    return write


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


# op


def test_op_gives_the_chain_and_the_flags_as_json(carrywave: Callable[..., Answer]) -> None:
    status, out, err = carrywave("op", "ADC", "0x50", "0x50", "--json")
    assert (status, err, out.count("\n")) == (0, "", 1)
    value = json.loads(out)
    wanted = {
        "mnemonic": "ADC", "variant": "nmos", "a": 80, "operand": 80, "carry_in": 0, "result": 160,
        "carries": [0, 0, 0, 0, 0, 1, 0, 1, 0],
        "flags": {"n": 1, "v": 1, "z": 0, "c": 0, "d": None, "i": None},
    }  # fmt: skip
    assert {key: value[key] for key in wanted} == wanted


def test_op_takes_its_options(carrywave: Callable[..., Answer]) -> None:
    status, out, _ = carrywave(
        "op", "sbc", "0x12", "0x21", "--carry", "1", "--decimal", "--variant", "cmos",
        "--status", "0xFF", "--json",
    )  # fmt: skip
    value = json.loads(out)
    assert status == 0
    assert (value["mnemonic"], value["variant"], value["decimal"]) == ("SBC", "cmos", True)
    assert (value["carry_in"], value["result"]) == (1, 0x91)


@pytest.mark.parametrize(
    ("written", "byte"),
    [
        ("80", 80), ("0x50", 0x50), ("0X5a", 0x5A), ("$50", 0x50), ("$fF", 0xFF), ("%01010000", 80),
        ("0b101", 5), ("-1", 255), ("-128", 128), ("-$01", 255), ("-0x80", 128), ("255", 255),
        ("0", 0), ("007", 7), (" 9 ", 9),
    ],
)  # fmt: skip
def test_numbers_are_written_as_people_write_them(
    written: str, byte: int, carrywave: Callable[..., Answer]
) -> None:
    status, out, err = carrywave("op", "STA", written, "--json")
    assert (status, err) == (0, "")
    assert json.loads(out)["a"] == byte


@pytest.mark.parametrize(
    "written", ["", "x", "0x", "$", "%2", "0b2", "1.5", "1_0", "+5", "-", "\u0664"]
)
def test_what_is_no_number_is_refused(written: str, carrywave: Callable[..., Answer]) -> None:
    said = f"{written!r} is not a number: write 80, 0x50, $50, %01010000 or -1"
    assert carrywave("op", "STA", "--", written) == (
        2, "", f"carrywave: Invalid value for '[MODE] [A] [OPERAND] [ADDRESS]': {said}\n",
    )  # fmt: skip


@pytest.mark.parametrize("written", ["256", "-129", "$100", "%100000000", "9999"])
def test_a_number_out_of_range_is_refused(written: str, carrywave: Callable[..., Answer]) -> None:
    said = f"{written} does not fit in a byte: expected -128 to 255"
    assert carrywave("op", "STA", written) == (
        2, "", f"carrywave: Invalid value for '[MODE] [A] [OPERAND] [ADDRESS]': {said}\n",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("ADX", "1", "2"), "Invalid value for 'MNEMONIC': 'ADX' is not a documented mnemonic; "
                            "did you mean TAX or LDX or DEX?"),
        (("ADC", "1"), "ADC takes two numbers, A and the operand; 1 given"),
        (("CLC", "1"), "CLC takes no number; 1 given"),
        (("ADC", "1", "--fast"), "No such option '--fast'."),
    ],
)  # fmt: skip
def test_op_refuses_what_it_cannot_use(
    arguments: tuple[str, ...], message: str, carrywave: Callable[..., Answer]
) -> None:
    assert carrywave("op", *arguments) == (2, "", f"carrywave: {message}\n")


def test_a_mnemonic_that_is_like_none_is_refused_with_all_of_them(
    carrywave: Callable[..., Answer],
) -> None:
    status, out, err = carrywave("op", "QQQ")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert err.startswith("carrywave: Invalid value for 'MNEMONIC': 'QQQ' is not a documented ")
    assert err.endswith(f" mnemonic: one of {', '.join(sorted(BY_MNEMONIC))}\n")


def test_op_writes_a_waveform_that_checks(carrywave: Callable[..., Answer], tmp_path: Path) -> None:
    path = tmp_path / "op.vcd"
    status, out, err = carrywave("op", "ADC", "0x50", "0x50", "--vcd", path)
    assert (status, err) == (0, "")
    assert out.startswith("ADC  A + M + C   nmos, binary\n")
    status, out, err = carrywave("check", path, "--json")
    assert (status, err) == (0, "")
    assert json.loads(out)["checked"]["instructions"] == 1
    assert files(tmp_path) == ["op.vcd"]


def test_op_refuses_a_place_where_it_cannot_write(
    carrywave: Callable[..., Answer], tmp_path: Path
) -> None:
    path = tmp_path / "none" / "op.vcd"
    assert carrywave("op", "ADC", "1", "2", "--vcd", path) == (
        2, "", f"carrywave: {path}: No such file or directory\n",
    )  # fmt: skip
    assert files(tmp_path) == []


# run


def test_run_reports_as_json(
    carrywave: Callable[..., Answer], listing: Callable[[str], Path], tmp_path: Path
) -> None:
    out_file = tmp_path / "gate.vcd"
    status, out, err = carrywave("run", listing(GATE), "--vcd", out_file, "--json")
    assert (status, err, out.count("\n")) == (0, "", 1)
    value = json.loads(out)
    wanted = {
        "agree": True, "ended": "self-jump", "clocks": 19, "instructions": 5,
        "final": {"pc": 0x0206, "a": 0x50, "x": 0xFF, "y": 0, "sp": 0xFE, "p": 0x34},
        "writes": [[15, 0x01FF, 0x50]], "vcd": str(out_file),
    }  # fmt: skip
    assert {key: value[key] for key in wanted} == wanted
    assert (value["checked"]["instructions"], value["checked"]["clocks"]) == (6, 20)
    assert files(tmp_path) == ["gate.s", "gate.vcd"]


def test_run_prints_a_table(
    carrywave: Callable[..., Answer], listing: Callable[[str], Path], tmp_path: Path
) -> None:
    path = tmp_path / "gate.vcd"
    status, out, err = carrywave("run", listing(GATE), "--vcd", path, "--variant", "cmos")
    assert (status, err) == (0, "")
    assert "   13  0205  PHA" in out
    assert "Ended by a jump to itself after 19 clocks and 5 instructions." in out
    assert f"Waveform:{path}" in "".join(out.split())  # wherever it is folded
    assert "\nagrees with the cmos model: " in out


def test_run_ends_at_a_limit_that_was_asked_for(
    carrywave: Callable[..., Answer], listing: Callable[[str], Path]
) -> None:
    status, out, _ = carrywave("run", listing(FOREVER), "--max-clocks", "50", "--json")
    value = json.loads(out)
    assert (status, value["agree"]) == (0, True)
    assert (value["ended"], value["clocks"]) == ("clock limit", 50)
    status, out, _ = carrywave("run", listing(FOREVER), "--max-clocks", "50", "--rows", "0")
    assert status == 0
    assert out.startswith("Ended by the clock limit after 50 clocks and 10 instructions.\n")


def test_run_refuses_a_listing_that_never_ends(
    carrywave: Callable[..., Answer],
    listing: Callable[[str], Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bench, "DEFAULT_CLOCKS", 60)
    path = listing(FOREVER)
    assert carrywave("run", path, "--vcd", tmp_path / "out.vcd") == (
        2, "", f"carrywave: {path}: did not end within 60 clocks, last at 0202 (line 3): "
        "end it with an instruction that jumps to itself, or give --max-clocks\n",
    )  # fmt: skip
    assert files(tmp_path) == ["gate.s"]


BAD_LISTINGS = [
    ("", "1:1: found an empty file; expected a listing"),
    ("; nothing\n", "1:1: found no instruction; expected one at least"),
    (" .org $0200\n LDQ #1\n",
     "2:2: found 'LDQ'; expected an instruction, a directive, or a name and ':' or '=' "
     "(nearest: LDY)"),
    (" .org $0200\n STA #1\n",
     "2:6: found an immediate operand; expected a mode that STA has: "
     "zp, zp,X, abs, abs,X, abs,Y, (zp,X), (zp),Y"),
    (" .org $0200\n LDX ($20),Y\n",
     "2:6: found (zp),Y addressing; expected a mode that LDX has: #, zp, zp,Y, abs, abs,Y"),
    (" .org $0200\n LDA #256\n", "2:7: found 256; expected a byte, -128 to 255"),
    (" .org $0200\n BNE $0300\n",
     "2:6: found a branch over +254 bytes; expected -128 to +127, counted from the next "
     "instruction"),
    (" .org $0200\n LDA #1\n .byte $02\n",
     " opcode 02 at 0202 (line 3): undocumented on this variant"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), BAD_LISTINGS)
def test_run_refuses_a_listing_that_it_cannot_use(
    text: str,
    message: str,
    carrywave: Callable[..., Answer],
    listing: Callable[[str], Path],
    tmp_path: Path,
) -> None:
    path, out = listing(text), tmp_path / "out.vcd"
    refusal = (2, "", f"carrywave: {path}:{message}\n")
    assert carrywave("run", path, "--vcd", out) == refusal
    assert files(tmp_path) == ["gate.s"]
    out.write_text("good")
    assert carrywave("run", path, "--vcd", out, "--json") == refusal
    assert out.read_text() == "good"
    assert files(tmp_path) == ["gate.s", "out.vcd"]


def test_run_refuses_a_file_that_is_no_listing(
    carrywave: Callable[..., Answer], tmp_path: Path
) -> None:
    binary = tmp_path / "binary.s"
    binary.write_bytes(b"\x7fELF\0\1")
    latin = tmp_path / "latin.s"
    latin.write_bytes(b"; caf\xe9\n")
    for path, found in (
        (tmp_path / "none.s", "nothing to read (No such file or directory)"),
        (tmp_path, "nothing to read (Is a directory)"),
        (binary, "a NUL byte at offset 4"),
        (latin, "byte E9 at offset 5, which is not UTF-8"),
    ):
        message = f"carrywave: {path}:1:1: found {found}; expected a listing\n"
        assert carrywave("run", path) == (2, "", message)


@pytest.mark.parametrize(
    ("name", "reason"),
    [("none/out.vcd", "No such file or directory"), ("gate.s/out.vcd", "Not a directory")],
)
def test_run_refuses_a_place_where_it_cannot_write(
    name: str,
    reason: str,
    carrywave: Callable[..., Answer],
    listing: Callable[[str], Path],
    tmp_path: Path,
) -> None:
    path, out = listing(GATE), tmp_path / name
    assert carrywave("run", path, "--vcd", out) == (2, "", f"carrywave: {out}: {reason}\n")
    assert files(tmp_path) == ["gate.s"]


def test_run_writes_to_a_device_what_it_has_checked(
    carrywave: Callable[..., Answer], listing: Callable[[str], Path]
) -> None:
    status, out, err = carrywave("run", listing(GATE), "--vcd", "/dev/null")
    assert (status, err) == (0, "")
    assert "Waveform: /dev/null\n" in out


def test_a_run_that_disagrees_ends_with_1(
    carrywave: Callable[..., Answer],
    listing: Callable[[str], Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    finding = Finding(4, "unit.a", "LDA at 0200", "51", "50")
    report = CheckReport("nmos", 20, 6, compared=900, disagreements=1, findings=[finding])
    monkeypatch.setattr(bench, "check_dump", lambda path: report)
    status, out, err = carrywave("run", listing(GATE))
    assert (status, err) == (1, "")
    told = "disagrees: 1 of 900 values in clocks 0 to 19, 6 instructions and 0 entries"
    assert out.endswith(f"{told}\n  {finding}\n")
    status, out, err = carrywave("run", listing(GATE), "--json")
    assert (status, err, json.loads(out)["agree"]) == (1, "", False)


def test_an_interrupted_run_leaves_no_file(
    carrywave: Callable[..., Answer],
    listing: Callable[[str], Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def interrupted(*_: Any) -> None:
        raise KeyboardInterrupt

    path = listing(GATE)
    monkeypatch.setattr("carrywave.sim.program.bench.run_program", interrupted)
    status, out, _ = carrywave("run", path, "--vcd", tmp_path / "out.vcd")
    assert (status, out) == (130, "")
    assert files(tmp_path) == ["gate.s"]


# check


def test_check_agrees_with_a_reference_waveform(carrywave: Callable[..., Answer]) -> None:
    path = REFERENCE / "stack_wrap.vcd"
    status, out, err = carrywave("check", path)
    assert (status, err) == (0, "")
    assert out.startswith("agrees with the nmos model: ")
    told = " ".join(out.split())
    assert told.endswith(" values in clocks 0 to 107, 35 instructions and 1 entry")
    status, out, err = carrywave("check", path, "--json")
    value = json.loads(out)
    assert (status, err) == (0, "")
    assert list(value) == ["agree", "variant", "checked", "disagreements", "findings"]
    assert (value["agree"], value["variant"], value["disagreements"]) == (True, "nmos", 0)
    assert (value["checked"]["clocks"], value["checked"]["instructions"]) == (108, 36)
    assert value["checked"]["values"] > 40 * 108


def test_check_reports_a_waveform_that_disagrees(
    carrywave: Callable[..., Answer], tmp_path: Path
) -> None:
    """LDA #0 at 0300 leaves A = 0 in clock 9: here it is 1, for as long as nothing changes it."""
    text = (REFERENCE / "stack_wrap.vcd").read_text()
    assert text.count("#9000\n") == 1
    path = tmp_path / "tampered.vcd"
    path.write_text(text.replace("#9000\n", "#9000\nb1 -\n"))
    status, out, err = carrywave("check", path, "--json")
    value = json.loads(out)
    assert (status, err, value["agree"]) == (1, "", False)
    wanted = {
        "signal": "unit.a", "time": 9000, "clock": 9, "instruction": "LDA at 0300",
        "found": "01", "expected": "00",
    }  # fmt: skip
    assert wanted in value["findings"]
    status, out, err = carrywave("check", path)
    assert (status, err) == (1, "")
    assert "  unit.a at 9000 ns (clock 9), in LDA at 0300: is 01, must be 00\n" in out


def test_check_refuses_a_file_that_was_cut_off(
    carrywave: Callable[..., Answer], tmp_path: Path
) -> None:
    path = tmp_path / "cut.vcd"
    path.write_text((REFERENCE / "stack_wrap.vcd").read_text()[:9000])
    assert carrywave("check", path) == (
        2, "", f"carrywave: {path}: cut off, or not written by this bench: expected a last line "
        "like '$comment 24 clocks $end'\n",
    )  # fmt: skip


# The group


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (("jump",), "jump"),
        (("--fast",), "--fast"),
        (("op",), "MNEMONIC"),
        (("op", "ADC", "1", "2", "--carry", "2"), "--carry"),
        (("op", "ADC", "1", "2", "--variant", "wide"), "wide"),
        (("op", "ADC", "1", "2", "--vcd", Path(__file__).parent), "--vcd"),
        (("run",), "FILE"),
        (("run", "gate.s", "--max-clocks", "0"), "--max-clocks"),
        (("run", "gate.s", "--max-clocks", "many"), "'many'"),
        (("run", "gate.s", "--rows", "-1"), "--rows"),
        (("run", "gate.s", "--variant", "NMOS"), "NMOS"),
        (("run", "gate.s", "--vcd", Path(__file__).parent), "--vcd"),
        (("check",), "FILE.vcd"),
        (("check", "a.vcd", "b.vcd"), "b.vcd"),
    ],
)
def test_a_command_line_that_makes_no_sense_is_refused_in_a_line_that_names_it(
    arguments: tuple[str, ...], named: str, carrywave: Callable[..., Answer]
) -> None:
    """The words are those of the package that parses the command line."""
    status, out, err = carrywave(*arguments)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert err.startswith("carrywave: ")
    assert named in err


@pytest.mark.parametrize("arguments", [(), ("--help",), ("-h",)])
def test_help_shows_each_command_and_an_example(
    arguments: tuple[str, ...], carrywave: Callable[..., Answer]
) -> None:
    status, out, err = carrywave(*arguments)
    assert (status, err) == (0, "")
    for line in (
        "carrywave op ADC 0x50 0x50 ",
        "carrywave run FILE.s --vcd out.vcd ",
        "carrywave sweep --variant all ",
    ):
        assert f"\n  {line}" in out
    for name in NAMES:
        assert re.search(rf"^  {name} +[A-Z][^.]+[.?]$", out, re.MULTILINE), name  # whole sentences
    status_line = "Exit status: 0 all agrees, 1 something disagrees, 2 the input cannot be used."
    assert status_line in " ".join(out.split())


@pytest.mark.parametrize("name", ["op", "run", "check"])
def test_each_command_has_its_own_help(name: str, carrywave: Callable[..., Answer]) -> None:
    status, out, err = carrywave(name, "--help")
    assert (status, err) == (0, "")
    assert out.startswith(f"Usage: carrywave {name} ")
    assert "--json" in out


def test_the_version_is_the_package_s(carrywave: Callable[..., Answer]) -> None:
    from importlib.metadata import version

    assert carrywave("--version") == (0, f"carrywave, version {version('carrywave')}\n", "")


def test_help_imports_nothing_heavy() -> None:
    program = """
import sys
sys.argv = ["carrywave", "--help"]
from carrywave.sim.cli.main import run
run()
heavy = ("numpy", "amaranth", "rich", "vcd", "vcdvcd", "carrywave.rtl", "carrywave.waves")
loaded = sorted({name for name in sys.modules if name.startswith(heavy)})
print("loaded:", *loaded, file=sys.stderr)
"""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=300, check=False
    )
    assert (done.returncode, done.stderr) == (0, "loaded:\n")
    assert "Usage: carrywave" in done.stdout


def test_the_installed_command_refuses_without_a_traceback(tmp_path: Path) -> None:
    """Once from outside, with warnings as errors: nothing else is on standard error either."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", "from carrywave.sim.cli.main import main; main()",
         "check", str(tmp_path / "none.vcd")],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    message = f"carrywave: {tmp_path / 'none.vcd'}: No such file or directory\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, "", message)


@pytest.mark.parametrize(
    "arguments", [["op", "ADC", "1", "1"], ["op", "ADC", "1", "1", "--json"], ["--help"]]
)
@pytest.mark.parametrize("output", ["closed", "full"])
def test_output_that_cannot_be_written_is_no_verdict(
    arguments: list[str], output: str, tmp_path: Path
) -> None:
    program = "from carrywave.sim.cli.main import main; main()"
    if output == "full":
        # A file that may not grow: as a full disk, and on every system that has such limits.
        sink, status = os.open(tmp_path / "out", os.O_WRONLY | os.O_CREAT), 2
        message = "carrywave: the output cannot be written: File too large\n"
        limit = "import resource as r; r.setrlimit(r.RLIMIT_FSIZE, (0, r.RLIM_INFINITY))"
        program = f"{limit}; {program}"
    else:
        reader, sink = os.pipe()
        os.close(reader)
        status, message = 141, ""
    try:
        done = subprocess.run(
            [sys.executable, "-c", program, *arguments],
            stdout=sink, stderr=subprocess.PIPE, text=True, timeout=300, check=False,
        )  # fmt: skip
    finally:
        os.close(sink)
    assert (done.returncode, done.stderr) == (status, message)


def test_an_option_that_there_is_not_is_called_one(carrywave: Callable[..., Answer]) -> None:
    message = "carrywave: No such option '--bogus'.\n"
    assert carrywave("op", "ADC", 1, "--bogus") == (2, "", message)
    assert carrywave("settle", "--bogus") == (2, "", message)


@pytest.mark.parametrize(
    "arguments",
    [
        ("op", "ADC", 1, 1, "--svg"), ("op", "ADC", 1, 1, "--vcd"), ("flags", "-o"),
        ("netlist", "-o"), ("settle", "ADC", 1, 1, "--vcd"),
        ("claim", "n", "--after", "CMP", "--vcd"),
    ],
)  # fmt: skip
def test_a_file_without_a_name_is_refused(
    arguments: tuple[object, ...], carrywave: Callable[..., Answer]
) -> None:
    status, out, err = carrywave(*arguments, "")
    assert (status, out) == (2, "")
    assert err.endswith(": the name of the file is empty\n")


def test_files_of_op_are_written_both_or_none(
    tmp_path: Path, carrywave: Callable[..., Answer]
) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    nothing = ("op", "NOP", "--vcd", one, "--svg", other, "--part", "circle")
    assert carrywave(*nothing)[0] == 2
    none = tmp_path / "none" / "x.vcd"
    assert carrywave("op", "ADC", 1, 1, "--svg", one, "--vcd", none) == (
        2, "", f"carrywave: {none}: No such file or directory\n",
    )  # fmt: skip
    assert files(tmp_path) == []
    assert carrywave("op", "ADC", 1, 1, "--vcd", one, "--svg", other)[0] == 0
    assert files(tmp_path) == ["one", "other"]
    assert carrywave("check", one)[0] == 0


def test_a_narrow_terminal_loses_no_column(carrywave: Callable[..., Answer]) -> None:
    for arguments in (("claim", "--table"), ("settle", "ADC", 255, 1), ("settle", "--all")):
        assert carrywave(*arguments, columns=40) == carrywave(*arguments)


def test_the_help_fits_80_columns(carrywave: Callable[..., Answer]) -> None:
    assert len(NAMES) == 17
    for name in ((), *((name,) for name in NAMES)):
        out = carrywave(*name, "--help")[1]
        assert max(map(len, out.splitlines())) <= 80, name


def test_the_help_says_of_each_command_what_it_says_of_itself() -> None:
    """The list is written out, so that the help need not import them."""
    context = click.Context(commands)
    for section in SECTIONS.values():
        for name, told in section.items():
            command = commands.get_command(context, name)
            assert command is not None
            assert told == str(command.help).split("\n\n")[0].replace("\n", " ")


@pytest.mark.parametrize(
    "arguments",
    [("op", "ADC", 1, 1), ("op", "BRK"), ("flags",), ("sweep", "CLC"), ("claim", "--table"),
     ("claim", "n", "--after", "CMP"),
     pytest.param(("netlist",), marks=pytest.mark.exhaustive),
     ("check", REFERENCE / "stack_wrap.vcd")],
)  # fmt: skip
def test_no_line_of_a_report_ends_in_blanks(
    arguments: tuple[object, ...], carrywave: Callable[..., Answer]
) -> None:
    lines = carrywave(*arguments)[1].splitlines()
    assert lines
    assert [line for line in lines if line != line.rstrip()] == []
