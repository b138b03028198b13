"""An emulator that answers whole NumPy arrays at once: the second form for Python.

carrywave compare --arrays --python arrays.py:execute

The rows of an array are sorted by what they do; a function below then works on the columns of all
rows that do the same. A flag is a column of 0 and 1.
"""

from types import SimpleNamespace

import numpy as np
from emulator import OPCODES, VARIANT, WAIT

from carrywave.sim import OUTCOME

EVENTS = ("", "irq", "nmi", "reset")
FLAGS = {"n": 7, "v": 6, "d": 3, "i": 2, "z": 1, "c": 0}


# What an emulator of arrays needs to stand beside the gates


def execute(cases):
    """An array of the layout CASE in, an array of the layout OUTCOME out."""
    outcomes = np.zeros(len(cases), OUTCOME)
    event = np.where((cases["event"] == 1) & (cases["p"] & 4 > 0), 0, cases["event"])
    does = np.where(event > 0, event.astype(int) << 8, read(cases, cases["pc"]))
    for what in np.unique(does):
        outcomes[does == what] = execute_alike(cases[does == what], what)
    return outcomes


def read(cases, address):
    """What lies at an address in each row; 0 where no case says what does."""
    listed = np.arange(cases["read_address"].shape[1]) < cases["reads"][:, None]
    there = listed & (cases["read_address"] == np.reshape(address, (-1, 1)))
    return np.where(there, cases["read_value"], 0).max(axis=1).astype(int)


def execute_alike(cases, what):
    """Rows that do the same: an opcode, or an event times 256."""
    s = SimpleNamespace(cases=cases, writes=[])
    for register in ("pc", "a", "x", "y", "sp"):
        setattr(s, register, cases[register].astype(int))
    set_flags(s, cases["p"].astype(int))
    run(s, *(OPCODES[what] if what < 256 else (EVENTS[what >> 8], "none", 7)))
    outcomes = np.zeros(len(cases), OUTCOME)
    for field in ("pc", "a", "x", "y", "sp", "cycles"):
        outcomes[field] = getattr(s, field)
    outcomes["p"], outcomes["writes"] = flags(s, 1), len(s.writes)
    for i, (address, byte) in enumerate(s.writes):
        outcomes["write_address"][:, i], outcomes["write_value"][:, i] = address, byte
    return outcomes


# The emulator


def run(s, name, mode, cycles):
    """One instruction or event in all rows."""
    s.cycles, s.crossed = cycles, 0
    if mode != "none":
        fetch(s)
    s.address = MODES[mode](s)
    s.m = s.a if s.address is None else read(s.cases, s.address)
    if name not in WAIT:
        s.cycles = s.cycles + s.crossed
    DO[name](s)


def fetch(s):
    byte = read(s.cases, s.pc)
    s.pc = (s.pc + 1) & 0xFFFF
    return byte


def fetch_word(s):
    return fetch(s) | fetch(s) << 8


# The modes: each gives the address of the operand, or where a branch or jump goes


def immediate(s):
    at = s.pc
    fetch(s)
    return at


def zero_page(s, index=0):
    return (fetch(s) + index) & 0xFF


def indexed(s, base, index):
    at = (base + index) & 0xFFFF
    s.crossed = (at >> 8 != base >> 8).astype(int)
    return at


def read_pointer(s, at):
    """It does not leave page zero."""
    return read(s.cases, at) | read(s.cases, (at + 1) & 0xFF) << 8


def through(s):
    at = fetch_word(s)
    after = (at + 1) & 0xFFFF if VARIANT == "cmos" else at & 0xFF00 | (at + 1) & 0xFF
    return read(s.cases, at) | read(s.cases, after) << 8


def relative(s):
    offset = fetch(s)
    return (s.pc + offset - (offset >> 7 << 8)) & 0xFFFF


MODES = {
    "none": lambda s: None, "implied": lambda s: None, "accumulator": lambda s: None,
    "immediate": immediate, "relative": relative,
    "zero_page": zero_page, "zero_page_x": lambda s: zero_page(s, s.x),
    "zero_page_y": lambda s: zero_page(s, s.y), "absolute": fetch_word,
    "absolute_x": lambda s: indexed(s, fetch_word(s), s.x),
    "absolute_y": lambda s: indexed(s, fetch_word(s), s.y),
    "through_x": lambda s: read_pointer(s, zero_page(s, s.x)),
    "through_y": lambda s: indexed(s, read_pointer(s, fetch(s)), s.y), "through": through,
}  # fmt: skip


# The flags and the stack


def flags(s, b):
    """The byte that is pushed."""
    return sum(getattr(s, flag) << bit for flag, bit in FLAGS.items()) | 0x20 | b << 4


def set_flags(s, byte):
    for flag, bit in FLAGS.items():
        setattr(s, flag, byte >> bit & 1)


def set_nz(s, byte):
    s.n, s.z = byte >> 7, (byte == 0).astype(int)
    return byte


def push(s, byte):
    s.writes.append((0x100 | s.sp, byte))
    s.sp = (s.sp - 1) & 0xFF


def pull(s):
    s.sp = (s.sp + 1) & 0xFF
    return read(s.cases, 0x100 | s.sp)


# Arithmetic


def set_sum(s, m):
    total = s.a + m + s.c
    s.v = ((s.a ^ total) & (m ^ total)) >> 7 & 1
    s.c = total >> 8
    s.a = set_nz(s, total & 0xFF)


def adc(s):
    a, low = s.a, (s.a & 0x0F) + (s.m & 0x0F) + s.c
    set_sum(s, s.m)
    if VARIANT == "binary":
        return
    low = np.where(low > 0x09, ((low + 0x06) & 0x0F) + 0x10, low)
    total = (a & 0xF0) + (s.m & 0xF0) + low
    n, v = total >> 7 & 1, ((a ^ total) & (s.m ^ total)) >> 7 & 1
    total = np.where(total > 0x9F, total + 0x60, total)
    s.v, s.c = np.where(s.d, v, s.v), np.where(s.d, total > 0xFF, s.c).astype(int)
    s.a = np.where(s.d, total & 0xFF, s.a)
    if VARIANT == "cmos":
        set_nz(s, s.a)
        s.cycles = s.cycles + s.d
    else:
        s.n = np.where(s.d, n, s.n)


def sbc(s):
    a, borrow = s.a, 1 - s.c
    low = (a & 0x0F) - (s.m & 0x0F) - borrow
    set_sum(s, s.m ^ 0xFF)
    if VARIANT == "binary":
        return
    if VARIANT == "nmos":
        low = np.where(low < 0, ((low - 0x06) & 0x0F) - 0x10, low)
        total = (a & 0xF0) - (s.m & 0xF0) + low
        total = np.where(total < 0, total - 0x60, total)
        s.a = np.where(s.d, total & 0xFF, s.a)
        return
    total = a - s.m - borrow
    total = np.where(total < 0, total - 0x60, total) - np.where(low < 0, 0x06, 0)
    s.a = set_nz(s, np.where(s.d, total & 0xFF, s.a))
    s.cycles = s.cycles + s.d


def compare(s, register):
    s.c = (register >= s.m).astype(int)
    set_nz(s, (register - s.m) & 0xFF)


def bit(s):
    s.n, s.v, s.z = s.m >> 7, s.m >> 6 & 1, (s.a & s.m == 0).astype(int)


def change(s, byte):
    """Puts a result where the operand came from."""
    set_nz(s, byte)
    if s.address is None:
        s.a = byte
    else:
        store(s, byte)


def shift_left(s, comes_in):
    s.c = s.m >> 7
    change(s, (s.m << 1 | comes_in) & 0xFF)


def shift_right(s, comes_in):
    s.c = s.m & 1
    change(s, s.m >> 1 | comes_in << 7)


# Registers, jumps, interrupts


def load(s, register, byte):
    setattr(s, register, set_nz(s, byte & 0xFF))


def store(s, byte):
    s.writes.append((s.address, byte))


def put(s, name, value):
    setattr(s, name, value)


def set_flag(s, flag, value):
    setattr(s, flag, s.c * 0 + value)


def branch(s, taken):
    s.cycles = s.cycles + np.where(taken, np.where(s.address >> 8 == s.pc >> 8, 1, 2), 0)
    s.pc = np.where(taken, s.address, s.pc)


def jsr(s):
    push_word(s, (s.pc - 1) & 0xFFFF)
    s.pc = s.address


def push_word(s, word):
    push(s, word >> 8)
    push(s, word & 0xFF)


def rts(s):
    low = pull(s)
    s.pc = ((low | pull(s) << 8) + 1) & 0xFFFF


def rti(s):
    set_flags(s, pull(s))
    low = pull(s)
    s.pc = low | pull(s) << 8


def brk(s):
    fetch(s)  # the byte after the opcode is skipped
    enter(s, 0xFFFE, 1)


def enter(s, vector, b):
    push_word(s, s.pc)
    push(s, flags(s, b))
    leave_for(s, vector)


def reset(s):
    s.sp = (s.sp - 3) & 0xFF
    leave_for(s, 0xFFFC)


def leave_for(s, vector):
    set_flag(s, "i", 1)
    if VARIANT == "cmos":
        set_flag(s, "d", 0)
    s.pc = read(s.cases, vector) | read(s.cases, vector + 1) << 8


DO = {
    "adc": adc, "sbc": sbc, "bit": bit, "jsr": jsr, "rts": rts, "rti": rti, "reset": reset,
    "cmp": lambda s: compare(s, s.a), "cpx": lambda s: compare(s, s.x),
    "cpy": lambda s: compare(s, s.y), "and": lambda s: load(s, "a", s.a & s.m),
    "ora": lambda s: load(s, "a", s.a | s.m), "eor": lambda s: load(s, "a", s.a ^ s.m),
    "asl": lambda s: shift_left(s, 0), "rol": lambda s: shift_left(s, s.c),
    "lsr": lambda s: shift_right(s, 0), "ror": lambda s: shift_right(s, s.c),
    "inc": lambda s: change(s, (s.m + 1) & 0xFF), "dec": lambda s: change(s, (s.m - 1) & 0xFF),
    "inx": lambda s: load(s, "x", s.x + 1), "iny": lambda s: load(s, "y", s.y + 1),
    "dex": lambda s: load(s, "x", s.x - 1), "dey": lambda s: load(s, "y", s.y - 1),
    "lda": lambda s: load(s, "a", s.m), "ldx": lambda s: load(s, "x", s.m),
    "ldy": lambda s: load(s, "y", s.m), "sta": lambda s: store(s, s.a),
    "stx": lambda s: store(s, s.x), "sty": lambda s: store(s, s.y),
    "tax": lambda s: load(s, "x", s.a), "tay": lambda s: load(s, "y", s.a),
    "tsx": lambda s: load(s, "x", s.sp), "txa": lambda s: load(s, "a", s.x),
    "txs": lambda s: put(s, "sp", s.x), "tya": lambda s: load(s, "a", s.y),
    "clc": lambda s: set_flag(s, "c", 0), "cld": lambda s: set_flag(s, "d", 0),
    "cli": lambda s: set_flag(s, "i", 0), "clv": lambda s: set_flag(s, "v", 0),
    "sec": lambda s: set_flag(s, "c", 1), "sed": lambda s: set_flag(s, "d", 1),
    "sei": lambda s: set_flag(s, "i", 1), "nop": lambda s: None,
    "bpl": lambda s: branch(s, s.n == 0), "bmi": lambda s: branch(s, s.n == 1),
    "bvc": lambda s: branch(s, s.v == 0), "bvs": lambda s: branch(s, s.v == 1),
    "bcc": lambda s: branch(s, s.c == 0), "bcs": lambda s: branch(s, s.c == 1),
    "bne": lambda s: branch(s, s.z == 0), "beq": lambda s: branch(s, s.z == 1),
    "jmp": lambda s: put(s, "pc", s.address), "pha": lambda s: push(s, s.a),
    "php": lambda s: push(s, flags(s, 1)), "pla": lambda s: load(s, "a", pull(s)),
    "plp": lambda s: set_flags(s, pull(s)), "brk": brk,
    "irq": lambda s: enter(s, 0xFFFE, 0), "nmi": lambda s: enter(s, 0xFFFA, 0),
}  # fmt: skip
