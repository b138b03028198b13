// The ALU's gates: one input, all 65,536 of an operation at once, and one input in time.

const WORDS = 65536 / 32;
const signed = byte => byte > 127 ? byte - 256 : byte;

// Row (left << 8 | m) is bit (row & 31) of word (row >> 5): the planes of both bytes, bit by bit.
const PLANES = (() => {
  const within = [0xAAAAAAAA, 0xCCCCCCCC, 0xF0F0F0F0, 0xFF00FF00, 0xFFFF0000];
  const plane = bit => Int32Array.from({length: WORDS},
    (_, word) => bit < 5 ? within[bit] : -(word >> bit - 5 & 1));
  const all = Array.from({length: 16}, (_, bit) => plane(bit));
  return {m: all.slice(0, 8), left: all.slice(8)};
})();

class Alu {
  constructor(variant, run = GATES[variant].alu) {
    this.places = DATA.places[variant];
    this.run = run;
    const count = ports => Object.values(ports).reduce((sum, [, width]) => sum + width, 0);
    this.inputs = new Int32Array(count(this.places.sources));
    this.outputs = new Int32Array(count(this.places.outputs));
  }

  put(port, value) {
    if (!(port in this.places.sources)) return;
    const [at, width] = this.places.sources[port];
    for (let bit = 0; bit < width; bit++) this.inputs[at + bit] = -(value >> bit & 1);
  }

  get(port) {
    const [at, width] = this.places.outputs[port];
    let value = 0;
    for (let bit = 0; bit < width; bit++) value |= this.outputs[at + bit] & 1 << bit;
    return value;
  }

  // What every port says of one input: {left, m, c, d}.
  answer(use, {left, m, c, d}) {
    for (const [port, value] of Object.entries(
      {a: left, b: m, carry_in: c, decimal: d, operation: use.operation})) this.put(port, value);
    this.run(this.inputs, this.outputs);
    const found = {};
    for (const port in this.places.outputs) found[port] = this.get(port);
    return found;
  }

  // The planes of every output, over all pairs of bytes; an array of words for each wire.
  every(use, c, d) {
    const {sources, outputs} = this.places;
    for (const [port, value] of Object.entries(
      {carry_in: c, decimal: d, operation: use.operation})) this.put(port, value);
    const planes = {};
    for (const [port, [, width]] of Object.entries(outputs))
      planes[port] = Array.from({length: width}, () => new Int32Array(WORDS));
    const flat = Object.values(planes).flat();
    const [a] = sources.a, [b] = sources.b;
    for (let word = 0; word < WORDS; word++) {
      for (let bit = 0; bit < 8; bit++) {
        this.inputs[a + bit] = PLANES.left[bit][word];
        this.inputs[b + bit] = PLANES.m[bit][word];
      }
      this.run(this.inputs, this.outputs);
      for (let wire = 0; wire < flat.length; wire++) flat[wire][word] = this.outputs[wire];
    }
    return planes;
  }

  // The outputs after each gate delay, from when the inputs change to when all is at rest.
  settle(use, before, after) {
    const {sources, table, wires} = this.places;
    const values = [0, 1], gates = [];
    const inputs = ({left, m, c, d}) => {
      const numbers = {a: left, b: m, carry_in: c, decimal: d, operation: use.operation};
      return Object.entries(sources).flatMap(([port, [, width]]) =>
        Array.from({length: width}, (_, bit) => numbers[port] >> bit & 1));
    };
    const first = inputs(before), then = inputs(after);
    values.push(...first);
    const base = values.length;
    for (let at = 0; at < table.length;) {
      const kind = DATA.kinds[table[at]], count = {NOT: 1, MUX: 3}[kind] || 2;
      const gate = {kind, output: base + gates.length, reads: table.slice(at + 1, at + 1 + count)};
      gates.push(gate);
      values.push(work(gate, values));
      at += 1 + count;
    }
    const readers = values.map(() => []);
    for (const gate of gates) for (const wire of gate.reads) readers[wire].push(gate);
    const steps = [];
    const note = moved => {
      const told = {moved};
      for (const port in wires)
        told[port] = wires[port].reduce((sum, wire, bit) => sum | values[wire] << bit, 0);
      steps.push(told);
    };
    let changed = new Map();
    then.forEach((value, i) => { if (value !== first[i]) changed.set(2 + i, value); });
    for (const [wire, value] of changed) values[wire] = value;
    note(0);
    while (changed.size) {
      const due = new Set([...changed.keys()].flatMap(wire => readers[wire]));
      changed = new Map();
      for (const gate of due) {
        const value = work(gate, values);
        if (value !== values[gate.output]) changed.set(gate.output, value);
      }
      for (const [wire, value] of changed) values[wire] = value;
      if (changed.size) note(changed.size);
    }
    return steps;
  }
}

function work({kind, reads: [x, y, select]}, values) {
  switch (kind) {
    case "AND": return values[x] & values[y];
    case "OR": return values[x] | values[y];
    case "XOR": return values[x] ^ values[y];
    case "NOT": return values[x] ^ 1;
    default: return values[values[select] ? y : x];
  }
}

const bitOf = (plane, row) => plane[row >> 5] >>> (row & 31) & 1;
function ones(plane) {
  let count = 0;
  for (let word of plane) {
    word -= word >>> 1 & 0x55555555;
    word = (word & 0x33333333) + (word >>> 2 & 0x33333333);
    count += Math.imul(word + (word >>> 4) & 0x0F0F0F0F, 0x01010101) >>> 24;
  }
  return count;
}
