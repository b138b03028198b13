"""The assembler: which bytes a listing becomes, and what it says of one that is wrong."""

from __future__ import annotations

import pickle
import time
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tracked import tracked

from carrywave.sim.family.instructions import BY_MNEMONIC, INSTRUCTIONS, Instruction
from carrywave.sim.family.modes import MODES, Mode
from carrywave.sim.program import assembler
from carrywave.sim.program.assembler import PinEvent, SourceLine, assemble, load
from carrywave.sim.program.tokens import ListingError, nearest

LISTINGS = tracked("waves/programs/*.s")

# How each mode is written, and the bytes that follow the opcode at 0200.
NOTATION = {
    "implied": ("", b""),
    "accumulator": (" A", b""),
    "immediate": (" #$9C", b"\x9c"),
    "zero page": (" $9C", b"\x9c"),
    "absolute": (" $129C", b"\x9c\x12"),
    "relative": (" $0212", b"\x10"),
    "zero page,X": (" $9C,X", b"\x9c"),
    "zero page,Y": (" $9C,Y", b"\x9c"),
    "absolute,X": (" $129C,X", b"\x9c\x12"),
    "absolute,Y": (" $129C,Y", b"\x9c\x12"),
    "(zero page,X)": (" ($9C,X)", b"\x9c"),
    "(zero page),Y": (" ($9C),Y", b"\x9c"),
    "(absolute)": (" ($129C)", b"\x9c\x12"),
}


def image(text: str, size: int, origin: int = 0x0200) -> str:
    """The first bytes of a listing placed at `origin`, in hexadecimal."""
    program = assemble(f".org ${origin:04X}\n{text}")
    return program.memory[origin : origin + size].hex(" ")


def refused(text: str) -> str:
    """What the assembler says of a listing: line:column: message."""
    with pytest.raises(ListingError) as caught:
        assemble(text, "gate.s")
    error = caught.value
    assert str(error) == f"gate.s:{error.line}:{error.column}: {error.message}"
    assert "\n" not in str(error)
    return f"{error.line}:{error.column}: {error.message}"


# What becomes of a listing


def test_every_published_opcode_is_assembled():
    checked = set()
    for form in INSTRUCTIONS:
        operand, following = NOTATION[form.mode.name]
        expected = (bytes([form.opcode]) + following).ljust(form.length, b"\0")
        for mnemonic in (form.mnemonic, form.mnemonic.lower()):
            assert image(mnemonic + operand, form.length) == expected.hex(" ")
        checked.add(form.opcode)
    assert len(checked) == 151


@pytest.fixture
def two_modes_more(monkeypatch):
    """Two modes that only `family` has heard of, and an LDA in each."""
    for name, notation, length, opcode in (
        ("both", "({},X),Y", 2, 0x12), ("pointer alone", "({})", 2, 0xB2),
    ):  # fmt: skip
        mode = Mode(name, notation, length, "address")
        monkeypatch.setitem(MODES, name, mode)
        monkeypatch.setitem(BY_MNEMONIC["LDA"], name, Instruction("LDA", mode, opcode, 4, "nz"))


@pytest.mark.usefixtures("two_modes_more")
def test_a_mode_more_is_no_more_than_a_row_in_family():
    text = "NEAR = $20\nLDA (NEAR)\nlda ( NEAR+1 , x) , y\nLDA FAR,x\nLDA NEAR\nFAR: NOP"
    assert image(text, 10) == "b2 20 12 21 bd 09 02 a5 20 ea"


@pytest.mark.usefixtures("two_modes_more")
@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("LDA ($20,Y)", "2:10: found 'Y'; expected 'X'"),
        ("LDA ($20", "2:9: found the end of the line; expected ')' or ','"),
        ("LDA ($20),X", "2:11: found 'X'; expected 'Y'"),
        ("LDA ($20,X),X", "2:13: found 'X'; expected 'Y'"),
        ("LDA $20,5", "2:9: found '5'; expected 'X' or 'Y'"),
        ("LDA ($100),Y", "2:6: found 256; expected an address, 0 to 255"),
        ("LDA ()", "2:6: found ')'; expected a number or a name"),
        ("LDA ($20),Y,X", "2:12: found ','; expected the end of the line"),
        (
            "LDX ($20),Y",
            "2:5: found (zp),Y addressing; expected a mode that LDX has: #, zp, zp,Y, abs, abs,Y",
        ),
    ],
)
def test_a_wrong_operand_in_a_mode_more_is_refused(line, message):
    assert refused(f".org $0200\n{line}") == message


@pytest.mark.parametrize(
    ("expression", "value"),
    [
        ("2+3*4", 14), ("(2+3)*4", 20), ("2*3+4*5", 26), ("100/7/2", 7), ("10-4-3", 3),
        ("-2*-3", 6), ("-(2+3)+9", 4), ("((((5))))", 5), ("7/2*2", 6), ("<($1234+1)", 0x35),
        (">$1234*2", 0x24), ("N*(N+1)/2", 10), ("+3", 3),
    ],
)  # fmt: skip
def test_an_expression_is_worked_out_as_in_arithmetic(expression, value):
    assert image(f"N = 4\n.byte {expression}\nNOP", 1) == f"{value:02x}"
    assert image(f".byte {expression}\nN = 4\nNOP", 1) == f"{value:02x}"


def test_parentheses_may_be_as_deep_as_one_likes():
    assert image(f".byte {'(' * 50_000}7{')' * 50_000}\nNOP", 1) == "07"


def test_a_shift_of_the_accumulator_may_leave_it_out():
    assert image("ASL\nasl A\nROL ; it\nLSR\nROR", 5) == "0a 0a 2a 4a 6a"


def test_a_label_in_the_first_column_may_leave_its_colon_out():
    text = "LOOP LDA #1\nNEXT\n JMP LOOP\nEND .byte <NEXT\nLAST: JMP NEXT"
    assert image(text, 9) == "a9 01 4c 00 02 02 4c 02 02"


def test_brk_is_followed_by_the_byte_that_rti_skips():
    assert image("BRK\nNOP", 3) == "00 00 ea"


@pytest.mark.parametrize(
    ("operand", "byte"),
    [
        ("$c9", "c9"),
        ("%11001001", "c9"),
        ("201", "c9"),
        ("'A'", "41"),
        ("';'", "3b"),
        ("' '", "20"),
        ("-60", "c4"),
        ("+7", "07"),
        ("10+5-3", "0c"),
        ("- 1 + 2", "01"),
        ("<$1234", "34"),
        (">$1234", "12"),
        (">$12FF+1", "13"),
        ("<-1", "ff"),
        ("<*", "00"),
        (">*+256", "03"),
        ("<LATER", "02"),
        (">LATER", "02"),
        ("LATER-START", "02"),
    ],
)
def test_expressions(operand, byte):
    assert image(f"START: LDA #{operand}\nLATER: NOP", 2) == f"a9 {byte}"


def test_zero_page_needs_the_value_on_the_first_pass():
    text = "NEAR = $20\nLDA NEAR\nLDA FAR\nLDA $FF\nLDA $FF+1\nLDA $0020\nNOP\n"
    program = assemble(f".org $0300\n{text}.org $10\nFAR: .byte 1")
    assert program.memory[0x300:0x30D].hex(" ") == "a5 20 ad 10 00 a5 ff ad 00 01 a5 20 ea"


def test_jumps_take_an_address_in_zero_page_as_absolute():
    assert image("JMP $10\nJSR $10", 6) == "4c 10 00 20 10 00"


@pytest.mark.parametrize(
    ("text", "offset"),
    [
        ("HERE: BNE HERE", "fe"),
        ("BNE *+2", "00"),
        ("BNE *+129", "7f"),
        ("BNE *-126", "80"),
    ],
)
def test_branches_count_from_the_next_instruction(text, offset):
    assert image(text, 2) == f"d0 {offset}"


def test_data():
    text = ".byte 1, \"Gate; 7\", 'x', <END , -128\n.word $1234, END, -1\nEND: NOP"
    expected = "01 47 61 74 65 3b 20 37 78 11 80 34 12 11 02 ff ff ea"
    assert image(text, 18) == expected


def test_labels_are_told_apart_by_case_and_listed_with_constants():
    program = assemble("DEPTH = 12\n.org $0200\nLoop: NOP\nLOOP:\nSAME: JMP Loop ; back\n")
    assert program.labels == {"DEPTH": 12, "Loop": 0x200, "LOOP": 0x201, "SAME": 0x201}
    assert program.memory[0x200:0x204].hex(" ") == "ea 4c 00 02"


def test_lines_keep_their_text_without_comment_and_spaces():
    program = assemble(
        ".org $0200\r\n\t GATE:  lda #';' ; open\r\n\n.byte \";\"  ; no comment\n BRK"
    )
    assert program.lines == {
        0x200: SourceLine(2, "GATE:  lda #';'"),
        0x202: SourceLine(4, '.byte ";"'),
        0x203: SourceLine(5, "BRK"),
    }


def test_reset_vector_is_the_first_org():
    program = assemble(".org $0456\nNOP\n.org $0200\nNOP")
    assert program.origin == 0x0456
    assert program.memory[0xFFFA:] == b"\0\0\x56\x04\0\0"
    assert len(program.memory) == 0x10000


@pytest.mark.parametrize(
    ("text", "vector"), [(".org $FFFC\n.word $1234", "34 12"), (".org $FFFD\n.byte $12", "00 12")]
)
def test_reset_vector_is_left_to_a_listing_that_writes_it(text, vector):
    assert assemble(f".org $0456\nNOP\n{text}").memory[0xFFFC:0xFFFE].hex(" ") == vector


def test_pins_move_at_the_next_instruction():
    text = "WAIT = 2\n.org $0200\nNOP\n.irq low\n.NMI +3\n; a comment\nHERE: NOP\n.byte 0\n"
    text += ".irq HIGH +WAIT+1\n.reset\n.byte 0\n.org $0300\nDONE: JMP DONE\n"
    assert assemble(text).pin_events == {
        0x201: (PinEvent(0x201, "irq_n", 0, 0, 0), PinEvent(0x201, "nmi_n", 0, 3, 2)),
        0x300: (PinEvent(0x300, "irq_n", 1, 3, 0), PinEvent(0x300, "reset_n", 0, 0, 2)),
    }


def test_memory_may_be_filled_to_its_end():
    assert assemble(".org $FFFF\nNOP").memory[0xFFFF] == 0xEA


@pytest.mark.parametrize("path", LISTINGS, ids=lambda path: path.stem)
def test_example_listings(path):
    program = load(path)
    done = program.labels["DONE"]
    assert program.memory[done : done + 3] == bytes([0x4C]) + done.to_bytes(2, "little")
    assert path.read_bytes().isascii()
    assert 35 <= len(path.read_text().splitlines()) <= 90


def test_there_are_example_listings():
    names = {path.stem for path in LISTINGS}
    assert names >= {
        "decimal_count",
        "multibyte_add",
        "nested_interrupts",
        "signed_compare",
        "stack_wrap",
        "unsigned_compare",
    }


def test_a_file_may_start_with_a_byte_order_mark(tmp_path):
    path = tmp_path / "gate.s"
    path.write_bytes("\ufeff.org $0200\nNOP ; 3 °\n".encode())
    assert load(str(path)).memory[0x200] == 0xEA


# What is said of a wrong one

ADDRESSED = "#, zp, zp,X, abs, abs,X, abs,Y, (zp,X), (zp),Y"
START = "an instruction, a directive, or a name and ':' or '='"
NUMBER = "a number: $ and 0-9 A-F, % and 0-1, or 0-9"
SIGNS = "a name, a number or one of #<>+-*/=:,()"


@pytest.mark.parametrize(
    ("line", "message"),
    [
        # characters
        ("LDA ?", f"2:5: found '?'; expected {SIGNS}"),
        ("\x00", f"2:1: found '\\x00'; expected {SIGNS}"),
        ("LDA #1 \x85", f"2:8: found '\\x85'; expected {SIGNS}"),
        ("LDA $", f"2:5: found '$'; expected {NUMBER}"),
        ("LDA $12G4", f"2:5: found '$12G4'; expected {NUMBER}"),
        ("LDA #%012", f"2:6: found '%012'; expected {NUMBER}"),
        ("LDA 0x20", f"2:5: found '0x20'; expected {NUMBER}"),
        ("LDA #'AB'", "2:6: found \"'\"; expected one ASCII character and a ' after it"),
        ("LDA #'\u00e9'", "2:6: found \"'\"; expected one ASCII character and a ' after it"),
        ('.byte "open', "2:7: found '\"'; expected ASCII characters and a \" after them"),
        ("LDA " + "9" * 5000, "2:5: found 5000 digits; expected a number of 16 at most"),
        # the first word
        ("LDZ #1", f"2:1: found 'LDZ'; expected {START} (nearest: LDY)"),
        ("GATE  LDZ #1", f"2:1: found 'GATE'; expected {START}"),
        (" GATE  LDA #1", f"2:2: found 'GATE'; expected {START}"),
        ("GATE  LDA #1\nGATE NOP", "3:1: found 'GATE' again; expected a new name (line 2 has it)"),
        ("L: tsxx", f"2:4: found 'tsxx'; expected {START} (nearest: TSX)"),
        (".bite 1", "2:1: found '.bite'; expected a directive (nearest: .byte)"),
        (".fill", "2:1: found '.fill'; expected a directive"),
        ("$20", f"2:1: found '$20'; expected {START}"),
        (" " + "G" * 5000, f"2:2: found '{'G' * 60}...'; expected {START}"),
        ("* = $20", f"2:1: found '*'; expected {START}"),
        # operands
        ("LDA", f"2:4: found no operand; expected a mode that LDA has: {ADDRESSED}"),
        ("LDA ; it", f"2:4: found no operand; expected a mode that LDA has: {ADDRESSED}"),
        ("LDA A", f"2:5: found the accumulator; expected a mode that LDA has: {ADDRESSED}"),
        (
            "STA #1",
            "2:5: found an immediate operand; expected a mode that STA has: "
            "zp, zp,X, abs, abs,X, abs,Y, (zp,X), (zp),Y",
        ),
        ("CLC 1", "2:5: found an address; expected a mode that CLC has: implied"),
        ("BRK #1", "2:5: found an immediate operand; expected a mode that BRK has: implied"),
        ("INC", "2:4: found no operand; expected a mode that INC has: zp, zp,X, abs, abs,X"),
        ("BNE #1", "2:5: found an immediate operand; expected a mode that BNE has: relative"),
        ("STX $1234,Y", "2:5: found 4660; expected an address, 0 to 255"),
        ("STX $34,X", "2:5: found zp,X addressing; expected a mode that STX has: zp, zp,Y, abs"),
        ("JMP ($1234),Y", "2:5: found (zp),Y addressing; expected a mode that JMP has: abs, (abs)"),
        (
            "STA (1+2)*3",
            "2:5: found (abs) addressing; expected a mode that STA has: "
            "zp, zp,X, abs, abs,X, abs,Y, (zp,X), (zp),Y",
        ),
        ("LDA $20,5", "2:9: found '5'; expected 'X' or 'Y'"),
        (".byte 1/0\n NOP", "2:8: found a division by zero; expected a divisor that is not 0"),
        (".byte 4/(2-2)\n NOP", "2:8: found a division by zero; expected a divisor that is not 0"),
        (".byte (1+2", "2:11: found the end of the line; expected ')'"),
        (".byte 1+2)", "2:10: found ')'; expected the end of the line"),
        (
            ".word $FFFFFFFFFFFFFFFF*2\n NOP",
            "2:24: found a number beyond 64 bits; expected a smaller number",
        ),
        ("LDA #1 2", "2:8: found '2'; expected the end of the line"),
        ("NOP\nL: : NOP", f"3:4: found ':'; expected {START}"),
        ("LDA #", "2:6: found the end of the line; expected a number or a name"),
        ("LDA #1+", "2:8: found the end of the line; expected a number or a name"),
        ("LDA #1+X", "2:8: found 'X'; expected a number or a name"),
        ("LDA LDX", "2:5: found 'LDX'; expected a number or a name"),
        ("LDA #<>1", "2:7: found '>'; expected a number or a name"),
        ('LDA "A"', "2:5: found '\"A\"'; expected a number or a name"),
        # ranges
        ("LDA #256", "2:6: found 256; expected a byte, -128 to 255"),
        ("LDA #-129", "2:6: found -129; expected a byte, -128 to 255"),
        ("L: NOP\nLDA #L+4", "3:6: found 516; expected a byte, -128 to 255"),
        ("NOP\n.byte 1,\t'A'+200", "3:10: found 265; expected a byte, -128 to 255"),
        ("NOP\n.word $FFFF+1", "3:7: found 65536; expected a word, -32768 to 65535"),
        ("LDA $10000", "2:5: found 65536; expected an address, 0 to 65535"),
        ("LDA -1", "2:5: found -1; expected an address, 0 to 65535"),
        (".org 65536", "2:6: found 65536; expected an address, 0 to 65535"),
        ("N = 65536", "2:5: found 65536; expected a word, -32768 to 65535"),
        (
            "BNE *+130",
            "2:5: found a branch over +128 bytes; expected -128 to +127, counted from the next"
            " instruction",
        ),
        (
            "BNE *-127",
            "2:5: found a branch over -129 bytes; expected -128 to +127, counted from the next"
            " instruction",
        ),
        # names
        ("L: NOP\n L: NOP", "3:2: found 'L' again; expected a new name (line 2 has it)"),
        ("N = 1\nN = 1", "3:1: found 'N' again; expected a new name (line 2 has it)"),
        ("A: NOP", "2:1: found 'A' as a name; expected a name that means nothing else"),
        ("x = 1", "2:1: found 'x' as a name; expected a name that means nothing else"),
        ("Inc: NOP", "2:1: found 'Inc' as a name; expected a name that means nothing else"),
        (".org: NOP", "2:1: found '.org' as a name; expected a name that means nothing else"),
        (
            "LOOP: JMP 1+LOPP",
            "2:13: found 'LOPP', which no line defines; expected a label or a constant"
            " (nearest: LOOP)",
        ),
        (
            "Loop: JMP LOOP",
            "2:11: found 'LOOP', which no line defines; expected a label or a constant"
            " (nearest: Loop)",
        ),
        ("JMP Q", "2:5: found 'Q', which no line defines; expected a label or a constant"),
        (
            "N = M\nM = 1",
            "2:5: found 'M', which no earlier line defines; expected a label or a constant",
        ),
        (
            ".org L\nL: NOP",
            "2:6: found 'L', which no earlier line defines; expected a label or a constant",
        ),
        # places
        (
            "NOP\n.org $0200\nNOP",
            "4:1: found 0200 already written by line 2; expected each address once",
        ),
        (
            ".org $0202\nNOP\n.org $0201\n JMP $0300",
            "5:2: found 0202 already written by line 3; expected each address once",
        ),
        (".org $FFFE\nJMP 0", "3:1: found 'JMP' beyond FFFF; expected memory to end there"),
        (".org $FFFF\nNOP\nL:", "4:1: found 'L' beyond FFFF; expected memory to end there"),
        # pins
        (".irq\nNOP", "2:5: found the end of the line; expected 'low' or 'high'"),
        (".irq 1\nNOP", "2:6: found '1'; expected 'low' or 'high'"),
        (
            ".nmi 3\nNOP",
            "2:6: found '3'; expected '+' and a number of clocks, or the end of the line",
        ),
        (
            ".reset low\nNOP",
            "2:8: found 'low'; expected '+' and a number of clocks, or the end of the line",
        ),
        (".nmi +\nNOP", "2:7: found the end of the line; expected a number or a name"),
        (".nmi +-1\nNOP", "2:7: found -1; expected clocks, 0 to 65535"),
        (
            ".nmi +N\nN = 1",
            "2:7: found 'N', which no earlier line defines; expected a label or a constant",
        ),
        (
            "NOP\n .irq low\n.byte 1",
            "3:2: found '.irq' after the last instruction; expected it before one",
        ),
    ],
)
def test_a_wrong_line_is_refused(line, message):
    assert refused(f".org $0200\n{line}") == message


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "1:1: found no instruction; expected one at least"),
        ("; nothing\n.org $0200\n.byte $EA", "1:1: found no instruction; expected one at least"),
        ("N = 1\n  NOP", "2:3: found 'NOP' before any .org; expected '.org' and an address"),
        (".word 1", "1:1: found '.word' before any .org; expected '.org' and an address"),
        ("L: .org 0", "1:1: found 'L' before any .org; expected '.org' and an address"),
        ("N = *", "1:5: found '*' before any .org; expected '.org' and an address"),
    ],
)
def test_a_wrong_beginning_is_refused(text, message):
    assert refused(text) == message


def test_each_mode_that_an_instruction_lacks_is_refused():
    checked = 0
    for mnemonic, modes in BY_MNEMONIC.items():
        for mode, (operand, _) in NOTATION.items():
            # An address is written alike whichever of its modes an instruction has, and the
            # accumulator need not be written.
            alike = [
                {"zero page", "absolute", "relative"}, {"zero page,X", "absolute,X"},
                {"zero page,Y", "absolute,Y"},
            ]  # fmt: skip
            unwritten = mode == "implied" and "accumulator" in modes
            written = any(mode in some and some & modes.keys() for some in alike)
            if mode in modes or unwritten or written:
                continue
            labels = [form.mode.label or mode for mode, form in modes.items()]
            has = f"expected a mode that {mnemonic} has: {', '.join(labels)}"
            assert refused(f".org $0200\n{mnemonic}{operand}").endswith(has)
            checked += 1
    # 27 need an operand, 52 have no accumulator, 45 no immediate; 25 take no address, 40 none with
    # X, 46 none with Y, 48 none through a pointer with either; and all but JMP none through a word.
    assert checked == 27 + 52 + 45 + 3 * 25 + 2 * 40 + 2 * 46 + 2 * 48 + 55


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "found an empty file; expected a listing"),
        (b"NOP\n\0\0", "found a NUL byte at offset 4; expected a listing"),
        (b"\x7fELF\xff", "found byte FF at offset 4, which is not UTF-8; expected a listing"),
        (b"; only this", "found no instruction; expected one at least"),
    ],
)
def test_a_file_that_is_no_listing_is_refused(tmp_path, content, message):
    path = tmp_path / "gate.s"
    path.write_bytes(content)
    with pytest.raises(ListingError) as caught:
        load(path)
    assert str(caught.value) == f"{path}:1:1: {message}"


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("missing.s", "No such file or directory"),
        (".", "Is a directory"),
        ("a\0b", "embedded null byte"),
    ],
)
def test_what_cannot_be_read_is_refused(tmp_path, monkeypatch, name, reason):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ListingError) as caught:
        load(name)
    shown = name.replace("\0", "\\x00")
    assert str(caught.value) == f"{shown}:1:1: found nothing to read ({reason}); expected a listing"


def test_an_error_in_a_file_names_it(tmp_path):
    path = tmp_path / "gate.s"
    path.write_text(".org $0200\n  LDQ\n")
    with pytest.raises(ListingError) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}:2:3: found 'LDQ'")


def test_an_error_survives_pickling():
    error = pickle.loads(pickle.dumps(ListingError("gate.s", 2, 3, "found it")))
    assert (error.file, error.line, error.column) == ("gate.s", 2, 3)
    assert str(error) == "gate.s:2:3: found it"


WORDS = [*BY_MNEMONIC, ".org", ".byte", ".word", ".irq", ".nmi", ".reset", "low", "high", "A", "x"]
PIECES = st.one_of(
    st.sampled_from([*WORDS, *"#<>+-*=:,()';\"$% \t\n\n", "L", "M", "$20", "512", "%101", "'A'"]),
    st.text(max_size=3),
)


def assembles_or_is_refused(text: str) -> None:
    """Fails on anything that is neither a program nor an error at a place within the text."""
    refusal = None
    try:
        program = assemble(text)
    except ListingError as error:
        refusal = error
    if refusal is None:
        assert len(program.memory) == 0x10000
        assert program.lines
    else:
        lines = text.split("\n")
        assert len(str(refusal).splitlines()) == 1
        assert 1 <= refusal.line <= len(lines)
        assert 1 <= refusal.column <= len(lines[refusal.line - 1]) + 1


@given(st.text())
@settings(database=None, max_examples=200)
def test_any_text_is_assembled_or_refused(text):
    assembles_or_is_refused(text)


@given(st.lists(PIECES, max_size=30))
@settings(database=None, max_examples=400)
def test_any_row_of_tokens_is_assembled_or_refused(pieces):
    assembles_or_is_refused(".org $0200\n" + " ".join(pieces))


@given(st.binary(max_size=40))
@settings(database=None, max_examples=100)
def test_any_file_is_assembled_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "any.s"
    path.write_bytes(content)
    with suppress(ListingError):
        assert load(path).lines


def assembly_time(terms):
    """Of a sum of so many terms, in seconds of this process's time; the better of two."""
    text = f".org $0200\nL = {'+ 1 - 1 ' * (terms // 2)}\nLDA #L"
    times = []
    for _ in range(2):
        began = time.process_time()
        assert assemble(text).labels == {"L": 0}
        times.append(time.process_time() - began)
    return min(times)


def test_a_long_sum_takes_a_time_that_grows_with_its_length_only():
    # Eight times the time, where each term took as long as there are terms it was over fifty.
    assert assembly_time(80_000) < 24 * assembly_time(10_000)


def test_a_wrong_name_is_compared_with_few_and_short_ones(count_calls):
    names = [f"{'n' * 40}{i}" for i in range(4000)]
    told, few = count_calls(nearest, "n" * 40 + "x7", names[:1000])
    assert told == f" (nearest: {'n' * 40}7)"
    told, as_few = count_calls(nearest, "n" * 40 + "x7", names)
    assert told == f" (nearest: {'n' * 40}7)"
    assert as_few <= few
    # Compared in full, two names that alternate so would take hours.
    assert nearest("ab" * 200_000, ["ba" * 200_000]) == ""


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/urandom"])
def test_a_device_without_end_is_refused(monkeypatch, device):
    monkeypatch.setattr(assembler, "_LARGEST", 1 << 20)
    with pytest.raises(ListingError, match=f"^{device}:1:1: found .*; expected a listing$"):
        load(device)


def test_a_listing_has_a_largest_size(tmp_path, monkeypatch):
    monkeypatch.setattr(assembler, "_LARGEST", 1 << 20)
    path = tmp_path / "gate.s"
    path.write_text(".org $0200\nNOP\n".ljust(1 << 20))
    assert load(path).lines
    path.write_text(path.read_text() + " ")
    with pytest.raises(ListingError) as caught:
        load(path)
    assert str(caught.value) == f"{path}:1:1: found more than 1 MiB; expected a listing"


def test_an_error_shows_what_a_terminal_would_obey(tmp_path):
    path = tmp_path / "\x1b[2J.s"
    path.write_text(".org $0200\n\x1b]0;x\x07\n")
    with pytest.raises(ListingError) as caught:
        load(path)
    shown = str(path).replace("\x1b", "\\x1b")
    assert str(caught.value) == (
        f"{shown}:2:1: found '\\x1b'; expected a name, a number or one of #<>+-*/=:,()"
    )
