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

static uint16_t vector(uint16_t address) {
    return bus_read(address) | bus_read(address + 1) << 8;
}

/* Arithmetic */

static void set_sum(struct cpu *cpu, uint8_t m) {
    int sum = cpu->a + m + cpu->c;
    cpu->c = sum > 0xFF;
    cpu->v = (cpu->a ^ sum) & (m ^ sum) & 0x80;
    cpu->a = set_nz(cpu, sum);
}

static int adc(struct cpu *cpu, uint8_t m) {
    uint8_t a = cpu->a;
    int low = (a & 0x0F) + (m & 0x0F) + cpu->c;
    set_sum(cpu, m);
    if (!cpu->d || VARIANT == BINARY)
        return 0;
    if (low > 0x09)
        low = ((low + 0x06) & 0x0F) + 0x10;
    int sum = (a & 0xF0) + (m & 0xF0) + low;
    cpu->n = sum >> 7 & 1;
    cpu->v = (a ^ sum) & (m ^ sum) & 0x80;
    if (sum > 0x9F)
        sum += 0x60;
    cpu->c = sum > 0xFF;
    cpu->a = sum;
    if (VARIANT != CMOS)
        return 0;
    set_nz(cpu, cpu->a);
    return 1;
}

static int sbc(struct cpu *cpu, uint8_t m) {
    uint8_t a = cpu->a;
    int borrow = !cpu->c, low = (a & 0x0F) - (m & 0x0F) - borrow, difference;
    set_sum(cpu, ~m);
    if (!cpu->d || VARIANT == BINARY)
        return 0;
    if (VARIANT == NMOS) {
        if (low < 0)
            low = ((low - 0x06) & 0x0F) - 0x10;
        difference = (a & 0xF0) - (m & 0xF0) + low;
        cpu->a = difference < 0 ? difference - 0x60 : difference;
        return 0;
    }
    difference = a - m - borrow;
    if (difference < 0)
        difference -= 0x60;
    if (low < 0)
        difference -= 0x06;
    cpu->a = set_nz(cpu, difference);
    return 1;
}

static void compare(struct cpu *cpu, uint8_t left, uint8_t m) {
    cpu->c = left >= m;
    set_nz(cpu, left - m);
}

static void bit(struct cpu *cpu, uint8_t m) {
    cpu->n = m >> 7;
    cpu->v = m >> 6 & 1;
    cpu->z = !(cpu->a & m);
}

static uint8_t inc(struct cpu *cpu, uint8_t m) { return set_nz(cpu, m + 1); }

static uint8_t dec(struct cpu *cpu, uint8_t m) { return set_nz(cpu, m - 1); }

static uint8_t asl(struct cpu *cpu, uint8_t m) {
    cpu->c = m >> 7;
    return set_nz(cpu, m << 1);
}

static uint8_t lsr(struct cpu *cpu, uint8_t m) {
    cpu->c = m & 1;
    return set_nz(cpu, m >> 1);
}

static uint8_t rol(struct cpu *cpu, uint8_t m) {
    bool carry = cpu->c;
    cpu->c = m >> 7;
    return set_nz(cpu, m << 1 | carry);
}

static uint8_t ror(struct cpu *cpu, uint8_t m) {
    bool carry = cpu->c;
    cpu->c = m & 1;
    return set_nz(cpu, m >> 1 | carry << 7);
}

static int modify(struct cpu *cpu, uint16_t address, uint8_t (*change)(struct cpu *, uint8_t)) {
    bus_write(address, change(cpu, bus_read(address)));
    return 0;
}

static int branch(struct cpu *cpu, bool taken) {
    int8_t offset = fetch(cpu);
    uint16_t next = cpu->pc;
    if (!taken)
        return 2;
    cpu->pc += offset;
    return (cpu->pc ^ next) & 0xFF00 ? 4 : 3;
}

/* Interrupts */

static int enter(struct cpu *cpu, uint16_t at, bool b) {
    push_word(cpu, cpu->pc);
    push(cpu, cpu_flags(cpu, b));
    cpu->i = true;
    if (VARIANT == CMOS)
        cpu->d = false;
    cpu->pc = vector(at);
    return 7;
}

int cpu_irq(struct cpu *cpu) { return cpu->i ? cpu_step(cpu) : enter(cpu, 0xFFFE, false); }

int cpu_nmi(struct cpu *cpu) { return enter(cpu, 0xFFFA, false); }

int cpu_reset(struct cpu *cpu) {
    cpu->sp -= 3;
    cpu->i = true;
    if (VARIANT == CMOS)
        cpu->d = false;
    cpu->pc = vector(0xFFFC);
    return 7;
}

/* The instructions */

#define IMMEDIATE fetch(cpu)
#define ZERO_PAGE fetch(cpu)
#define ABSOLUTE fetch_word(cpu)
#define AT_ZERO_PAGE bus_read(ZERO_PAGE)
#define AT_ABSOLUTE bus_read(ABSOLUTE)

int cpu_step(struct cpu *cpu) {
    switch (fetch(cpu)) {
    case 0x69: return 2 + adc(cpu, IMMEDIATE);
    case 0x65: return 3 + adc(cpu, AT_ZERO_PAGE);
    case 0x6D: return 4 + adc(cpu, AT_ABSOLUTE);
    case 0xE9: return 2 + sbc(cpu, IMMEDIATE);
    case 0xE5: return 3 + sbc(cpu, AT_ZERO_PAGE);
    case 0xED: return 4 + sbc(cpu, AT_ABSOLUTE);
    case 0xC9: compare(cpu, cpu->a, IMMEDIATE); return 2;
    case 0xC5: compare(cpu, cpu->a, AT_ZERO_PAGE); return 3;
    case 0xCD: compare(cpu, cpu->a, AT_ABSOLUTE); return 4;
    case 0xE0: compare(cpu, cpu->x, IMMEDIATE); return 2;
    case 0xE4: compare(cpu, cpu->x, AT_ZERO_PAGE); return 3;
    case 0xEC: compare(cpu, cpu->x, AT_ABSOLUTE); return 4;
    case 0xC0: compare(cpu, cpu->y, IMMEDIATE); return 2;
    case 0xC4: compare(cpu, cpu->y, AT_ZERO_PAGE); return 3;
    case 0xCC: compare(cpu, cpu->y, AT_ABSOLUTE); return 4;
    case 0x29: cpu->a = set_nz(cpu, cpu->a & IMMEDIATE); return 2;
    case 0x25: cpu->a = set_nz(cpu, cpu->a & AT_ZERO_PAGE); return 3;
    case 0x2D: cpu->a = set_nz(cpu, cpu->a & AT_ABSOLUTE); return 4;
    case 0x09: cpu->a = set_nz(cpu, cpu->a | IMMEDIATE); return 2;
    case 0x05: cpu->a = set_nz(cpu, cpu->a | AT_ZERO_PAGE); return 3;
    case 0x0D: cpu->a = set_nz(cpu, cpu->a | AT_ABSOLUTE); return 4;
    case 0x49: cpu->a = set_nz(cpu, cpu->a ^ IMMEDIATE); return 2;
    case 0x45: cpu->a = set_nz(cpu, cpu->a ^ AT_ZERO_PAGE); return 3;
    case 0x4D: cpu->a = set_nz(cpu, cpu->a ^ AT_ABSOLUTE); return 4;
    case 0x24: bit(cpu, AT_ZERO_PAGE); return 3;
    case 0x2C: bit(cpu, AT_ABSOLUTE); return 4;

    case 0x0A: cpu->a = asl(cpu, cpu->a); return 2;
    case 0x06: return 5 + modify(cpu, ZERO_PAGE, asl);
    case 0x0E: return 6 + modify(cpu, ABSOLUTE, asl);
    case 0x4A: cpu->a = lsr(cpu, cpu->a); return 2;
    case 0x46: return 5 + modify(cpu, ZERO_PAGE, lsr);
    case 0x4E: return 6 + modify(cpu, ABSOLUTE, lsr);
    case 0x2A: cpu->a = rol(cpu, cpu->a); return 2;
    case 0x26: return 5 + modify(cpu, ZERO_PAGE, rol);
    case 0x2E: return 6 + modify(cpu, ABSOLUTE, rol);
    case 0x6A: cpu->a = ror(cpu, cpu->a); return 2;
    case 0x66: return 5 + modify(cpu, ZERO_PAGE, ror);
    case 0x6E: return 6 + modify(cpu, ABSOLUTE, ror);
    case 0xE6: return 5 + modify(cpu, ZERO_PAGE, inc);
    case 0xEE: return 6 + modify(cpu, ABSOLUTE, inc);
    case 0xC6: return 5 + modify(cpu, ZERO_PAGE, dec);
    case 0xCE: return 6 + modify(cpu, ABSOLUTE, dec);
    case 0xE8: cpu->x = inc(cpu, cpu->x); return 2;
    case 0xC8: cpu->y = inc(cpu, cpu->y); return 2;
    case 0xCA: cpu->x = dec(cpu, cpu->x); return 2;
    case 0x88: cpu->y = dec(cpu, cpu->y); return 2;

    case 0xA9: cpu->a = set_nz(cpu, IMMEDIATE); return 2;
    case 0xA5: cpu->a = set_nz(cpu, AT_ZERO_PAGE); return 3;
    case 0xAD: cpu->a = set_nz(cpu, AT_ABSOLUTE); return 4;
    case 0xA2: cpu->x = set_nz(cpu, IMMEDIATE); return 2;
    case 0xA6: cpu->x = set_nz(cpu, AT_ZERO_PAGE); return 3;
    case 0xAE: cpu->x = set_nz(cpu, AT_ABSOLUTE); return 4;
    case 0xA0: cpu->y = set_nz(cpu, IMMEDIATE); return 2;
    case 0xA4: cpu->y = set_nz(cpu, AT_ZERO_PAGE); return 3;
    case 0xAC: cpu->y = set_nz(cpu, AT_ABSOLUTE); return 4;
    case 0x85: bus_write(ZERO_PAGE, cpu->a); return 3;
    case 0x8D: bus_write(ABSOLUTE, cpu->a); return 4;
    case 0x86: bus_write(ZERO_PAGE, cpu->x); return 3;
    case 0x8E: bus_write(ABSOLUTE, cpu->x); return 4;
    case 0x84: bus_write(ZERO_PAGE, cpu->y); return 3;
    case 0x8C: bus_write(ABSOLUTE, cpu->y); return 4;
    case 0xAA: cpu->x = set_nz(cpu, cpu->a); return 2;
    case 0xA8: cpu->y = set_nz(cpu, cpu->a); return 2;
    case 0xBA: cpu->x = set_nz(cpu, cpu->sp); return 2;
    case 0x8A: cpu->a = set_nz(cpu, cpu->x); return 2;
    case 0x9A: cpu->sp = cpu->x; return 2;
    case 0x98: cpu->a = set_nz(cpu, cpu->y); return 2;

    case 0x18: cpu->c = false; return 2;
    case 0x38: cpu->c = true; return 2;
    case 0x58: cpu->i = false; return 2;
    case 0x78: cpu->i = true; return 2;
    case 0xB8: cpu->v = false; return 2;
    case 0xD8: cpu->d = false; return 2;
    case 0xF8: cpu->d = true; return 2;
    case 0xEA: return 2;

    case 0x10: return branch(cpu, !cpu->n);
    case 0x30: return branch(cpu, cpu->n);
    case 0x50: return branch(cpu, !cpu->v);
    case 0x70: return branch(cpu, cpu->v);
    case 0x90: return branch(cpu, !cpu->c);
    case 0xB0: return branch(cpu, cpu->c);
    case 0xD0: return branch(cpu, !cpu->z);
    case 0xF0: return branch(cpu, cpu->z);

    case 0x48: push(cpu, cpu->a); return 3;
    case 0x08: push(cpu, cpu_flags(cpu, true)); return 3;
    case 0x68: cpu->a = set_nz(cpu, pull(cpu)); return 4;
    case 0x28: cpu_set_flags(cpu, pull(cpu)); return 4;
    case 0x4C: cpu->pc = ABSOLUTE; return 3;
    case 0x20: {
        uint16_t target = ABSOLUTE;
        push_word(cpu, cpu->pc - 1);
        cpu->pc = target;
        return 6;
    }
    case 0x60: cpu->pc = pull_word(cpu) + 1; return 6;
    case 0x40:
        cpu_set_flags(cpu, pull(cpu));
        cpu->pc = pull_word(cpu);
        return 6;
    case 0x00:
        cpu->pc++; /* the byte after the opcode is skipped */
        return enter(cpu, 0xFFFE, true);
    }
    return 0; /* not documented */
}
