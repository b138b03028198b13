/* What an emulator in C needs to stand beside the gates. To build it:

   carrywave header > carrywave.h
   cc -O2 -shared -fPIC -I. adapter.c emulator.c -o mine.so
   carrywave compare --library ./mine.so
*/
#include "carrywave.h"
#include "emulator.h"

#ifndef VARIANT
#define VARIANT NMOS
#endif

static uint8_t memory[0x10000];
static uint16_t operand_address;
static struct carrywave_outcome *outcome;

uint8_t bus_read(uint16_t address) { return memory[address]; }

/* Nothing that pushes has an operand in memory: any other write is a push. */
void bus_write(uint16_t address, uint8_t byte) {
    if (address == operand_address) {
        outcome->stores = 1;
        outcome->stored = byte;
    } else if (outcome->pushes < 3) {
        outcome->push_address[outcome->pushes] = address;
        outcome->pushed[outcome->pushes++] = byte;
    }
}

/* In this order: a field that a case does not use is 0, and what follows lies over it. */
static void lay_out(const struct carrywave_case *c) {
    static const uint16_t vectors[] = {0xFFFE, 0xFFFE, 0xFFFA, 0xFFFC};
    uint16_t at = vectors[c->event];
    memory[at] = c->vector & 0xFF;
    memory[at + 1] = c->vector >> 8;
    for (int i = 0; i < 3; i++)
        memory[0x100 + (uint8_t)(c->sp + 1 + i)] = c->pulled[i];
    memory[c->address] = c->operand;
    for (int i = 0; i < c->length; i++)
        memory[(uint16_t)(c->pc + i)] = c->bytes[i];
}

void carrywave_execute(const struct carrywave_case *cases, struct carrywave_outcome *outcomes,
                       size_t count) {
    for (size_t i = 0; i < count; i++) {
        const struct carrywave_case *c = &cases[i];
        struct cpu cpu = {VARIANT, c->pc, c->a, c->x, c->y, c->sp, 0, 0, 0, 0, 0, 0};
        cpu_set_flags(&cpu, c->p);
        outcome = &outcomes[i];
        lay_out(c);

        int cycles = 0;
        operand_address = 0;
        if (c->event == CARRYWAVE_IRQ)
            cycles = cpu_irq(&cpu);
        else if (c->event == CARRYWAVE_NMI)
            cycles = cpu_nmi(&cpu);
        else if (c->event == CARRYWAVE_RESET)
            cycles = cpu_reset(&cpu);
        if (cycles == 0) {
            operand_address = c->address;
            cycles = cpu_step(&cpu);
        }

        outcome->pc = cpu.pc;
        outcome->a = cpu.a;
        outcome->x = cpu.x;
        outcome->y = cpu.y;
        outcome->sp = cpu.sp;
        outcome->p = cpu_flags(&cpu, true);
        outcome->cycles = cycles;
    }
}
