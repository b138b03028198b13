// A listing on the whole unit: its score, and what stands beside the clock of the cursor.

let machine = null;
let notes = new Map(), first = 0;  // what the score has shown of which clock, and where it begins

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

// What the adder does in the clock in which a machine stands.
function adderWords(m) {
  const at = name => m.wire(name), choice = (kind, name) => DATA.enums[kind][at(name)];
  const operation = choice("operation", "alu.operation"), left = LEFT_WORDS[choice("left", "control.word__action__left")];
  const right = {BUS: "the byte read", LATCH: "the byte read before", LOW: "address low"}[choice("right", "control.word__right")];
  const low = choice("latch", "control.word__low"), high = choice("latch", "control.word__high");
  const pc = choice("pc", "control.word__pc"), chain = operation in DATA.chain;
  const target = choice("target", "control.word__action__target"), flags = at("status.update__flags");
  const sums = {ADD: `${left} + ${right} + C`, SUBTRACT: `${left} + NOT ${right} + C`,
    COMPARE: `${left} + NOT ${right} + 1`, INCREMENT: `${left} + 1`, DECREMENT: `${left} + FF`,
    SHIFT_LEFT: `${left} + ${left}`, ROTATE_LEFT: `${left} + ${left} + C`, OFFSET: `${left} + ${right}`,
    EXTEND: `${left} + the offset's sign and carry`};
  const sum = sums[operation] || (operation === "PASS" ? `passes ${left} through` : `${operation.toLowerCase().replace("_", " ")}: ${left}`);
  if (chain && (low === "ALU" || high === "ALU")) return ["an address", sum];
  if (chain && ["LOW", "HIGH"].includes(pc)) return ["an address, a branch's target", sum];
  if (target !== "NONE" || flags || operation !== "PASS" && stepName(at("control.step")) === "MODIFY_WRITE")
    return [chain ? "the data" : "the data, without a carry", sum];
  if (m.write) return ["nothing to add: the byte that is written passes through", sum];
  return ["a sum that is not used", sum];
}

function listingNow() { return DATA.listings.find(one => one.name === state.list); }

function makeMachine() {
  machine = new Machine(state.unit, listingNow());
  machine.edits = state.edits.map(edit => ({...edit}));
  machine.begin();
  machine.goTo(state.clock < 0 ? opening() : state.clock);
  notes.clear();
}

// Where a listing is opened: at its first interrupt; if it has none, at its first instruction.
function opening(most = 5000) {
  let start = -1;
  for (; machine.clock < most && !machine.ended; machine.forward()) {
    if (!machine.begins || machine.name === "RESET") continue;
    if (isEntry(machine.name)) return machine.clock;
    if (start < 0) start = machine.clock;
  }
  return Math.max(0, start);
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
function goBack(done) {
  const start = machine.clock, found = machine.lastBefore(done);
  machine.goTo(found < 0 ? start : found);
  tell("run-wrong", found < 0 ? "none comes before" : "");
  set({clock: machine.clock});
}
const nextInstruction = () => goUntil(() => machine.begins, 100);
function lastInstruction() {
  if (!machine.clock) return;
  machine.goTo(machine.clock - 1);
  goClock(machine.began);
}
// What one can go on to, by its name in the list; each is asked in a clock whether it has come.
const STOPS = {
  instruction: () => machine.begins,
  "interrupt or BRK": () => machine.begins && (isEntry(machine.name) || machine.name === "BRK"),
  "write to": () => machine.write && machine.address === readAddressField(byId("run-write").value),
  "read of": () => !machine.write && machine.address === readAddressField(byId("run-write").value),
  push: () => machine.write && DATA.enums.address[machine.wire("control.word__address")] === "STACK",
  pull: () => /^(PULL|RETURN_LOW|RETURN_HIGH|RESUME_STATUS|RESUME_LOW|RESUME_HIGH)$/.test(stepName(machine.wire("control.step"))),
  "page crossing": () => /^(INDEX_CARRY|BRANCH_HIGH)$/.test(stepName(machine.wire("control.step"))),
};
function goStop(go) {
  const field = byId("run-write"), stop = byId("run-stop").value;
  if (!field.hidden && readAddressField(field.value) === null)
    return tell("run-wrong", `"${field.value.slice(0, 12)}" is no address; write 0010, $0010 or a name of the listing`);
  return go(STOPS[stop]);
}
const readHexByte = written => /^\s*\$?[0-9a-f]{1,2}\s*$/i.test(written) ? parseInt(written.replace("$", ""), 16) : null;
function readAddressField(written) {
  const named = listingNow().labels[written.trim()];
  if (named !== undefined) return named & 0xFFFF;
  return /^\s*\$?[0-9a-f]{1,4}\s*$/i.test(written) ? parseInt(written.replace("$", ""), 16) : null;
}
function editNow(edit) {
  machine.edit({clock: machine.clock, ...edit});
  notes.clear();
  set({edits: machine.edits, clock: machine.clock});
}
function pulse(pin) {
  const width = 2;
  machine.edit({clock: machine.clock, pin, level: 0});
  machine.edit({clock: machine.clock + width, pin, level: 1});
  notes.clear();
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

const isEntry = name => /^(IRQ|NMI|RESET)$/.test(name);
// A line of the listing without its comment and its label.
const lineOf = (listing, note) => listing.text.split("\n")[listing.lines[note.fetched] - 1] || "";
const sourceOf = (listing, note) => lineOf(listing, note).replace(/;.*/, "").replace(/^\s*[A-Za-z_]\w*:/, "").trim().replace(/\s+/g, " ") || note.name;
const sentenceOf = note => `Clock ${note.clock}: ${note.name} ${note.write ? "writes" : "reads"} ${hex(note.byte)} at ${hex(note.address, 4)}, ${clockWords(note)}`;

// The clocks that the score shows: it stays where it is while the cursor is well within it.
function shownNotes(count) {
  const {clock} = machine, ahead = Math.min(4, count >> 2);
  if (clock < first - count || clock > first + 2 * count) first = clock - (count >> 1);
  first = Math.max(0, Math.min(clock - (ahead >> 1), Math.max(first, clock + ahead + 1 - count)));
  const last = first + count - 1;
  let from = first, to = last;
  while (from <= last && notes.has(from)) from++;
  while (to > from && notes.has(to)) to--;
  if (notes.size > 2000) { notes.clear(); from = first; to = last; }
  if (from <= last) for (const note of machine.look(from, to, noteOf)) notes.set(note.clock, note);
  return Array.from({length: count}, (_, i) => notes.get(first + i));
}

function drawStack(m) {
  const sp = m.flop("stack.pointer"), cells = [];
  for (let above = 5; above >= -4; above--) {
    const place = sp + above & 0xFF, address = 0x100 | place, here = m.address === address;
    const words = [above === 0 && (here ? "◂ S" : "◂ S: the next push"), here && (m.write ? `◂ ${hex(m.byte)} comes here` : "◂ read")];
    cells.push(el("li", {class: `${above > 0 && above <= m.pushed ? "held" : "free"}${here ? m.write ? " written" : " read" : ""}`},
      el("span", {class: "mono quiet"}, hex(address, 4)), el("span", {class: "mono cell-byte"}, hex(m.memory[address])),
      el("span", {class: "cell-told"}, words.filter(Boolean).join(" "))));
  }
  return el("div", {class: "stack"}, el("h4", {}, "The ", term("stack", "stack"), ", beside ", term("S", "stack")), el("ol", {}, cells));
}

function drawStatus(note) {
  const b = note.byte & 16;
  return el("div", {class: "status"}, el("h4", {}, "The status byte"), statusCells(note.p, false),
    note.pushes
      ? el("div", {}, el("p", {}, "The byte that is pushed in this clock has ", term("B", "b"), ", which is nowhere else: "
        + (b ? "1, for an instruction pushes it, BRK or PHP." : "0, for an interrupt pushes it, IRQ or NMI. BRK and PHP push 1.")), statusCells(note.byte, true))
      : el("p", {class: "quiet"}, term("B", "b"), ", and the bit beside it that is always 1, have no flip-flop: they are in a pushed byte alone."));
}

// The adder of the cursor's clock, as large as that of one operation; where it rests, that of S.
function drawAdder(m, note, room) {
  const own = addsOf(note) === "none" && note.moves, own8 = own ? note.kept[3] : note.left;
  const [left, operand, carry, total] = own ? [own8, note.moves === "push" ? 255 : 0, note.stackCarry, own8 + (note.moves === "push" ? 255 : 1) & 255]
    : [note.left, note.operand, note.carry, note.total];
  const kind = bit => left & operand & 1 << bit ? "make" : (left ^ operand) >> bit & 1 ? "pass" : "stop";
  const leftName = own ? "S" : LEFT_SHORT[DATA.enums.left[m.wire("control.word__action__left")]];
  const figure = own || addsOf(note) !== "none" ? new ChainDrawing(Math.min(660, room), {label: `the adder: ${own ? stackWords(note) : note.sum}`,
    leftName, left, besideName: "plus", operand, kind, carry, finalCarry: carry, sum: total, lights: () => []}, {plain: true}).root : "";
  const besides = [note.sum && (addsOf(note) !== "none" || !own) && note.sum, own && `${stackWords(note)}, in an adder of its own`,
                   note.steps && `PC steps on, in an adder of its own: ${hex(note.pc, 4)} + 1`].filter(Boolean);
  return el("div", {class: "adder"}, el("h4", {}, own ? "The adder of S in this clock" : ["The adder in this clock: ", el("b", {}, note.purpose)]),
    el("p", {class: "quiet"}, besides.join("; ")), figure);
}

function drawMemory(m) {
  const chosen = readAddressField(byId("run-at").value) ?? 0, from = chosen & 0xFFF0;
  return el("div", {class: "around"}, el("span", {class: "quiet"}, `${hex(from, 4)} to ${hex(from + 15, 4)} `),
    el("div", {class: "memory mono"}, Array.from({length: 16}, (_, i) => el("span", {
      class: `${from + i === chosen ? "chosen" : ""}${from + i === m.address ? m.write ? " written" : " read" : ""}`,
    }, hex(m.memory[from + i])))));
}

function drawEdits(m) {
  if (!m.edits.length) return "";
  return el("div", {class: "edits"}, el("h4", {}, "What you changed"), el("ul", {}, m.edits.map(edit => el("li", {}, `clock ${edit.clock}: `
    + (edit.pin ? `${pinName(edit.pin)} ${edit.level ? "high" : "low"}` : `${hex(edit.address, 4)} = ${hex(edit.value)}`) + " ",
    el("button", {type: "button", onclick: () => {
      machine.change(machine.edits.filter(other => other !== edit), machine.clock);
      notes.clear();
      set({edits: machine.edits, clock: machine.clock});
    }}, "Undo")))));
}

// The same as the score in words, for those who cannot see it.
function drawTable(shown, now) {
  return el("table", {class: "bus"}, el("thead", {}, el("tr", {}, ["clock", "", "bus", "address", "byte", "what it is", "the adder"]
    .map(head => el("th", {scope: "col"}, head)))), el("tbody", {}, shown.map(note => el("tr", {
    class: `${note === now ? "here" : ""}${note.began === note.clock ? " first" : ""}`, "aria-current": note === now ? "step" : false,
  }, el("td", {}, note.clock), el("td", {}, note.began === note.clock ? note.name : ""),
     el("td", {class: note.write ? "writes" : ""}, note.write ? "writes" : "reads"), el("td", {class: "mono"}, hex(note.address, 4)),
     el("td", {class: "mono"}, hex(note.byte)), el("td", {class: "what"}, clockWords(note)),
     el("td", {}, addsOf(note) === "none" ? "" : `${addsOf(note)}: ${note.sum}`)))));
}

function drawSource(listing, note) {
  const now = listing.lines[note.fetched];
  return listing.text.split("\n").map((words, i) => el("li", {
    class: i + 1 === now ? isEntry(note.name) ? "next" : "here" : /^\s*;/.test(words) || !words.trim() ? "quiet" : "",
    "aria-current": i + 1 === now ? "step" : false}, words || " "));
}

function drawRun() {
  const m = machine, listing = listingNow(), room = roomOf(byId("score"));
  const shown = shownNotes(Score.columns(room)), note = shown.find(one => one.clock === m.clock);
  const acts = {hold: pin => editNow({pin, level: 1 - machine.levels[pin]}), pulse};
  replace(byId("score"), new Score(room, shown, note, listing, acts).root);
  const source = lineOf(listing, note).trim();
  byId("run-clock").value = m.clock;
  replace(byId("run-now"), `Clock ${m.clock}: `, el("b", {}, m.name), ` ${m.write ? "writes" : "reads"} ${hex(m.byte)} at ${hex(m.address, 4)}`,
    el("span", {class: "quiet"}, `  ${clockWords(note)}`),
    m.ended ? el("span", {class: "end"}, "  The program ends here: it jumps to its own address.") : "");
  byId("run-line").textContent = `PC ${hex(m.flop("pc"), 4)}. ` + (!isEntry(m.name) ? source
    : m.name === "RESET" || !source ? "" : `The program is left in front of: ${source}`);
  replace(byId("run"), drawAdder(m, note, roomOf(byId("run").querySelector(".adder") || byId("run"))), drawStack(m), el("div", {}, drawStatus(note), drawEdits(m)));
  replace(byId("run-around"), drawMemory(m));
  replace(byId("run-table"), drawTable(shown, note));
  byId("source-name").textContent = `The whole listing, ${listing.name}`;
  const box = byId("source");
  replace(box, ...drawSource(listing, note));
  const here = box.querySelector("[aria-current]");
  if (here) box.scrollTop = Math.max(0, here.offsetTop - box.offsetTop - box.clientHeight / 2);
  const edited = state.unit === "nmos" ? "" : ` --variant ${state.unit}`;
  byId("run-command").textContent = `carrywave run ${listing.name}${edited} --vcd out.vcd --clocks ${Math.max(0, m.clock - 20)}..${m.clock + 20}`;
}

// The cursor goes where the pointer is; drawn beyond an end, it takes the score along.
function dragCursor() {
  const box = byId("score");
  let held = false;
  const clockAt = event => {
    const root = box.querySelector("svg"), room = roomOf(box), inside = root.getBoundingClientRect();
    const x = (event.clientX - inside.left) / inside.width * room - (room < 560 ? 74 : 104);
    return Math.max(0, first + Math.floor(x / Score.pitch(room)));
  };
  box.addEventListener("pointerdown", event => {
    if (event.button || event.target.closest(".heads")) return;
    const sequence = event.target.closest(".sequence");
    held = !sequence;
    if (held) box.setPointerCapture(event.pointerId);
    goClock(sequence ? +sequence.dataset.clock : clockAt(event));
    box.querySelector(".lanes").focus({preventScroll: true});
    event.preventDefault();
  });
  box.addEventListener("pointermove", event => {
    if (!held || !event.buttons) return;
    const clock = clockAt(event);
    if (clock !== machine.clock) goClock(clock);
  });
  box.addEventListener("pointerup", () => { held = false; });
  box.addEventListener("pointercancel", () => { held = false; });
}

const RUN_KEYS = {
  ",": () => goClock(machine.clock - 1), ".": () => goClock(machine.clock + 1),
  PageUp: lastInstruction, PageDown: nextInstruction,
  i: () => editNow({pin: "irq_n", level: 1 - machine.levels.irq_n}), I: () => pulse("irq_n"),
  n: () => editNow({pin: "nmi_n", level: 1 - machine.levels.nmi_n}), N: () => pulse("nmi_n"),
  r: () => editNow({pin: "reset_n", level: 1 - machine.levels.reset_n}), R: () => pulse("reset_n"),
};
const SCORE_KEYS = {ArrowLeft: RUN_KEYS[","], ArrowRight: RUN_KEYS["."], ArrowDown: RUN_KEYS[","], ArrowUp: RUN_KEYS["."],
                    Home: () => goClock(0), End: () => goStop(goUntil)};

function makeClocks() {
  const button = (words, act, key, label = words) => el("button", {type: "button", "aria-label": label, title: key ? `${label} (key ${key})` : label, onclick: act}, words);
  byId("run-asked").append(
    el("label", {}, "Listing ", el("select", {name: "list", onchange: event => set({list: event.target.value, clock: -1, edits: []})},
      DATA.listings.map(one => el("option", {value: one.name}, one.name)))),
    el("label", {}, "on ", el("select", {name: "unit", onchange: event => set({unit: event.target.value, clock: -1, edits: []})},
      DATA.variants.map(one => el("option", {value: one}, one)))),
    el("label", {}, "at clock ", el("input", {id: "run-clock", type: "number", min: 0, max: LAST_CLOCK, onchange: event => {
      const value = Number(event.target.value);
      if (!Number.isInteger(value) || value < 0 || value > LAST_CLOCK) return tell("run-wrong", `a clock is 0 to ${LAST_CLOCK.toLocaleString("en")}`);
      tell("run-wrong", "");
      return goClock(value);
    }})));
  byId("run-reach").append(
    el("span", {class: "group"}, el("label", {}, "The cursor goes to the ", el("select", {id: "run-stop", onchange: event => {
      byId("run-write").hidden = !/ (to|of)$/.test(event.target.value);
    }}, Object.keys(STOPS).map(name => el("option", {value: name}, name)))),
      el("input", {id: "run-write", size: 7, value: "0010", spellcheck: "false", hidden: true, "aria-label": "address of the read or write"}),
      button("before", () => goStop(goBack), "", "Back to the last of these"), button("after", () => goStop(goUntil), "", "On to the next of these")),
    el("span", {class: "group"}, el("label", {}, "From here on, byte ", el("input", {id: "run-at", size: 7, value: "0010", spellcheck: "false", oninput: () => drawRun()})),
      el("label", {}, "is ", el("input", {id: "run-byte", size: 5, value: "00", spellcheck: "false"})),
      button("Write it", () => {
        const address = readAddressField(byId("run-at").value), value = readHexByte(byId("run-byte").value);
        if (address === null) return tell("run-wrong", `"${byId("run-at").value.slice(0, 12)}" is no address; write 0010, $0010 or FFFC`);
        if (value === null) return tell("run-wrong", `"${byId("run-byte").value.slice(0, 12)}" is no byte; write 00 to FF`);
        tell("run-wrong", "");
        editNow({address, value});
        return say(`${hex(address, 4)} holds ${hex(value)} from clock ${machine.clock}`);
      }, "", "Change the byte")), el("span", {id: "run-around"}));
  for (const form of ["run-asked", "run-reach"]) byId(form).addEventListener("submit", event => event.preventDefault());
  dragCursor();
  byId("clocks").addEventListener("keydown", event => {
    if (/INPUT|SELECT/.test(event.target.tagName) || event.ctrlKey || event.metaKey || event.altKey) return;
    const act = event.target.closest(".lanes") && SCORE_KEYS[event.key] || RUN_KEYS[event.key];
    if (act && !event.target.closest(".source")) { event.preventDefault(); act(); }
  });
  byId("run-save").addEventListener("click", () => saveFigure([...document.querySelectorAll("#score svg, #run svg")], "clocks.svg"));
  parts.push(changed => {
    if (changed.has("all") || changed.has("list") || changed.has("unit")) makeMachine();
    if (!["list", "unit", "clock", "edits", "all"].some(name => changed.has(name))) return;
    byId("run-asked").elements.list.value = state.list;
    byId("run-asked").elements.unit.value = state.unit;
    drawRun();
    if (!changed.has("all")) say(byId("run-now").textContent);
  });
}
