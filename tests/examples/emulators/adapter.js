// What an emulator in JavaScript needs to stand beside the gates, over a pipe.
//
// carrywave compare --pipe "node adapter.js"
"use strict";

const { Emulator } = require("./emulator.js");

const memory = new Uint8Array(0x10000);
let writes = [];
const emulator = new Emulator((address) => memory[address], (address, byte) => {
  memory[address] = byte;
  writes.push([address, byte]);
});

function execute(c) {
  writes = [];
  for (const [address, byte] of c.reads) memory[address] = byte;
  for (const name of ["pc", "a", "x", "y", "sp"]) emulator[name] = c[name];
  emulator.setFlags(c.p);

  emulator[["step", "irq", "nmi", "reset"][c.event]]();

  // What stays would hide a wrong address in a later case.
  for (const [address] of [...c.reads, ...writes]) memory[address] = 0;
  const { pc, a, x, y, sp, cycles } = emulator;
  return { pc, a, x, y, sp, p: emulator.flags(1), cycles, writes };
}

require("readline").createInterface({ input: process.stdin }).on("line", (line) => {
  process.stdout.write(`${JSON.stringify(execute(JSON.parse(line)))}\n`);
});
