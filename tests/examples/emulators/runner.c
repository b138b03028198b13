/* What an emulator in C needs to run a program beside the gates. To build it:

   carrywave header > carrywave.h
   cc -O2 -shared -fPIC -fvisibility=hidden -I. runner.c emulator.c -o mine.so
   carrywave compare --library ./mine.so --program FILE --run
*/
#include <string.h>

#include "carrywave.h"
#include "emulator.h"

static uint8_t memory[0x10000];
static struct carrywave_outcome *out;

uint8_t bus_read(uint16_t address) { return memory[address]; }

void bus_write(uint16_t address, uint8_t byte) {
    int i = out->writes++;
    memory[address] = byte;
    if (i < 3) out->write_address[i] = address, out->write_value[i] = byte;
}

static const struct carrywave_pin *pin, *last_pin; /* that comes next */
static bool irq_low, nmi_low, nmi_waits;           /* by now; an edge that was not taken yet */

static void pins_until(uint64_t clock) {
    for (; pin < last_pin && pin->clock <= clock; pin++)
        if (pin->event == CARRYWAVE_IRQ) {
            irq_low = !pin->level;
        } else {
            nmi_waits |= !pin->level && !nmi_low;
            nmi_low = !pin->level;
        }
}

size_t carrywave_run(const struct carrywave_start *start, const uint8_t *bytes,
                     const struct carrywave_pin *pins, size_t pin_count,
                     struct carrywave_row *rows, size_t count) {
    struct cpu cpu = {.pc = start->pc, .a = start->a, .x = start->x, .y = start->y, .sp = start->sp};
    uint64_t clock = start->clock;
    int event = start->event;
    cpu_set_flags(&cpu, start->p);
    memcpy(memory, bytes, sizeof memory);
    pin = pins, last_pin = pins + pin_count;
    irq_low = nmi_low = false;
    if (clock > 0) pins_until(clock - 1);
    nmi_waits = start->nmi;
    for (size_t row = 0; row < count; row++) {
        uint8_t opcode = memory[cpu.pc];
        bool instruction = event == CARRYWAVE_INSTRUCTION, masked = cpu.i;
        bool enters = !instruction || opcode == 0x00; /* BRK does too */
        rows[row].clock = clock, rows[row].event = event;
        out = &rows[row].after;
        if (instruction)
            out->cycles = cpu_step(&cpu);
        else
            out->cycles = cpu_enter(&cpu, event == CARRYWAVE_NMI ? 0xFFFA : 0xFFFE, false);
        if (out->cycles == 0) return row; /* not documented */
        if (VARIANT != CMOS && enters && event != CARRYWAVE_NMI) {
            pins_until(clock + 3); /* an NMI by then takes the vector */
            if (nmi_waits) cpu.pc = memory[0xFFFA] | memory[0xFFFB] << 8;
            nmi_waits = false;
        }
        out->pc = cpu.pc, out->a = cpu.a, out->x = cpu.x, out->y = cpu.y, out->sp = cpu.sp;
        out->p = cpu_flags(&cpu, true);
        clock += out->cycles;
        /* What follows is decided in the last clock but one. There CLI, SEI and PLP have not yet
           changed I, and RTI has. */
        if (opcode == 0x40) masked = cpu.i;
        pins_until(clock - 2);
        event = CARRYWAVE_INSTRUCTION;
        if (!enters && nmi_waits)
            event = CARRYWAVE_NMI, nmi_waits = false;
        else if (!enters && irq_low && !masked)
            event = CARRYWAVE_IRQ;
        pins_until(clock - 1);
    }
    return count;
}
