/* What an emulator in C needs to stand beside the gates. To build it:

   carrywave header > carrywave.h
   cc -O2 -shared -fPIC -fvisibility=hidden -I. adapter.c emulator.c -o mine.so
   carrywave compare --library ./mine.so
*/
#include "carrywave.h"
#include "emulator.h"

static int (*const act[])(struct cpu *) = {cpu_step, cpu_irq, cpu_nmi, cpu_reset}; /* by event */
static uint8_t memory[0x10000];
static struct carrywave_outcome *out;

uint8_t bus_read(uint16_t address) { return memory[address]; }

void bus_write(uint16_t address, uint8_t byte) {
    int i = out->writes++;
    if (i >= 3) return; /* that there were too many is told */
    out->write_address[i] = address;
    out->write_value[i] = memory[address] = byte;
}

void carrywave_execute(const struct carrywave_case *c, struct carrywave_outcome *o, size_t count) {
    for (out = o; count-- > 0; c++, out++) {
        struct cpu cpu = {.pc = c->pc, .a = c->a, .x = c->x, .y = c->y, .sp = c->sp};
        cpu_set_flags(&cpu, c->p);
        for (int i = 0; i < c->reads; i++) memory[c->read_address[i]] = c->read_value[i];
        out->cycles = act[c->event](&cpu);
        out->pc = cpu.pc, out->a = cpu.a, out->x = cpu.x, out->y = cpu.y, out->sp = cpu.sp;
        out->p = cpu_flags(&cpu, true);
        /* What stays would hide a wrong address in a later case. */
        for (int i = 0; i < c->reads; i++) memory[c->read_address[i]] = 0;
        for (int i = 0; i < 3; i++) memory[out->write_address[i]] = 0;
    }
}
