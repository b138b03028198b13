// The adder as a drawing: bits in columns, the water line of the carries, and the flags that come of it.

const KINDS = {make: "▲", pass: "◂", stop: "■"};

// `model`: left, m, operand, carry, sum, result and what they are called; `flags`, if they are
// drawn, and `final...`, what each will be once all is at rest. `options`: `turn` is told which bit
// was clicked, `look` what is pointed at.
class ChainDrawing {
  constructor(width, model, options = {}) {
    Object.assign(this, {width, model, options});
    const narrow = this.narrow = width < 560;
    this.box = narrow ? 42 : 62;
    this.wireEnd = this.box + 3;
    this.margin = this.wireEnd + (narrow ? 16 : 48);
    this.right = narrow ? 12 : 52;
    this.pitch = Math.min(124, (width - this.margin - this.right) / 8);
    this.tile = Math.min(58, this.pitch - 6);
    this.root = svg("svg", {class: "drawn", role: "group", "aria-label": model.label});
    this.parts = [];  // nodes, and what lights them
    this.flags = [];
    this.y = 14;
    this.inputs();
    if (model.carry !== undefined) this.line();
    this.result();
    for (const [name, y] of this.flags) this.flag(name, y);
    sized(this.root, width, Math.ceil(this.y + 12));
    if (options.look) this.listen();
    this.root.addEventListener("keydown", event => moveAmong(this.root, event));
  }

  column(bit) { return this.margin + this.pitch * (7.5 - bit); }
  gap(carry) { return this.margin + this.pitch * (8 - carry); }
  add(node, ...lights) {
    this.root.append(node);
    this.parts.push([node, lights.filter(Boolean)]);
    return node;
  }

  // The bytes that go in.
  inputs() {
    const {model, options, narrow, tile} = this;
    if (!options.plain) {
      if (!narrow) {
        this.add(text(2, this.y, "bit", "small quiet"));
        for (let bit = 7; bit >= 0; bit--) this.add(text(this.column(bit), this.y, bit, "small quiet middle"));
        this.y += 18;
      }
      this.add(text(2, this.y, narrow ? "bit" : "worth", "small quiet"));
      for (let bit = 7; bit >= 0; bit--)
        this.add(text(this.column(bit), this.y, narrow ? bit : bit === 7 ? "128 / -128" : 1 << bit, "small quiet middle"));
      this.y += 10;
    }
    const chained = model.operand !== undefined, other = chained && model.besideName !== "M";
    this.y += tile / 2;
    this.row(model.leftName, model.left, tile, {turn: options.turn && "a", lights: bit => model.lights("left", bit)});
    if (model.m !== undefined) {
      this.y += tile + 8;
      this.row("M", model.m, tile, {turn: options.turn && "m", lights: bit => other ? [] : model.lights("beside", bit)});
    }
    if (other) {
      this.y += tile * 0.92 + 6;
      this.row(model.besideName, model.operand, tile * 0.84, {lights: bit => model.lights("beside", bit)});
    }
    this.y += tile / 2;
  }

  // A row of bits, its middle at `y`.
  row(name, byte, size, {turn, sum, lights, final = byte}) {
    const {y} = this, half = size / 2;
    if (name) this.add(text(2, y + 6, name, "label"));
    for (let bit = 7; bit >= 0; bit--) {
      const on = byte >> bit & 1, x = this.column(bit);
      const attributes = turn ? {
        role: "switch", "aria-checked": on ? "true" : "false", "data-key": `${turn}${bit}`, class: "tile turns",
        tabindex: bit === 7 ? 0 : -1, "aria-label": `${name} bit ${bit}, worth ${1 << bit}`,
        onclick: () => this.options.turn(turn, bit),
      } : sum && this.options.look ? {
        role: "button", tabindex: bit === 7 ? 0 : -1, "data-key": `sum${bit}`, class: "tile points",
        "aria-label": `result bit ${bit} is ${on}: why`, "data-look": `s${bit}`,
      } : {class: "tile"};
      this.add(svg("g", attributes,
        svg("rect", {x: x - half, y: y - half, width: size, height: size, rx: sum ? half : 6,
                     class: `cell ${on ? "on" : "off"}${(byte ^ final) >> bit & 1 ? " not-yet" : ""}`}),
        text(x, y + 7, on, `digit middle ${on ? "on" : "off"}`)), ...lights(bit));
    }
  }

  // The carries as one line from the right to the left, high where there is one.
  line() {
    const {model, narrow, root} = this, soft = Math.min(18, this.pitch / 2 - 2);
    this.y += (narrow ? 16 : 24);
    for (let bit = 7; bit >= 0; bit--) {
      const kind = model.kind(bit);
      this.add(text(this.column(bit), this.y, narrow ? KINDS[kind] : `${KINDS[kind]} ${kind}`,
                    `small middle kind-${kind}`), `s${bit}`, bit === 7 && "c", bit >= 6 && "v");
    }
    const room = model.set?.length ? 22 : 0, low = this.y + 58 + room, high = this.y + 20 + room, end = this.gap(0) + this.right - 8;
    const level = carry => model.carry >> carry & 1 ? high : low - 2;
    const pieces = [];
    for (let carry = 0; carry <= 8; carry++) {
      const from = carry ? this.column(carry - 1) : end, to = carry < 8 ? this.column(carry) + soft : this.wireEnd;
      const here = level(carry), before = level(carry - 1);
      pieces.push((carry ? `${from + soft} ${before}C${from} ${before} ${from} ${here} ${from - soft} ${here}`
        : `${from} ${here}`) + `L${to} ${here}`);
    }
    root.append(svg("path", {d: `M${pieces.join("L")}V${low}H${end}Z`, class: "water"}));
    root.append(line([[this.wireEnd, low], [end, low]], "bed"));
    pieces.forEach((piece, carry) => {
      const on = model.carry >> carry & 1, wrong = (model.carry ^ model.finalCarry) >> carry & 1;
      const lights = [carry === 8 && "c", carry >= 7 && "v", carry < 8 && `s${carry}`];
      this.add(svg("path", {d: `M${piece}`, class: `wave ${on ? "on" : "off"}${wrong ? " not-yet" : ""}`}), ...lights);
      this.add(text(this.gap(carry), on ? low - 9 : low - 8, on, `middle ${on ? "water-digit" : "quiet small"}`), ...lights);
      const name = carry ? `c${carry}` : narrow ? "c0" : model.carryIn || "c0", hung = carry >= 7 && model.flags;
      this.add(text(this.gap(carry) + (hung ? 5 : 0), low + 17, name, `small quiet ${hung ? "" : "middle"}`), ...lights);
    });
    this.y = low + 18;
    if (!model.flags) return;
    this.flags.push(["c", Math.min(high + 17, low - 18)]);
    if (model.set.length) {
      root.append(...model.set.map(carry => svg("path", {class: "set", d: `M${this.gap(carry)} ${high - 9}l-6 -9h12z`})));
      if (!narrow) root.append(text(this.gap(model.set[0]) + 11, high - 8, "set: the digit passed 9", "small quiet"));
    }
    const xor = low + 42, middle = this.column(7), half = narrow ? 16 : 26, at = xor + 34;
    for (const carry of [8, 7]) {
      const side = carry === 8 ? -half : half;
      this.add(line([[this.gap(carry), low], [this.gap(carry), xor], [middle + side, xor]],
                    model.carry >> carry & 1 ? "on" : "off"), "v");
    }
    this.add(svg("rect", {x: middle - half, y: xor - 14, width: 2 * half, height: 28, rx: 14, class: "gate"}), "v");
    this.add(text(middle, xor + 5, "XOR", `${narrow ? "tiny" : "small"} middle`), "v");
    this.add(line([[middle, xor + 14], [middle, at], [this.wireEnd, at]], model.flags.v ? "on" : "off"), "v");
    if (!narrow) this.add(text(this.gap(7) + 14, xor + 9, model.overflow, "small quiet"), "v");
    this.flags.push(["v", at]);
    this.y = at;
  }

  // The sum, or what came of it without one.
  result() {
    const {model, tile} = this, chained = model.carry !== undefined;
    const shown = chained ? model.sum : model.result, {flags} = model;
    this.y += Math.max((chained ? 14 : 26) + tile / 2, chained && flags ? 44 : 0);
    const own = model.judged !== "digits";  // N and Z hang on this row, not on that of the digits
    const judge = () => {
      if (!flags || model.bitTest) return;
      this.add(line([[this.column(7) - tile / 2, this.y], [this.wireEnd, this.y]], flags.n ? "on" : "off"), "n");
      this.flags.push(["n", this.y]);
    };
    if (own) judge();
    this.row(flags ? own ? "" : "sum" : chained ? "sum" : "result", shown, tile, {
      sum: true, final: model.finalSum ?? shown,
      lights: bit => [`s${bit}`, own && "z", own && bit === 7 && !model.bitTest && "n"]});
    if (!flags) { this.y += tile / 2; return; }
    if (own && !this.narrow) this.add(text(this.column(0) + tile / 2 + 5, this.y + 5, chained ? "sum" : "result", "small quiet"));
    if (!own) {
      this.y += tile + 12;
      judge();
      this.row("", model.result, tile, {lights: bit => ["z", bit === 7 && "n"], final: model.finalResult});
      if (!this.narrow) this.add(text(this.column(0) + tile / 2 + 5, this.y + 5, "digits", "small quiet"));
    }
    const at = this.y, low = own ? shown : model.result;
    const bar = at + tile / 2 + 16, z = Math.max(bar, at + 42);
    for (let bit = 7; bit >= 0; bit--)
      this.add(line([[this.column(bit), at + tile / 2], [this.column(bit), bar]], low >> bit & 1 ? "on" : "off"), "z");
    this.add(line([[this.column(0), bar], [this.margin - 8, bar], [this.margin - 8, z], [this.wireEnd, z]], flags.z ? "on" : "off"), "z");
    this.add(text(this.column(0) + 8, bar + 19, this.narrow ? "NOR" : "NOR: 1 while no bit is 1", "small quiet end"), "z");
    this.flags.push(["z", z]);
    this.y = z + 22;
    if (model.digits && own) {
      this.y += tile * 0.42 + 12;
      this.row(this.narrow ? "digits" : "as digits", model.result, tile * 0.84, {lights: () => [], final: model.finalResult});
      this.y += tile * 0.42;
    }
    for (const [name, words] of model.hung || []) {
      this.y += 22;
      this.flags.push([name, this.y]);
      this.add(text(this.wireEnd + 12, this.y + 5, words, "small quiet"), name);
      this.y += 22;
    }
  }

  flag(name, y) {
    const {model, narrow} = this, on = model.flags[name], kept = !model.updated.includes(name);
    const wrong = model.finalFlags && model.finalFlags[name] !== on;
    this.add(svg("g", {
      class: `flag points ${on ? "on" : "off"}${kept ? " kept" : ""}`, role: "button", tabindex: 0,
      "data-key": `flag-${name}`, "data-look": name,
      "aria-label": `${FLAG_WORDS[name]}: ${on}${kept ? ", but this instruction leaves it alone" : ""}`,
    }, svg("rect", {x: 3, y: y - 18, width: this.box, height: 36, rx: 5, class: `flag-box${wrong ? " not-yet" : ""}`}),
       text(3 + this.box * 0.31, y + 7, name.toUpperCase(), "flag-name"),
       text(3 + this.box * 0.71, y + 7, kept && !narrow ? `(${on})` : on, `digit ${on ? "on" : "off"}`)), name);
  }

  // What is pointed at, or has the focus, leaves only its own wires lit.
  look(what) {
    for (const [node, lights] of this.parts)
      node.classList.toggle("dim", Boolean(what) && !lights.includes(what));
    this.options.look(what);
  }

  listen() {
    for (const node of this.root.querySelectorAll("[data-look]"))
      for (const [event, what] of [["pointerenter", node.dataset.look], ["pointerleave", ""],
                                   ["focus", node.dataset.look], ["blur", ""]])
        node.addEventListener(event, () => this.look(what));
  }
}

// Arrows go from bit to bit; a key that clicks, clicks.
function moveAmong(root, event) {
  const found = /^(a|m|sum)([0-7])$/.exec(event.target.getAttribute?.("data-key") || "");
  if (!found) return;
  if (event.key === " " || event.key === "Enter") {
    event.preventDefault();
    event.target.dispatchEvent(new MouseEvent("click"));
    return;
  }
  const rows = ["a", "m", "sum"].filter(row => root.querySelector(`[data-key="${row}0"]`));
  const at = rows.indexOf(found[1]), bit = Number(found[2]);
  const go = {ArrowLeft: [at, bit + 1], ArrowRight: [at, bit - 1], ArrowUp: [at - 1, bit],
              ArrowDown: [at + 1, bit], Home: [at, 7], End: [at, 0]}[event.key];
  if (!go) return;
  event.preventDefault();
  root.querySelector(`[data-key="${rows[go[0]]}${go[1]}"]`)?.focus();
}
