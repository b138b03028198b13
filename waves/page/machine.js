// The whole unit, clock by clock: its gates, a memory, and pins that a listing or a reader moves.

const KEY_EVERY = 4096;  // clocks between two states that are kept whole
const JUMPS = new Set("JMP BCC BCS BEQ BMI BNE BPL BVC BVS".split(" "));
const PINS = ["irq_n", "nmi_n", "reset_n"];
const numberOf = (choice, name) => DATA.enums[choice].indexOf(name);

class Machine {
  constructor(variant, listing, run = GATES[variant].clock) {
    this.variant = variant;
    this.listing = listing;
    this.places = DATA.places[variant];
    this.run = run;
    const {inputs, early, late} = this.places;
    const size = ports => Object.values(ports).reduce((sum, [, width]) => sum + width, 0);
    this.pinWires = new Int32Array(size(inputs)).fill(-1);
    this.early = new Int32Array(size(early));
    this.late = new Int32Array(size(late));
    this.data = new Int32Array(8);
    this.memory = new Uint8Array(65536);
    this.edits = [];  // what the reader did: {clock, pin, level} or {clock, address, value}
    this.keys = [];
    this.answer = () => {
      const byte = this.memory[this.address = this.gather(this.early, 0, 16)];
      for (let bit = 0; bit < 8; bit++) this.data[bit] = -(byte >> bit & 1);
      this.byte = byte;
    };
    this.positionPlaces = this.places.flops["control.position"];
    this.events = new Map(Object.entries(listing.pins).map(([at, list]) => [+at, list]));
    this.begin();
  }

  begin() {
    this.memory.fill(0);
    for (const [address, bytes] of this.listing.memory)
      for (let i = 0; i < bytes.length; i += 2)
        this.memory[address + i / 2] = parseInt(bytes.slice(i, i + 2), 16);
    this.flops = Int32Array.from(this.places.power, bit => -bit);
    this.next = new Int32Array(this.flops.length);
    this.clock = 0;
    this.levels = {irq_n: 1, nmi_n: 1, reset_n: 1};
    this.due = new Map();
    this.fetched = -1;  // where the present instruction lies
    this.name = "RESET";
    this.top = 0;  // S when nothing had been pushed: as TXS or RESET left it
    this.began = 0;
    this.ended = false;
    this.keys = [this.key()];
    this.evaluate();
  }

  gather(array, at, width) {
    let value = 0;
    for (let bit = 0; bit < width; bit++) value |= array[at + bit] & 1 << bit;
    return value;
  }

  wire(name) {
    const place = this.places.late[name];
    return place ? this.gather(this.late, ...place) : this.gather(this.early, ...this.places.early[name]);
  }

  flop(name) {
    let value = 0;
    this.places.flops[name].forEach((at, bit) => { value |= this.flops[at] & 1 << bit; });
    return value;
  }

  key() {
    return {clock: this.clock, flops: this.flops.slice(), memory: this.memory.slice(),
            levels: {...this.levels}, due: new Map([...this.due].map(([at, list]) => [at, [...list]])),
            fetched: this.fetched, name: this.name, top: this.top, began: this.began, ended: this.ended};
  }

  restore(key) {
    this.flops.set(key.flops);
    this.memory.set(key.memory);
    Object.assign(this, {clock: key.clock, levels: {...key.levels}, fetched: key.fetched,
                         name: key.name, top: key.top, began: key.began, ended: key.ended});
    this.due = new Map([...key.due].map(([at, list]) => [at, [...list]]));
  }

  // The present clock, worked out from the flip-flops, the pins and memory; nothing moves on.
  evaluate() {
    const clock = this.clock, {flops} = this;
    if (this.edits.length) this.touch("address", edit => { this.memory[edit.address] = edit.value; });
    let position = 0;
    for (let bit = 0; bit < 6; bit++) position |= flops[this.positionPlaces[bit]] & 1 << bit;
    if (position === Machine.ENTER || position === Machine.FETCH)
      this.fetch(position === Machine.ENTER);
    if (this.due.size) {
      for (const [pin, level] of this.due.get(clock) || []) this.levels[pin] = level;
      this.due.delete(clock);
    }
    if (this.edits.length) this.touch("pin", edit => { this.levels[edit.pin] = edit.level; });
    for (let pin = 0; pin < 3; pin++)
      this.pinWires[this.places.inputs[PINS[pin]][0]] = -this.levels[PINS[pin]];
    this.run(flops, this.pinWires, this.early, this.data, this.next, this.late, this.answer);
    this.write = this.early[16] & 1;
    if (this.write) this.byte = this.gather(this.late, 0, 8);
  }

  touch(what, act) {
    for (const edit of this.edits) if (edit.clock === this.clock && what in edit) act(edit);
  }

  // A sequence begins: what it is called, and what the listing has the pins do from here.
  fetch(entering) {
    const pc = this.flop("pc"), clock = this.clock, was = this.fetched, name = this.name;
    this.fetched = pc;
    this.began = clock;
    if (name === "TXS" || name === "RESET") this.top = this.flop("stack.pointer");
    if (entering) {
      this.name = DATA.enums.cause[this.flop("interrupts.cause")];
      this.ended = false;
      return;
    }
    this.ended = pc === was && JUMPS.has(name) && this.quiet();
    this.name = DATA.mnemonics[this.memory[pc]] || "?";
    for (const [pin, level, delay, width] of this.events.get(pc) || []) {
      this.plan(clock + delay, pin, level);
      if (width) this.plan(clock + delay + width, pin, 1 - level);
    }
  }

  plan(clock, pin, level) {
    if (!this.due.has(clock)) this.due.set(clock, []);
    this.due.get(clock).push([pin, level]);
  }

  // Nothing is left that could end a loop: no pin due, no interrupt asked for.
  quiet() {
    const masked = this.flop("status.flags") >> 2 & 1;
    return !this.due.size && (this.levels.irq_n || masked) && !this.flop("interrupts.nmi_pending");
  }

  // How many bytes lie on the stack; one that pulls more than was pushed begins a new one.
  get pushed() {
    const held = this.name === "RESET" ? 0 : this.top - this.flop("stack.pointer") & 255;
    return held > 240 ? 0 : held;
  }

  get begins() { return this.clock === this.began; }

  forward() {
    if (this.write) this.memory[this.address] = this.byte;
    [this.flops, this.next] = [this.next, this.flops];
    this.clock++;
    if (this.clock % KEY_EVERY === 0 && this.keys.at(-1).clock < this.clock) this.keys.push(this.key());
    this.evaluate();
  }

  // To any clock, by what is kept of the last one before it.
  goTo(clock) {
    const key = this.keys.findLast(each => each.clock <= clock);
    if (clock < this.clock || key.clock > this.clock) {
      this.restore(key);
      this.evaluate();
    }
    while (this.clock < clock) this.forward();
  }

  // What `take` finds in each clock of a stretch; afterwards the machine stands where it stood.
  look(from, to, take) {
    const rows = [], key = this.key(), {address, byte, write, keys} = this;
    const arrays = [this.next, this.early, this.late].map(array => array.slice());
    this.keys = [...keys];
    for (let clock = from; clock <= to; clock++) {
      this.goTo(clock);
      rows.push(take(this));
    }
    this.restore(key);
    [this.next, this.early, this.late].forEach((array, i) => array.set(arrays[i]));
    Object.assign(this, {address, byte, write, keys});
    return rows;
  }

  // The last clock before the present one in which `done` holds; -1 if there is none.
  lastBefore(done) {
    const now = this.clock;
    for (const key of [...this.keys].reverse()) {
      if (key.clock >= now) continue;
      const end = Math.min(now, key.clock + KEY_EVERY);
      let found = -1;
      this.goTo(key.clock);
      for (; this.clock < end; this.forward()) if (done()) found = this.clock;
      if (found >= 0) return found;
    }
    return -1;
  }

  // Does something in the present clock; what was kept of later ones no longer holds.
  edit(edit) {
    const same = other => other.clock === edit.clock
      && (edit.pin ? other.pin === edit.pin : other.address === edit.address);
    this.edits = [...this.edits.filter(other => !same(other)), edit]
      .sort((one, other) => one.clock - other.clock);
    this.redo(edit.clock);
  }

  // Puts other edits in the place of all.
  change(edits, clock) {
    this.edits = edits;
    this.begin();
    this.goTo(clock);
  }

  redo(from) {
    const clock = this.clock;
    this.keys = this.keys.filter(key => key.clock <= from);
    const key = this.keys.at(-1);
    this.restore(key);
    this.evaluate();
    this.goTo(clock);
  }
}
Machine.FETCH = numberOf("step", "FETCH");
Machine.ENTER = numberOf("step", "ENTER");
