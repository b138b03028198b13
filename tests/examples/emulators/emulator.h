/* A small emulator that stands for yours: all documented instructions in all modes. */
#ifndef EMULATOR_H
#define EMULATOR_H

#include <stdbool.h>
#include <stdint.h>

#define NMOS 0
#define CMOS 1
#define BINARY 2 /* NMOS with decimal mode disconnected */
#ifndef VARIANT
#define VARIANT NMOS
#endif

struct cpu {
    uint16_t pc;
    uint8_t a, x, y, sp;
    bool n, v, d, i, z, c;
    int clocks;   /* of this instruction, and */
    bool crossed; /* whether an index led into another page */
};

/* Each of these returns the clocks it took. */
int cpu_step(struct cpu *cpu);
int cpu_irq(struct cpu *cpu); /* masked: the next instruction is run */
int cpu_nmi(struct cpu *cpu);
int cpu_reset(struct cpu *cpu);
int cpu_enter(struct cpu *cpu, uint16_t vector, bool b); /* whatever I is */

uint8_t cpu_flags(const struct cpu *cpu, bool b);
void cpu_set_flags(struct cpu *cpu, uint8_t byte);

/* The machine around it. */
uint8_t bus_read(uint16_t address);
void bus_write(uint16_t address, uint8_t byte);

#endif
