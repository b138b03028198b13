"""The bus, clock by clock, against the published activity.

The order of the clocks on NMOS is the maker's (*R6500 Microcomputer System Hardware Manual*,
document 29650 N31, 1978, appendix A, 'Summary of Single-Cycle Execution'); their number is also in
Eyes & Lichty, *Programming the 65816*, chapter 18.
Each sequence is written out here with its addresses; none is taken from the project's own table.
"""

import numpy as np
import pytest

from carrywave.sim.cases.layout import CASE
from carrywave.sim.family.instructions import BY_MNEMONIC, INSTRUCTIONS
from carrywave.sim.family.members import EVENTS
from carrywave.sim.witness.clocked import Clocked

PC, SP = 0x0300, 0x02  # so that three bytes up or down cross the end of page one
LOW, HIGH = 0x34, 0x56
PULLED = (0x6B, 0x9A, 0x78)


class Recorder:
    """Notes R or W, the address, and the byte of a write."""

    def __init__(self):
        self.clocks = []

    def clock(self, ctx, unit, name):
        write = ctx.get(unit.write)
        byte = f" {ctx.get(unit.data_out):02X}" if write else ""
        self.clocks.append(f"{'W' if write else 'R'} {ctx.get(unit.address):04X}{byte}")


def bus_of(name, mode="implied", variant="nmos", offset=LOW, **fields):
    """The clocks of one instruction or event, without the fetch that follows."""
    case = np.zeros((), CASE)
    case["pc"], case["sp"], case["a"] = PC, SP, 0x77
    for field, value in fields.items():
        case[field] = value
    event = name in EVENTS
    case["event"] = EVENTS.index(name) if event else 0
    # What lies where, in the order in which it is read: written out, as the clocks below are.
    pc, sp = int(case["pc"]), int(case["sp"])
    code = [] if event else [BY_MNEMONIC[name][mode].opcode]
    long = mode.startswith(("absolute", "(absolute"))
    code += (
        {"relative": [offset], "implied": [], "accumulator": []}.get(
            mode, [LOW, HIGH] if long else [LOW]
        )
        if not event
        else []
    )
    reads = [(pc + i, byte) for i, byte in enumerate(code)]
    pointer, address, _ = formed(mode, int(case["x"]), int(case["y"]), variant)
    reads += list(zip(pointer, (LOW, HIGH), strict=False))
    if address is not None and name[:2] != "ST" and name not in ("JSR", "JMP"):
        reads.append((address, 0x81))
    pulls = {"PLA": 1, "PLP": 1, "RTS": 2, "RTI": 3}.get(name, 0)
    reads += [(0x100 + (sp + 1 + i) % 256, PULLED[i]) for i in range(pulls)]
    vector = {"BRK": 0xFFFE, "IRQ": 0xFFFE, "NMI": 0xFFFA, "RESET": 0xFFFC}.get(name)
    reads += [(vector, 0x34), (vector + 1, 0x12)] if vector else []
    case["reads"] = len(reads)
    for i, (address, value) in enumerate(reads):
        case["read_address"][i], case["read_value"][i] = address, value
    recorder = Recorder()
    outcome = Clocked(variant, recorder).execute(case)
    assert len(recorder.clocks) == outcome["cycles"] + 1
    return recorder.clocks[:-1]


def formed(mode, x, y, variant):
    """Where a pointer's bytes lie, the operand's address, and the one in the page before a carry.

    The byte or word behind the opcode is LOW or HIGH and LOW; a pointer holds HIGH and LOW, too.
    """
    word, index = HIGH << 8 | LOW, x if "X" in mode else y
    if mode == "(absolute)":
        page = HIGH << 8 if variant != "cmos" or LOW < 0xFF else HIGH + 1 << 8
        return [word, page | (LOW + 1) % 256], word, None
    if mode == "(zero page,X)":
        return [(LOW + x) % 256, (LOW + x + 1) % 256], word, None
    if mode in ("absolute,X", "absolute,Y", "(zero page),Y"):
        pointer = [LOW, LOW + 1] if mode[0] == "(" else []
        return pointer, (word + index) % 65536, word & 0xFF00 | (LOW + index) % 256
    if mode in ("zero page", "zero page,X", "zero page,Y"):
        return [], (LOW + index * (mode != "zero page")) % 256, None
    return [], word if mode == "absolute" else None, None


STACK_AND_JUMPS = {
    "PHA": "R 0300, R 0301, W 0102 77",
    "PHP": "R 0300, R 0301, W 0102 30",
    "PLA": "R 0300, R 0301, R 0102, R 0103",
    "PLP": "R 0300, R 0301, R 0102, R 0103",
    "JSR": "R 0300, R 0301, R 0102, W 0102 03, W 0101 02, R 0302",
    "RTS": "R 0300, R 0301, R 0102, R 0103, R 0104, R 9A6B",
    "RTI": "R 0300, R 0301, R 0102, R 0103, R 0104, R 0105",
    "BRK": "R 0300, R 0301, W 0102 03, W 0101 02, W 0100 30, R FFFE, R FFFF",
    "IRQ": "R 0300, R 0300, W 0102 03, W 0101 00, W 0100 20, R FFFE, R FFFF",
    "NMI": "R 0300, R 0300, W 0102 03, W 0101 00, W 0100 20, R FFFA, R FFFB",
    "RESET": "R 0300, R 0300, R 0102, R 0101, R 0100, R FFFC, R FFFD",
    "JMP": "R 0300, R 0301, R 0302",
}


@pytest.mark.parametrize("variant", ["nmos", "cmos", "binary"])
@pytest.mark.parametrize("name", STACK_AND_JUMPS)
def test_stack_jumps_and_interrupts(name, variant):
    mode = "absolute" if name in ("JSR", "JMP") else "implied"
    assert ", ".join(bus_of(name, mode, variant)) == STACK_AND_JUMPS[name]


def test_the_stack_wraps_within_page_one():
    assert bus_of("BRK", sp=0x01)[2:5] == ["W 0101 03", "W 0100 02", "W 01FF 30"]
    assert bus_of("RTI", sp=0xFE)[2:] == ["R 01FE", "R 01FF", "R 0100", "R 0101"]
    assert bus_of("RESET", sp=0x00)[2:5] == ["R 0100", "R 01FF", "R 01FE"]


@pytest.mark.parametrize("index", [0x20, 0xF0])
@pytest.mark.parametrize("variant", ["nmos", "cmos"])
@pytest.mark.parametrize("entry", INSTRUCTIONS, ids=str)
def test_memory_is_read_and_written_as_published(entry, variant, index):
    """In every mode, where an index crosses a page (F0) and where it does not."""
    name, mode = entry.mnemonic, entry.mode.name
    if name in STACK_AND_JUMPS or mode == "relative":
        return
    pointer, address, uncorrected = formed(mode, index, index, variant)
    if address is None:
        expected = ["R 0300", "R 0301"]
        assert bus_of(name, mode, variant, x=index, y=index) == expected
        return
    worked = {"ASL": "02", "LSR": "40", "ROL": "02", "ROR": "40", "INC": "82", "DEC": "80"}
    stored = {"STA": "77", "STX": f"{index:02X}", "STY": f"{index:02X}"}.get(name)
    expected = ["R 0300", "R 0301"]
    if "absolute" in mode:
        expected.append("R 0302")
    if mode in ("zero page,X", "zero page,Y", "(zero page,X)"):
        expected.append(f"R 00{LOW:02X}")  # before the index is added
    expected += [f"R {place:04X}" for place in pointer]
    crossed = uncorrected is not None and uncorrected != address
    eager = variant == "cmos" and name in ("ASL", "LSR", "ROL", "ROR")
    waits = uncorrected is not None and (stored or (name in worked and not eager))
    if crossed or waits:
        # W65C02S data sheet, table 7-1: on a crossing CMOS reads the instruction's last byte again.
        again = f"R {0x0302 if 'absolute' in mode else 0x0301:04X}"
        expected.append(again if crossed and variant == "cmos" else f"R {uncorrected:04X}")
    if stored:
        expected.append(f"W {address:04X} {stored}")
    else:
        expected.append(f"R {address:04X}")
    if name in worked:
        # The same table: NMOS reads once and writes twice, CMOS the other way.
        expected.append(f"W {address:04X} 81" if variant == "nmos" else f"R {address:04X}")
        expected.append(f"W {address:04X} {worked[name]}")
    assert bus_of(name, mode, variant, x=index, y=index) == expected


@pytest.mark.parametrize(
    ("variant", "expected"),
    [
        ("nmos", "R 0300, R 0301, R 0302, R 5634, R 5635"),
        ("cmos", "R 0300, R 0301, R 0302, R 5634, R 5635, R 5635"),
    ],
)
def test_jmp_through_a_pointer_takes_a_clock_more_on_cmos(variant, expected):
    assert ", ".join(bus_of("JMP", "(absolute)", variant)) == expected


@pytest.mark.parametrize(
    ("variant", "expected"),
    [("nmos", ["R 02FF", "R 0200"]), ("binary", ["R 02FF", "R 0200"]),
     ("cmos", ["R 02FF", "R 0200", "R 0300"])],
)  # fmt: skip
def test_a_pointer_at_the_end_of_a_page_wraps_but_on_cmos(variant, expected):
    """Common practice of the trade for NMOS; the W65C02S data sheet, table 7-1, for CMOS."""
    case = np.zeros((), CASE)
    case["pc"], case["reads"] = 0x1000, 5
    at = 0x0300 if variant == "cmos" else 0x0200
    case["read_address"][:5] = [0x1000, 0x1001, 0x1002, 0x02FF, at]
    case["read_value"][:5] = [0x6C, 0xFF, 0x02, 0x34, 0x12]
    recorder = Recorder()
    outcome = Clocked(variant, recorder).execute(case)
    assert outcome["pc"] == 0x1234
    assert recorder.clocks[3:-1] == expected


@pytest.mark.parametrize(
    ("offset", "zero", "expected"),
    [
        (0x10, 0, "R 03F0, R 03F1"),
        (0x05, 1, "R 03F0, R 03F1, R 03F2"),
        (0x10, 1, "R 03F0, R 03F1, R 03F2, R 0302"),
        (0x80, 1, "R 03F0, R 03F1, R 03F2"),
    ],
)
def test_a_branch_takes_two_three_or_four_clocks(offset, zero, expected):
    clocks = bus_of("BEQ", "relative", offset=offset, pc=0x03F0, p=zero << 1)
    assert ", ".join(clocks) == expected


def test_a_backward_branch_into_the_page_below_reads_in_the_old_page_first():
    clocks = bus_of("BEQ", "relative", offset=0xF0, pc=0x0302, p=2)
    assert clocks == ["R 0302", "R 0303", "R 0304", "R 03F4"]


@pytest.mark.parametrize("mode", BY_MNEMONIC["ADC"])
@pytest.mark.parametrize("name", ["ADC", "SBC"])
def test_decimal_mode_takes_one_clock_more_on_cmos_only(name, mode):
    clocks = {v: len(bus_of(name, mode, v, p=8)) for v in ("nmos", "cmos", "binary")}
    plain = len(bus_of(name, mode, "cmos", p=0))
    assert clocks == {"nmos": plain, "cmos": plain + 1, "binary": plain}
