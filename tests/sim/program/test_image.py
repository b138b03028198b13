"""Images: where their bytes lie, and what cannot be laid out, in one line.

The records of the two formats were put together by hand from their published descriptions (Intel,
*Hexadecimal Object File Format Specification*, revision A; Motorola's S-records), checksums too.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from carrywave.sim.program.assembler import assemble
from carrywave.sim.program.bench import run_program
from carrywave.sim.program.image import ImageError, load_program

CODE = bytes([0xA9, 0x2A, 0x85, 0x10, 0x4C, 0x04, 0x02])  # LDA #$2A; STA $10; JMP $0204
# 07 bytes at 0200, then the vector at FFFC; a checksum makes the sum of all bytes 0 (S: FF).
HEX = ":07020000A92A85104C04023D\n:02FFFC00000201\n:00000001FF\n"
RECORDS = "S10A0200A92A85104C040239\nS105FFFC0002FD\nS9030200FA\n"


def checksum(record: str, total: int) -> str:
    return f"{(total - sum(bytes.fromhex(record))) & 0xFF:02X}"


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("rom.bin").write_bytes(CODE)
    Path("rom.hex").write_text(HEX)
    Path("rom.s19").write_text(RECORDS)
    Path("word.bin").write_bytes(b"\x34\x12")


def test_the_records_of_this_test_add_up() -> None:
    for line in HEX.split():
        assert checksum(line[1:-2], 0) == line[-2:], line
    for line in RECORDS.split():
        assert checksum(line[2:-2], 0xFF) == line[-2:], line


@pytest.mark.parametrize(
    ("name", "at", "start"),
    [("rom.bin", 0x0200, 0x0200), ("rom.hex", None, None), ("rom.s19", None, None)],
)
def test_bytes_lie_where_the_image_says(name: str, at: int | None, start: int | None) -> None:
    program = load_program(name, at, start)
    expected = bytearray(0x10000)
    expected[0x0200:0x0207], expected[0xFFFC:0xFFFE] = CODE, b"\x00\x02"
    assert program.memory == expected
    assert program.origin == 0x0200
    run = run_program(program)
    assert (run.ended, run.final.a, program.memory[0x10]) == ("self-jump", 0x2A, 0x2A)


def test_an_image_of_all_memory_lies_at_0_and_has_its_own_vector() -> None:
    whole = assemble(".org $0300\nHERE: JMP HERE\n").memory
    Path("all.bin").write_bytes(whole)
    program = load_program("all.bin")
    assert (program.memory, program.origin) == (whole, 0x0300)
    assert load_program("all.bin", start=0x1234).memory[0xFFFC:0xFFFE] == b"\x34\x12"


def test_images_lie_beside_a_listing_and_beside_each_other() -> None:
    Path("a.s").write_text(".org $0300\nHERE: JMP HERE\n")
    program = load_program("a.s", more=[("word.bin", 0x4000), ("rom.bin", 0xFFF0)])
    assert program.memory[0x4000:0x4002] == b"\x34\x12"
    assert program.memory[0xFFF0:0xFFF7] == CODE
    assert (program.origin, program.labels) == (0x0300, {"HERE": 0x0300})


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("absent.bin",), "absent.bin: cannot be read: No such file or directory"),
        (("rom.bin",), "rom.bin: a raw binary of 7 bytes does not say where it lies: give "
                       "--at ADDRESS, or FILE@ADDRESS"),
        (("rom.bin", 0x0200), "rom.bin: no reset vector at FFFC and FFFD: give --start ADDRESS"),
        (("rom.bin", 0xFFFC), "rom.bin: 7 bytes at FFFC do not end at FFFF: at most 4 fit"),
        (("rom.bin", 0x0200, 0x0200, [("word.bin", 0x0206)]),
         "word.bin: 0206 holds a byte of what was loaded before"),
        (("rom.hex", None, None, [("word.bin", 0xFFFB)]),
         "word.bin: FFFC holds a byte of what was loaded before"),
        (("a.s", None, None, [("word.bin", 0x0301)]),
         "word.bin: 0301 holds a byte of what was loaded before"),
        (("empty.bin", 0), "empty.bin: holds no byte"),
        (("wrong.hex",), "wrong.hex, line 1: no whole record: expected crc '3D' in record "
                         ":07020000A92A85104C040241, but got '41'"),
        (("torn.hex",), "torn.hex, line 2: no whole record: record ':02FFFC0000' has wrong size"),
        (("short.hex",),
         "short.hex: does not end with the record that ends Intel HEX: a part of it?"),
        (("short.s19",),
         "short.s19: does not end with the record that ends S-records: a part of it?"),
        (("wrong.s19",), "wrong.s19, line 2: no whole record: expected crc 'FD' in record "
                         "S105FFFC0002FE, but got 'FE'"),
        (("far.hex",), "far.hex: 1 byte at 10000 do not end at FFFF: at most 0 fit"),
        (("odd.hex",), "odd.hex, line 1: no whole record: record 'nonsense' too short"),
        (("big.bin",), "big.bin: more than 1 MiB: no image of 65,536 bytes"),
    ],
)  # fmt: skip
def test_what_cannot_be_laid_out_is_told_in_one_line(arguments: tuple, message: str) -> None:
    Path("a.s").write_text(".org $0300\nHERE: JMP HERE\n")
    Path("empty.bin").write_bytes(b"")
    Path("wrong.hex").write_text(HEX.replace("023D", "0241"))
    Path("torn.hex").write_text(HEX[: HEX.index("0201")])
    Path("short.hex").write_text(HEX[: HEX.rindex(":")])
    Path("short.s19").write_text(RECORDS[: RECORDS.rindex("S")])
    Path("wrong.s19").write_text(RECORDS.replace("FD\n", "FE\n"))
    Path("far.hex").write_text(":020000040001F9\n:0100000055AA\n:00000001FF\n")
    Path("odd.hex").write_text("nonsense\n")
    Path("big.bin").write_bytes(bytes((1 << 20) + 1))
    with pytest.raises(ImageError) as caught:
        load_program(*arguments)
    assert str(caught.value) == message


def test_without_bincopy_one_line_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "bincopy", None)
    with pytest.raises(ImageError) as caught:
        load_program("rom.hex")
    assert str(caught.value) == (
        "Intel HEX needs bincopy, which is not installed: pip install 'carrywave[image]'"
    )
    assert load_program("rom.bin", 0x0200, 0x0200).origin == 0x0200
