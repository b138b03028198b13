// The score of a run: each clock a column, with its carries, the byte on the bus, registers, flags, pins.

const STAVES = [["vectors", "vector"], ["program", ""], ["memory", ""], ["stack", "stack"], ["page 00", ""]];
const STAVE = 44, WIRE = 22, PIN = 56;
const NOTED = [["A", "register_a"], ["X", "register_x"], ["Y", "register_y"], ["S", "stack.pointer"]];
const IN_P = ["N", "V", "D", "I", "Z", "C"];
const pinName = pin => pin.slice(0, -2).toUpperCase();

// All that the score shows of the clock in which a machine stands.
function noteOf(m) {
  const flags = m.flop("status.flags"), operation = DATA.enums.operation[m.wire("alu.operation")];
  const [purpose, sum] = adderWords(m);
  return {
    clock: m.clock, name: m.name, began: m.began, fetched: m.fetched, address: m.address, byte: m.byte,
    write: m.write, step: m.wire("control.step"), purpose, sum, chain: operation in DATA.chain,
    carry: m.wire("alu.carry"), left: m.wire("alu.a"), operand: m.wire("alu.operand"), total: m.wire("alu.sum"),
    kept: NOTED.map(([, name]) => m.flop(name)), p: (flags & 15) | (flags & 48) << 2, levels: {...m.levels},
    pcCarry: m.wire("pc_adder.carry"), stackCarry: m.wire("stack.adder.carry"), pc: m.flop("pc"),
    steps: DATA.enums.pc[m.wire("control.word__pc")] === "INCREMENT" && !m.wire("control.word__pc_holds"),
    moves: ["", "push", "pull", ""][m.wire("stack.move")],
    pushes: Boolean(m.write) && DATA.enums.left[m.wire("control.word__action__left")] === "STATUS",
  };
}

const stackWords = ({moves, kept: [,,, s]}) => moves && `S goes ${moves === "push" ? `down: ${hex(s)} + FF` : `up: ${hex(s)} + 1`} = ${hex(s + (moves === "push" ? 255 : 1) & 255)}`;
const addsOf = note => !note.chain ? "none" : /^an address/.test(note.purpose) ? "address"
  : /^the data/.test(note.purpose) ? "data" : "none";
const unheeded = note => /^(discarded|read once more|read where)/.test(clockWords(note));

// `notes` are clocks in a row; `now` is the one of the cursor. `acts`: what a grip does.
class Score {
  constructor(width, notes, now, listing, acts) {
    Object.assign(this, {notes, now, acts, listing});
    this.head = width < 560 ? 74 : 104;
    this.pitch = Score.pitch(width);
    this.end = this.head + notes.length * this.pitch;
    this.program = new Set(listing.memory.flatMap(([address, bytes]) =>
      Array.from({length: bytes.length / 2}, (_, i) => address + i)));
    this.root = svg("svg", {class: "drawn score", role: "group", "aria-label": "The score of the run"});
    this.heads = svg("g", {class: "heads"});
    this.lanes = svg("g", {
      class: "lanes", role: "slider", tabindex: 0, "data-key": "score", "aria-label": "Clock", "aria-valuemin": 0,
      "aria-valuemax": LAST_CLOCK, "aria-valuenow": now.clock, "aria-valuetext": sentenceOf(now)});
    this.cursor = svg("rect", {class: "cursor", x: this.x(now.clock), width: this.pitch, y: 1, rx: 7});
    this.lanes.append(this.cursor);
    this.y = 18;
    this.clocks();
    this.sequences();
    this.adder();
    this.bus();
    this.registers();
    this.status();
    this.pins();
    this.cursor.setAttribute("height", this.y - 2);
    this.root.append(this.lanes, this.heads);
    sized(this.root, width, this.y);
  }

  static pitch(width) { return width < 560 ? 46 : 54; }
  static columns(width) { return Math.max(4, Math.floor((width - (width < 560 ? 74 : 104) - 4) / Score.pitch(width))); }

  x(clock) { return this.head + (clock - this.notes[0].clock) * this.pitch; }
  middle(note) { return this.x(note.clock) + this.pitch / 2; }
  put(...nodes) { this.lanes.append(...nodes); }
  named(words, y, term = "") {
    this.heads.append(text(2, y, words, term ? "name term" : "name", term ? {tabindex: 0, "data-term": term} : {}));
  }

  rule() { this.put(line([[0, this.y], [this.end, this.y]], "bar")); }

  clocks() {
    const few = this.now.clock > 99999 ? 2 : 1;
    this.heads.append(text(2, this.y, "clock", "small quiet"));
    for (const note of this.notes) if (note.clock % few === 0 || note === this.now)
      this.put(text(this.middle(note), this.y, note.clock, note === this.now ? "small middle strong" : "small quiet middle"));
    this.y += 10;
  }

  // What is done: a bracket over all clocks of an instruction or an interrupt.
  sequences() {
    const {notes} = this;
    for (let i = 0; i < notes.length;) {
      let end = i;
      while (end < notes.length && notes[end].began === notes[i].began) end++;
      const from = this.x(notes[i].clock), to = from + (end - i) * this.pitch, entered = isEntry(notes[i].name);
      const here = notes[i].began === this.now.began, words = entered ? notes[i].name : sourceOf(this.listing, notes[i]);
      const most = Math.floor((to - from - 10) / 8.6);
      this.put(svg("g", {class: `sequence${here ? " here" : ""}${entered ? " entered" : ""}`, "data-clock": notes[i].began},
        svg("title", {}, `${words}, from clock ${notes[i].began}`),
        svg("rect", {x: from + 2, y: this.y, width: to - from - 4, height: 30, rx: 6}),
        text(from + 10, this.y + 20, words.length > most ? `${words.slice(0, Math.max(1, most - 1))}…` : words, "source-words")));
      i = end;
    }
    this.y += 36;
  }

  // The carries of an adder in one clock as a line of water, the highest bit at the left.
  water(note, carries, wires, high, low) {
    const cell = (this.pitch - 8) / wires, from = this.x(note.clock) + 4, x = at => from + at * cell;
    const on = at => carries >> wires - 1 - at & 1, points = [];
    for (let at = 0; at < wires; at++) points.push([x(at), on(at) ? high : low], [x(at + 1), on(at) ? high : low]);
    const found = [svg("path", {class: "water", d: `M${points.map(([u, y]) => `${u.toFixed(1)} ${y}`).join("L")}L${x(wires)} ${low}H${from}Z`})];
    for (let i = 0; i + 1 < points.length; i++)
      found.push(line([points[i], points[i + 1]], points[i][1] !== points[i + 1][1] ? "edge" : points[i][1] === high ? "high" : "off"));
    return found;
  }

  // The adders of each clock: that of numbers and addresses, and those that count PC and S.
  adder() {
    this.named("carries", this.y + 26, "carry");
    this.heads.append(text(2, this.y + 58, "it adds", "small quiet"));
    for (const note of this.notes) {
      const kind = addsOf(note), high = this.y + 12, low = this.y + 40, middle = this.middle(note);
      const bed = y => line([[this.x(note.clock) + 4, y], [this.x(note.clock) + this.pitch - 4, y]], "bed");
      this.put(svg("g", {class: "adds"}, svg("title", {}, `${note.purpose}: ${note.sum}`), bed(low),
        ...kind === "none" ? [text(middle, this.y + 58, "–", "tiny middle quiet")]
          : [...this.water(note, note.carry, 9, high, low), text(middle, this.y + 58, kind, "tiny middle"),
             text(middle, this.y + 73, `${hex(note.left)}+${hex(note.operand)}`, "tiny middle mono")]));
      const pc = this.y + 104, s = this.y + 132;
      this.put(svg("g", {class: "adds"}, svg("title", {}, note.steps ? `PC steps on: ${hex(note.pc, 4)} + 1` : "PC does not step on"),
        bed(pc), ...note.steps ? this.water(note, note.pcCarry, 17, pc - 16, pc) : []));
      this.put(svg("g", {class: "adds"}, svg("title", {}, stackWords(note) || "S stays"),
        bed(s), ...note.moves ? this.water(note, note.stackCarry, 9, s - 16, s) : []));
    }
    this.heads.append(text(2, this.y + 102, "PC + 1", "small"), text(2, this.y + 130, this.head < 100 ? "S ± 1" : "S + 1, S - 1", "small"));
    this.y += 146;
  }

  staveOf({address}) {
    return address >= 0xFFFA ? 0 : address >> 8 === 1 ? 3 : address < 0x100 ? 4 : this.program.has(address) ? 1 : 2;
  }

  // One byte in each clock, on the line of the part of memory where it lies.
  bus() {
    this.rule();
    const top = this.y, at = note => top + this.staveOf(note) * STAVE + 19;
    STAVES.forEach(([name, term], i) => {
      const y = top + i * STAVE + 19;
      this.named(name, y + 6, term);
      this.put(line([[this.head, y], [this.end, y]], "bed"));
    });
    this.put(line(this.notes.map(note => [this.middle(note), at(note)]), "melody"));
    const wide = Math.min(42, this.pitch - 8);
    for (const note of this.notes) {
      const x = this.middle(note), y = at(note), kind = note.write ? "writes" : unheeded(note) ? "unheeded" : "reads";
      this.put(svg("g", {class: `note ${kind}`}, svg("title", {}, sentenceOf(note)),
        svg("rect", {x: x - wide / 2, y: y - 13, width: wide, height: 25, rx: note.write ? 3 : 12}),
        text(x, y + 6, hex(note.byte), "middle mono byte"),
        text(x, y + 24, hex(note.address, 4), "tiny middle mono quiet")));
    }
    this.y = top + STAVES.length * STAVE;
  }

  // What is kept, written where it changes and held as long as the line goes on.
  registers() {
    this.rule();
    this.y += 4;
    NOTED.forEach(([name], i) => {
      const y = this.y + 10;
      this.named(name, y + 6, name === "S" ? "stack" : "");
      let from = null;
      this.notes.forEach((note, n) => {
        const value = note.kept[i], x = this.middle(note), last = n ? this.notes[n - 1].kept[i] : null;
        if (value !== last || note === this.now) {
          if (from !== null) this.put(line([[from + 16, y], [x - 14, y]], "tie"));
          this.put(text(x, y + 5, hex(value), `middle mono ${value !== last && n ? "changed" : ""}${note === this.now ? " strong" : ""}`));
          from = x;
        }
      });
      if (from + 16 < this.end) this.put(line([[from + 16, y], [this.end, y]], "tie"));
      this.y += 22;
    });
    this.y += 4;
  }

  wires(y, value) {
    const {notes} = this, points = [];
    for (const note of notes) {
      const level = value(note) ? y - 6 : y + 6;
      points.push([this.x(note.clock), level, value(note)], [this.x(note.clock) + this.pitch, level, value(note)]);
    }
    for (let i = 0; i + 1 < points.length; i++)
      this.put(line([points[i], points[i + 1]], points[i][1] !== points[i + 1][1] ? "edge" : points[i][2] ? "on" : "off"));
  }

  // The flags as wires: a byte that is pushed has B beside them.
  status() {
    this.rule();
    this.y += 4;
    IN_P.forEach(name => {
      const bit = DATA.flagBits[name.toLowerCase()];
      this.named(name, this.y + 15, {N: "n", Z: "z", V: "v", C: "c", I: "i", D: "d"}[name] || "");
      this.wires(this.y + 9, note => note.p >> bit & 1);
      this.y += WIRE;
    });
    const y = this.y + 9;
    this.named("(B)", y + 6, "b");
    this.put(line([[this.head, y], [this.end, y]], "bed"));
    for (const note of this.notes) if (note.pushes)
      this.put(svg("g", {class: `note ${note.byte & 16 ? "writes" : "reads"}`}, svg("title", {}, "B in the pushed byte"),
        svg("rect", {x: this.middle(note) - 16, y: y - 10, width: 32, height: 20, rx: 3}),
        text(this.middle(note), y + 5, note.byte >> 4 & 1, "middle mono byte")));
    this.y += WIRE + 6;
  }

  // The pins as wires, with grips to hold one low or to pulse it, from the cursor on.
  pins() {
    this.rule();
    for (const pin of PINS) {
      const name = pinName(pin), y = this.y + PIN / 2, low = !this.now.levels[pin];
      const grip = (x, key, label, act, wide, mark, attributes) => this.heads.append(svg("g", {
        class: `grip${low && key === "hold" ? " on" : ""}`, tabindex: 0, "data-key": `${key}-${pin}`, "aria-label": label,
        onclick: act, onkeydown: event => { if (event.key === " " || event.key === "Enter") { event.preventDefault(); event.stopPropagation(); act(); } },
        ...attributes,
      }, svg("title", {}, label), svg("rect", {x, y: this.y + 25, width: wide, height: 25, rx: 5}),
         wide < 40 ? svg("path", {d: mark(x + wide / 2, this.y + 37.5), class: "grip-mark"})
           : text(x + wide / 2, this.y + 42, key, "small middle")));
      this.named(name, this.y + 18, pin.slice(0, -2));
      const wide = (this.head - 18) / 2;
      grip(2, "hold", `${name}: held low from here on`, () => this.acts.hold(pin), wide,
           (x, at) => `M${x - 13} ${at - 6}h8v12h18`, {role: "switch", "aria-checked": low ? "true" : "false"});
      grip(wide + 8, "pulse", `${name}: low for two clocks from here`, () => this.acts.pulse(pin), wide,
           (x, at) => `M${x - 13} ${at - 6}h8v12h10v-12h8`, {role: "button"});
      this.wires(y, note => note.levels[pin]);
      this.y += PIN;
    }
    this.y += 6;
  }
}
