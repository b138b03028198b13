// A listing on the whole unit: bus, registers, adder, stack and status in each clock.

let machine = null, running = 0;

const stepName = step => DATA.enums.step[step];
// What a clock's byte is, by the step that the control is in.
const STEP_WORDS = {
  FETCH: "opcode", IMPLIED: "discarded", IMMEDIATE: "operand", REPEAT: "read once more",
  ZERO_PAGE: "address", ZERO_PAGE_X: "discarded, while X is added", ZERO_PAGE_Y: "discarded, while Y is added",
  ABSOLUTE_LOW: "address, low byte", ABSOLUTE_HIGH: "address, high byte",
  ABSOLUTE_X: "address, high byte, while X is added", ABSOLUTE_Y: "address, high byte, while Y is added",
  POINTER_X: "where the pointer lies", POINTER_X_LOW: "pointer, low byte", POINTER_X_HIGH: "pointer, high byte",
  POINTER_Y: "where the pointer lies", POINTER_Y_LOW: "pointer, low byte",
  POINTER_Y_HIGH: "pointer, high byte, while Y is added",
  INDEX_CARRY: "discarded, while the carry goes into the page", INDEX_WAIT: "discarded: no carry came",
  READ: "operand", WRITE: "result", MODIFY_READ: "operand", MODIFY_HOLD: "", MODIFY_WRITE: "result",
  JUMP_LOW: "target, low byte", JUMP_HIGH: "target, high byte", INDIRECT_LOW: "pointer to the target",
  BRANCH: "offset", BRANCH_LOW: "discarded, while the offset is added",
  BRANCH_HIGH: "discarded, while the carry goes into the page",
  DISCARD: "discarded", PUSH: "", PULL_STACK: "discarded", PULL: "byte pulled",
  CALL_LOW: "target, low byte", CALL_STACK: "discarded", CALL_PUSH_HIGH: "PC, high byte, pushed",
  CALL_PUSH_LOW: "PC, low byte, pushed", RETURN_STACK: "discarded", RETURN_LOW: "PC, low byte, pulled",
  RETURN_HIGH: "PC, high byte, pulled", RETURN_NEXT: "discarded, while PC steps on",
  RESUME_STACK: "discarded", RESUME_STATUS: "status, pulled", RESUME_LOW: "PC, low byte, pulled",
  RESUME_HIGH: "PC, high byte, pulled", BREAK: "discarded: the byte behind BRK",
  ENTER: "discarded: the next opcode, not run", ENTER_DISCARD: "discarded",
  ENTER_PUSH_HIGH: "PC, high byte, pushed", ENTER_PUSH_LOW: "PC, low byte, pushed",
  ENTER_PUSH_STATUS: "status, pushed", VECTOR_LOW: "vector: PC, low byte",
  VECTOR_HIGH: "vector: PC, high byte", STOPPED: "no such opcode: the unit has stopped",
};

function clockWords(row) {
  const name = stepName(row.step), reset = row.name === "RESET";
  if (name === "MODIFY_HOLD") return row.write ? "operand, written back unmodified" : "operand, read once more";
  if (name === "PUSH") return row.name === "PHP" ? "status, pushed" : "A, pushed";
  if (reset && /PUSH/.test(name)) return "read where an interrupt pushes: nothing is written";
  return STEP_WORDS[name] ?? name.toLowerCase().replaceAll("_", " ");
}

const LEFT_WORDS = {A: "A", X: "X", Y: "Y", SP: "S", BUS: "the byte read", LATCH: "the byte read before",
  LOW: "address low", HIGH: "address high", PC_LOW: "PC low", PC_HIGH: "PC high", STATUS: "the status byte"};

const LEFT_SHORT = {A: "A", X: "X", Y: "Y", SP: "S", BUS: "read", LATCH: "before", LOW: "low", HIGH: "high",
  PC_LOW: "PC low", PC_HIGH: "PC high", STATUS: "P"};

// What the adder does in the present clock.
function adderWords() {
  const at = name => machine.wire(name), choice = (kind, name) => DATA.enums[kind][at(name)];
  const operation = choice("operation", "alu.operation"), left = LEFT_WORDS[choice("left", "control.word__action__left")];
  const right = {BUS: "the byte read", LATCH: "the byte read before", LOW: "address low"}[choice("right", "control.word__right")];
  const low = choice("latch", "control.word__low"), high = choice("latch", "control.word__high");
  const pc = choice("pc", "control.word__pc"), chain = operation in DATA.chain;
  const target = choice("target", "control.word__action__target"), flags = at("status.update__flags");
  const sums = {ADD: `${left} + ${right} + C`, SUBTRACT: `${left} + NOT ${right} + C`,
    COMPARE: `${left} + NOT ${right} + 1`, INCREMENT: `${left} + 1`, DECREMENT: `${left} + FF`,
    SHIFT_LEFT: `${left} + ${left}`, ROTATE_LEFT: `${left} + ${left} + C`, OFFSET: `${left} + ${right}`,
    EXTEND: `${left} + the offset's sign and carry`};
  const sum = sums[operation] || (operation === "PASS" ? `hands on ${left}` : `${operation.toLowerCase().replace("_", " ")}: ${left}`);
  if (chain && (low === "ALU" || high === "ALU")) return ["an address", sum];
  if (chain && ["LOW", "HIGH"].includes(pc)) return ["an address, a branch's target", sum];
  if (target !== "NONE" || flags || operation !== "PASS" && stepName(at("control.step")) === "MODIFY_WRITE")
    return [chain ? "the data" : "the data, without a carry", sum];
  if (machine.write) return ["nothing to add: it hands on the byte that is written", sum];
  return ["nothing that is kept", sum];
}

function listingNow() { return DATA.listings.find(one => one.name === state.list); }

function makeMachine() {
  machine = new Machine(state.unit, listingNow());
  machine.edits = state.edits.map(edit => ({...edit}));
  machine.begin();
  machine.goTo(state.clock);
}

function goClock(clock) {
  tell("run-wrong", "");
  machine.goTo(Math.max(0, Math.min(LAST_CLOCK, clock)));
  set({clock: machine.clock});
}
function goUntil(done, most = 300000) {
  const start = machine.clock, end = Math.min(LAST_CLOCK, start + most);
  do machine.forward(); while (!done() && !machine.ended && machine.clock < end);
  const came = done();
  if (!came) machine.goTo(start);
  tell("run-wrong", came ? "" : "none follows");
  set({clock: machine.clock});
}
const nextInstruction = () => goUntil(() => machine.begins, 100);
const nextInterrupt = () => goUntil(() => machine.begins && /^(IRQ|NMI|RESET|BRK)$/.test(machine.name));
function lastInstruction() {
  if (!machine.clock) return;
  machine.goTo(machine.clock - 1);
  goClock(machine.began);
}
// What one can go on to, by its name in the list; each is asked in a clock whether it has come.
const STOPS = {
  "write to": () => machine.write && machine.address === readAddressField(byId("run-write").value),
  "read of": () => !machine.write && machine.address === readAddressField(byId("run-write").value),
  push: () => machine.write && DATA.enums.address[machine.wire("control.word__address")] === "STACK",
  pull: () => /^(PULL|RETURN_LOW|RETURN_HIGH|RESUME_STATUS|RESUME_LOW|RESUME_HIGH)$/.test(stepName(machine.wire("control.step"))),
  "page crossing": () => /^(INDEX_CARRY|BRANCH_HIGH)$/.test(stepName(machine.wire("control.step"))),
};
function nextStop() {
  const field = byId("run-write"), stop = byId("run-stop").value;
  if (!field.hidden && readAddressField(field.value) === null)
    return tell("run-wrong", `"${field.value.slice(0, 12)}" is no address; write 0010, $0010 or a name of the listing`);
  return goUntil(STOPS[stop]);
}
const readHexByte = written => /^\s*\$?[0-9a-f]{1,2}\s*$/i.test(written) ? parseInt(written.replace("$", ""), 16) : null;
function readAddressField(written) {
  const named = listingNow().labels[written.trim()];
  if (named !== undefined) return named & 0xFFFF;
  return /^\s*\$?[0-9a-f]{1,4}\s*$/i.test(written) ? parseInt(written.replace("$", ""), 16) : null;
}
function editNow(edit) {
  machine.edit({clock: machine.clock, ...edit});
  set({edits: machine.edits, clock: machine.clock});
}
function pulse(pin) {
  const width = 2;
  machine.edit({clock: machine.clock, pin, level: 0});
  machine.edit({clock: machine.clock + width, pin, level: 1});
  set({edits: machine.edits, clock: machine.clock});
  say(`${pin.slice(0, -2).toUpperCase()} is low for ${width} clocks from clock ${machine.clock}`);
}

function statusCells(byte, pushed) {
  const names = ["N", "V", "1", "B", "D", "I", "Z", "C"];
  return el("div", {class: "status-cells"}, names.map((name, i) => {
    const bit = byte >> 7 - i & 1, ghost = !pushed && (i === 2 || i === 3);
    return el("span", {class: `status-cell ${ghost ? "ghost" : bit ? "on" : "off"}`,
      title: ghost ? "no flip-flop: only in the pushed byte" : ""},
      el("small", {}, name), el("b", {}, ghost ? "·" : bit));
  }));
}

function drawRun() {
  const m = machine, get = name => m.flop(name), listing = listingNow();
  const pc = get("pc"), sp = get("stack.pointer"), flags = get("status.flags");
  const status = (flags & 15) | (flags & 48) << 2;
  const [purpose, sum] = adderWords();
  const pushing = m.write && DATA.enums.left[m.wire("control.word__action__left")] === "STATUS";

  const registers = el("dl", {class: "registers"},
    [["PC", hex(pc, 4)], ["A", hex(get("register_a"))], ["X", hex(get("register_x"))],
     ["Y", hex(get("register_y"))], ["S", hex(sp)]].map(([name, value]) =>
      el("div", {}, el("dt", {}, name), el("dd", {}, value))));

  const before = [];
  for (let clock = Math.max(0, m.began - 6, m.clock - 12); clock < m.clock; clock++) if (m.row(clock)) before.push(m.row(clock));
  const rows = [...before, ...m.ahead()].map(row => el("tr", {
    class: `${row.clock === m.clock ? "here" : row.clock > m.clock ? "ahead" : ""}${row.began === row.clock ? " first" : ""}`,
    "aria-current": row.clock === m.clock ? "step" : false,
  }, el("td", {}, row.clock), el("td", {}, row.began === row.clock ? row.name : ""),
     el("td", {class: row.write ? "writes" : ""}, row.write ? "writes" : "reads"), el("td", {class: "mono"}, hex(row.address, 4)),
     el("td", {class: "mono"}, hex(row.byte)), el("td", {class: "what"}, clockWords(row))));
  const bus = el("table", {class: "bus"}, el("caption", {}, "The bus, one byte a clock; in italics what is still to come"),
    el("thead", {}, el("tr", {}, ["clock", "", "bus", "address", "byte", "what it is"].map(head => el("th", {scope: "col"}, head)))),
    el("tbody", {}, rows));

  const operation = DATA.enums.operation[m.wire("alu.operation")], chain = operation in DATA.chain;
  const left = m.wire("alu.a"), operand = m.wire("alu.operand");
  const width = Math.min(660, roomOf(byId("run").querySelector(".adder") || byId("run")));
  const kind = bit => left & operand & 1 << bit ? "make" : (left ^ operand) >> bit & 1 ? "pass" : "stop";
  const figure = chain ? new ChainDrawing(width, {label: `the adder: ${sum}`, leftName: LEFT_SHORT[DATA.enums.left[m.wire("control.word__action__left")]], left, besideName: "plus", operand, kind,
    carry: m.wire("alu.carry"), finalCarry: m.wire("alu.carry"), sum: m.wire("alu.sum"), lights: () => []}, {plain: true}).root : null;
  const adder = el("div", {class: "adder"}, el("h4", {}, "The adder in this clock: ", el("b", {}, purpose)),
    el("p", {}, sum), figure || el("p", {class: "quiet"}, "No carry runs in this clock."));

  const cells = [];
  for (let above = 5; above >= -6; above--) {
    const place = sp + above & 0xFF, address = 0x100 | place, here = m.address === address;
    cells.push(el("li", {class: `${above <= 0 ? "free" : ""}${here ? m.write ? " written" : " read" : ""}`},
      el("span", {class: "mono quiet"}, hex(address, 4)), el("span", {class: "mono cell-byte"}, hex(m.memory[address])),
      el("span", {class: "cell-told"}, here ? m.write ? `◂ ${hex(m.byte)} written` : "◂ read" : above === 0 ? "◂ S: the next push" : "")));
  }
  const stack = el("div", {class: "stack"}, el("h4", {}, "The stack, page 01"), el("ol", {}, cells));

  const statusBox = el("div", {class: "status"}, el("h4", {}, "The status byte"),
    statusCells(status, false),
    pushing ? el("div", {}, el("p", {}, "The byte that is pushed in this clock has B, which is nowhere else: "
      + (m.byte & 16 ? "1, for an instruction pushes it, BRK or PHP." : "0, for an interrupt pushes it, IRQ or NMI. BRK and PHP push 1.")), statusCells(m.byte, true))
      : el("p", {class: "quiet"}, "B, and the bit beside it that is always 1, have no flip-flop: they are in a pushed byte alone. There B tells a handler who pushed it: 1 is BRK or PHP, 0 is IRQ or NMI."));

  const pins = el("div", {class: "pins", role: "group", "aria-label": "Pins"}, el("h4", {}, "Pins"),
    PINS.map(pin => {
      const name = pin.slice(0, -2).toUpperCase(), low = !m.levels[pin];
      return el("div", {class: "pin"}, el("b", {}, name), el("span", {class: low ? "low" : "quiet"}, low ? "▼ low: asks" : "▔ high"),
        el("button", {type: "button", "data-key": `hold-${pin}`, "aria-pressed": low ? "true" : "false",
          onclick: () => editNow({pin, level: low ? 1 : 0})}, low ? "Let go" : "Hold low"),
        el("button", {type: "button", "data-key": `pulse-${pin}`, onclick: () => pulse(pin)}, "Pulse"));
    }));

  const chosen = readAddressField(byId("run-at").value) ?? 0, first = chosen & 0xFFF0;
  const memory = el("div", {}, el("h4", {}, `Memory, ${hex(first, 4)} to ${hex(first + 15, 4)}`),
    el("div", {class: "memory mono"}, Array.from({length: 16}, (_, i) => el("span", {
      class: `${first + i === chosen ? "chosen" : ""}${first + i === m.address ? m.write ? " written" : " read" : ""}`,
    }, hex(m.memory[first + i])))));

  const edits = m.edits.length ? el("div", {class: "edits"}, el("h4", {}, "What you changed"),
    el("ul", {}, m.edits.map(edit => el("li", {}, `clock ${edit.clock}: `
      + (edit.pin ? `${edit.pin.slice(0, -2).toUpperCase()} ${edit.level ? "high" : "low"}` : `${hex(edit.address, 4)} = ${hex(edit.value)}`) + " ",
      el("button", {type: "button", onclick: () => {
        machine.change(machine.edits.filter(other => other !== edit), machine.clock);
        set({edits: machine.edits, clock: machine.clock});
      }}, "Undo"))))) : "";

  const now = listing.lines[m.fetched], entered = /^(IRQ|NMI|RESET)$/.test(m.name);
  const source = el("ol", {class: "source", tabindex: 0, "aria-label": `The listing ${listing.name}`, "data-key": "source"},
    listing.text.split("\n").map((words, i) => el("li", {class: i + 1 === now ? entered ? "next" : "here" : /^\s*;/.test(words) || !words.trim() ? "quiet" : "",
      "aria-current": i + 1 === now ? "step" : false}, words || " ")));

  byId("run-clock").value = m.clock;
  const kept = byId("run").querySelector(".source")?.scrollTop || 0;
  replace(byId("run"), el("div", {class: "run-now"},
    el("p", {class: "because"}, `Clock ${m.clock}: `, el("b", {}, m.name), ` ${m.write ? "writes" : "reads"} ${hex(m.byte)} at ${hex(m.address, 4)}`,
       el("span", {class: "quiet"}, `  ${clockWords({step: m.wire("control.step"), name: m.name, write: m.write})}`),
       m.ended ? el("span", {class: "end"}, "  The program ends here: it jumps to its own address.") : "")),
    el("div", {class: "run-grid"}, el("div", {}, registers, statusBox, pins, memory, edits), stack,
       el("div", {class: "run-bus"}, bus), el("div", {class: "run-source"}, el("h4", {}, `The listing ${listing.name}`), source), adder));
  const box = byId("run").querySelector(".source"), here = box.querySelector("[aria-current]");
  box.scrollTop = here ? Math.max(0, here.offsetTop - box.offsetTop - box.clientHeight / 2) : kept;
  const edited = state.unit === "nmos" ? "" : ` --variant ${state.unit}`;
  byId("run-command").textContent = `carrywave run ${listing.name}${edited} --vcd out.vcd --clocks ${Math.max(0, m.clock - 20)}..${m.clock + 20}`;
}

function makeClocks() {
  const button = (words, act, key, label = words) => el("button", {type: "button", "aria-label": label, title: key ? `${label} (key ${key})` : label, onclick: act}, words);
  byId("run-asked").append(
    el("label", {}, "Listing ", el("select", {name: "list", onchange: event => set({list: event.target.value, clock: 0, edits: []})},
      DATA.listings.map(one => el("option", {value: one.name}, one.name)))),
    el("label", {}, "on ", el("select", {name: "unit", onchange: event => set({unit: event.target.value, clock: 0, edits: []})},
      DATA.variants.map(one => el("option", {value: one}, one)))),
    el("span", {class: "buttons"},
      button("Power-up", () => goClock(0), "", "Power-up: back to the beginning"), button("◂ instruction", lastInstruction, "PageUp", "instruction: back by one"),
      button("◂ clock", () => goClock(machine.clock - 1), ",", "clock: back by one"), button("clock ▸", () => goClock(machine.clock + 1), ".", "clock: on by one"),
      button("instruction ▸", nextInstruction, "PageDown", "instruction: on by one"),
      button("next interrupt ▸", nextInterrupt, "", "next interrupt, or BRK: on to it"),
      el("button", {type: "button", id: "run-play", onclick: play}, "Run")),
    el("label", {}, "clock ", el("input", {id: "run-clock", type: "number", min: 0, max: LAST_CLOCK, onchange: event => {
      const value = Number(event.target.value);
      if (!Number.isInteger(value) || value < 0 || value > LAST_CLOCK) return tell("run-wrong", `a clock is 0 to ${LAST_CLOCK.toLocaleString("en")}`);
      tell("run-wrong", "");
      return goClock(value);
    }})),
    el("span", {class: "group"}, el("label", {}, "on to the next ", el("select", {id: "run-stop", onchange: event => {
      byId("run-write").hidden = !/ (to|of)$/.test(event.target.value);
    }}, Object.keys(STOPS).map(name => el("option", {value: name}, name)))),
      el("input", {id: "run-write", size: 7, value: "0010", spellcheck: "false", "aria-label": "address of the read or write"}),
      button("Go", nextStop, "", "Go on to the next of these")),
    el("span", {class: "group"}, el("label", {}, "byte at ", el("input", {id: "run-at", size: 7, value: "0010", spellcheck: "false", oninput: () => drawRun()})),
    el("label", {}, "is now ", el("input", {id: "run-byte", size: 5, value: "00", spellcheck: "false"})),
    button("Change", () => {
      const address = readAddressField(byId("run-at").value), value = readHexByte(byId("run-byte").value);
      if (address === null) return tell("run-wrong", `"${byId("run-at").value.slice(0, 12)}" is no address; write 0010, $0010 or FFFC`);
      if (value === null) return tell("run-wrong", `"${byId("run-byte").value.slice(0, 12)}" is no byte; write 00 to FF`);
      tell("run-wrong", "");
      editNow({address, value});
      return say(`${hex(address, 4)} holds ${hex(value)} from clock ${machine.clock}`);
    }, "", "Change the byte")));
  byId("run-asked").addEventListener("submit", event => event.preventDefault());
  byId("clocks").addEventListener("keydown", event => {
    if (/INPUT|SELECT/.test(event.target.tagName) || event.ctrlKey || event.metaKey || event.altKey) return;
    const act = {",": () => goClock(machine.clock - 1), ".": () => goClock(machine.clock + 1),
                 PageUp: lastInstruction, PageDown: nextInstruction}[event.key];
    if (act && !event.target.closest(".source")) { event.preventDefault(); act(); }
  });
  byId("run-save").addEventListener("click", () => saveFigure([...byId("run").querySelectorAll("svg"), busFigure()], "clocks.svg"));
  parts.push(changed => {
    if (changed.has("all") || changed.has("list") || changed.has("unit")) makeMachine();
    if (!["list", "unit", "clock", "edits", "all"].some(name => changed.has(name))) return;
    byId("run-asked").elements.list.value = state.list;
    byId("run-asked").elements.unit.value = state.unit;
    drawRun();
    if (!running && !changed.has("all")) say(byId("run").querySelector(".because").textContent);
  });
}

function busFigure() {
  const rows = [...byId("run").querySelectorAll(".bus tr")].map(row => [...row.children].map(cell => cell.textContent));
  const root = svg("svg", {viewBox: `0 0 760 ${rows.length * 24 + 16}`, class: "drawn"});
  rows.forEach((cells, i) => cells.forEach((cell, j) =>
    root.append(text([8, 70, 130, 230, 310, 370][j], 24 + i * 24, cell, "ink"))));
  root.classList.add("away");
  document.body.append(root);
  setTimeout(() => root.remove());
  return root;
}

function play() {
  if (running) { clearInterval(running); running = 0; byId("run-play").textContent = "Run"; return; }
  byId("run-play").textContent = "Stop";
  running = setInterval(() => {
    if (machine.ended || machine.clock >= LAST_CLOCK) play();
    else goClock(machine.clock + 1);
  }, matchMedia("(prefers-reduced-motion: reduce)").matches ? 1000 : 200);
}
