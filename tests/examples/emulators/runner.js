// What an emulator in JavaScript needs to run a program beside the gates, over a pipe.
//
// carrywave compare --pipe "node runner.js" --program FILE --run
"use strict";

const { Emulator, VARIANT } = require("./emulator.js");

const [INSTRUCTION, IRQ, NMI] = [0, 1, 2];
const [BRK, RTI] = [0x00, 0x40];

function* run({ start, memory: bytes, pins, count }) {
  const memory = Buffer.from(bytes, "base64");
  let writes = [];
  const emulator = new Emulator((address) => memory[address], (address, byte) => {
    memory[address] = byte;
    writes.push([address, byte]);
  });
  for (const name of ["pc", "a", "x", "y", "sp"]) emulator[name] = start[name];
  emulator.setFlags(start.p);

  const low = { [IRQ]: false, [NMI]: false };
  let nmiWaits = false; // its edge has come, and was not taken
  let at = 0;
  const pinsUntil = (clock) => {
    for (; at < pins.length && pins[at][0] <= clock; at++) {
      const [, event, level] = pins[at];
      nmiWaits ||= event === NMI && !level && !low[NMI];
      low[event] = !level;
    }
  };
  let { clock, event } = start;
  pinsUntil(clock - 1);
  nmiWaits = start.nmi === 1;

  for (let row = 0; row < count; row++) {
    const opcode = memory[emulator.pc];
    let masked = emulator.i;
    const enters = event !== INSTRUCTION || opcode === BRK;
    writes = [];
    if (event === INSTRUCTION) emulator.step();
    else emulator.enter(event === NMI ? 0xfffa : 0xfffe, 0);
    if (VARIANT !== "cmos" && enters && event !== NMI) {
      pinsUntil(clock + 3); // an NMI by then takes the vector
      if (nmiWaits) emulator.pc = memory[0xfffa] | (memory[0xfffb] << 8);
      nmiWaits = false;
    }
    const { pc, a, x, y, sp, cycles } = emulator;
    yield { clock, event, pc, a, x, y, sp, p: emulator.flags(1), cycles, writes };
    clock += cycles;

    // What follows is decided in the last clock but one. There CLI, SEI and PLP have not yet
    // changed I, and RTI has.
    if (opcode === RTI) masked = emulator.i;
    pinsUntil(clock - 2);
    event = INSTRUCTION;
    if (!enters && nmiWaits) [event, nmiWaits] = [NMI, false];
    else if (!enters && low[IRQ] && !masked) event = IRQ;
    pinsUntil(clock - 1);
  }
}

require("readline").createInterface({ input: process.stdin }).on("line", (line) => {
  const rows = [];
  for (const row of run(JSON.parse(line))) rows.push(JSON.stringify(row));
  process.stdout.write(`${rows.join("\n")}\n`);
});
