"""A small emulator that stands for yours: all documented instructions in all modes."""

VARIANT = "nmos"  # or "cmos", or "binary": nmos with decimal mode disconnected
SHIFT, JUMP = (6, 6) if VARIANT == "cmos" else (7, 5)

# What each opcode does, in which mode, and its clocks.
OPCODES = {
    0x69: ("adc", "immediate", 2), 0x65: ("adc", "zero_page", 3), 0x75: ("adc", "zero_page_x", 4),
    0x6D: ("adc", "absolute", 4), 0x7D: ("adc", "absolute_x", 4), 0x79: ("adc", "absolute_y", 4),
    0x61: ("adc", "through_x", 6), 0x71: ("adc", "through_y", 5),
    0x29: ("and", "immediate", 2), 0x25: ("and", "zero_page", 3), 0x35: ("and", "zero_page_x", 4),
    0x2D: ("and", "absolute", 4), 0x3D: ("and", "absolute_x", 4), 0x39: ("and", "absolute_y", 4),
    0x21: ("and", "through_x", 6), 0x31: ("and", "through_y", 5),
    0x24: ("bit", "zero_page", 3), 0x2C: ("bit", "absolute", 4),
    0xC9: ("cmp", "immediate", 2), 0xC5: ("cmp", "zero_page", 3), 0xD5: ("cmp", "zero_page_x", 4),
    0xCD: ("cmp", "absolute", 4), 0xDD: ("cmp", "absolute_x", 4), 0xD9: ("cmp", "absolute_y", 4),
    0xC1: ("cmp", "through_x", 6), 0xD1: ("cmp", "through_y", 5),
    0xE0: ("cpx", "immediate", 2), 0xE4: ("cpx", "zero_page", 3), 0xEC: ("cpx", "absolute", 4),
    0xC0: ("cpy", "immediate", 2), 0xC4: ("cpy", "zero_page", 3), 0xCC: ("cpy", "absolute", 4),
    0x49: ("eor", "immediate", 2), 0x45: ("eor", "zero_page", 3), 0x55: ("eor", "zero_page_x", 4),
    0x4D: ("eor", "absolute", 4), 0x5D: ("eor", "absolute_x", 4), 0x59: ("eor", "absolute_y", 4),
    0x41: ("eor", "through_x", 6), 0x51: ("eor", "through_y", 5),
    0xA9: ("lda", "immediate", 2), 0xA5: ("lda", "zero_page", 3), 0xB5: ("lda", "zero_page_x", 4),
    0xAD: ("lda", "absolute", 4), 0xBD: ("lda", "absolute_x", 4), 0xB9: ("lda", "absolute_y", 4),
    0xA1: ("lda", "through_x", 6), 0xB1: ("lda", "through_y", 5),
    0xA2: ("ldx", "immediate", 2), 0xA6: ("ldx", "zero_page", 3), 0xB6: ("ldx", "zero_page_y", 4),
    0xAE: ("ldx", "absolute", 4), 0xBE: ("ldx", "absolute_y", 4),
    0xA0: ("ldy", "immediate", 2), 0xA4: ("ldy", "zero_page", 3), 0xB4: ("ldy", "zero_page_x", 4),
    0xAC: ("ldy", "absolute", 4), 0xBC: ("ldy", "absolute_x", 4),
    0x09: ("ora", "immediate", 2), 0x05: ("ora", "zero_page", 3), 0x15: ("ora", "zero_page_x", 4),
    0x0D: ("ora", "absolute", 4), 0x1D: ("ora", "absolute_x", 4), 0x19: ("ora", "absolute_y", 4),
    0x01: ("ora", "through_x", 6), 0x11: ("ora", "through_y", 5),
    0xE9: ("sbc", "immediate", 2), 0xE5: ("sbc", "zero_page", 3), 0xF5: ("sbc", "zero_page_x", 4),
    0xED: ("sbc", "absolute", 4), 0xFD: ("sbc", "absolute_x", 4), 0xF9: ("sbc", "absolute_y", 4),
    0xE1: ("sbc", "through_x", 6), 0xF1: ("sbc", "through_y", 5),
    0x85: ("sta", "zero_page", 3), 0x95: ("sta", "zero_page_x", 4), 0x8D: ("sta", "absolute", 4),
    0x9D: ("sta", "absolute_x", 5), 0x99: ("sta", "absolute_y", 5), 0x81: ("sta", "through_x", 6),
    0x91: ("sta", "through_y", 6),
    0x86: ("stx", "zero_page", 3), 0x96: ("stx", "zero_page_y", 4), 0x8E: ("stx", "absolute", 4),
    0x84: ("sty", "zero_page", 3), 0x94: ("sty", "zero_page_x", 4), 0x8C: ("sty", "absolute", 4),
    0x0A: ("asl", "accumulator", 2), 0x06: ("asl", "zero_page", 5), 0x16: ("asl", "zero_page_x", 6),
    0x0E: ("asl", "absolute", 6), 0x1E: ("asl", "absolute_x", SHIFT),
    0x4A: ("lsr", "accumulator", 2), 0x46: ("lsr", "zero_page", 5), 0x56: ("lsr", "zero_page_x", 6),
    0x4E: ("lsr", "absolute", 6), 0x5E: ("lsr", "absolute_x", SHIFT),
    0x2A: ("rol", "accumulator", 2), 0x26: ("rol", "zero_page", 5), 0x36: ("rol", "zero_page_x", 6),
    0x2E: ("rol", "absolute", 6), 0x3E: ("rol", "absolute_x", SHIFT),
    0x6A: ("ror", "accumulator", 2), 0x66: ("ror", "zero_page", 5), 0x76: ("ror", "zero_page_x", 6),
    0x6E: ("ror", "absolute", 6), 0x7E: ("ror", "absolute_x", SHIFT),
    0xC6: ("dec", "zero_page", 5), 0xD6: ("dec", "zero_page_x", 6), 0xCE: ("dec", "absolute", 6),
    0xDE: ("dec", "absolute_x", 7),
    0xE6: ("inc", "zero_page", 5), 0xF6: ("inc", "zero_page_x", 6), 0xEE: ("inc", "absolute", 6),
    0xFE: ("inc", "absolute_x", 7),
    0x90: ("bcc", "relative", 2), 0xB0: ("bcs", "relative", 2), 0xF0: ("beq", "relative", 2),
    0x30: ("bmi", "relative", 2), 0xD0: ("bne", "relative", 2), 0x10: ("bpl", "relative", 2),
    0x50: ("bvc", "relative", 2), 0x70: ("bvs", "relative", 2), 0x4C: ("jmp", "absolute", 3),
    0x6C: ("jmp", "through", JUMP), 0x20: ("jsr", "absolute", 6), 0x00: ("brk", "implied", 7),
    0x40: ("rti", "implied", 6), 0x60: ("rts", "implied", 6),
    0x48: ("pha", "implied", 3), 0x08: ("php", "implied", 3), 0x68: ("pla", "implied", 4),
    0x28: ("plp", "implied", 4), 0x18: ("clc", "implied", 2), 0xD8: ("cld", "implied", 2),
    0x58: ("cli", "implied", 2), 0xB8: ("clv", "implied", 2), 0x38: ("sec", "implied", 2),
    0xF8: ("sed", "implied", 2), 0x78: ("sei", "implied", 2), 0xEA: ("nop", "implied", 2),
    0xCA: ("dex", "implied", 2), 0x88: ("dey", "implied", 2), 0xE8: ("inx", "implied", 2),
    0xC8: ("iny", "implied", 2), 0xAA: ("tax", "implied", 2), 0xA8: ("tay", "implied", 2),
    0xBA: ("tsx", "implied", 2), 0x8A: ("txa", "implied", 2), 0x9A: ("txs", "implied", 2),
    0x98: ("tya", "implied", 2),
}  # fmt: skip

# These take a clock for a carry into the page whether there is one or not: it is in their clocks.
WAIT = {"sta", "dec", "inc"} | (set() if VARIANT == "cmos" else {"asl", "lsr", "rol", "ror"})


class Emulator:
    """The registers, and the bus as two functions: `read(address)` and `write(address, byte)`."""

    def __init__(self, read, write):
        self.read, self.write = read, write
        self.pc = self.a = self.x = self.y = self.sp = self.cycles = self.crossed = 0
        self.n = self.v = self.d = self.i = self.z = self.c = 0

    def step(self):
        """Runs the next instruction."""
        name, mode, self.cycles = OPCODES[self.fetch()]
        self.crossed = 0
        at = getattr(self, mode)()
        if name not in WAIT:
            self.cycles += self.crossed
        DO[name](self, at)

    def irq(self):
        """Enters the interrupt, unless it is masked: then the next instruction is run."""
        if self.i:
            self.step()
        else:
            self.enter(0xFFFE, b=0)

    def nmi(self):
        self.enter(0xFFFA, b=0)

    def reset(self):
        self.sp = (self.sp - 3) & 0xFF
        self.leave_for(0xFFFC)

    # The flags

    def flags(self, b):
        upper = self.n << 7 | self.v << 6 | 1 << 5 | b << 4
        return upper | self.d << 3 | self.i << 2 | self.z << 1 | self.c

    def set_flags(self, byte):
        self.n, self.v, self.d = byte >> 7, byte >> 6 & 1, byte >> 3 & 1
        self.i, self.z, self.c = byte >> 2 & 1, byte >> 1 & 1, byte & 1

    def set_nz(self, byte):
        self.n, self.z = byte >> 7, int(byte == 0)
        return byte

    # Memory and the stack

    def fetch(self):
        byte = self.read(self.pc)
        self.pc = (self.pc + 1) & 0xFFFF
        return byte

    def read_word(self, address):
        return self.read(address) | self.read((address + 1) & 0xFFFF) << 8

    def read_pointer(self, address):
        return self.read(address) | self.read((address + 1) & 0xFF) << 8  # stays in page zero

    def push(self, byte):
        self.write(0x100 | self.sp, byte)
        self.sp = (self.sp - 1) & 0xFF

    def pull(self):
        self.sp = (self.sp + 1) & 0xFF
        return self.read(0x100 | self.sp)

    def push_word(self, word):
        self.push(word >> 8)
        self.push(word & 0xFF)

    def pull_word(self):
        return self.pull() | self.pull() << 8

    # The modes: each gives the address of the operand, or where a branch or jump goes

    def implied(self):
        return None

    accumulator = implied

    def immediate(self):
        at = self.pc
        self.fetch()
        return at

    def zero_page(self):
        return self.fetch()

    def zero_page_x(self):
        return (self.fetch() + self.x) & 0xFF

    def zero_page_y(self):
        return (self.fetch() + self.y) & 0xFF

    def absolute(self):
        return self.fetch() | self.fetch() << 8

    def indexed(self, base, index):
        at = (base + index) & 0xFFFF
        self.crossed = int(at >> 8 != base >> 8)
        return at

    def absolute_x(self):
        return self.indexed(self.absolute(), self.x)

    def absolute_y(self):
        return self.indexed(self.absolute(), self.y)

    def through_x(self):
        return self.read_pointer(self.zero_page_x())

    def through_y(self):
        return self.indexed(self.read_pointer(self.fetch()), self.y)

    def through(self):
        at = self.absolute()
        if VARIANT == "cmos":
            return self.read_word(at)
        return self.read(at) | self.read(at & 0xFF00 | (at + 1) & 0xFF) << 8

    def relative(self):
        offset = self.fetch()
        return (self.pc + offset - (offset >> 7 << 8)) & 0xFFFF

    # Arithmetic

    def set_overflow(self, a, m, total):
        self.v = (a ^ total) & (m ^ total) & 0x80 and 1

    def set_sum(self, m):
        total = self.a + m + self.c
        self.c = total >> 8
        self.set_overflow(self.a, m, total)
        self.a = self.set_nz(total & 0xFF)

    def adc(self, at):
        a, m = self.a, self.read(at)
        low = (a & 0x0F) + (m & 0x0F) + self.c
        self.set_sum(m)
        if not self.d or VARIANT == "binary":
            return
        if low > 0x09:
            low = ((low + 0x06) & 0x0F) + 0x10
        total = (a & 0xF0) + (m & 0xF0) + low
        self.n = total >> 7 & 1
        self.set_overflow(a, m, total)
        if total > 0x9F:
            total += 0x60
        self.c = int(total > 0xFF)
        self.a = total & 0xFF
        if VARIANT == "cmos":
            self.set_nz(self.a)
            self.cycles += 1

    def sbc(self, at):
        a, m, borrow = self.a, self.read(at), 1 - self.c
        self.set_sum(m ^ 0xFF)
        if not self.d or VARIANT == "binary":
            return
        low = (a & 0x0F) - (m & 0x0F) - borrow
        if VARIANT == "nmos":
            if low < 0:
                low = ((low - 0x06) & 0x0F) - 0x10
            total = (a & 0xF0) - (m & 0xF0) + low
            self.a = (total - 0x60 if total < 0 else total) & 0xFF
            return
        total = a - m - borrow
        if total < 0:
            total -= 0x60
        if low < 0:
            total -= 0x06
        self.a = self.set_nz(total & 0xFF)
        self.cycles += 1

    def compare(self, register, m):
        self.c = int(register >= m)
        self.set_nz((register - m) & 0xFF)

    def bit(self, at):
        m = self.read(at)
        self.n, self.v, self.z = m >> 7, m >> 6 & 1, int(self.a & m == 0)

    # Bytes changed and moved

    def load(self, register, byte):
        setattr(self, register, self.set_nz(byte & 0xFF))

    def put(self, name, value):
        setattr(self, name, value)

    def modify(self, at, byte):
        """A result goes into memory, or into the accumulator where there is no address."""
        if at is None:
            self.load("a", byte)
        else:
            self.write(at, self.set_nz(byte & 0xFF))

    def shift_left(self, at, comes_in):
        m = self.a if at is None else self.read(at)
        self.c = m >> 7
        self.modify(at, m << 1 | comes_in)

    def shift_right(self, at, comes_in):
        m = self.a if at is None else self.read(at)
        self.c = m & 1
        self.modify(at, m >> 1 | comes_in << 7)

    # Jumps and interrupts

    def branch(self, target, taken):
        if taken:
            self.cycles += 1 if target >> 8 == self.pc >> 8 else 2
            self.pc = target

    def jsr(self, target):
        self.push_word((self.pc - 1) & 0xFFFF)
        self.pc = target

    def rti(self):
        self.set_flags(self.pull())
        self.pc = self.pull_word()

    def brk(self):
        self.fetch()  # the byte after the opcode is skipped
        self.enter(0xFFFE, b=1)

    def enter(self, vector, b):
        self.push_word(self.pc)
        self.push(self.flags(b))
        self.leave_for(vector)

    def leave_for(self, vector):
        self.i, self.cycles = 1, 7
        if VARIANT == "cmos":
            self.d = 0
        self.pc = self.read_word(vector)


DO = {
    "adc": Emulator.adc, "sbc": Emulator.sbc, "bit": Emulator.bit,
    "cmp": lambda e, at: e.compare(e.a, e.read(at)),
    "cpx": lambda e, at: e.compare(e.x, e.read(at)),
    "cpy": lambda e, at: e.compare(e.y, e.read(at)),
    "and": lambda e, at: e.load("a", e.a & e.read(at)),
    "ora": lambda e, at: e.load("a", e.a | e.read(at)),
    "eor": lambda e, at: e.load("a", e.a ^ e.read(at)),
    "asl": lambda e, at: e.shift_left(at, 0), "rol": lambda e, at: e.shift_left(at, e.c),
    "lsr": lambda e, at: e.shift_right(at, 0), "ror": lambda e, at: e.shift_right(at, e.c),
    "dec": lambda e, at: e.modify(at, e.read(at) - 1),
    "inc": lambda e, at: e.modify(at, e.read(at) + 1),
    "dex": lambda e, at: e.load("x", e.x - 1), "dey": lambda e, at: e.load("y", e.y - 1),
    "inx": lambda e, at: e.load("x", e.x + 1), "iny": lambda e, at: e.load("y", e.y + 1),
    "lda": lambda e, at: e.load("a", e.read(at)), "ldx": lambda e, at: e.load("x", e.read(at)),
    "ldy": lambda e, at: e.load("y", e.read(at)), "sta": lambda e, at: e.write(at, e.a),
    "stx": lambda e, at: e.write(at, e.x), "sty": lambda e, at: e.write(at, e.y),
    "tax": lambda e, at: e.load("x", e.a), "tay": lambda e, at: e.load("y", e.a),
    "tsx": lambda e, at: e.load("x", e.sp), "txa": lambda e, at: e.load("a", e.x),
    "txs": lambda e, at: e.put("sp", e.x), "tya": lambda e, at: e.load("a", e.y),
    "clc": lambda e, at: e.put("c", 0), "cld": lambda e, at: e.put("d", 0),
    "cli": lambda e, at: e.put("i", 0), "clv": lambda e, at: e.put("v", 0),
    "sec": lambda e, at: e.put("c", 1), "sed": lambda e, at: e.put("d", 1),
    "sei": lambda e, at: e.put("i", 1), "nop": lambda e, at: None,
    "bpl": lambda e, at: e.branch(at, not e.n), "bmi": lambda e, at: e.branch(at, e.n),
    "bvc": lambda e, at: e.branch(at, not e.v), "bvs": lambda e, at: e.branch(at, e.v),
    "bcc": lambda e, at: e.branch(at, not e.c), "bcs": lambda e, at: e.branch(at, e.c),
    "bne": lambda e, at: e.branch(at, not e.z), "beq": lambda e, at: e.branch(at, e.z),
    "jmp": lambda e, at: e.put("pc", at), "jsr": Emulator.jsr,
    "rts": lambda e, at: e.put("pc", (e.pull_word() + 1) & 0xFFFF),
    "rti": lambda e, at: e.rti(), "brk": lambda e, at: e.brk(),
    "pha": lambda e, at: e.push(e.a), "pla": lambda e, at: e.load("a", e.pull()),
    "php": lambda e, at: e.push(e.flags(b=1)), "plp": lambda e, at: e.set_flags(e.pull()),
}  # fmt: skip
