// A small emulator that stands for yours: the documented instructions in six addressing modes.
"use strict";

const VARIANT = "nmos"; // or "cmos", or "binary": nmos with decimal mode disconnected

class Emulator {
  constructor(read, write) {
    Object.assign(this, { read, write, pc: 0, a: 0, x: 0, y: 0, sp: 0, cycles: 0 });
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

  modify(address, change) {
    this.write(address, change.call(this, this.read(address)));
  }

  branch(taken) {
    const offset = this.fetch();
    if (!taken) return;
    const target = (this.pc + offset - (offset >> 7 << 8)) & 0xffff;
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
    this.pc = this.read(vector) | this.read(vector + 1) << 8;
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
    execute(this, mode(this));
  }
}

// Modes: the operand, or its address where it is written.
const implied = () => 0;
const immediate = (e) => e.fetch();
const zeroPage = (e) => e.read(e.fetch());
const absolute = (e) => e.read(e.fetchWord());
const toZeroPage = (e) => e.fetch();
const toAbsolute = (e) => e.fetchWord();

const OPCODES = [];

function reads(execute, codes) {
  const modes = [[2, immediate], [3, zeroPage], [4, absolute]];
  codes.forEach((code, i) => {
    if (code !== null) OPCODES[code] = [...modes[i], execute];
  });
}

function writes(execute, atZeroPage, atAbsolute) {
  OPCODES[atZeroPage] = [3, toZeroPage, execute];
  OPCODES[atAbsolute] = [4, toAbsolute, execute];
}

function modifies(change, ofA, atZeroPage, atAbsolute) {
  if (ofA !== null) OPCODES[ofA] = [2, implied, (e) => { e.a = change.call(e, e.a); }];
  OPCODES[atZeroPage] = [5, toZeroPage, (e, address) => e.modify(address, change)];
  OPCODES[atAbsolute] = [6, toAbsolute, (e, address) => e.modify(address, change)];
}

function simple(code, execute, cycles = 2) {
  OPCODES[code] = [cycles, implied, execute];
}

reads((e, m) => e.adc(m), [0x69, 0x65, 0x6d]);
reads((e, m) => e.sbc(m), [0xe9, 0xe5, 0xed]);
reads((e, m) => e.compare(e.a, m), [0xc9, 0xc5, 0xcd]);
reads((e, m) => e.compare(e.x, m), [0xe0, 0xe4, 0xec]);
reads((e, m) => e.compare(e.y, m), [0xc0, 0xc4, 0xcc]);
reads((e, m) => { e.a = e.setNZ(e.a & m); }, [0x29, 0x25, 0x2d]);
reads((e, m) => { e.a = e.setNZ(e.a | m); }, [0x09, 0x05, 0x0d]);
reads((e, m) => { e.a = e.setNZ(e.a ^ m); }, [0x49, 0x45, 0x4d]);
reads((e, m) => e.bit(m), [null, 0x24, 0x2c]);
reads((e, m) => { e.a = e.setNZ(m); }, [0xa9, 0xa5, 0xad]);
reads((e, m) => { e.x = e.setNZ(m); }, [0xa2, 0xa6, 0xae]);
reads((e, m) => { e.y = e.setNZ(m); }, [0xa0, 0xa4, 0xac]);
writes((e, address) => e.write(address, e.a), 0x85, 0x8d);
writes((e, address) => e.write(address, e.x), 0x86, 0x8e);
writes((e, address) => e.write(address, e.y), 0x84, 0x8c);
modifies(function (m) { return this.shiftLeft(m, 0); }, 0x0a, 0x06, 0x0e);
modifies(function (m) { return this.shiftLeft(m, this.c); }, 0x2a, 0x26, 0x2e);
modifies(function (m) { return this.shiftRight(m, 0); }, 0x4a, 0x46, 0x4e);
modifies(function (m) { return this.shiftRight(m, this.c); }, 0x6a, 0x66, 0x6e);
modifies(function (m) { return this.setNZ(m + 1); }, null, 0xe6, 0xee);
modifies(function (m) { return this.setNZ(m - 1); }, null, 0xc6, 0xce);

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
simple(0x10, (e) => e.branch(!e.n));
simple(0x30, (e) => e.branch(e.n));
simple(0x50, (e) => e.branch(!e.v));
simple(0x70, (e) => e.branch(e.v));
simple(0x90, (e) => e.branch(!e.c));
simple(0xb0, (e) => e.branch(e.c));
simple(0xd0, (e) => e.branch(!e.z));
simple(0xf0, (e) => e.branch(e.z));
simple(0x48, (e) => e.push(e.a), 3);
simple(0x08, (e) => e.push(e.flags(1)), 3);
simple(0x68, (e) => { e.a = e.setNZ(e.pull()); }, 4);
simple(0x28, (e) => e.setFlags(e.pull()), 4);
simple(0x4c, (e) => { e.pc = e.fetchWord(); }, 3);
simple(0x20, (e) => {
  const target = e.fetchWord();
  e.pushWord((e.pc - 1) & 0xffff);
  e.pc = target;
}, 6);
simple(0x60, (e) => { e.pc = (e.pullWord() + 1) & 0xffff; }, 6);
simple(0x40, (e) => {
  e.setFlags(e.pull());
  e.pc = e.pullWord();
}, 6);
simple(0x00, (e) => {
  e.fetch(); // the byte after the opcode is skipped
  e.enter(0xfffe, 1);
}, 7);

module.exports = { Emulator };
