// What an emulator in JavaScript needs to stand beside the gates, over a pipe.
//
// carrywave compare --pipe "node adapter.js"
"use strict";

const { Emulator } = require("./emulator.js");

const VECTORS = [0xfffe, 0xfffe, 0xfffa, 0xfffc]; // BRK, IRQ, NMI, RESET

const memory = new Uint8Array(0x10000);
const writes = [];
const emulator = new Emulator(
  (address) => memory[address],
  (address, byte) => writes.push([address, byte]),
);

// In this order: a field that a case does not use is 0, and what follows lies over it.
function layOut(c) {
  const at = VECTORS[c.event];
  memory[at] = c.vector & 0xff;
  memory[at + 1] = c.vector >> 8;
  c.pulled.forEach((byte, i) => { memory[0x100 | (c.sp + 1 + i) & 0xff] = byte; });
  memory[c.address] = c.operand;
  for (let i = 0; i < c.length; i++) memory[(c.pc + i) & 0xffff] = c.bytes[i];
}

function execute(c) {
  layOut(c);
  writes.length = 0;
  for (const name of ["pc", "a", "x", "y", "sp"]) emulator[name] = c[name];
  emulator.setFlags(c.p);

  if (c.event === 0) emulator.step();
  else if (c.event === 1) emulator.irq();
  else if (c.event === 2) emulator.nmi();
  else emulator.reset();

  const { pc, a, x, y, sp, cycles } = emulator;
  const stores = writes.length === 1 && writes[0][0] === c.address;
  const pushes = stores ? [] : writes;
  return {
    pc, a, x, y, sp, p: emulator.flags(1), cycles,
    stores: Number(stores),
    stored: stores ? writes[0][1] : 0,
    pushes: pushes.length,
    pushed: pushes.map(([, byte]) => byte),
    push_address: pushes.map(([address]) => address),
  };
}

// A line in, a line out; lines that come together are answered together.
let rest = "";
process.stdin.setEncoding("utf8").on("data", (text) => {
  const lines = (rest + text).split("\n");
  rest = lines.pop();
  if (lines.length === 0) return;
  process.stdout.write(lines.map((line) => `${JSON.stringify(execute(JSON.parse(line)))}\n`).join(""));
});
