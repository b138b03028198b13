"""A file that is no whole dump of this bench is refused in one line that says why."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.vcd.read import DumpError, read_clocks
from carrywave.waves.vcd.signals import SIGNALS

CUT_OFF = (
    "cut off, or not written by this bench: expected a last line like '$comment 24 clocks $end'"
)
NO_DUMP = "not a value change dump: expected a first line that begins with '$'"
SOMETHING_ELSE = """\
$date today $end
$timescale 1 ns $end
$scope module bench $end
$var wire 1 ! clk $end
$upscope $end
$enddefinitions $end
#0
0!
#5
1!
"""


def refusal(path: Path) -> str:
    """What the reader says of a file, without the path that it begins with."""
    with pytest.raises(DumpError) as caught:
        check_dump(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    return message.removeprefix(f"{path}: ")


@pytest.fixture
def dump(reference_texts: dict[str, Any]) -> Any:
    return reference_texts["stack_wrap"]


# Files that are no dump


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "empty; expected a value change dump"),
        (b"\x7fELF\x02\x01\x01\0\0\0", NO_DUMP),
        (b"$\0\0", NO_DUMP),
        (b"It was a dark and stormy night.\n", NO_DUMP),
        (b"\n  \n", NO_DUMP),
        (SOMETHING_ELSE.encode(), CUT_OFF),
        (SOMETHING_ELSE.encode() + b"$comment 24 clocks $end", CUT_OFF),
        (SOMETHING_ELSE.encode() + b"$comment x clocks $end\n", CUT_OFF),
        (
            SOMETHING_ELSE.encode() + b"$comment 24 clocks $end\n",
            "no signal unit.variant: not a dump of this bench",
        ),
        (b"$comment 24 clocks $end\n", "holds 0 clocks, but closes with 24"),
    ],
)
def test_a_file_that_is_no_dump_is_refused(
    content: bytes, message: str, save: Callable[..., Path]
) -> None:
    assert refusal(save(content)) == message


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    assert refusal(tmp_path / "none.vcd") == "No such file or directory"


def test_a_folder_is_refused(tmp_path: Path) -> None:
    assert refusal(tmp_path) == "Is a directory"


def test_a_dump_cut_at_any_byte_is_refused(dump: Any, save: Callable[..., Path]) -> None:
    data = dump.text.encode()
    offsets = [*range(1, len(data), 61), *range(len(data) - 30, len(data))]
    refused = Counter(refusal(save(data[:offset])) for offset in offsets)
    assert refused == {CUT_OFF: len(offsets)}
    assert len(offsets) > 300


def test_a_dump_with_lines_missing_before_its_last_is_refused(
    dump: Any, save: Callable[..., Path]
) -> None:
    *lines, closing, _ = dump.lines
    refused = 0
    for end in range(lines.index("#1000"), lines.index("#107000"), 41):
        message = refusal(save("\n".join([*lines[:end], closing, ""])))
        clocks = int(message.removeprefix("holds ").split()[0])
        assert message == f"holds {clocks} clocks, but closes with 108"
        assert clocks < 108
        refused += 1
    assert refused > 20


# Dumps of other signals


@pytest.mark.parametrize("path", [spec.path for spec in SIGNALS])
def test_a_dump_that_lacks_a_signal_is_refused(
    path: str, dump: Any, save: Callable[..., Path]
) -> None:
    scope, name = path.rsplit(".", 1)
    start = dump.lines.index(f"$scope module {scope.rsplit('.', 1)[-1]} $end")
    line = next(i for i in range(start, len(dump.lines)) if dump.lines[i].split()[4:5] == [name])
    text = "\n".join([*dump.lines[:line], *dump.lines[line + 1 :]])
    assert refusal(save(text)) == f"no signal {path}: not a dump of this bench"


@pytest.mark.parametrize(
    ("declared", "instead", "message"),
    [
        ("reg 16 , pc", "reg 15 , pc", "unit.pc is a reg of 15 bits; expected a reg of 16"),
        ("wire 9 : carry", "wire 8 : carry",
         "unit.alu.carry is a wire of 8 bits; expected a wire of 9"),
        ("reg 8 - a", "real 8 - a", "unit.a is a real of 8 bits; expected a reg of 8"),
        ("reg 40 + mnemonic", "string 40 + mnemonic",
         "unit.mnemonic is a string of 40 bits; expected a reg of 40"),
        ("reg 8 - a", "reg eight - a",
         "not a value change dump: unreadable in the declarations "
         "(invalid literal for int() with base 10: 'eight')"),
    ],
)  # fmt: skip
def test_a_signal_of_another_kind_is_refused(
    declared: str, instead: str, message: str, dump: Any, save: Callable[..., Path]
) -> None:
    assert dump.text.count(f"$var {declared} $end") == 1
    assert refusal(save(dump.text.replace(f"$var {declared} ", f"$var {instead} "))) == message


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("$timescale 10 ns $end", "the timescale is 10 ns; expected 1 ns"),
        ("$timescale 1 us $end", "the timescale is 1 us; expected 1 ns"),
        ("$comment no scale $end", "the timescale is not given; expected 1 ns"),
    ],
)
def test_another_timescale_is_refused(
    dump: Any, save: Callable[..., Path], line: str, message: str
) -> None:
    path = save(dump.text.replace("$timescale 1 ns $end", line))
    assert refusal(path) == message


def test_a_signal_may_be_declared_with_its_range(dump: Any, save: Callable[..., Path]) -> None:
    text = dump.text.replace("$var reg 16 , pc $end", "$var reg 16 , pc [15:0] $end")
    assert text != dump.text
    assert check_dump(save(text)).agree


def test_signals_of_others_are_passed_over(dump: Any, save: Callable[..., Path]) -> None:
    text = dump.text.replace("$enddefinitions", "$var wire 1 zz led $end\n$enddefinitions")
    text = text.replace("#2000\n", "#2000\n1zz\n")
    assert check_dump(save(text)).agree


# Values that the hardware does not have


@pytest.mark.parametrize(
    ("clock", "path", "value", "message"),
    [
        (9, "unit.pc", "b11x0 ", "unit.pc at 9000 ns is '11x0'; expected 0s and 1s"),
        (0, "unit.y", "bx ", "unit.y at 0 ns is 'x'; expected 0s and 1s"),
        (9, "unit.alu.c4", "z", "unit.alu.c4 at 9000 ns is 'z'; expected 0s and 1s"),
        (9, "unit.pc", "b10000000000000000 ", "unit.pc at 9000 ns has 17 bits; expected 16"),
        (9, "unit.pc", "b1 0 ",
         "not a value change dump: unreadable after 8500 ns "
         "(too many values to unpack (expected 2))"),
    ],
)  # fmt: skip
def test_a_value_that_is_none_is_refused(
    clock: int, path: str, value: str, message: str, dump: Any, save: Callable[..., Path]
) -> None:
    code = next(code for code, (found, _) in dump._paths.items() if found == path)
    where = dump.lines.index(f"#{clock * 1000}") + (2 if clock == 0 else 1)
    lines = [*dump.lines[:where], value + code, *dump.lines[where:]]
    if clock == 0:  # where the first value of each stands already
        lines = [line for line in lines if line != f"b0 {code}"]
    assert refusal(save("\n".join(lines))) == message


def test_a_signal_without_a_value_is_refused(dump: Any, save: Callable[..., Path]) -> None:
    (change,) = dump.changes["unit.y"]
    text = "\n".join([*dump.lines[: change.line], *dump.lines[change.line + 1 :]])
    assert refusal(save(text)) == "unit.y has no value at 0 ns"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("#9000\n", "#9001\n", "unit.status.update changes at 9001 ns, between the edges of clk"),
        ("#9500\n0\"\n", "#9500\n", "unit.clk changes at 9500 ns, between the edges of clk"),
        ("#9500\n0\"\n", "#9500\n0\"\n0E\n",
         "unit.alu.v changes at 9500 ns, between the edges of clk"),
        ("#9500\n", "#9400\n", "unit.clk changes at 9400 ns, between the edges of clk"),
        ("#10000\n1\"\n", "#10000\n", "unit.clk changes at 10500 ns, between the edges of clk"),
    ],
)  # fmt: skip
def test_a_change_that_no_edge_explains_is_refused(
    old: str, new: str, message: str, dump: Any, save: Callable[..., Path]
) -> None:
    assert dump.text.count(old) == 1
    assert refusal(save(dump.text.replace(old, new))) == message


def test_a_clock_that_is_flipped_is_refused(dump: Any, save: Callable[..., Path]) -> None:
    rng = random.Random(3)
    changes = rng.sample([c for c in dump.changes["unit.clk"] if 0 < c.clock < 107], 20)
    said = [refusal(save(dump.put(c.line, 1 - dump.value_in(c.line)))) for c in changes]
    assert Counter(message.split(" at ")[0] for message in said) == {"unit.clk changes": 20}


# What takes more than its size


AFTER = "$timescale 1 ns $end\n"


@pytest.mark.parametrize(
    ("planted", "message"),
    [
        ("x" * 65_536 + "\n", "a line is longer than 65,536 bytes"),
        ("$timescale\n" + "\n" * 1_000_000, "not a value change dump: a timescale without end"),
        (" $timescale\n" + "1\n" * 101, "not a value change dump: a timescale without end"),
        ("$scope module a $end\n" * 101, "not a value change dump: scopes without end"),
        ("$enddefinitions $end\n", "no signal unit.variant: not a dump of this bench"),
    ],
)
def test_what_would_take_more_than_its_size_is_refused(
    dump: Any, save: Callable[..., Path], planted: str, message: str
) -> None:
    text = dump.text.replace(AFTER, AFTER + planted)
    assert text != dump.text
    assert refusal(save(text)) == message


def test_declarations_that_end_twice_are_refused(dump: Any, save: Callable[..., Path]) -> None:
    ended = "$enddefinitions $end\n"
    text = dump.text.replace(ended, ended * 2)
    assert refusal(save(text)) == "the declarations end twice"


def test_a_signal_that_is_declared_twice_is_refused(dump: Any, save: Callable[..., Path]) -> None:
    ended = "$enddefinitions $end\n"
    again = "$scope module unit $end\n$var wire 1 ~~ clk [0:0] $end\n$upscope $end\n"
    text = dump.text.replace(ended, again + ended)
    assert refusal(save(text)) == "unit.clk is declared 2 times"


def test_a_long_value_is_quoted_in_part(dump: Any, save: Callable[..., Path]) -> None:
    text = dump.text.replace("#500\n", f"b{'z' * 60_000} &\n#500\n")
    shown = f"'{'z' * 60}...'"
    assert refusal(save(text)) == f"unit.address at 0 ns is {shown}; expected 0s and 1s"


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/urandom", "/dev/null"])
def test_a_device_is_refused(device: str) -> None:
    assert refusal(Path(device)) == "empty; expected a value change dump"


def test_a_mistake_of_who_takes_the_clocks_is_not_put_on_the_file(
    dump: Any, save: Callable[..., Path]
) -> None:
    def consume(columns: Any, first: int) -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        read_clocks(save(dump.text), consume, chunk=10)


# Whatever else


def verdict(path: Path) -> str:
    try:
        report = check_dump(path)
    except DumpError as error:
        one_line = str(error).startswith(f"{path}: ") and "\n" not in str(error)
        return "refused" if one_line else "refused at length"
    return "agrees" if report.agree else "disagrees"


def test_damage_of_any_kind_is_refused_in_one_line_or_judged(
    dump: Any, save: Callable[..., Path]
) -> None:
    rng = random.Random(11)
    data = dump.text.encode()
    body, closing = data[: data.rindex(b"$comment")], data[data.rindex(b"$comment") :]
    head = body.index(b"$dumpvars")
    kinds: Counter[str] = Counter()
    for _ in range(300):
        damaged = bytearray(body)
        for _ in range(rng.randint(1, 3)):
            at = rng.randrange(head if rng.random() < 0.5 else len(damaged))
            what = rng.randrange(3)
            if what == 0:
                damaged[at] = rng.choice(b"\0\n #$01bxz-.\xff\x80")
            elif what == 1:
                del damaged[at : at + rng.randint(1, 40)]
            else:
                source = rng.randrange(len(damaged))
                damaged[at:at] = damaged[source : source + rng.randint(1, 60)]
        kinds[verdict(save(bytes(damaged) + closing))] += 1
    assert kinds.total() == 300
    assert sorted(kinds) == ["agrees", "disagrees", "refused"]
    assert kinds["refused"] > 200


# Through the command


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "empty; expected a value change dump"),
        (b"\x7fELF\0", NO_DUMP),
        (SOMETHING_ELSE.encode(), CUT_OFF),
    ],
)
def test_the_command_says_it_in_one_line_and_exits_with_2(
    content: bytes, message: str, save: Callable[..., Path], carrywave: Callable[..., Any]
) -> None:
    path = save(content)
    assert carrywave("check", path) == (2, "", f"carrywave: {path}: {message}\n")
    assert carrywave("check", path, "--json") == (2, "", f"carrywave: {path}: {message}\n")


def test_the_command_refuses_a_missing_file_and_a_folder(
    tmp_path: Path, carrywave: Callable[..., Any]
) -> None:
    missing = tmp_path / "none.vcd"
    assert carrywave("check", missing) == (
        2,
        "",
        f"carrywave: {missing}: No such file or directory\n",
    )
    assert carrywave("check", tmp_path) == (2, "", f"carrywave: {tmp_path}: Is a directory\n")
