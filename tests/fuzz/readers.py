"""For each reader hostile inputs, and how they are read: accepted, refused, or something else."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

import click
import pyarrow as pa
import pyarrow.parquet
from hypothesis import strategies as st

from carrywave.sim.claim.asked import ALU_FLAGS as FLAGS
from carrywave.sim.claim.asked import BYTE, TRUTH
from carrywave.sim.claim.expressions import read as read_claim
from carrywave.sim.cli.options import ByteType, SecondsType, StartType
from carrywave.sim.emulator.pipe import answer_of
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.program.assembler import assemble, load
from carrywave.sim.program.image import load_program
from carrywave.sim.program.pins import read_pins
from carrywave.sim.system.errors import UnusableError
from carrywave.sim.system.quoting import LONGEST, one_line
from carrywave.sim.trace.columns import COLUMNS, LISTS
from carrywave.sim.trace.columns import Columns as Renamed
from carrywave.sim.trace.formats import parts_of, read_part
from carrywave.sim.trace.rows import cases_of, written_of
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.figures.timing import time_of
from carrywave.waves.vcd.settled import read_settling

from .line import lines, read_line

HERE = Path(__file__).parent.parent.parent


class Reader(NamedTuple):
    """Inputs of a reader, the file that one is written to, and what reads the file."""

    inputs: st.SearchStrategy[bytes]
    name: str
    read: Callable[[Path], object]


#: What a number, a text or a piece of syntax may be at its worst.
ODD = (
    "", " ", "\t", "\0", "\r", "\n", "\r\n", "\x1b[31m", "\x7f", "\u202e", "\u2028", "\ufeff", "é",
    "٣", '"', "'", "\\", ",", ";", ":", "#", "$", "%", "[", "]", "{", "}", "-", "+", "--", "0",
    "-0", "00", "+1", "1_0", "0x", "0x1F", "$1F", "1F", "%101", "0b1", "1e3", "1.0", "0.5", "1e400",
    "-1", "255", "256", "65535", "65536", "4294967296", "18446744073709551616", "9" * 5000,
    "x" * 5000, "[" * 3000, "nan", "NaN", "inf", "-Infinity", "null", "true", "None", "2020-01-01",
    "12:30", "IRQ", "brk", "EA", "EA0", "5us", "5ns",
)  # fmt: skip
odd = st.sampled_from(ODD)
bytes_of_text = st.text(st.characters(codec="utf-8"), max_size=8)
piece = odd | bytes_of_text


def encoded(text: str) -> bytes:
    """As UTF-8, lone surrogates too."""
    return text.encode("utf-8", "surrogatepass")


@st.composite
def damaged(draw: st.DrawFn, whole: st.SearchStrategy[bytes]) -> bytes:
    """Bytes of which some are others, or gone, or there twice."""
    data = bytearray(draw(whole))
    for _ in range(draw(st.sampled_from((0, 0, 1, 2, 3)))):
        at, much = draw(st.integers(0, len(data))), draw(st.integers(0, 30))
        other = draw(piece.map(encoded) | st.binary(max_size=4) | st.just(bytes(data[:much])))
        data[at : at + draw(st.sampled_from((0, much)))] = other
    return bytes(data)


# Listings

WORDS = [
    *BY_MNEMONIC, ".org", ".byte", ".word", ".irq", ".nmi", ".reset", "low", "high", "A", "X", "L",
    "L:", "M =", "L", "M", "$20", "512", "%101", "'A'", '"text"', "#", "<", ">", "+", "-", "*", ",",
    "(", ")", "\n", "\n", ";", " + 1" * 3000, "\n.org $300\n", "9" * 17, "q" * 99,
]  # fmt: skip
listings = damaged(
    st.lists(st.sampled_from(WORDS) | piece, max_size=25)
    .map(lambda words: ".org $0200\nL: NOP\n" + " ".join(words) + "\nNOP\n")
    .map(encoded)
)

# Images and pins

RECORDS = [
    ":07020000A92A85104C04023D", ":02FFFC00000201", ":00000001FF", ":020000040001F9",
    ":0400000500000200F5", ":10", ":02000002FFFFFE", "S0030000FC", "S10A0200A92A85104C040239",
    "S105FFFC0002FD", "S9030200FA", "S20600FFFC0002FC", "S5030001FB", "", " ",
    ":" + "00" * 300, "q" * 99, "S1",
]  # fmt: skip


def images(begin: list[str], end: str) -> st.SearchStrategy[bytes]:
    """A whole image with records and other lines within it."""
    lines = st.lists(st.sampled_from(RECORDS) | piece, max_size=6)
    return damaged(lines.map(lambda more: encoded("\n".join([*begin, *more, end, ""]))))


hexes = images([":07020000A92A85104C04023D", ":02FFFC00000201"], ":00000001FF")
records = images(["S10A0200A92A85104C040239", "S105FFFC0002FD"], "S9030200FA")
PIN_WORDS = [
    "at", "clock", "$0240", "L", "900", "12", ".irq", ".nmi", ".reset", "low", "high", "+", "+3",
    "; x", "\n", "\nclock 5 .nmi\n", "\nat L .irq low\n", "9" * 17,
]  # fmt: skip
pins = damaged(st.lists(st.sampled_from(PIN_WORDS) | piece, max_size=20).map(" ".join).map(encoded))

# Waveforms

DUMP = (HERE / "waves/reference/stack_wrap.vcd").read_bytes()
HEAD, BODY = DUMP.split(b"$dumpvars", 1)
DUMP_LINES = [
    b"$scope module unit $end\n", b"$upscope $end\n", b"$enddefinitions $end\n", b"$timescale\n",
    b"$var wire 8 ! a [7:0] $end\n", b"$var wire 1 \" clk $end\n", b"$comment\n", b"$end\n",
    b"$timescale 1 us $end\n", b"#" + b"9" * 5000 + b"\n", b"#1_0\n", b"#-1\n", b"b" + b"1" * 5000
    + b" &\n", b"bz &\n", b"1\"\n", b"r1.5 &\n", b"b1\n", b"\n" * 3000, b"x" * 70_000 + b"\n",
]  # fmt: skip


@st.composite
def planted(draw: st.DrawFn) -> bytes:
    """A waveform with lines that are none of its own; some are cut short."""
    clocks = draw(st.sampled_from((3, 8, 24)))
    lines = BODY.split(b"#%d000\n" % clocks)[0].splitlines(keepends=True)
    lines[:0] = [*HEAD.splitlines(keepends=True), b"$dumpvars"]
    for _ in range(draw(st.sampled_from((0, 1, 2)))):
        at = draw(st.integers(0, len(lines)))
        lines[at : at + draw(st.integers(0, 1))] = [draw(st.sampled_from(DUMP_LINES))]
    return b"".join(lines)


@st.composite
def closed(draw: st.DrawFn) -> bytes:
    """The same, damaged, and mostly with a whole last line."""
    data = draw(damaged(planted()))
    count = data.count(b'\n1"\n')
    return data + (b"$comment %d clocks $end\n" % count if draw(st.integers(0, 9)) else b"")


SETTLING = """$scope module unit $end
$var reg 48 v variant $end
$var reg 40 m mnemonic $end
$enddefinitions $end
#0
b1101110 v
b1000001 m
"""
SETTLE_LINES = [
    "$scope module unit $end", "$upscope $end", "$var wire 8 ! a $end", "$timescale 1 ns $end",
    "#0", "#3", "#24", "#-1", "#9999999999", "b1 !", "b111111111 m", "bx m", "1v", "b1", "$end",
]  # fmt: skip
settlings = st.builds(
    lambda data, settled: data + b"\n$comment settled after %d gate delays $end\n" % settled,
    damaged(
        st.lists(st.sampled_from(SETTLE_LINES) | piece, max_size=2)
        .map(lambda more: SETTLING + "\n".join(more))
        .map(encoded)
    ),
    st.sampled_from((3, 3, 3, 900, 10**12)),
)

# Traces

NAMES = ("pc", "a", "x", "y", "sp", "p", "bytes")
MORE = (*COLUMNS, *LISTS, "reads", "writes", "A", "other", "")
STATE = {"pc": 512, "a": 1, "x": 2, "y": 3, "sp": 255, "p": 48, "bytes": "EA"}
header = st.lists(st.sampled_from(MORE) | piece, max_size=3).map(lambda more: [*NAMES, *more])


@st.composite
def tables(draw: st.DrawFn, cell: Callable[[str], st.SearchStrategy[Any]]) -> dict[str, list[Any]]:
    """Columns of one length, of which a few are odd, or have an odd cell."""
    names, rows = draw(header), draw(st.integers(0, 4))
    columns = {name: [STATE.get(name, 0)] * rows for name in names}
    for name in draw(st.lists(st.sampled_from(names), max_size=3)):
        given = draw(cell(name))
        first = draw(st.integers(0, rows)) if draw(st.booleans()) else 0
        columns[name] = columns[name][:first] + [given] * (rows - first)
    return columns


def as_csv(columns: dict[str, list[Any]], end: str) -> bytes:
    rows = [[*columns], *map(list, zip(*columns.values(), strict=True))]
    return encoded("".join(",".join(map(str, row)) + end for row in rows))


csvs = damaged(
    st.builds(as_csv, tables(lambda name: piece), st.sampled_from(["\n"] * 8 + ["\r\n", "\r"]))
)

SCALARS = (
    None, True, False, 0, 1, -1, 255, 256, 65536, 2**40, 2**64, 10**400, 0.5, 1.0, 1e300,
    float("nan"), float("inf"), *ODD, "\ud800",
)  # fmt: skip
values = st.recursive(
    st.sampled_from(SCALARS),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(piece, inner, max_size=2),
    max_leaves=6,
)
DEEP = ("[" * 100_000 + "]" * 100_000, '{"a":' * 100_000 + "1" + "}" * 100_000, "9" * 5000)


def as_json_lines(columns: dict[str, list[Any]], planted: str, absent: int) -> bytes:
    rows = zip(*columns.values(), strict=True)
    lines = [json.dumps(dict(zip(columns, row, strict=True))) for row in rows]
    if absent < len(lines):
        lines[absent] = lines[absent].replace('"a": 1,', planted)
    return encoded("".join(line + "\n" for line in lines))


PLANTED = [
    *['"a": 1,'] * 5, "", '"a": 1, "a": 2,', '"A": 3, "a": 1,', *(f'"a": {deep},' for deep in DEEP),
]  # fmt: skip
json_lines = damaged(
    st.builds(
        as_json_lines, tables(lambda name: values), st.sampled_from(PLANTED), st.integers(0, 3)
    )
)


def as_parquet(columns: dict[str, list[Any]], kind: Any) -> bytes:
    """What Arrow takes; of a column that it does not take, the texts."""
    arrays = []
    for column in columns.values():
        try:
            array = pa.array(column)
        except (pa.ArrowException, OverflowError, UnicodeError):
            array = pa.array([ascii(one) for one in column])
        with suppress(pa.ArrowException):
            array = array if kind is None else array.cast(kind)
        arrays.append(array)
    file = io.BytesIO()
    with suppress(pa.ArrowException):  # at an object without keys, for one
        pyarrow.parquet.write_table(pa.table(arrays, [*columns]), file)
    return file.getvalue()


KINDS = (
    None, None, pa.uint8(), pa.int64(), pa.float32(), pa.float64(), pa.string(), pa.large_string(),
    pa.binary(), pa.bool_(), pa.decimal128(9), pa.dictionary(pa.int8(), pa.string()),
    pa.timestamp("s"), pa.date32(), pa.float16(), pa.string_view(),
)  # fmt: skip
parquets = damaged(st.builds(as_parquet, tables(lambda name: values), st.sampled_from(KINDS)))


def read_trace(path: Path) -> None:
    for part in parts_of(path):
        for block in read_part(part, Renamed({}, False)):
            cases_of(block)
            written_of(block)


# Claims

NAMED = dict.fromkeys(("a", "m", "r"), BYTE) | dict.fromkeys((*FLAGS, "carry_in"), TRUTH)
CLAIM = [
    *NAMED, "signed(", "bit(", "carry(", "(", ")", ",", "0", "1", "0x7F", "200", "and", "or", "not",
    "==", "!=", "<", "<=", ">", ">=", "&", "|", "^", "~", "+", "-", "<<", ">>", "**", "=", "lambda",
    "if", "await", "f'", "(" * 60, "not " * 60, " + a" * 300, "0o7", "1if",
]  # fmt: skip
operand = st.sampled_from([*NAMED, "7", "signed(m)", "bit(a, 3)", "(a + m)", "~r"])
comparison = st.tuples(operand, st.sampled_from(["==", "<", "!=", ">="]), operand).map(" ".join)
claims = st.lists(st.sampled_from(CLAIM) | piece, max_size=15).map(" ".join).map(encoded) | damaged(
    st.lists(comparison, min_size=1, max_size=4).map(" and ".join).map(encoded)
)

# Numbers of the command line

FORMS: dict[str, Callable[[str], object]] = {
    "byte": lambda text: ByteType().convert(text, None, None),
    "start": lambda text: StartType().convert(text, None, None),
    "seconds": lambda text: SecondsType().convert(text, None, None),
    "time": time_of,
}
digits = st.integers(-200, 300).flatmap(
    lambda one: st.sampled_from((str(one), hex(one), f"${one:x}", f"{one},0,1", f"{one}us"))
)
numbers = st.tuples(
    st.sampled_from([*FORMS]), digits | st.lists(piece | digits, max_size=3).map("".join)
).map(lambda both: encoded(" ".join(both)))  # fmt: skip


def read_number(path: Path) -> object:
    form, _, text = path.read_bytes().decode("utf-8", "surrogateescape").partition(" ")
    return FORMS[form](text)


# An emulator's answers

ANSWER = '{"pc": 513, "a": 1, "x": 2, "y": 3, "sp": 255, "p": 48, "cycles": 2, "writes": [[1, 2]]}'
FIELDS = ("pc", "a", "x", "y", "sp", "p", "cycles", "writes", "write")


@st.composite
def answers(draw: st.DrawFn) -> bytes:
    answer = json.loads(ANSWER)
    for name in draw(st.lists(st.sampled_from(FIELDS) | piece, max_size=3)):
        answer[name] = draw(values)
    text = json.dumps(answer)
    text = text.replace('"a": 1,', draw(st.sampled_from(PLANTED)))
    return draw(damaged(st.just(encoded(text))))


READERS = {
    "listing": Reader(listings, "any.s", load),
    "hex": Reader(hexes, "any.hex", load_program),
    "records": Reader(records, "any.s19", load_program),
    "pins": Reader(
        pins, "any.pins", lambda path: read_pins(path, assemble(".org $0200\nL: NOP\n"))
    ),
    "waveform": Reader(closed(), "any.vcd", check_dump),
    "settling": Reader(settlings, "any.vcd", read_settling),
    "csv": Reader(csvs, "any.csv", read_trace),
    "jsonl": Reader(json_lines, "any.jsonl", read_trace),
    "parquet": Reader(parquets, "any.parquet", read_trace),
    "claim": Reader(
        claims, "claim",
        lambda path: read_claim(path.read_bytes().decode("utf-8", "surrogateescape"), NAMED),
    ),
    "number": Reader(numbers, "number", read_number),
    "pipe": Reader(answers(), "answer", lambda path: answer_of(path.read_bytes())),
    "serial": Reader(lines(), "line", read_line),
}  # fmt: skip


def outcome(reader: Reader, data: bytes, folder: Path) -> str:
    """What became of an input: "accepted" or "refused". What else happens is a mistake of ours."""
    path = folder / reader.name
    path.write_bytes(data)
    try:
        reader.read(path)
    except click.UsageError as error:
        told = one_line(error.format_message())  # as the command line does with what Click says
    except UnusableError as error:
        told = str(error)
    else:
        return "accepted"
    first, *shown = told.split("\n")
    assert len(shown) == (2 if reader.name == "claim" else 0), told  # below a claim, the place
    assert len(first) <= LONGEST, told
    assert first.isprintable(), told
    assert path.suffix == "" or str(path) in first, told
    return "refused"
