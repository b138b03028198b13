// An operation in the bench's words: what it does, and why each flag is what it is.

const hex = (value, digits = 2) => value.toString(16).toUpperCase().padStart(digits, "0");
const plus = value => (value < 0 ? "-" : "+") + Math.abs(value);

// An operation: {mnemonic, variant, left, m, c, d}, with `use` and the ALU's ports of it.
function operate(alu, asked) {
  const use = DATA.uses[asked.mnemonic];
  const m = use.operand ? asked.m : 0, c = use.carry ? asked.c : 0;
  const found = alu.answer(use, {...asked, m, c});
  const chain = use.name in DATA.chain;
  const ports = {...found, a: asked.left, b: m};
  return {...asked, use, chain, ports,
          makes: asked.left & found.operand, passes: asked.left ^ found.operand,
          register: use.left === "M" ? "" : use.left.toLowerCase(),
          after: {n: found.n, v: found.v, z: found.z, c: found.c}};
}

const leftName = op => DATA.names[op.register];
const decimalAt = op => Boolean(op.d && op.use.decimal && op.variant !== "binary");

function meaningOf(op) {
  const mode = !(op.d && op.use.decimal) ? "binary"
    : op.variant === "binary" ? "decimal not connected" : "decimal";
  return [DATA.meanings[op.use.name].replaceAll("{r}", leftName(op)), `${op.variant}, ${mode}`];
}

const kindOf = (op, bit) => op.makes >> bit & 1 ? "make" : op.passes >> bit & 1 ? "pass" : "stop";

// How the byte beside the left one is called where the chain has another than M.
function besideOf(op) {
  const other = {SUBTRACT: "NOT M", COMPARE: "NOT M", DECREMENT: "FF", INCREMENT: "0",
                 SHIFT_LEFT: leftName(op), ROTATE_LEFT: leftName(op)};
  return other[op.use.name] || "M";
}

function digitNote(op) {
  if (!op.chain) return "";
  const half = op.ports.a % 16 + op.ports.operand % 16 + (op.ports.carry & 1);
  return op.ports.carry & 16 && half < 16
    ? `c4 is 1 because the low digits make ${half}: ten or more` : "";
}

// For each flag that is updated: the wire that it comes from, and what it says of the numbers.
function reasonsOf(op) {
  const {ports, use, after} = op, decimal = decimalAt(op);
  const judged = decimal && op.variant === "nmos" ? ports.sum : ports.result;
  const word = op.chain && !(decimal && op.variant === "cmos") ? "sum" : "result";
  const c8 = ports.carry >> 8 & 1, c7 = ports.carry >> 7 & 1;
  let found = {
    n: [`bit 7 of ${word} is ${after.n}`,
        `signed: ${signed(judged)} is ${after.n ? "" : "not "}negative`],
    z: [`${after.z ? "no" : "a"} bit of ${word} is 1`,
        `the ${word} is ${after.z ? "" : "not "}zero`],
  };
  if (use.name === "BIT") {
    const says = "the flag is M's, whatever A is";
    return {...found, n: ["bit 7 of M", says], v: ["bit 6 of M", says]};
  }
  if (decimal) {
    const says = op.variant === "cmos" ? "" : DATA.invalid;
    found = {n: [found.n[0], says], z: [found.z[0], says]};
  }
  found.c = carryReason(op, decimal, c8);
  if (use.name === "COMPARE") {
    const left = signed(ports.a), right = signed(ports.b);
    if (left - right < -128 || left - right > 127)
      found.n = [found.n[0], `signed: the sum reads ${signed(judged)}, yet ${left} `
                 + `${left < right ? "<" : ">"} ${right}`];
  }
  const says = !decimal ? signedReading(op)
    : op.variant === "cmos" ? "of the sum before correction, as on NMOS" : DATA.invalid;
  found.v = [`c8 XOR c7 = ${c8} XOR ${c7}`, says];
  return found;
}

function carryReason(op, decimal, c8) {
  const {a, b: m} = op.ports, name = op.use.name, c = op.after.c;
  const wire = `c8 is ${c8}`, reach = c ? "over" : "within";
  if (decimal) return decimalCarry(op, c8);
  if (name === "SHIFT_RIGHT" || name === "ROTATE_RIGHT")
    return ["bit 0 that fell out", `the remainder of ${a} / 2`];
  if (name === "SHIFT_LEFT" || name === "ROTATE_LEFT")
    return [wire, `bit 7 that fell out: ${a} x 2 is ${reach} 255`];
  if (name === "COMPARE") return [wire, `unsigned: ${a} ${c ? ">=" : "<"} ${m}`];
  if (name === "SUBTRACT")
    return [wire, `unsigned: ${a} - ${m}${op.c ? "" : " - 1"} needs ${c ? "no " : "a "}borrow`];
  return [wire, `unsigned: ${a} + ${m}${op.c ? " + 1" : ""} = ${a + m + op.c}, ${reach} 255`];
}

// C of a decimal sum, and which of its two causes made it; or of a difference.
function decimalCarry(op, c8) {
  const {a, b: m, sum} = op.ports, number = byte => 10 * (byte >> 4) + byte % 16;
  const digits = byte => byte >> 4 <= 9 && byte % 16 <= 9, invalid = !(digits(a) && digits(m));
  if (op.use.name === "SUBTRACT") {
    const left = number(a) - number(m) - 1 + op.c;
    const needs = `${hex(a)} - ${hex(m)}${op.c ? "" : " - 1"} = ${left}, needs ${left < 0 ? "a" : "no"} borrow`;
    return [`c8 is ${c8}`, invalid ? DATA.aboveNine : needs];
  }
  const corrected = sum >> 4 > 9;
  const wire = c8 ? `c8 is 1${corrected ? ", and digit > 9" : ""}`
    : corrected ? "high digit of sum > 9" : "c8 is 0, high digit <= 9";
  const total = String(number(a) + number(m) + op.c).padStart(2, "0");
  const says = op.after.c ? `: by ${c8 ? "the binary carry" : "the correction"}` : ", within 99";
  return [wire, invalid ? DATA.aboveNine : `${hex(a)} + ${hex(m)}${op.c ? " + 1" : ""} = ${total}${says}`];
}

function signedReading(op) {
  const a = signed(op.ports.a), m = signed(op.ports.b), name = op.use.name;
  const second = m < 0 ? `(${m})` : `${m}`;
  let value, shown;
  if (name === "SUBTRACT" || name === "COMPARE") {
    const borrow = Number(name === "SUBTRACT" && !op.c);
    value = a - m - borrow;
    shown = `${a} - ${second}${borrow ? " - 1" : ""}`;
  } else {
    value = a + m + op.c;
    shown = `${a} + ${second}${op.c ? " + 1" : ""}`;
  }
  const fits = value > 127 ? "past 127" : value < -128 ? "below -128" : "in range";
  return `signed: ${shown} = ${value}, ${fits}`;
}

function sumReason(op, bit) {
  const bits = [op.ports.a >> bit & 1, op.ports.operand >> bit & 1, op.ports.carry >> bit & 1];
  const count = bits[0] + bits[1] + bits[2];
  return `Bit ${bit} of the sum is ${count % 2}: ${leftName(op)}, ${besideOf(op)} and c${bit} are ${bits.join(", ")}, `
    + ["no 1 at all.", "one 1, an odd number of ones.", "two 1s, an even number of ones.",
       "three 1s, an odd number of ones."][count];
}

// The command line that shows the same.
function commandOf(op, name = "op") {
  const numbers = [op.left, op.m].slice(0, 1 + op.use.operand).map(byte => `0x${hex(byte)}`);
  return ["carrywave", name, op.mnemonic, ...numbers, ...op.c && op.use.carry ? ["--carry 1"] : [],
          ...op.d && op.use.decimal ? ["--decimal"] : [],
          ...op.variant !== "nmos" ? [`--variant ${op.variant}`] : []].join(" ");
}
