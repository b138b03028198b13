/* A small emulator that stands for yours. */
#include "emulator.h"

uint8_t cpu_flags(const struct cpu *cpu, bool b) {
    return cpu->n << 7 | cpu->v << 6 | 1 << 5 | b << 4 | cpu->d << 3 | cpu->i << 2 | cpu->z << 1 |
           cpu->c;
}

void cpu_set_flags(struct cpu *cpu, uint8_t byte) {
    cpu->n = byte >> 7 & 1;
    cpu->v = byte >> 6 & 1;
    cpu->d = byte >> 3 & 1;
    cpu->i = byte >> 2 & 1;
    cpu->z = byte >> 1 & 1;
    cpu->c = byte & 1;
}

static uint8_t set_nz(struct cpu *cpu, uint8_t byte) {
    cpu->n = byte >> 7;
    cpu->z = byte == 0;
    return byte;
}

/* Memory and the stack */

static uint8_t fetch(struct cpu *cpu) { return bus_read(cpu->pc++); }

static uint16_t fetch_word(struct cpu *cpu) {
    uint8_t low = fetch(cpu);
    return low | fetch(cpu) << 8;
}

static void push(struct cpu *cpu, uint8_t byte) { bus_write(0x100 + cpu->sp--, byte); }

static uint8_t pull(struct cpu *cpu) { return bus_read(0x100 + ++cpu->sp); }

static void push_word(struct cpu *cpu, uint16_t word) {
    push(cpu, word >> 8);
    push(cpu, word & 0xFF);
}

static uint16_t pull_word(struct cpu *cpu) {
    uint8_t low = pull(cpu);
    return low | pull(cpu) << 8;
}

static uint16_t read_word(uint16_t at) { return bus_read(at) | bus_read(at + 1) << 8; }

static uint16_t read_pointer(uint8_t at) { /* it does not leave page zero */
    return bus_read(at) | bus_read((uint8_t)(at + 1)) << 8;
}

/* The modes: each gives the address of the operand, or where a branch or jump goes. */

enum { NOWHERE = -1 };

static int implied(struct cpu *cpu) { return (void)cpu, NOWHERE; }
static int accumulator(struct cpu *cpu) { return implied(cpu); }
static int immediate(struct cpu *cpu) { return cpu->pc++; }
static int zero_page(struct cpu *cpu) { return fetch(cpu); }
static int zero_page_x(struct cpu *cpu) { return (fetch(cpu) + cpu->x) & 0xFF; }
static int zero_page_y(struct cpu *cpu) { return (fetch(cpu) + cpu->y) & 0xFF; }
static int absolute(struct cpu *cpu) { return fetch_word(cpu); }

static int indexed(struct cpu *cpu, uint16_t base, uint8_t index) {
    uint16_t at = base + index;
    cpu->crossed = at >> 8 != base >> 8;
    return at;
}

static int absolute_x(struct cpu *cpu) { return indexed(cpu, fetch_word(cpu), cpu->x); }
static int absolute_y(struct cpu *cpu) { return indexed(cpu, fetch_word(cpu), cpu->y); }
static int through_x(struct cpu *cpu) { return read_pointer(fetch(cpu) + cpu->x); }
static int through_y(struct cpu *cpu) { return indexed(cpu, read_pointer(fetch(cpu)), cpu->y); }

static int through(struct cpu *cpu) {
    uint16_t at = fetch_word(cpu), wrapped = (at & 0xFF00) | ((at + 1) & 0xFF);
    return bus_read(at) | bus_read(VARIANT == CMOS ? at + 1 : wrapped) << 8;
}

static int relative(struct cpu *cpu) {
    int8_t offset = fetch(cpu);
    return (uint16_t)(cpu->pc + offset);
}

/* An operand that is read only waits for a carry into the page if there is one. */
static uint8_t operand(struct cpu *cpu, int at) {
    cpu->clocks += cpu->crossed;
    return bus_read(at);
}

/* Arithmetic */

static void set_sum(struct cpu *cpu, uint8_t m) {
    int sum = cpu->a + m + cpu->c;
    cpu->c = sum > 0xFF;
    cpu->v = (cpu->a ^ sum) & (m ^ sum) & 0x80;
    cpu->a = set_nz(cpu, sum);
}

static void adc(struct cpu *cpu, int at) {
    uint8_t a = cpu->a, m = operand(cpu, at);
    int low = (a & 0x0F) + (m & 0x0F) + cpu->c;
    set_sum(cpu, m);
    if (!cpu->d || VARIANT == BINARY)
        return;
    if (low > 0x09)
        low = ((low + 0x06) & 0x0F) + 0x10;
    int sum = (a & 0xF0) + (m & 0xF0) + low;
    cpu->n = sum >> 7 & 1;
    cpu->v = (a ^ sum) & (m ^ sum) & 0x80;
    if (sum > 0x9F)
        sum += 0x60;
    cpu->c = sum > 0xFF;
    cpu->a = sum;
    if (VARIANT == CMOS) {
        set_nz(cpu, cpu->a);
        cpu->clocks++;
    }
}

static void sbc(struct cpu *cpu, int at) {
    uint8_t a = cpu->a, m = operand(cpu, at);
    int borrow = !cpu->c, low = (a & 0x0F) - (m & 0x0F) - borrow, difference;
    set_sum(cpu, ~m);
    if (!cpu->d || VARIANT == BINARY)
        return;
    if (VARIANT == NMOS) {
        if (low < 0)
            low = ((low - 0x06) & 0x0F) - 0x10;
        difference = (a & 0xF0) - (m & 0xF0) + low;
        cpu->a = difference < 0 ? difference - 0x60 : difference;
        return;
    }
    difference = a - m - borrow;
    if (difference < 0)
        difference -= 0x60;
    if (low < 0)
        difference -= 0x06;
    cpu->a = set_nz(cpu, difference);
    cpu->clocks++;
}

static void compare(struct cpu *cpu, uint8_t left, uint8_t m) {
    cpu->c = left >= m;
    set_nz(cpu, left - m);
}

static void bit(struct cpu *cpu, int at) {
    uint8_t m = operand(cpu, at);
    cpu->n = m >> 7;
    cpu->v = m >> 6 & 1;
    cpu->z = !(cpu->a & m);
}

static void cmp(struct cpu *cpu, int at) { compare(cpu, cpu->a, operand(cpu, at)); }
static void cpx(struct cpu *cpu, int at) { compare(cpu, cpu->x, operand(cpu, at)); }
static void cpy(struct cpu *cpu, int at) { compare(cpu, cpu->y, operand(cpu, at)); }
static void and(struct cpu *cpu, int at) { cpu->a = set_nz(cpu, cpu->a & operand(cpu, at)); }
static void ora(struct cpu *cpu, int at) { cpu->a = set_nz(cpu, cpu->a | operand(cpu, at)); }
static void eor(struct cpu *cpu, int at) { cpu->a = set_nz(cpu, cpu->a ^ operand(cpu, at)); }

/* Shifts and steps, in memory or of a register */

static uint8_t left(struct cpu *cpu, uint8_t m, bool in) {
    cpu->c = m >> 7;
    return set_nz(cpu, m << 1 | in);
}

static uint8_t right(struct cpu *cpu, uint8_t m, bool in) {
    cpu->c = m & 1;
    return set_nz(cpu, m >> 1 | in << 7);
}

/* CMOS waits for a carry into the page as an operand that is read only does. */
static void shift(struct cpu *cpu, int at, uint8_t (*change)(struct cpu *, uint8_t, bool), bool in) {
    if (at == NOWHERE) {
        cpu->a = change(cpu, cpu->a, in);
        return;
    }
    bus_write(at, change(cpu, VARIANT == CMOS ? operand(cpu, at) : bus_read(at), in));
}

static void asl(struct cpu *cpu, int at) { shift(cpu, at, left, 0); }
static void lsr(struct cpu *cpu, int at) { shift(cpu, at, right, 0); }
static void rol(struct cpu *cpu, int at) { shift(cpu, at, left, cpu->c); }
static void ror(struct cpu *cpu, int at) { shift(cpu, at, right, cpu->c); }

static void inc(struct cpu *cpu, int at) { bus_write(at, set_nz(cpu, bus_read(at) + 1)); }
static void dec(struct cpu *cpu, int at) { bus_write(at, set_nz(cpu, bus_read(at) - 1)); }

/* Interrupts */

int cpu_enter(struct cpu *cpu, uint16_t vector, bool b) {
    push_word(cpu, cpu->pc);
    push(cpu, cpu_flags(cpu, b));
    cpu->i = true;
    if (VARIANT == CMOS)
        cpu->d = false;
    cpu->pc = read_word(vector);
    return 7;
}

int cpu_irq(struct cpu *cpu) { return cpu->i ? cpu_step(cpu) : cpu_enter(cpu, 0xFFFE, false); }

int cpu_nmi(struct cpu *cpu) { return cpu_enter(cpu, 0xFFFA, false); }

int cpu_reset(struct cpu *cpu) {
    cpu->sp -= 3;
    cpu->i = true;
    if (VARIANT == CMOS)
        cpu->d = false;
    cpu->pc = read_word(0xFFFC);
    return 7;
}

/* Bytes moved, flags, jumps, the stack */

static void lda(struct cpu *cpu, int at) { cpu->a = set_nz(cpu, operand(cpu, at)); }
static void ldx(struct cpu *cpu, int at) { cpu->x = set_nz(cpu, operand(cpu, at)); }
static void ldy(struct cpu *cpu, int at) { cpu->y = set_nz(cpu, operand(cpu, at)); }
static void sta(struct cpu *cpu, int at) { bus_write(at, cpu->a); }
static void stx(struct cpu *cpu, int at) { bus_write(at, cpu->x); }
static void sty(struct cpu *cpu, int at) { bus_write(at, cpu->y); }

#define SIMPLE(name, does) \
    static void name(struct cpu *cpu, int at) { (void)at; does; }

SIMPLE(inx, cpu->x = set_nz(cpu, cpu->x + 1))
SIMPLE(iny, cpu->y = set_nz(cpu, cpu->y + 1))
SIMPLE(dex, cpu->x = set_nz(cpu, cpu->x - 1))
SIMPLE(dey, cpu->y = set_nz(cpu, cpu->y - 1))
SIMPLE(tax, cpu->x = set_nz(cpu, cpu->a))
SIMPLE(tay, cpu->y = set_nz(cpu, cpu->a))
SIMPLE(tsx, cpu->x = set_nz(cpu, cpu->sp))
SIMPLE(txa, cpu->a = set_nz(cpu, cpu->x))
SIMPLE(txs, cpu->sp = cpu->x)
SIMPLE(tya, cpu->a = set_nz(cpu, cpu->y))
SIMPLE(clc, cpu->c = false)
SIMPLE(cld, cpu->d = false)
SIMPLE(cli, cpu->i = false)
SIMPLE(clv, cpu->v = false)
SIMPLE(sec, cpu->c = true)
SIMPLE(sed, cpu->d = true)
SIMPLE(sei, cpu->i = true)
SIMPLE(nop, (void)cpu)
SIMPLE(pha, push(cpu, cpu->a))
SIMPLE(php, push(cpu, cpu_flags(cpu, true)))
SIMPLE(pla, cpu->a = set_nz(cpu, pull(cpu)))
SIMPLE(plp, cpu_set_flags(cpu, pull(cpu)))
SIMPLE(rts, cpu->pc = pull_word(cpu) + 1)
SIMPLE(rti, cpu_set_flags(cpu, pull(cpu)); cpu->pc = pull_word(cpu))
SIMPLE(brk, cpu->pc++; cpu_enter(cpu, 0xFFFE, true)) /* the byte after the opcode is skipped */

static void jmp(struct cpu *cpu, int at) { cpu->pc = at; }

static void jsr(struct cpu *cpu, int at) {
    push_word(cpu, cpu->pc - 1);
    cpu->pc = at;
}

static void branch(struct cpu *cpu, int at, bool taken) {
    if (!taken)
        return;
    cpu->clocks += (cpu->pc ^ at) & 0xFF00 ? 2 : 1;
    cpu->pc = at;
}

static void bpl(struct cpu *cpu, int at) { branch(cpu, at, !cpu->n); }
static void bmi(struct cpu *cpu, int at) { branch(cpu, at, cpu->n); }
static void bvc(struct cpu *cpu, int at) { branch(cpu, at, !cpu->v); }
static void bvs(struct cpu *cpu, int at) { branch(cpu, at, cpu->v); }
static void bcc(struct cpu *cpu, int at) { branch(cpu, at, !cpu->c); }
static void bcs(struct cpu *cpu, int at) { branch(cpu, at, cpu->c); }
static void bne(struct cpu *cpu, int at) { branch(cpu, at, !cpu->z); }
static void beq(struct cpu *cpu, int at) { branch(cpu, at, cpu->z); }

/* What an opcode does, in which mode, and its clocks. */

#define SHIFT (VARIANT == CMOS ? 6 : 7)
#define JUMP (VARIANT == CMOS ? 6 : 5)

static const struct {
    void (*execute)(struct cpu *cpu, int at);
    int (*mode)(struct cpu *cpu);
    int clocks;
} opcodes[0x100] = {
    [0x69] = {adc, immediate, 2}, [0x65] = {adc, zero_page, 3}, [0x75] = {adc, zero_page_x, 4},
    [0x6D] = {adc, absolute, 4}, [0x7D] = {adc, absolute_x, 4}, [0x79] = {adc, absolute_y, 4},
    [0x61] = {adc, through_x, 6}, [0x71] = {adc, through_y, 5},
    [0x29] = {and, immediate, 2}, [0x25] = {and, zero_page, 3}, [0x35] = {and, zero_page_x, 4},
    [0x2D] = {and, absolute, 4}, [0x3D] = {and, absolute_x, 4}, [0x39] = {and, absolute_y, 4},
    [0x21] = {and, through_x, 6}, [0x31] = {and, through_y, 5},
    [0x24] = {bit, zero_page, 3}, [0x2C] = {bit, absolute, 4},
    [0xC9] = {cmp, immediate, 2}, [0xC5] = {cmp, zero_page, 3}, [0xD5] = {cmp, zero_page_x, 4},
    [0xCD] = {cmp, absolute, 4}, [0xDD] = {cmp, absolute_x, 4}, [0xD9] = {cmp, absolute_y, 4},
    [0xC1] = {cmp, through_x, 6}, [0xD1] = {cmp, through_y, 5},
    [0xE0] = {cpx, immediate, 2}, [0xE4] = {cpx, zero_page, 3}, [0xEC] = {cpx, absolute, 4},
    [0xC0] = {cpy, immediate, 2}, [0xC4] = {cpy, zero_page, 3}, [0xCC] = {cpy, absolute, 4},
    [0x49] = {eor, immediate, 2}, [0x45] = {eor, zero_page, 3}, [0x55] = {eor, zero_page_x, 4},
    [0x4D] = {eor, absolute, 4}, [0x5D] = {eor, absolute_x, 4}, [0x59] = {eor, absolute_y, 4},
    [0x41] = {eor, through_x, 6}, [0x51] = {eor, through_y, 5},
    [0xA9] = {lda, immediate, 2}, [0xA5] = {lda, zero_page, 3}, [0xB5] = {lda, zero_page_x, 4},
    [0xAD] = {lda, absolute, 4}, [0xBD] = {lda, absolute_x, 4}, [0xB9] = {lda, absolute_y, 4},
    [0xA1] = {lda, through_x, 6}, [0xB1] = {lda, through_y, 5},
    [0xA2] = {ldx, immediate, 2}, [0xA6] = {ldx, zero_page, 3}, [0xB6] = {ldx, zero_page_y, 4},
    [0xAE] = {ldx, absolute, 4}, [0xBE] = {ldx, absolute_y, 4},
    [0xA0] = {ldy, immediate, 2}, [0xA4] = {ldy, zero_page, 3}, [0xB4] = {ldy, zero_page_x, 4},
    [0xAC] = {ldy, absolute, 4}, [0xBC] = {ldy, absolute_x, 4},
    [0x09] = {ora, immediate, 2}, [0x05] = {ora, zero_page, 3}, [0x15] = {ora, zero_page_x, 4},
    [0x0D] = {ora, absolute, 4}, [0x1D] = {ora, absolute_x, 4}, [0x19] = {ora, absolute_y, 4},
    [0x01] = {ora, through_x, 6}, [0x11] = {ora, through_y, 5},
    [0xE9] = {sbc, immediate, 2}, [0xE5] = {sbc, zero_page, 3}, [0xF5] = {sbc, zero_page_x, 4},
    [0xED] = {sbc, absolute, 4}, [0xFD] = {sbc, absolute_x, 4}, [0xF9] = {sbc, absolute_y, 4},
    [0xE1] = {sbc, through_x, 6}, [0xF1] = {sbc, through_y, 5},
    [0x85] = {sta, zero_page, 3}, [0x95] = {sta, zero_page_x, 4}, [0x8D] = {sta, absolute, 4},
    [0x9D] = {sta, absolute_x, 5}, [0x99] = {sta, absolute_y, 5}, [0x81] = {sta, through_x, 6},
    [0x91] = {sta, through_y, 6},
    [0x86] = {stx, zero_page, 3}, [0x96] = {stx, zero_page_y, 4}, [0x8E] = {stx, absolute, 4},
    [0x84] = {sty, zero_page, 3}, [0x94] = {sty, zero_page_x, 4}, [0x8C] = {sty, absolute, 4},

    [0x0A] = {asl, accumulator, 2}, [0x06] = {asl, zero_page, 5}, [0x16] = {asl, zero_page_x, 6},
    [0x0E] = {asl, absolute, 6}, [0x1E] = {asl, absolute_x, SHIFT},
    [0x4A] = {lsr, accumulator, 2}, [0x46] = {lsr, zero_page, 5}, [0x56] = {lsr, zero_page_x, 6},
    [0x4E] = {lsr, absolute, 6}, [0x5E] = {lsr, absolute_x, SHIFT},
    [0x2A] = {rol, accumulator, 2}, [0x26] = {rol, zero_page, 5}, [0x36] = {rol, zero_page_x, 6},
    [0x2E] = {rol, absolute, 6}, [0x3E] = {rol, absolute_x, SHIFT},
    [0x6A] = {ror, accumulator, 2}, [0x66] = {ror, zero_page, 5}, [0x76] = {ror, zero_page_x, 6},
    [0x6E] = {ror, absolute, 6}, [0x7E] = {ror, absolute_x, SHIFT},
    [0xC6] = {dec, zero_page, 5}, [0xD6] = {dec, zero_page_x, 6}, [0xCE] = {dec, absolute, 6},
    [0xDE] = {dec, absolute_x, 7},
    [0xE6] = {inc, zero_page, 5}, [0xF6] = {inc, zero_page_x, 6}, [0xEE] = {inc, absolute, 6},
    [0xFE] = {inc, absolute_x, 7},

    [0x90] = {bcc, relative, 2}, [0xB0] = {bcs, relative, 2}, [0xF0] = {beq, relative, 2},
    [0x30] = {bmi, relative, 2}, [0xD0] = {bne, relative, 2}, [0x10] = {bpl, relative, 2},
    [0x50] = {bvc, relative, 2}, [0x70] = {bvs, relative, 2}, [0x4C] = {jmp, absolute, 3},
    [0x6C] = {jmp, through, JUMP}, [0x20] = {jsr, absolute, 6}, [0x00] = {brk, implied, 7},
    [0x40] = {rti, implied, 6}, [0x60] = {rts, implied, 6},

    [0x48] = {pha, implied, 3}, [0x08] = {php, implied, 3}, [0x68] = {pla, implied, 4},
    [0x28] = {plp, implied, 4}, [0x18] = {clc, implied, 2}, [0xD8] = {cld, implied, 2},
    [0x58] = {cli, implied, 2}, [0xB8] = {clv, implied, 2}, [0x38] = {sec, implied, 2},
    [0xF8] = {sed, implied, 2}, [0x78] = {sei, implied, 2}, [0xEA] = {nop, implied, 2},
    [0xCA] = {dex, implied, 2}, [0x88] = {dey, implied, 2}, [0xE8] = {inx, implied, 2},
    [0xC8] = {iny, implied, 2}, [0xAA] = {tax, implied, 2}, [0xA8] = {tay, implied, 2},
    [0xBA] = {tsx, implied, 2}, [0x8A] = {txa, implied, 2}, [0x9A] = {txs, implied, 2},
    [0x98] = {tya, implied, 2},
};

int cpu_step(struct cpu *cpu) {
    uint8_t opcode = fetch(cpu);
    cpu->clocks = opcodes[opcode].clocks;
    cpu->crossed = false;
    if (cpu->clocks > 0) /* documented */
        opcodes[opcode].execute(cpu, opcodes[opcode].mode(cpu));
    return cpu->clocks;
}
