// A small emulator that stands for yours: all documented instructions in all modes.
"use strict";

const VARIANT = "nmos"; // or "cmos", or "binary": nmos with decimal mode disconnected

class Emulator {
  constructor(read, write) {
    Object.assign(this, { read, write, pc: 0, a: 0, x: 0, y: 0, sp: 0 });
    this.cycles = 0;
    this.crossed = false; // whether an index led into another page
    this.setFlags(0);
  }

  // The flags

  flags(b) {
    return (this.n << 7) | (this.v << 6) | (1 << 5) | (b << 4) | (this.d << 3) | (this.i << 2) |
      (this.z << 1) | this.c;
  }

  setFlags(byte) {
    this.n = byte >> 7 & 1;
    this.v = byte >> 6 & 1;
    this.d = byte >> 3 & 1;
    this.i = byte >> 2 & 1;
    this.z = byte >> 1 & 1;
    this.c = byte & 1;
  }

  setNZ(byte) {
    byte &= 0xff;
    this.n = byte >> 7;
    this.z = Number(byte === 0);
    return byte;
  }

  // Memory and the stack

  fetch() {
    const byte = this.read(this.pc);
    this.pc = (this.pc + 1) & 0xffff;
    return byte;
  }

  fetchWord() {
    return this.fetch() | this.fetch() << 8;
  }

  readWord(address) {
    return this.read(address) | this.read((address + 1) & 0xffff) << 8;
  }

  readPointer(address) { // it does not leave page zero
    return this.read(address) | this.read((address + 1) & 0xff) << 8;
  }

  push(byte) {
    this.write(0x100 | this.sp, byte);
    this.sp = (this.sp - 1) & 0xff;
  }

  pull() {
    this.sp = (this.sp + 1) & 0xff;
    return this.read(0x100 | this.sp);
  }

  pushWord(word) {
    this.push(word >> 8);
    this.push(word & 0xff);
  }

  pullWord() {
    return this.pull() | this.pull() << 8;
  }

  // Arithmetic

  sum(m) {
    const total = this.a + m + this.c;
    this.c = total >> 8;
    this.v = ((this.a ^ total) & (m ^ total)) >> 7 & 1;
    this.a = this.setNZ(total);
  }

  adc(m) {
    const a = this.a;
    let low = (a & 0x0f) + (m & 0x0f) + this.c;
    this.sum(m);
    if (!this.d || VARIANT === "binary") return;
    if (low > 0x09) low = ((low + 0x06) & 0x0f) + 0x10;
    let total = (a & 0xf0) + (m & 0xf0) + low;
    this.n = total >> 7 & 1;
    this.v = ((a ^ total) & (m ^ total)) >> 7 & 1;
    if (total > 0x9f) total += 0x60;
    this.c = Number(total > 0xff);
    this.a = total & 0xff;
    if (VARIANT === "cmos") {
      this.setNZ(this.a);
      this.cycles += 1;
    }
  }

  sbc(m) {
    const a = this.a;
    const borrow = 1 - this.c;
    let low = (a & 0x0f) - (m & 0x0f) - borrow;
    this.sum(m ^ 0xff);
    if (!this.d || VARIANT === "binary") return;
    if (VARIANT === "nmos") {
      if (low < 0) low = ((low - 0x06) & 0x0f) - 0x10;
      const total = (a & 0xf0) - (m & 0xf0) + low;
      this.a = (total < 0 ? total - 0x60 : total) & 0xff;
      return;
    }
    let total = a - m - borrow;
    if (total < 0) total -= 0x60;
    if (low < 0) total -= 0x06;
    this.a = this.setNZ(total);
    this.cycles += 1;
  }

  compare(register, m) {
    this.c = Number(register >= m);
    this.setNZ(register - m);
  }

  bit(m) {
    this.n = m >> 7;
    this.v = m >> 6 & 1;
    this.z = Number((this.a & m) === 0);
  }

  shiftLeft(m, comesIn) {
    this.c = m >> 7;
    return this.setNZ(m << 1 | comesIn);
  }

  shiftRight(m, comesIn) {
    this.c = m & 1;
    return this.setNZ(m >> 1 | comesIn << 7);
  }

  branch(target, taken) {
    if (!taken) return;
    this.cycles += target >> 8 === this.pc >> 8 ? 1 : 2;
    this.pc = target;
  }

  // Interrupts

  enter(vector, b) {
    this.pushWord(this.pc);
    this.push(this.flags(b));
    this.leaveFor(vector);
  }

  leaveFor(vector) {
    this.i = 1;
    if (VARIANT === "cmos") this.d = 0;
    this.pc = this.readWord(vector);
    this.cycles = 7;
  }

  irq() { // masked, it lets the next instruction run
    if (this.i) this.step();
    else this.enter(0xfffe, 0);
  }

  nmi() {
    this.enter(0xfffa, 0);
  }

  reset() {
    this.sp = (this.sp - 3) & 0xff;
    this.leaveFor(0xfffc);
  }

  step() {
    const [cycles, mode, execute] = OPCODES[this.fetch()];
    this.cycles = cycles;
    this.crossed = false;
    execute(this, mode(this));
  }
}

// Modes: the address of the operand, or where a branch or jump goes.
const implied = () => null;
const immediate = (e) => {
  const at = e.pc;
  e.fetch();
  return at;
};
const zeroPage = (e) => e.fetch();
const zeroPageX = (e) => (e.fetch() + e.x) & 0xff;
const zeroPageY = (e) => (e.fetch() + e.y) & 0xff;
const absolute = (e) => e.fetchWord();
const indexed = (e, base, index) => {
  const at = (base + index) & 0xffff;
  e.crossed = at >> 8 !== base >> 8;
  return at;
};
const absoluteX = (e) => indexed(e, e.fetchWord(), e.x);
const absoluteY = (e) => indexed(e, e.fetchWord(), e.y);
const throughX = (e) => e.readPointer(zeroPageX(e));
const throughY = (e) => indexed(e, e.readPointer(e.fetch()), e.y);
const through = (e) => {
  const at = e.fetchWord();
  if (VARIANT === "cmos") return e.readWord(at);
  return e.read(at) | e.read((at & 0xff00) | ((at + 1) & 0xff)) << 8;
};
const relative = (e) => {
  const offset = e.fetch();
  return (e.pc + offset - (offset >> 7 << 8)) & 0xffff;
};

const OPCODES = [];

function opcode(code, cycles, mode, execute) {
  OPCODES[code] = [cycles, mode, execute];
}

function simple(code, execute, cycles = 2) {
  opcode(code, cycles, implied, execute);
}

// Opcodes are listed below by their modes, in this order; each mode with its cycles.
const none = null;
const READS = [[2, immediate], [3, zeroPage], [4, zeroPageX], [4, absolute], [4, absoluteX],
  [4, absoluteY], [6, throughX], [5, throughY], [4, zeroPageY]];
const WRITES = [[3, zeroPage], [4, zeroPageX], [4, absolute], [5, absoluteX], [5, absoluteY],
  [6, throughX], [6, throughY], [4, zeroPageY]];
const MODIFIES = [[5, zeroPage], [6, zeroPageX], [6, absolute], [7, absoluteX]];
const SHIFTS = [...MODIFIES.slice(0, 3), [VARIANT === "cmos" ? 6 : 7, absoluteX]];

function opcodes(modes, codes, execute) {
  codes.forEach((code, i) => {
    if (code !== none) opcode(code, ...modes[i], execute);
  });
}

// What only reads waits for a carry into the page if there is one.
function operand(e, at) {
  e.cycles += Number(e.crossed);
  return e.read(at);
}

function reads(execute, codes) {
  opcodes(READS, codes, (e, at) => execute(e, operand(e, at)));
}

function writes(register, codes) {
  opcodes(WRITES, codes, (e, at) => e.write(at, e[register]));
}

function modifies(change, codes) {
  opcodes(MODIFIES, codes, (e, at) => e.write(at, change(e, e.read(at))));
}

function shifts(change, ofA, codes) { // on CMOS they wait as what only reads does
  const read = VARIANT === "cmos" ? operand : (e, at) => e.read(at);
  simple(ofA, (e) => { e.a = change(e, e.a); });
  opcodes(SHIFTS, codes, (e, at) => e.write(at, change(e, read(e, at))));
}

reads((e, m) => e.adc(m), [0x69, 0x65, 0x75, 0x6d, 0x7d, 0x79, 0x61, 0x71]);
reads((e, m) => e.sbc(m), [0xe9, 0xe5, 0xf5, 0xed, 0xfd, 0xf9, 0xe1, 0xf1]);
reads((e, m) => e.compare(e.a, m), [0xc9, 0xc5, 0xd5, 0xcd, 0xdd, 0xd9, 0xc1, 0xd1]);
reads((e, m) => e.compare(e.x, m), [0xe0, 0xe4, none, 0xec]);
reads((e, m) => e.compare(e.y, m), [0xc0, 0xc4, none, 0xcc]);
reads((e, m) => { e.a = e.setNZ(e.a & m); }, [0x29, 0x25, 0x35, 0x2d, 0x3d, 0x39, 0x21, 0x31]);
reads((e, m) => { e.a = e.setNZ(e.a | m); }, [0x09, 0x05, 0x15, 0x0d, 0x1d, 0x19, 0x01, 0x11]);
reads((e, m) => { e.a = e.setNZ(e.a ^ m); }, [0x49, 0x45, 0x55, 0x4d, 0x5d, 0x59, 0x41, 0x51]);
reads((e, m) => e.bit(m), [none, 0x24, none, 0x2c]);
reads((e, m) => { e.a = e.setNZ(m); }, [0xa9, 0xa5, 0xb5, 0xad, 0xbd, 0xb9, 0xa1, 0xb1]);
reads((e, m) => { e.x = e.setNZ(m); }, [0xa2, 0xa6, none, 0xae, none, 0xbe, none, none, 0xb6]);
reads((e, m) => { e.y = e.setNZ(m); }, [0xa0, 0xa4, 0xb4, 0xac, 0xbc]);
writes("a", [0x85, 0x95, 0x8d, 0x9d, 0x99, 0x81, 0x91]);
writes("x", [0x86, none, 0x8e, none, none, none, none, 0x96]);
writes("y", [0x84, 0x94, 0x8c]);
shifts((e, m) => e.shiftLeft(m, 0), 0x0a, [0x06, 0x16, 0x0e, 0x1e]);
shifts((e, m) => e.shiftLeft(m, e.c), 0x2a, [0x26, 0x36, 0x2e, 0x3e]);
shifts((e, m) => e.shiftRight(m, 0), 0x4a, [0x46, 0x56, 0x4e, 0x5e]);
shifts((e, m) => e.shiftRight(m, e.c), 0x6a, [0x66, 0x76, 0x6e, 0x7e]);
modifies((e, m) => e.setNZ(m + 1), [0xe6, 0xf6, 0xee, 0xfe]);
modifies((e, m) => e.setNZ(m - 1), [0xc6, 0xd6, 0xce, 0xde]);

simple(0xe8, (e) => { e.x = e.setNZ(e.x + 1); });
simple(0xc8, (e) => { e.y = e.setNZ(e.y + 1); });
simple(0xca, (e) => { e.x = e.setNZ(e.x - 1); });
simple(0x88, (e) => { e.y = e.setNZ(e.y - 1); });
simple(0xaa, (e) => { e.x = e.setNZ(e.a); });
simple(0xa8, (e) => { e.y = e.setNZ(e.a); });
simple(0xba, (e) => { e.x = e.setNZ(e.sp); });
simple(0x8a, (e) => { e.a = e.setNZ(e.x); });
simple(0x9a, (e) => { e.sp = e.x; });
simple(0x98, (e) => { e.a = e.setNZ(e.y); });
simple(0x18, (e) => { e.c = 0; });
simple(0x38, (e) => { e.c = 1; });
simple(0x58, (e) => { e.i = 0; });
simple(0x78, (e) => { e.i = 1; });
simple(0xb8, (e) => { e.v = 0; });
simple(0xd8, (e) => { e.d = 0; });
simple(0xf8, (e) => { e.d = 1; });
simple(0xea, () => {});
opcode(0x10, 2, relative, (e, at) => e.branch(at, !e.n));
opcode(0x30, 2, relative, (e, at) => e.branch(at, e.n));
opcode(0x50, 2, relative, (e, at) => e.branch(at, !e.v));
opcode(0x70, 2, relative, (e, at) => e.branch(at, e.v));
opcode(0x90, 2, relative, (e, at) => e.branch(at, !e.c));
opcode(0xb0, 2, relative, (e, at) => e.branch(at, e.c));
opcode(0xd0, 2, relative, (e, at) => e.branch(at, !e.z));
opcode(0xf0, 2, relative, (e, at) => e.branch(at, e.z));
simple(0x48, (e) => e.push(e.a), 3);
simple(0x08, (e) => e.push(e.flags(1)), 3);
simple(0x68, (e) => { e.a = e.setNZ(e.pull()); }, 4);
simple(0x28, (e) => e.setFlags(e.pull()), 4);
opcode(0x4c, 3, absolute, (e, at) => { e.pc = at; });
opcode(0x6c, VARIANT === "cmos" ? 6 : 5, through, (e, at) => { e.pc = at; });
opcode(0x20, 6, absolute, (e, at) => {
  e.pushWord((e.pc - 1) & 0xffff);
  e.pc = at;
});
simple(0x60, (e) => { e.pc = (e.pullWord() + 1) & 0xffff; }, 6);
simple(0x40, (e) => {
  e.setFlags(e.pull());
  e.pc = e.pullWord();
}, 6);
simple(0x00, (e) => {
  e.fetch(); // the byte after the opcode is skipped
  e.enter(0xfffe, 1);
}, 7);

module.exports = { Emulator, VARIANT };
