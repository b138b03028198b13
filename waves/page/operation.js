// One operation: its bits, the water line of its carries, and the flags that hang on them.

const alus = Object.fromEntries(DATA.variants.map(variant => [variant, new Alu(variant)]));
const asked = () => ({mnemonic: state.op, variant: state.on, left: state.a, m: state.m,
                      c: state.c, d: state.d});
const present = () => operate(alus[state.on], asked());
const FLAG_WORDS = {n: "Negative", v: "oVerflow", z: "Zero", c: "Carry"};
const EXAMPLES = [
  ["80 + 80 is -96", {op: "ADC", a: 0x50, m: 0x50, c: 0, d: 0}],
  ["-128 < 1, yet not 'negative'", {op: "CMP", a: 0x80, m: 0x01, c: 0, d: 0}],
  ["the longest carry", {op: "ADC", a: 0xFF, m: 0x01, c: 0, d: 0}],
  ["a borrow is no carry", {op: "SBC", a: 0x50, m: 0xF0, c: 1, d: 0}],
  ["99 + 1 in decimal", {op: "ADC", a: 0x99, m: 0x01, c: 0, d: 1}],
  ["a shift is a sum", {op: "ASL", a: 0xC1, m: 0, c: 0, d: 0}],
];

// The wires over time, and the slider's place among them.
function drawStrip(width, op, steps, now) {
  const names = [...op.chain ? ["c1", "c2", "c3", "c4", "c5", "c6", "c7", "c8"] : [],
                 ...["n", "v", "z", "c"].filter(name => op.chain || op.use.flags.includes(name))];
  const left = 52, high = 20, last = steps.length - 1;
  const unit = (width - left - 24) / Math.max(last, 1), x = step => left + step * unit;
  const root = svg("svg", {class: "drawn", role: "img",
                           "aria-label": `${names.length} wires over ${last} gate delays`});
  const value = (name, step) => /^c\d$/.test(name) ? steps[step].carry >> name[1] & 1 : steps[step][name];
  names.forEach((name, i) => {
    const y = 30 + i * (high + 10), end = value(name, last);
    root.append(text(8, y + 5, name.length === 1 ? name.toUpperCase() : name, name.length === 1 ? "label" : ""));
    for (let step = 0; step <= last; step++) {
      const is = value(name, step), next = step < last ? x(step + 1) : x(step) + 20;
      const top = is ? y - 9 : y + 6;
      if (is !== end) root.append(svg("rect", {x: x(step), y: y - 11, width: next - x(step), height: high, class: "early"}));
      root.append(line([[x(step), top], [next, top]], is ? "on" : "off"));
      if (step && value(name, step - 1) !== is) root.append(line([[x(step), y - 9], [x(step), y + 6]], "edge"));
    }
  });
  const height = 34 + names.length * (high + 10);
  for (let step = 0; step <= last; step += last > 14 && width < 700 ? 4 : last > 8 ? 2 : 1)
    root.append(text(x(step), 12, step, "small quiet middle"));
  root.append(line([[x(now), 16], [x(now), height - 4]], "now"));
  return sized(root, width, height);
}

const REST = {left: 0, m: 0, c: 0};
let settled = [], drawn = null;

function modelOf(op, step) {
  const {ports, use} = op, now = step || ports, bitTest = use.name === "BIT", right = /RIGHT/.test(use.name);
  const c8 = now.carry >> 8 & 1, c7 = now.carry >> 7 & 1;
  return {
    label: `${op.mnemonic}: the adder, bit 7 at the left`, leftName: leftName(op), left: ports.a,
    m: use.operand ? ports.b : undefined, besideName: op.chain ? besideOf(op) : "M",
    operand: op.chain ? now.operand : undefined, kind: bit => kindOf(op, bit),
    carry: op.chain ? now.carry : undefined, finalCarry: ports.carry,
    carryIn: {C: "c0 = C", 1: "c0 = 1", 0: "c0 = 0"}[DATA.chain[use.name]],
    digits: op.chain && decimalAt(op), finalResult: ports.result,
    judged: op.chain && decimalAt(op) && op.variant === "cmos" ? "digits" : "sum",
    set: decimalAt(op) && use.name === "ADD" ? setCarries(op) : [],
    overflow: step ? "not yet at rest" : c7 === c8 ? c7 ? "a carry went into bit 7, and one came out: it fits" : "no carry went into bit 7, and none came out: it fits"
      : c7 ? "a carry went into bit 7, and none came out: it does not fit" : "no carry went into bit 7, yet one came out: it does not fit",
    sum: now.sum, result: now.result, finalSum: op.chain ? ports.sum : ports.result,
    flags: {n: now.n, v: now.v, z: now.z, c: now.c}, finalFlags: op.after, updated: use.flags, bitTest,
    lights: (row, bit) => [`s${bit}`, bitTest && row === "beside" && bit === 7 && "n",
                           bitTest && row === "beside" && bit === 6 && "v", right && !bit && "c"],
    hung: [...bitTest ? [["n", "bit 7 of M"], ["v", "bit 6 of M"]] : [],
           ...right ? [["c", `bit 0 of ${leftName(op)}, which falls out`]] : []],
  };
}

// The carries that the decimal correction sets, where the chain has none: 4, and 8 for C alone.
function setCarries(op) {
  const {a, operand, carry} = op.ports, half = a % 16 + operand % 16 + (carry & 1);
  return [...carry & 16 && half < 16 ? [4] : [], ...op.after.c && !(carry >> 8 & 1) ? [8] : []];
}

// What is to be known of an operation before anything is pointed at.
function firstWords(op) {
  const left = leftName(op);
  return {
    ADD: "Point at a flag, or at a bit of the sum, to see where it comes from.",
    SUBTRACT: `Minus M is NOT M plus 1, so the adder subtracts by adding NOT M and C. With C 1 that is ${left} - M, with C 0 one less: C 0 is a borrow.`,
    COMPARE: `A compare subtracts, ${left} + NOT M + 1, keeps the flags and drops the sum. ${op.use.flags.includes("v") ? "" : "It does not write V: the dashed value is what the adder says."}`,
    INCREMENT: "One more: a carry sent in at the right, with nothing beside it.",
    DECREMENT: "One less is adding FF, which is -1.",
    SHIFT_LEFT: "A byte added to itself is the byte shifted left by one place.",
    ROTATE_LEFT: "A byte added to itself is shifted left; C comes in at the right.",
  }[op.use.name] || `${op.mnemonic} does not use the adder: no carry runs.`;
}

function reasonWords(op, what) {
  if (!what) {
    const late = decimalAt(op) && setCarries(op).includes(8) ? "C is 1 because the high digit went past 9, though c8 is 0" : "";
    return [digitNote(op), late].filter(Boolean).map(words => `${words}.`).join(" ") || firstWords(op);
  }
  if (/^s/.test(what)) return op.chain ? sumReason(op, +what[1])
    : `bit ${what[1]} of the result, by ${op.mnemonic} of this column alone`;
  const name = what.toUpperCase();
  if (!op.use.flags.includes(what))
    return op.chain && what === "v"
      ? `${op.mnemonic} leaves V alone: the flag stays what it was. The adder says ${op.after.v}: ${reasonsOf(op).v.join("; ")}.`
      : `${op.mnemonic} leaves ${name} alone: the flag stays what it was.`;
  const [wire, says] = reasonsOf(op)[what];
  return `${name} is ${op.after[what]} because ${wire}${says ? `; ${says}` : ""}.`;
}

function drawOperation() {
  const op = present();
  settled = alus[op.variant].settle(op.use, {...REST, d: op.d},
    {left: op.left, m: op.use.operand ? op.m : 0, c: op.c, d: op.d});
  const last = settled.length - 1;
  const step = state.delay < 0 ? last : Math.min(state.delay, last);
  byId("op-title").textContent = `${op.mnemonic}: ${meaningOf(op)[0]}`;
  byId("op-mode").textContent = meaningOf(op)[1];
  const width = roomOf(byId("chain"));
  drawn = new ChainDrawing(width, modelOf(op, step < last ? settled[step] : null), {
    turn: (row, bit) => set({[row]: state[row] ^ 1 << bit}),
    look: what => { byId("because").textContent = (what && step < last ? "At rest: " : "") + reasonWords(op, what); },
  });
  replace(byId("chain"), drawn.root);
  byId("because").textContent = reasonWords(op, "");
  const reasons = reasonsOf(op);
  replace(byId("flags"), ...["n", "v", "z", "c"].map(name => {
    const written = op.use.flags.includes(name), [wire, says] = reasons[name] || ["", ""];
    return el("div", {
      class: `flag-row${written ? "" : " kept"}`, tabindex: 0, "data-key": `reason-${name}`, "data-term": name,
      onpointerenter: () => drawn.look(name), onpointerleave: () => drawn.look(""),
      onfocus: () => drawn.look(name), onblur: () => drawn.look(""),
    }, el("span", {class: `flag-value ${written && op.after[name] ? "on" : "off"}`},
          `${name.toUpperCase()} ${written ? op.after[name] : "–"}`),
       el("span", {}, written ? wire : `left alone by ${op.mnemonic}`),
       el("span", {class: "quiet"}, written ? says : name === "v" && op.chain ? `the adder says ${op.after.v}: ${wire}` : ""));
  }));
  replace(byId("circle"), ...drawCircle(op));
  const slider = byId("delay");
  slider.max = last;
  slider.value = step;
  const wrong = ["n", "v", "z", "c"].filter(name => settled[step][name] !== op.after[name]);
  byId("delay-told").textContent = step === last ? `${last} gate delays: all at rest`
    : `after ${step} of ${last}` + (wrong.length
      ? `: ${wrong.map(name => `${name.toUpperCase()} still shows ${settled[step][name]}`).join(", ")}` : ": flags as they will stay");
  replace(byId("strip"), drawStrip(roomOf(byId("strip")), op, settled, step));
  byId("op-command").textContent = commandOf(op, step < last ? "settle" : "op");
}

function makeOperation() {
  const choose = (name, label, options) => el("label", {}, label, " ", el("select", {
    name, onchange: event => set({[name]: event.target.value, delay: -1}),
  }, options.map(one => el("option", {value: one}, one))));
  const byte = name => el("label", {"data-of": name}, el("span", {class: "byte-name"}, name.toUpperCase()), " ",
    el("input", {name, type: "text", inputmode: "text", size: 9, spellcheck: "false",
      "aria-describedby": "asked-wrong", oninput: event => {
        const value = readByte(event.target.value), begun = /^\s*(\$|%|[+-]|0[xb])?\s*$/i.test(event.target.value);
        tell("asked-wrong", value === null && !begun ? byteTrouble(name.toUpperCase(), event.target.value) : "");
        event.target.setAttribute("aria-invalid", value === null && !begun ? "true" : "false");
        if (value !== null) set({[name]: value, delay: -1});
      }, onchange: event => {
        const value = readByte(event.target.value);
        tell("asked-wrong", value === null ? byteTrouble(name.toUpperCase(), event.target.value) : "");
        event.target.setAttribute("aria-invalid", value === null ? "true" : "false");
        writeAsked(value !== null);
      }}),
    el("span", {class: "readings", id: `${name}-reads`}));
  const bit = (name, label) => el("button", {type: "button", name, "aria-pressed": "false", class: "bit",
    onclick: () => set({[name]: 1 - state[name], delay: -1})}, label);
  byId("asked").append(
    choose("op", "Instruction", Object.keys(DATA.uses)), choose("on", "on", DATA.variants),
    byte("a"), byte("m"), bit("c", "C"), bit("d", "D"));
  byId("asked").addEventListener("submit", event => event.preventDefault());
  byId("asked").append(el("span", {id: "asked-wrong", class: "wrong", role: "alert", hidden: true}));
  byId("examples").append(...EXAMPLES.map(([words, values]) => el("button", {type: "button",
    "aria-pressed": "false",
    onclick: () => {
      for (const name of ["a", "m"]) byId("asked").elements[name].setAttribute("aria-invalid", "false");
      tell("asked-wrong", "");
      set({on: "nmos", ...values, delay: -1});
      say(words);
    }}, words)));
  byId("delay").addEventListener("input", event =>
    set({delay: +event.target.value === settled.length - 1 ? -1 : +event.target.value}));
  byId("play").addEventListener("click", playDelays);
  byId("op-copy").addEventListener("click", () => copy(byId("op-command").textContent));
  byId("op-save").addEventListener("click", () =>
    saveFigure([...byId("chain").querySelectorAll("svg"), ...byId("circle").querySelectorAll("svg")], "operation.svg"));
  parts.push(changed => {
    if (["op", "on", "a", "m", "c", "d", "delay", "all"].some(name => changed.has(name))) {
      drawOperation();
      writeAsked(false);
      [...byId("examples").children].forEach((chip, i) => chip.setAttribute("aria-pressed", String(state.on === "nmos"
        && Object.entries(EXAMPLES[i][1]).every(([name, value]) => name === "m" && !DATA.uses[state.op].operand || state[name] === value))));
      const op = present();
      if (!changed.has("delay") || changed.size > 1) say(`${op.mnemonic}: ${op.chain ? "sum" : "result"} ${hex(op.ports.result)}; `
        + [...op.use.flags].map(name => `${name.toUpperCase()} ${op.after[name]}`).join(", "));
    }
  });
}

function writeAsked(force) {
  const form = byId("asked"), use = DATA.uses[state.op];
  form.elements.op.value = state.op;
  form.elements.on.value = state.on;
  for (const name of ["a", "m"]) {
    const input = form.elements[name];
    if (force || document.activeElement !== input && input.getAttribute("aria-invalid") !== "true") {
      input.value = `$${hex(state[name])}`;
      input.setAttribute("aria-invalid", "false");
      if (force) tell("asked-wrong", "");
    }
    const digits = state.d && use.decimal && state.on !== "binary";
    byId(`${name}-reads`).textContent = digits ? ` the digits ${hex(state[name])}` : ` ${state[name]} or ${plus(signed(state[name]))}`;
  }
  form.querySelector("[data-of=a] .byte-name").textContent = DATA.names[use.left === "M" ? "" : use.left.toLowerCase()];
  form.querySelector("[data-of=m]").hidden = !use.operand;
  for (const [name, has] of [["c", use.carry], ["d", use.decimal]]) {
    const button = form.elements[name];
    button.setAttribute("aria-pressed", state[name] ? "true" : "false");
    button.textContent = `${name.toUpperCase()} ${state[name]}`;
    button.classList.toggle("idle", !has);
    button.title = has ? "" : `${state.op} does not heed ${name.toUpperCase()}`;
  }
}

async function copy(words) {
  let told = "Copied";
  try { await navigator.clipboard.writeText(words); } catch { told = "Select and copy it"; }
  say(told);
  byId("op-copy").textContent = told;
  setTimeout(() => { byId("op-copy").textContent = "Copy"; }, 1500);
}

let playing = 0;
function playDelays() {
  if (playing) { clearInterval(playing); playing = 0; byId("play").textContent = "Play"; return; }
  const last = settled.length - 1;
  let at = state.delay < 0 ? 0 : state.delay;
  byId("play").textContent = "Stop";
  set({delay: at});
  playing = setInterval(() => {
    at++;
    set({delay: at >= last ? -1 : at});
    if (at >= last) { clearInterval(playing); playing = 0; byId("play").textContent = "Play"; }
  }, matchMedia("(prefers-reduced-motion: reduce)").matches ? 900 : 250);
}
