"""A small emulator that stands for yours: the documented instructions in six addressing modes."""

VARIANT = "nmos"  # or "cmos", or "binary": nmos with decimal mode disconnected

# What each opcode does, in which mode, and its clocks.
OPCODES = {
    0x69: ("adc", "immediate", 2), 0x65: ("adc", "zero_page", 3), 0x6D: ("adc", "absolute", 4),
    0x29: ("and_", "immediate", 2), 0x25: ("and_", "zero_page", 3), 0x2D: ("and_", "absolute", 4),
    0x24: ("bit", "zero_page", 3), 0x2C: ("bit", "absolute", 4),
    0xC9: ("cmp", "immediate", 2), 0xC5: ("cmp", "zero_page", 3), 0xCD: ("cmp", "absolute", 4),
    0xE0: ("cpx", "immediate", 2), 0xE4: ("cpx", "zero_page", 3), 0xEC: ("cpx", "absolute", 4),
    0xC0: ("cpy", "immediate", 2), 0xC4: ("cpy", "zero_page", 3), 0xCC: ("cpy", "absolute", 4),
    0x49: ("eor", "immediate", 2), 0x45: ("eor", "zero_page", 3), 0x4D: ("eor", "absolute", 4),
    0x09: ("ora", "immediate", 2), 0x05: ("ora", "zero_page", 3), 0x0D: ("ora", "absolute", 4),
    0xE9: ("sbc", "immediate", 2), 0xE5: ("sbc", "zero_page", 3), 0xED: ("sbc", "absolute", 4),
    0x0A: ("asl", "accumulator", 2), 0x06: ("asl", "zero_page", 5), 0x0E: ("asl", "absolute", 6),
    0x4A: ("lsr", "accumulator", 2), 0x46: ("lsr", "zero_page", 5), 0x4E: ("lsr", "absolute", 6),
    0x2A: ("rol", "accumulator", 2), 0x26: ("rol", "zero_page", 5), 0x2E: ("rol", "absolute", 6),
    0x6A: ("ror", "accumulator", 2), 0x66: ("ror", "zero_page", 5), 0x6E: ("ror", "absolute", 6),
    0xC6: ("dec", "zero_page", 5), 0xCE: ("dec", "absolute", 6),
    0xE6: ("inc", "zero_page", 5), 0xEE: ("inc", "absolute", 6),
    0xA9: ("lda", "immediate", 2), 0xA5: ("lda", "zero_page", 3), 0xAD: ("lda", "absolute", 4),
    0xA2: ("ldx", "immediate", 2), 0xA6: ("ldx", "zero_page", 3), 0xAE: ("ldx", "absolute", 4),
    0xA0: ("ldy", "immediate", 2), 0xA4: ("ldy", "zero_page", 3), 0xAC: ("ldy", "absolute", 4),
    0x85: ("sta", "zero_page", 3), 0x8D: ("sta", "absolute", 4),
    0x86: ("stx", "zero_page", 3), 0x8E: ("stx", "absolute", 4),
    0x84: ("sty", "zero_page", 3), 0x8C: ("sty", "absolute", 4),
    0x10: ("bpl", "relative", 2), 0x30: ("bmi", "relative", 2), 0x50: ("bvc", "relative", 2),
    0x70: ("bvs", "relative", 2), 0x90: ("bcc", "relative", 2), 0xB0: ("bcs", "relative", 2),
    0xD0: ("bne", "relative", 2), 0xF0: ("beq", "relative", 2),
    0x4C: ("jmp", "absolute", 3), 0x20: ("jsr", "absolute", 6),
    0x00: ("brk", "implied", 7), 0x40: ("rti", "implied", 6), 0x60: ("rts", "implied", 6),
    0x08: ("php", "implied", 3), 0x28: ("plp", "implied", 4),
    0x48: ("pha", "implied", 3), 0x68: ("pla", "implied", 4),
    0x18: ("clc", "implied", 2), 0xD8: ("cld", "implied", 2), 0x58: ("cli", "implied", 2),
    0xB8: ("clv", "implied", 2), 0x38: ("sec", "implied", 2), 0xF8: ("sed", "implied", 2),
    0x78: ("sei", "implied", 2), 0xEA: ("nop", "implied", 2),
    0xCA: ("dex", "implied", 2), 0x88: ("dey", "implied", 2), 0xE8: ("inx", "implied", 2),
    0xC8: ("iny", "implied", 2), 0xAA: ("tax", "implied", 2), 0xA8: ("tay", "implied", 2),
    0xBA: ("tsx", "implied", 2), 0x8A: ("txa", "implied", 2), 0x9A: ("txs", "implied", 2),
    0x98: ("tya", "implied", 2),
}  # fmt: skip


class Emulator:
    """The registers, and the bus as two functions: `read(address)` and `write(address, byte)`."""

    def __init__(self, read, write):
        self.read, self.write = read, write
        self.pc = self.a = self.x = self.y = self.sp = self.cycles = 0
        self.n = self.v = self.d = self.i = self.z = self.c = 0

    def step(self):
        """Runs the next instruction."""
        name, mode, self.cycles = OPCODES[self.fetch()]
        getattr(self, name)(*getattr(self, mode)())

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

    # Memory, the stack and the modes; a mode gives the address of the operand, or nothing

    def fetch(self):
        byte = self.read(self.pc)
        self.pc = (self.pc + 1) & 0xFFFF
        return byte

    def read_word(self, address):
        return self.read(address) | self.read(address + 1) << 8

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

    def implied(self):
        return ()

    def accumulator(self):
        return (None,)

    def immediate(self):
        address = self.pc
        self.fetch()
        return (address,)

    def zero_page(self):
        return (self.fetch(),)

    def absolute(self):
        return (self.fetch() | self.fetch() << 8,)

    def relative(self):
        offset = self.fetch()
        return ((self.pc + offset - (offset >> 7 << 8)) & 0xFFFF,)

    # Arithmetic

    def set_overflow(self, a, m, total):
        self.v = (a ^ total) & (m ^ total) & 0x80 and 1

    def set_sum(self, m):
        total = self.a + m + self.c
        self.c = total >> 8
        self.set_overflow(self.a, m, total)
        self.a = self.set_nz(total & 0xFF)

    def adc(self, address):
        a, m = self.a, self.read(address)
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

    def sbc(self, address):
        a, m, borrow = self.a, self.read(address), 1 - self.c
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

    def compare(self, register, address):
        m = self.read(address)
        self.c = int(register >= m)
        self.set_nz((register - m) & 0xFF)

    def cmp(self, address):
        self.compare(self.a, address)

    def cpx(self, address):
        self.compare(self.x, address)

    def cpy(self, address):
        self.compare(self.y, address)

    def and_(self, address):
        self.a = self.set_nz(self.a & self.read(address))

    def ora(self, address):
        self.a = self.set_nz(self.a | self.read(address))

    def eor(self, address):
        self.a = self.set_nz(self.a ^ self.read(address))

    def bit(self, address):
        m = self.read(address)
        self.n, self.v, self.z = m >> 7, m >> 6 & 1, int(self.a & m == 0)

    # Shifts and steps

    def modify(self, address, change):
        """Changes a byte in memory, or the accumulator where there is no address."""
        if address is None:
            self.a = self.set_nz(change(self.a) & 0xFF)
        else:
            self.write(address, self.set_nz(change(self.read(address)) & 0xFF))

    def shift_left(self, byte, comes_in):
        self.c = byte >> 7
        return byte << 1 | comes_in

    def shift_right(self, byte, comes_in):
        self.c = byte & 1
        return byte >> 1 | comes_in << 7

    def asl(self, address):
        self.modify(address, lambda byte: self.shift_left(byte, 0))

    def lsr(self, address):
        self.modify(address, lambda byte: self.shift_right(byte, 0))

    def rol(self, address):
        self.modify(address, lambda byte: self.shift_left(byte, self.c))

    def ror(self, address):
        self.modify(address, lambda byte: self.shift_right(byte, self.c))

    def inc(self, address):
        self.modify(address, lambda byte: byte + 1)

    def dec(self, address):
        self.modify(address, lambda byte: byte - 1)

    def inx(self):
        self.x = self.set_nz((self.x + 1) & 0xFF)

    def iny(self):
        self.y = self.set_nz((self.y + 1) & 0xFF)

    def dex(self):
        self.x = self.set_nz((self.x - 1) & 0xFF)

    def dey(self):
        self.y = self.set_nz((self.y - 1) & 0xFF)

    # Moving bytes

    def lda(self, address):
        self.a = self.set_nz(self.read(address))

    def ldx(self, address):
        self.x = self.set_nz(self.read(address))

    def ldy(self, address):
        self.y = self.set_nz(self.read(address))

    def sta(self, address):
        self.write(address, self.a)

    def stx(self, address):
        self.write(address, self.x)

    def sty(self, address):
        self.write(address, self.y)

    def tax(self):
        self.x = self.set_nz(self.a)

    def tay(self):
        self.y = self.set_nz(self.a)

    def tsx(self):
        self.x = self.set_nz(self.sp)

    def txa(self):
        self.a = self.set_nz(self.x)

    def txs(self):
        self.sp = self.x

    def tya(self):
        self.a = self.set_nz(self.y)

    def clc(self):
        self.c = 0

    def cld(self):
        self.d = 0

    def cli(self):
        self.i = 0

    def clv(self):
        self.v = 0

    def sec(self):
        self.c = 1

    def sed(self):
        self.d = 1

    def sei(self):
        self.i = 1

    def nop(self):
        pass

    # Jumps, the stack and interrupts

    def branch(self, target, taken):
        if taken:
            self.cycles += 1 if target >> 8 == self.pc >> 8 else 2
            self.pc = target

    def bpl(self, target):
        self.branch(target, not self.n)

    def bmi(self, target):
        self.branch(target, self.n)

    def bvc(self, target):
        self.branch(target, not self.v)

    def bvs(self, target):
        self.branch(target, self.v)

    def bcc(self, target):
        self.branch(target, not self.c)

    def bcs(self, target):
        self.branch(target, self.c)

    def bne(self, target):
        self.branch(target, not self.z)

    def beq(self, target):
        self.branch(target, self.z)

    def jmp(self, target):
        self.pc = target

    def jsr(self, target):
        self.push_word((self.pc - 1) & 0xFFFF)
        self.pc = target

    def rts(self):
        self.pc = (self.pull_word() + 1) & 0xFFFF

    def rti(self):
        self.set_flags(self.pull())
        self.pc = self.pull_word()

    def brk(self):
        self.fetch()  # the byte after the opcode is skipped
        self.enter(0xFFFE, b=1)

    def pha(self):
        self.push(self.a)

    def pla(self):
        self.a = self.set_nz(self.pull())

    def php(self):
        self.push(self.flags(b=1))

    def plp(self):
        self.set_flags(self.pull())

    def enter(self, vector, b):
        self.push_word(self.pc)
        self.push(self.flags(b))
        self.leave_for(vector)

    def leave_for(self, vector):
        self.i, self.cycles = 1, 7
        if VARIANT == "cmos":
            self.d = 0
        self.pc = self.read_word(vector)
