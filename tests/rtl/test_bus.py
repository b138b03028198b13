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

pytestmark = pytest.mark.usefixtures("one_simulator")

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
    code += {
        "immediate": [LOW],
        "zero page": [LOW],
        "relative": [offset],
        "absolute": [LOW, HIGH],
    }.get(mode, [])
    reads = [(pc + i, byte) for i, byte in enumerate(code)]
    if mode in ("zero page", "absolute") and name[:2] != "ST" and name not in ("JSR", "JMP"):
        reads.append((LOW + (HIGH << 8 if mode == "absolute" else 0), 0x81))
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


@pytest.mark.parametrize("entry", INSTRUCTIONS, ids=str)
def test_memory_is_read_and_written_as_published(entry):
    zero, far = "R 0300, R 0301, ", "R 0300, R 0301, R 0302, "
    mode = entry.mode.name
    read = {"zero page": zero + "R 0034", "absolute": far + "R 5634"}
    stored = {"STA": "77", "STX": "00", "STY": "00"}.get(entry.mnemonic)
    write = {"zero page": f"{zero}W 0034 {stored}", "absolute": f"{far}W 5634 {stored}"}
    worked = {"ASL": "02", "LSR": "40", "ROL": "02", "ROR": "40", "INC": "82", "DEC": "80"}
    if entry.mnemonic in STACK_AND_JUMPS or mode == "relative":
        return
    if mode in ("implied", "accumulator", "immediate"):
        expected = "R 0300, R 0301"
    elif stored:
        expected = write[mode]
    elif entry.mnemonic in worked:
        place = "0034" if mode == "zero page" else "5634"
        expected = f"{read[mode]}, W {place} 81, W {place} {worked[entry.mnemonic]}"
    else:
        expected = read[mode]
    assert ", ".join(bus_of(entry.mnemonic, mode)) == expected
    if entry.mnemonic in worked and mode != "accumulator":
        # W65C02S data sheet, table 7-1: NMOS reads once and writes twice, CMOS the other way.
        cmos = ", ".join(bus_of(entry.mnemonic, mode, "cmos"))
        assert cmos == expected.replace(f"W {place} 81", f"R {place}")


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


@pytest.mark.parametrize("mode", ["immediate", "zero page", "absolute"])
@pytest.mark.parametrize("name", ["ADC", "SBC"])
def test_decimal_mode_takes_one_clock_more_on_cmos_only(name, mode):
    clocks = {v: len(bus_of(name, mode, v, p=8)) for v in ("nmos", "cmos", "binary")}
    plain = len(bus_of(name, mode, "cmos", p=0))
    assert clocks == {"nmos": plain, "cmos": plain + 1, "binary": plain}
