// Every input at once: a map of 256 by 256, on which the operation is the cursor.

const MAP_WORDS = {
  nxv: "N XOR V", claim: "a claim",
  ...Object.fromEntries(["n", "v", "z", "c"].map(name => [name, `${name.toUpperCase()}, ${FLAG_WORDS[name]}`])),
  ...Object.fromEntries([1, 2, 3, 4, 5, 6, 7, 8].map(i => [`c${i}`, `carry c${i}`])),
  ...Object.fromEntries(DATA.variants.flatMap(variant =>
    [[`r-${variant}`, `result other than ${variant}'s`], [`f-${variant}`, `a flag other than ${variant}'s`]])),
};

const answers = new Map(), columns = new Map();  // by variant, operation, C and D
function columnsNow(block) {
  const planes = everyOf(state.on, state.op, block.c, block.d);
  if (!columns.has(planes)) {
    if (columns.size > 8) columns.clear();
    columns.set(planes, columnsOf(planes, state.op, block));
  }
  return columns.get(planes);
}
function everyOf(variant, mnemonic, c, d) {
  const use = DATA.uses[mnemonic];
  const key = [variant, mnemonic, use.carry ? c : 0, use.decimal ? d : 0].join();
  if (!answers.has(key)) {
    if (answers.size > 40) answers.clear();
    answers.set(key, alus[variant].every(use, use.carry ? c : 0, use.decimal ? d : 0));
  }
  return answers.get(key);
}

const joined = (planes, join) => {
  const found = new Int32Array(WORDS);
  for (let word = 0; word < WORDS; word++) found[word] = join(...planes.map(plane => plane[word]));
  return found;
};
const differing = (one, other) => one.reduce((found, plane, i) =>
  joined([found, plane, other[i]], (so, x, y) => so | x ^ y), new Int32Array(WORDS));

// The plane of what is shown; what a 1 in it says; whether a 1 is wrong.
function shownPlane(kind) {
  const planes = everyOf(state.on, state.op, state.c, state.d);
  if (kind === "nxv") return {plane: joined([planes.n[0], planes.v[0]], (n, v) => n ^ v), one: "N XOR V is 1", zero: "N XOR V is 0"};
  if (/^c\d$/.test(kind)) return {plane: planes.carry[+kind[1]], one: `${kind} is 1`, zero: `${kind} is 0`};
  if (/^[rf]-/.test(kind)) {
    const other = everyOf(kind.slice(2), state.op, state.c, state.d), flags = [...DATA.uses[state.op].flags];
    const pick = kind[0] === "r" ? all => all.result : all => flags.map(name => all[name][0]);
    return {plane: differing(pick(planes), pick(other)), one: `${MAP_WORDS[kind]}`, zero: "the same in both", wrong: true};
  }
  return {plane: planes[kind][0], one: `${kind.toUpperCase()} is 1`, zero: `${kind.toUpperCase()} is 0`};
}

const colours = () => {
  const style = getComputedStyle(document.body);
  return Object.fromEntries(["one", "zero", "bad", "none", "dot"].map(name => [name,
    style.getPropertyValue(`--map-${name}`).trim().slice(1).match(/../g).map(part => parseInt(part, 16))]));
};

function paint(canvas, plane, axes, wrong, outside) {
  const context = canvas.getContext("2d"), image = context.createImageData(256, 256);
  const pixels = new Uint32Array(image.data.buffer), {one, zero, bad, none, dot} = colours();
  const pack = ([r, g, b], shade = 1) =>
    255 << 24 | b * shade << 16 | g * shade << 8 | r * shade;
  const full = pack(wrong ? bad : one), faint = pack((wrong ? bad : one), 0.78), empty = pack(zero), blank = pack(none), point = pack(dot);
  const flip = axes === "signed" ? 128 : 0;
  for (let a = 0; a < 256; a++) for (let m = 0; m < 256; m++) {
    const x = a ^ flip, y = 255 - (m ^ flip), row = a << 8 | m;
    // What is wrong is hatched one way, what is 1 the other way: not told by colour alone.
    const stripe = wrong ? (x + y) % 6 < 2 : (x - y + 256) % 8 === 0;
    // What is not asked is left blank, with dots.
    if (outside && outside[row >> 5] >>> (row & 31) & 1) pixels[y * 256 + x] = x % 8 || y % 8 ? blank : point;
    else pixels[y * 256 + x] = plane[row >> 5] >>> (row & 31) & 1 ? stripe ? faint : full : empty;
  }
  context.putImageData(image, 0, 0);
}

const axisText = (value, axes) => axes === "signed" ? plus(signed(value)) : String(value);

function frame(axes) {
  const marks = axes === "signed" ? [-128, -64, 0, 64, 127] : [0, 64, 128, 192, 255];
  const place = value => (axes === "signed" ? value + 128 : value) / 255 * 100;
  const mark = (axis, value) => {
    const node = el("span", {class: `mark-${axis}`}, axes === "signed" && value > 0 ? `+${value}` : value);
    node.style[axis === "x" ? "left" : "bottom"] = `${place(value)}%`;
    if (axis === "x" && value === marks.at(-1)) node.classList.add("last");
    if (axis === "x" && value === marks[0]) node.classList.add("first");
    return node;
  };
  return [el("div", {class: "axis x"}, marks.map(value => mark("x", value))),
          el("b", {class: "axis-name x"}, "A →"), el("b", {class: "axis-name y"}, "M ↑"),
          el("div", {class: "axis y"}, marks.map(value => mark("y", value)))];
}

let canvas, cross, lastPaint = "", paintTime = 0;

function drawMap() {
  const begin = performance.now();
  const use = DATA.uses[state.op], op = present();
  const read = state.map === "claim" ? claimPlane() : null;
  const missing = read ? read.error && "the claim cannot be read" : missingOf(state.map);
  byId("map-head").textContent = `${state.op} ${use.operand ? "of all A and M" : "of all bytes"}`
    + `${use.carry ? `, C ${state.c}` : ""}${use.decimal ? `, D ${state.d}` : ""}, ${state.on}: ${MAP_WORDS[state.map]}`;
  const shown = missing ? {plane: new Int32Array(WORDS), one: missing}
    : read || shownPlane(state.map);
  const at = op.left << 8 | (use.operand ? op.m : 0), here = bitOf(shown.plane, at);
  const aside = shown.outside && bitOf(shown.outside, at);
  paint(canvas, shown.plane, state.axes, shown.wrong, shown.outside);
  const flip = state.axes === "signed" ? 128 : 0;
  cross.style.left = `${((state.a ^ flip) + 0.5) / 256 * 100}%`;
  cross.style.bottom = `${((state.m ^ flip) + 0.5) / 256 * 100}%`;
  const rows = use.operand ? 1 : 256, all = (65536 - (shown.outside ? ones(shown.outside) : 0)) / rows, number = ones(shown.plane) / rows;
  byId("map-here").textContent = `${leftName(op)} ${axisText(state.a, state.axes)}`
    + `${use.operand ? `, M ${axisText(state.m, state.axes)}` : ""}: ${missing || (aside ? "not asked: the condition does not hold" : here ? shown.one : shown.zero)}`
    + (/^(v|nxv)$/.test(state.map) && !missing && !use.flags.includes("v") ? ` (as the adder says; ${state.op} leaves V alone)` : "");
  replace(byId("map-legend"), ...missing ? [] : [el("span", {class: `swatch ${shown.wrong ? "bad" : "one"}`}), ` ${shown.one}   `,
          el("span", {class: "swatch zero"}), " all others   ",
          ...shown.outside ? [el("span", {class: "swatch none"}), " not asked"] : []]);
  byId("map-count").textContent = missing ? "" : `${number.toLocaleString("en")} of ${all.toLocaleString("en")} inputs (${(number / (all || 1) * 100).toFixed(1)}%)`;
  canvas.hidden = cross.hidden = Boolean(missing);
  byId("map").parentElement.querySelector(".pad").setAttribute("aria-label",
    `Map. A ${axisText(state.a, state.axes)}, M ${axisText(state.m, state.axes)}. Arrows move by one, with Shift by 16.`);
  showClaim(read?.error);
  paintTime = performance.now() - begin;
}

function missingOf(kind) {
  const use = DATA.uses[state.op], chain = use.name in DATA.chain;
  if (/^c\d$/.test(kind) && !chain) return `${state.op} has no carries: it does not use the adder`;
  if (/^[nvzc]$/.test(kind) && !chain && !use.flags.includes(kind))
    return `${state.op} leaves ${kind.toUpperCase()} alone`;
  if (kind === "nxv" && !chain && !(use.flags.includes("n") && use.flags.includes("v")))
    return `${state.op} leaves V alone`;
  return "";
}

function makeMap() {
  canvas = el("canvas", {width: 256, height: 256, "aria-hidden": "true"});
  cross = el("span", {class: "cross", "aria-hidden": "true"});
  const move = event => {
    const box = canvas.getBoundingClientRect(), flip = state.axes === "signed" ? 128 : 0;
    const at = (part, whole) => Math.max(0, Math.min(255, Math.floor(part / whole * 256)));
    const a = at(event.clientX - box.left, box.width) ^ flip;
    const m = (255 - at(event.clientY - box.top, box.height)) ^ flip;
    if (a !== state.a || m !== state.m) set({a, m, delay: -1});
  };
  const pad = el("div", {class: "pad", tabindex: 0, role: "application", "data-key": "map",
    onpointerdown: event => { pad.setPointerCapture(event.pointerId); move(event); },
    onpointermove: event => { if (event.buttons) move(event); },
    onkeydown: event => {
      const by = event.shiftKey ? 16 : 1;
      const go = {ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, by], ArrowDown: [0, -by],
                  Home: [-255, 0], End: [255, 0], PageUp: [0, 255], PageDown: [0, -255]}[event.key];
      if (!go) return;
      event.preventDefault();
      const flip = state.axes === "signed" ? 128 : 0;
      const moved = (value, step) => Math.max(0, Math.min(255, (value ^ flip) + step)) ^ flip;
      set({a: moved(state.a, go[0]), m: moved(state.m, go[1]), delay: -1});
    }}, canvas, cross);
  const axes = el("div", {class: "axes"});
  byId("map").append(el("div", {class: "framed"}, pad, axes));
  const kinds = el("select", {name: "map", onchange: event => set({map: event.target.value})},
    SHOWN.map(kind => el("option", {value: kind}, MAP_WORDS[kind])));
  const reading = el("select", {name: "axes", onchange: event => set({axes: event.target.value})},
    ["signed", "unsigned"].map(one => el("option", {value: one}, one)));
  byId("map-asked").append(el("label", {}, "Show ", kinds), el("label", {}, "read ", reading),
    el("label", {class: "wide"}, "Claim ", el("input", {name: "claim", type: "text", spellcheck: "false",
      "aria-describedby": "claim-wrong", value: state.claim,
      oninput: event => set({claim: event.target.value, map: "claim"})})),
    el("label", {class: "wide"}, "given ", el("input", {name: "given", type: "text", spellcheck: "false",
      placeholder: "all inputs; or a condition, as m != 0", "aria-describedby": "claim-wrong", value: state.given,
      oninput: event => set({given: event.target.value, map: "claim"})})));
  byId("map-asked").addEventListener("submit", event => event.preventDefault());
  byId("map-save").addEventListener("click", saveMap);
  const folds = [["n", "N", "“the difference is negative”"], ["v", "V", "“it did not fit”"], ["nxv", "N XOR V", "“A is less than M”"]];
  const small = folds.map(([kind, name, says]) => {
    const one = el("canvas", {width: 256, height: 256, "aria-hidden": "true"});
    return [kind, one, el("button", {type: "button", class: "fold-one",
      onclick: () => { set({op: "CMP", map: kind, axes: "signed", d: 0, delay: -1}); say(`${name} after CMP`); }},
      one, el("b", {}, name), el("span", {class: "quiet"}, says))];
  });
  byId("fold").append(small[0][2], el("span", {class: "sign", "aria-hidden": "true"}, "XOR"), small[1][2],
                      el("span", {class: "sign", "aria-hidden": "true"}, "="), small[2][2]);
  const paintFolds = () => {
    const planes = everyOf("nmos", "CMP", 0, 0);
    for (const [kind, one] of small)
      paint(one, kind === "nxv" ? joined([planes.n[0], planes.v[0]], (n, v) => n ^ v) : planes[kind][0], "signed");
  };
  paintFolds();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { paintFolds(); drawMap(); });
  parts.push(changed => {
    if (!["op", "on", "a", "m", "c", "d", "map", "axes", "claim", "given", "all"].some(name => changed.has(name))) return;
    if (changed.has("axes") || changed.has("all")) axes.replaceChildren(...frame(state.axes));
    const form = byId("map-asked").elements;
    form.map.value = state.map;
    form.axes.value = state.axes;
    for (const name of ["claim", "given"]) if (document.activeElement !== form[name]) form[name].value = state[name];
    drawMap();
  });
}

function saveMap() {
  const figure = svg("svg", {viewBox: "0 0 600 660"});
  const names = state.axes === "signed" ? ["-128", "+127"] : ["0", "255"];
  figure.append(
    svg("image", {x: 40, y: 40, width: 512, height: 512, href: canvas.toDataURL(), "image-rendering": "pixelated"}),
    text(40, 24, byId("map-head").textContent, "ink"), text(40, 572, names[0], "ink"),
    text(552, 572, names[1], "ink", {"text-anchor": "end"}), text(296, 572, "A", "ink"), text(16, 300, "M", "ink"),
    text(40, 604, byId("map-count").textContent, "ink"), text(40, 628, byId("map-here").textContent, "ink"));
  figure.classList.add("drawn", "away");
  document.body.append(figure);
  saveFigure([figure], "map.svg");
  figure.remove();
}

// The claim: read at once, judged on every input; what it says is kept until something changes.
let judged = {key: ""};
function judgeNow() {
  const key = JSON.stringify([state.claim, state.given, state.op, state.on]);
  if (judged.key === key) return judged;
  judged = {key};
  try {
    judged.told = judgeClaim(state.claim, state.op, state.on, (c, d) => columnsNow({c, d}), state.given);
  } catch (error) {
    if (!(error instanceof ClaimError)) throw error;
    judged.error = error;
  }
  return judged;
}

function claimPlane() {
  const {told, error} = judgeNow(), use = DATA.uses[state.op];
  if (error) return {plane: new Int32Array(WORDS), one: "the claim cannot be read", wrong: true, error};
  const block = told.blocks.find(one => one.c === (use.carry ? state.c : 0)
    && one.d === (use.decimal && state.on !== "binary" ? state.d : 0));
  return {plane: block.plane, outside: told.conditional && block.outside, one: "the claim fails", zero: "the claim holds", wrong: true};
}

function showClaim(error) {
  const claimed = state.map === "claim";
  tell("claim-wrong", claimed && error ? `${error.message} (at character ${error.place + 1} of the ${error.of === "given" ? "condition" : "claim"})` : "");
  for (const name of ["claim", "given"])
    byId("map-asked").elements[name].setAttribute("aria-invalid", claimed && error?.of === name ? "true" : "false");
  const use = DATA.uses[state.op], lines = [];
  if (claimed && !error) {
    const {failures, inputs, relation, rule} = judged.told;
    const asked = judged.told.conditional ? " that meet the condition" : "";
    const share = `${failures.toLocaleString("en")} of ${inputs.toLocaleString("en")} inputs`;
    lines.push(el("p", {class: failures ? "wrong" : "right"},
      failures ? `✗ The claim fails on ${share} (${(failures / inputs * 100).toFixed(1)}%)${asked}`
        : `✓ The claim holds on all ${inputs.toLocaleString("en")} inputs${asked}`,
      judged.told.blocks.length > 1 ? `, with every ${use.decimal && state.on !== "binary" ? "C and D" : "C"}. The map is of those with C ${state.c}${use.decimal ? ` and D ${state.d}` : ""}.` : "."));
    if (rule && rule.formula) {
      lines.push(el("p", {}, "Exact rule: ", el("code", {}, rule.formula), ` is true wherever ${relation} is, and nowhere else${judged.told.conditional ? " among these" : ""}.`));
      if (rule.unwritten.length) lines.push(el("p", {class: "quiet"},
        `${rule.unwritten.join(" and ")} here is what the adder says: ${state.op} leaves ${rule.unwritten.join(" and ").toUpperCase()} alone.`
        + (DATA.writers[state.op] ? ` To have it in the flag, with D clear: ${DATA.writers[state.op]}.` : "")));
    } else if (rule) lines.push(el("p", {}, `No rule: inputs with the same flags differ in ${relation}.`));
  }
  replace(byId("map-claim"), ...lines);
  const variant = state.on === "nmos" ? "" : ` --variant ${state.on}`;
  byId("map-command").hidden = Boolean(claimed && error);
  byId("map-command").textContent = claimed ? `carrywave claim "${state.claim}" --after ${state.op}${state.given.trim() ? ` --given "${state.given}"` : ""}${variant}`
    : commandOf(present());
}
