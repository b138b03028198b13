// What is shown, as one object, and the same in the page's address.

const state = {
  op: "ADC", on: "nmos", a: 0x50, m: 0x50, c: 0, d: 0, delay: -1,  // -1: at rest
  map: "v", axes: "signed", claim: "v == (a + m > 255)", given: "",
  list: (DATA.listings.find(one => one.name === "nested_interrupts.s") || DATA.listings[0]).name, unit: "nmos", clock: -1, edits: [],  // -1: where an interrupt comes
};
const SHOWN = ["n", "v", "z", "c", "nxv", "c1", "c2", "c3", "c4", "c5", "c6", "c7", "c8",
               "r-nmos", "r-cmos", "r-binary", "f-nmos", "f-cmos", "f-binary", "claim"];
const LAST_CLOCK = 1000000;

const oneOf = (choices, what) => value =>
  choices.includes(value) ? [value] : [, `${what} "${value.slice(0, 20)}" is not known`];
const hexByte = name => value =>
  /^[0-9a-f]{1,2}$/i.test(value) ? [parseInt(value, 16)] : [, `${name} must be 00 to FF`];
const whole = (name, least, most) => value =>
  /^-?\d{1,7}$/.test(value) && +value >= least && +value <= most ? [+value]
    : [, `${name} must be ${least} to ${most}`];
const READERS = {
  op: oneOf(Object.keys(DATA.uses), "the instruction"),
  on: oneOf(DATA.variants, "the variant"),
  a: hexByte("a"), m: hexByte("m"), c: whole("c", 0, 1), d: whole("d", 0, 1),
  delay: whole("delay", 0, 99), map: oneOf(SHOWN, "the map"),
  axes: oneOf(["signed", "unsigned"], "the reading"),
  claim: value => value.length <= DATA.grammar.longest ? [value] : [, "the claim is too long"],
  given: value => value.length <= DATA.grammar.longest ? [value] : [, "the condition is too long"],
  list: oneOf(DATA.listings.map(one => one.name), "the listing"),
  unit: oneOf(DATA.variants, "the variant"), clock: whole("clock", 0, LAST_CLOCK),
  edits: value => {
    const found = [];
    for (const one of value.split(",").slice(0, 500)) {
      const byte = /^(\d{1,7})-([0-9a-f]{4})-([0-9a-f]{2})$/i.exec(one);
      const pin = /^(\d{1,7})-(irq|nmi|reset)-([01])$/.exec(one);
      if (byte && +byte[1] <= LAST_CLOCK)
        found.push({clock: +byte[1], address: parseInt(byte[2], 16), value: parseInt(byte[3], 16)});
      else if (pin && +pin[1] <= LAST_CLOCK)
        found.push({clock: +pin[1], pin: `${pin[2]}_n`, level: +pin[3]});
      else return [, `"${one.slice(0, 20)}" is no change of a byte or a pin`];
    }
    return [found.sort((one, other) => one.clock - other.clock)];
  },
};
const WRITERS = {
  a: hex, m: hex, c: String, d: String, delay: String, clock: String,
  edits: list => list.map(edit => "pin" in edit
    ? `${edit.clock}-${edit.pin.slice(0, -2)}-${edit.level}`
    : `${edit.clock}-${hex(edit.address, 4)}-${hex(edit.value)}`).join(","),
};
const PLAIN = structuredClone(state);

function addressOf(shown) {
  return "#" + Object.keys(READERS)
    .map(name => [name, WRITERS[name] ? WRITERS[name](shown[name]) : shown[name]])
    .filter(([name, value]) => value !== (WRITERS[name] ? WRITERS[name](PLAIN[name]) : PLAIN[name]))
    .map(([name, value]) => `${name}=${encodeURIComponent(value)}`).join("&");
}

// Takes what an address says into the state; what it says wrongly is returned in words.
function readAddress(hash) {
  const troubles = [];
  const found = structuredClone(PLAIN);
  if (hash.length > 20000) return ["The link is too long: it is not followed."];
  for (const pair of hash.replace(/^#/, "").split("&").filter(Boolean)) {
    const at = pair.indexOf("="), name = at < 0 ? pair : pair.slice(0, at);
    let value;
    try { value = decodeURIComponent(pair.slice(at + 1)); } catch { value = null; }
    if (!Object.hasOwn(READERS, name)) troubles.push(`"${name.slice(0, 20)}" means nothing here`);
    else if (value === null || at < 0) troubles.push(`${name} cannot be read`);
    else {
      const [read, trouble] = READERS[name](value);
      if (trouble) troubles.push(trouble);
      else found[name] = read;
    }
  }
  Object.assign(state, found);
  return troubles;
}

let waiting = 0;
function keepAddress() {
  clearTimeout(waiting);
  waiting = setTimeout(() => history.replaceState(null, "", addressOf(state) || "#"), 150);
}

const parts = [];  // each draws what it shows of the state; given what has changed
function set(changes) {
  Object.assign(state, changes);
  for (const draw of parts) draw(new Set(Object.keys(changes)));
  keepAddress();
}
