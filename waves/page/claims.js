// Claims: the bench's small language, read here as there, worked out over every input.
//
// Nothing of a claim is ever run as code: it becomes a tree, and the tree is walked.

class ClaimError extends Error {
  constructor(message, place) {
    super(message);
    this.place = place;
  }
}

const TOKEN = /([ \t]+)|([A-Za-z_]\w*)|(\d\w*)|(\*\*|&&|\|\||:=|<<|>>|<=|>=|==|!=|[-+~&|^<>(),])/y;
const NUMBER = /^(0[xX][0-9a-fA-F]+|0[bB][01]+|0|[1-9][0-9]*)$/;
const COMPARISONS = ["<", ">", "<=", ">=", "==", "!="];
const BINARY = ["+", "-", "&", "|", "^", "<<", ">>", ...COMPARISONS, "and", "or"];
const LEVELS = [["|"], ["^"], ["&"], ["<<", ">>"], ["+", "-"]];  // from the loosest

const quoted = (word, most = 60) => `'${word.length > most ? `${word.slice(0, most)}...` : word}'`;
function escaped(character) {
  const code = character.codePointAt(0), named = {"\n": "\\n", "\r": "\\r", "\t": "\\t", "\\": "\\\\"};
  if (character === "'") return '"\'"';
  if (character in named) return `'${named[character]}'`;
  if (code >= 32 && code < 127) return `'${character}'`;
  const [letter, digits] = code < 256 ? ["x", 2] : code < 65536 ? ["u", 4] : ["U", 8];
  return `'\\${letter}${code.toString(16).padStart(digits, "0")}'`;
}

// How alike two words are: the share of both that lies in common blocks, the longest first.
function likeness(one, other) {
  const common = (a0, a1, b0, b1) => {
    let size = 0, at = a0, beside = b0;
    for (let i = a0; i < a1; i++) for (let j = b0; j < b1; j++) {
      let k = 0;
      while (i + k < a1 && j + k < b1 && one[i + k] === other[j + k]) k++;
      if (k > size) [size, at, beside] = [k, i, j];
    }
    return size && size + common(a0, at, b0, beside) + common(at + size, a1, beside + size, b1);
  };
  return 2 * common(0, one.length, 0, other.length) / (one.length + other.length);
}
function nearest(word, names) {
  const near = names.map(name => [likeness(name, word), name]).filter(([share]) => share >= 0.8);
  near.sort(([x, one], [y, other]) => y - x || (one < other ? 1 : -1));
  return near.length ? near[0][1] : "";
}

function vocabularyOf(mnemonic, variant) {
  return DATA.vocabulary[variant]?.[mnemonic] || DATA.vocabulary.nmos[mnemonic];
}

class ClaimReader {
  constructor(text, {names, absent}) {
    Object.assign(this, {text, names, absent, functions: DATA.grammar.functions});
  }

  read() {
    this.tokens = [...this.split()];
    if (!this.tokens.length) this.fail("the expression is empty", 0);
    this.checkOrder();
    this.at = 0;
    const root = this.parse();
    let level = [root];
    for (let depth = 0; depth < DATA.grammar.deepest; depth++) level = level.flatMap(node => node.parts);
    if (level.length) this.fail(`nested too deeply: at most ${DATA.grammar.deepest} levels`, level[0].start);
    const found = this.range(root);
    if (!isTruth(found)) this.fail("true or false is wanted, and this is a number, "
      + `${rangeText(found)}: compare it, as in r == 0`, root.start);
    return root;
  }

  fail(message, place) { throw new ClaimError(message, place); }

  *split() {
    const {text} = this, {longest, instead} = DATA.grammar;
    if (text.length > longest)
      this.fail(`too long: ${text.length.toLocaleString("en")} characters, at most ${longest.toLocaleString("en")}`, longest);
    for (let place = 0; place < text.length;) {
      TOKEN.lastIndex = place;
      const found = TOKEN.exec(text);
      if (!found || Object.hasOwn(instead, found[0])) {
        const unknown = found ? found[0] : String.fromCodePoint(text.codePointAt(place));
        const hint = Object.hasOwn(instead, unknown) ? `: ${instead[unknown]}` : "";
        this.fail(`${found ? quoted(unknown) : escaped(unknown)} is no part of an expression${hint}`, place);
      }
      const [word, space, name, number] = found, logic = ["and", "or", "not"].includes(word);
      if (number) this.checkNumber(word, place);
      else if (name && !logic)
        this.checkName(word, place, /^[ \t]*\(/.test(text.slice(place + word.length)));
      if (!space) yield {kind: number ? "number" : name && !logic ? "name" : "sign", word, place};
      place += word.length;
    }
  }

  checkNumber(word, place) {
    if (!NUMBER.test(word)) this.fail(`${quoted(word)} is not a number: write 80, 0x50 or 0b01010000`, place);
    if (Number(word) > DATA.grammar.largest)
      this.fail(`the number is too large: at most ${DATA.grammar.largest}`, place);
  }

  checkName(word, place, called) {
    const isFunction = Object.hasOwn(this.functions, word), isAbsent = Object.hasOwn(this.absent, word);
    if (isFunction) {
      if (!called) this.fail(`'${word}' is a function: write ${this.functions[word]}`, place);
      if (isAbsent) this.fail(this.absent[word], place);
      return;
    }
    if (isAbsent && !called) this.fail(this.absent[word], place);
    if (called || !Object.hasOwn(this.names, word)) {
      const known = called ? Object.values(this.functions) : Object.keys(this.names);
      const near = nearest(word.toLowerCase(), [...Object.keys(this.names), ...Object.keys(this.functions)]);
      const hint = near && near !== word ? `did you mean '${near}'?` : known.join(", ");
      this.fail(`no ${called ? "function" : "name"} ${quoted(word, 20)} here: ${hint}`, place);
    }
  }

  // Operands and operators in turn, brackets closed.
  checkOrder() {
    const brackets = [];
    let operandNext = true;
    this.tokens.forEach((token, i) => {
      const {kind, word, place} = token, before = this.tokens[i - 1];
      if (operandNext) {
        if (word === "not" && before && !["(", ",", "and", "or", "not"].includes(before.word))
          this.fail("'not' needs brackets here: (not ...)", place);
        if (word === "(") {
          brackets.push(i);
          if (brackets.length > DATA.grammar.deepest)
            this.fail(`nested too deeply: at most ${DATA.grammar.deepest} levels`, place);
        } else if (kind === "name" || kind === "number") operandNext = Object.hasOwn(this.functions, word);
        else if (!["+", "-", "~", "not"].includes(word)) this.fail(`something is missing before ${quoted(word)}`, place);
      } else if (word === ")") {
        if (!brackets.length) this.fail("this bracket closes nothing", place);
        brackets.pop();
      } else if (word === ",") {
        const opened = brackets.length ? brackets.at(-1) : 0;
        if (!opened || this.tokens[opened - 1].kind !== "name")
          this.fail("a comma stands only between what a function is given", place);
        operandNext = true;
      } else if (BINARY.includes(word)) operandNext = true;
      else this.fail(`an operator is missing before ${quoted(word)}`, place);
    });
    if (operandNext) this.fail("something is missing at the end", this.text.length);
    if (brackets.length) this.fail("this bracket is not closed", this.tokens[brackets.at(-1)].place);
  }

  // The tree, by precedence: or, and, not, comparisons, | ^ & shifts + -, signs.
  get next() { return this.tokens[this.at]?.word; }
  node(kind, start, parts, more = {}) {
    const last = this.tokens[this.at - 1];
    return {kind, start, end: last.place + last.word.length, parts, ...more};
  }

  parse(words = ["or", "and"]) {
    if (!words.length) return this.negation();
    const start = this.tokens[this.at].place, parts = [this.parse(words.slice(1))];
    while (this.next === words[0]) {
      this.at++;
      parts.push(this.parse(words.slice(1)));
    }
    return parts.length > 1 ? this.node("join", start, parts, {op: words[0]}) : parts[0];
  }

  negation() {
    const start = this.tokens[this.at].place;
    if (this.next !== "not") return this.comparison();
    this.at++;
    return this.node("not", start, [this.negation()]);
  }

  comparison() {
    const start = this.tokens[this.at].place, parts = [this.binary(0)], ops = [];
    while (COMPARISONS.includes(this.next)) {
      ops.push(this.next);
      this.at++;
      parts.push(this.binary(0));
    }
    return ops.length ? this.node("compare", start, parts, {ops}) : parts[0];
  }

  binary(level) {
    if (level === LEVELS.length) return this.sign();
    const start = this.tokens[this.at].place;
    let left = this.binary(level + 1);
    while (LEVELS[level].includes(this.next)) {
      const op = this.next;
      this.at++;
      const right = this.binary(level + 1);
      left = this.node("binary", start, [left, right], {op});
    }
    return left;
  }

  sign() {
    const {word, kind, place} = this.tokens[this.at++];
    if (["+", "-", "~"].includes(word)) {
      const inner = this.sign();
      return this.node("sign", place, [inner], {op: word});
    }
    if (word === "(") {
      const inner = this.parse();
      this.at++;
      return inner;
    }
    if (kind === "number") return this.node("number", place, [], {value: Number(word)});
    if (!Object.hasOwn(this.functions, word)) return this.node("name", place, [], {name: word});
    this.at++;
    const parts = [this.parse()];
    while (this.next === ",") {
      this.at++;
      parts.push(this.parse());
    }
    this.at++;
    return this.node("call", place, parts, {name: word});
  }

  // What each part can be: its lowest and highest value.
  range(node, masked = false) {
    const {kind, parts} = node;
    switch (kind) {
      case "number": return [node.value, node.value];
      case "name": return this.names[node.name];
      case "compare": parts.forEach(part => this.range(part)); return [0, 1];
      case "join": parts.forEach(part => this.truth(part, "'and' and 'or' join truths")); return [0, 1];
      case "not": this.truth(parts[0], "'not' turns a truth"); return [0, 1];
      case "sign": {
        const [low, high] = this.range(parts[0]);
        if (node.op !== "~") return node.op === "-" ? [-high, -low] : [low, high];
        if (isTruth([low, high]) && !masked && parts[0].kind !== "number")
          this.fail("~ makes -1 and -2 of 0 and 1: write (not ...)", node.start);
        return [-high - 1, -low - 1];
      }
      case "binary": return this.rangeOfTwo(node);
      default: return this.rangeOfCall(node);
    }
  }

  truth(node, why) {
    const found = this.range(node);
    if (!isTruth(found)) this.fail(`${why}, and this is a number, ${rangeText(found)}: compare it`, node.start);
  }

  rangeOfTwo({op, parts, start}) {
    const masked = op === "&";
    const left = this.range(parts[0], masked), right = this.range(parts[1], masked);
    let found;
    if (op === "+") found = [left[0] + right[0], left[1] + right[1]];
    else if (op === "-") found = [left[0] - right[1], left[1] - right[0]];
    else if (masked && (left[0] >= 0 || right[0] >= 0))
      found = [0, Math.min(...[left, right].filter(side => side[0] >= 0).map(side => side[1]))];
    else if (["&", "|", "^"].includes(op)) {
      const bits = Math.max(...[left, right].map(side => bitLength(Math.max(-side[0] - 1, side[1]))));
      found = [Math.min(left[0], right[0]) >= 0 ? 0 : -(2 ** bits), 2 ** bits - 1];
    } else {
      this.within(parts[1], right, DATA.grammar.shifts, "the count of a shift");
      const ends = left.flatMap(value => right.map(count => shift(op, value, count)));
      found = [Math.min(...ends), Math.max(...ends)];
    }
    if (found[0] < -DATA.grammar.bound || found[1] > DATA.grammar.bound)
      this.fail("this can go past 2 to the 48th", start);
    return found;
  }

  rangeOfCall({name, parts, start}) {
    const form = this.functions[name];
    if (parts.length !== form.split(",").length) this.fail(`'${name}' is given something else: ${form}`, start);
    if (name === "before") {
      if (parts[0].kind !== "name" || !/^[A-Z]+$/.test(parts[0].name))
        this.fail("before is of a flag: before(C), or N V D I Z", parts[0].start);
      return [0, 1];
    }
    const ranges = parts.map(part => this.range(part)), ofByte = {signed: [-128, 127], valid: [0, 1], bcd: [0, 165]};
    if (Object.hasOwn(ofByte, name)) {
      this.within(parts[0], ranges[0], 255, `${name} reads a byte; this`, "; & 0xFF takes the low eight bits");
      return ofByte[name];
    }
    if (name === "bit") this.within(parts[1], ranges[1], DATA.grammar.shifts, "the place of a bit");
    else this.within(parts[0], ranges[0], DATA.grammar.carries, "a carry's place");
    return [0, 1];
  }

  within(node, found, most, what, hint = "") {
    if (found[0] < 0 || found[1] > most)
      this.fail(`${what} must be 0 to ${most}, and can be ${rangeText(found)}${hint}`, node.start);
  }
}

const isTruth = ([low, high]) => low >= 0 && high <= 1;
const rangeText = ([low, high]) => low === high ? String(low) : `${low} to ${high}`;
function bitLength(number) {
  let bits = 0;
  for (let size = Math.abs(number); size >= 1; size = Math.floor(size / 2)) bits++;
  return bits;
}
const shift = (op, value, count) => op === "<<" ? value * 2 ** count : Math.floor(value / 2 ** count);

const usedBy = node => new Set([
  ...node.kind === "name" ? [node.name] : node.kind === "call" && node.name === "carry" ? ["carry"] : [],
  ...node.parts.flatMap(part => [...usedBy(part)]),
]);

// A column of what a part of a claim is on every row; `columns` has one for each name, and `carry`
// the carries as bits. A column at a time, and a loop for each operator: no row walks the tree.
function columnOf(node, columns) {
  const rows = columns.r.length, parts = node.parts.map(part => columnOf(part, columns)), [x, y] = parts;
  const found = new Float64Array(node.kind === "name" ? 0 : rows);
  const both = (one, other) => { for (let i = 0; i < rows; i++) one[i] &= other[i]; return one; };
  switch (node.kind) {
    case "number": return found.fill(node.value);
    case "name": return columns[node.name];
    case "not": for (let i = 0; i < rows; i++) found[i] = 1 - x[i]; return found;
    case "join":
      found.set(x);
      for (const part of parts.slice(1)) {
        if (node.op === "and") both(found, part);
        else for (let i = 0; i < rows; i++) found[i] |= part[i];
      }
      return found;
    case "compare": return node.ops.map((op, i) => compared(op, parts[i], parts[i + 1])).reduce(both);
    case "sign":
      if (node.op === "+") return x;
      for (let i = 0, less = node.op === "~" ? 1 : 0; i < rows; i++) found[i] = -x[i] - less;
      return found;
    case "binary": return ofTwo(node.op, x, y, found);
    default: {
      const {carry} = columns;
      if (node.name === "signed") for (let i = 0; i < rows; i++) found[i] = x[i] > 127 ? x[i] - 256 : x[i];
      else if (node.name === "valid") for (let i = 0; i < rows; i++) found[i] = x[i] >> 4 < 10 && (x[i] & 15) < 10 ? 1 : 0;
      else if (node.name === "bcd") for (let i = 0; i < rows; i++) found[i] = 10 * (x[i] >> 4) + (x[i] & 15);
      else if (node.name === "bit") for (let i = 0; i < rows; i++) found[i] = bitAt(x[i], y[i]);
      else for (let i = 0; i < rows; i++) found[i] = carry[i] >> x[i] & 1;
      return found;
    }
  }
}
function ofTwo(op, x, y, found) {
  const rows = found.length;
  switch (op) {
    case "+": for (let i = 0; i < rows; i++) found[i] = x[i] + y[i]; break;
    case "-": for (let i = 0; i < rows; i++) found[i] = x[i] - y[i]; break;
    case "&": for (let i = 0; i < rows; i++) found[i] = bitwise((a, b) => a & b, x[i], y[i]); break;
    case "|": for (let i = 0; i < rows; i++) found[i] = bitwise((a, b) => a | b, x[i], y[i]); break;
    case "^": for (let i = 0; i < rows; i++) found[i] = bitwise((a, b) => a ^ b, x[i], y[i]); break;
    default: for (let i = 0; i < rows; i++) found[i] = shift(op, x[i], y[i]);
  }
  return found;
}
function compared(op, x, y) {
  const rows = x.length, found = new Int32Array(rows);
  switch (op) {
    case "<": for (let i = 0; i < rows; i++) found[i] = x[i] < y[i] ? 1 : 0; break;
    case ">": for (let i = 0; i < rows; i++) found[i] = x[i] > y[i] ? 1 : 0; break;
    case "<=": for (let i = 0; i < rows; i++) found[i] = x[i] <= y[i] ? 1 : 0; break;
    case ">=": for (let i = 0; i < rows; i++) found[i] = x[i] >= y[i] ? 1 : 0; break;
    case "==": for (let i = 0; i < rows; i++) found[i] = x[i] === y[i] ? 1 : 0; break;
    default: for (let i = 0; i < rows; i++) found[i] = x[i] !== y[i] ? 1 : 0;
  }
  return found;
}
const bitAt = (value, place) => { const low = Math.floor(value / 2 ** place) % 2; return low < 0 ? 1 : low; };
// Of numbers with up to 48 bits, of which the language takes 32 at a time.
function bitwise(operate, a, b) {
  if (a === (a | 0) && b === (b | 0)) return operate(a, b);
  const part = 2 ** 24, high = [Math.floor(a / part), Math.floor(b / part)];
  return operate(...high) * part + operate(a - high[0] * part, b - high[1] * part);
}

// The inputs of an instruction, as blocks of rows that share C and D.
function blocksOf(mnemonic, variant) {
  const use = DATA.uses[mnemonic], decimal = use.decimal && variant !== "binary";
  return (decimal ? [0, 1] : [0]).flatMap(d => (use.carry ? [0, 1] : [0]).map(c => ({c, d})));
}

const LEFT_COLUMN = Uint8Array.from({length: 65536}, (_, row) => row >> 8);
const M_COLUMN = Uint8Array.from({length: 65536}, (_, row) => row & 255);
function columnsOf(planes, mnemonic, {c, d}) {
  const {left} = DATA.uses[mnemonic];
  const gather = (wires, array) => {
    wires.forEach((plane, bit) => {
      for (let word = 0, row = 0; word < WORDS; word++)
        for (let bits = plane[word], i = 0; i < 32; i++, row++, bits >>>= 1) array[row] |= (bits & 1) << bit;
    });
    return array;
  };
  const columns = {
    ...left === "M" ? {m: LEFT_COLUMN} : {a: LEFT_COLUMN, m: M_COLUMN, [left.toLowerCase()]: LEFT_COLUMN},
    carry_in: new Uint8Array(65536).fill(c), decimal: new Uint8Array(65536).fill(d),
    r: gather(planes.result, new Uint8Array(65536)), carry: gather(planes.carry, new Uint16Array(65536)),
  };
  for (const flag of "nvzc") columns[flag] = gather(planes[flag], new Uint8Array(65536));
  return columns;
}

// Judges a claim on every input, or on those that meet `given`; `every(c, d)` gives the columns of a
// block. An error of the condition has `of` "given".
function judgeClaim(text, mnemonic, variant, every, given = "") {
  const words = vocabularyOf(mnemonic, variant);
  const read = (source, of) => {
    try {
      const reader = new ClaimReader(source, words), tree = reader.read();
      const beyond = [...usedBy(tree)].find(name => name === "pushed" || /[A-Z]/.test(name));
      if (beyond) reader.fail(`the page asks the ALU alone, and ${beyond} is P's: the command line asks the whole unit`,
                              source.search(new RegExp(`\\b${beyond}\\b`)));
      return [tree, reader];
    } catch (error) {
      error.of = of;
      throw error;
    }
  };
  const [claim, reader] = read(text, "claim"), condition = given.trim() ? read(given, "given")[0] : null;
  const use = DATA.uses[mnemonic], step = use.operand ? 1 : 256;
  const relation = relationOf(claim, reader);
  const known = [..."nvzc"].filter(flag => Object.hasOwn(words.names, flag));
  const written = known.filter(flag => use.flags.includes(flag));
  const counts = new Int32Array(2 << known.length), blocks = [];  // by flags, then by the relation
  for (const block of blocksOf(mnemonic, variant)) {
    const columns = every(block.c, block.d), holds = columnOf(claim, columns);
    const related = relation && columnOf(relation, columns), meets = condition && columnOf(condition, columns);
    const plane = new Int32Array(WORDS), outside = new Int32Array(WORDS), flags = known.map(flag => columns[flag]);
    let failures = 0, inputs = 0;
    const mark = (where, row) => {
      if (step === 1) where[row >> 5] |= 1 << (row & 31);
      else where.fill(-1, row >> 5, row + step >> 5);
    };
    for (let row = 0; row < 65536; row += step) {
      if (meets && !meets[row]) { mark(outside, row); continue; }
      inputs++;
      if (!holds[row]) { failures++; mark(plane, row); }
      if (!related) continue;
      let at = 0;
      for (const column of flags) at = at * 2 + column[row];
      counts[at * 2 + related[row]]++;
    }
    blocks.push({...block, plane, outside, failures, inputs});
  }
  const sum = name => blocks.reduce((total, block) => total + block[name], 0);
  if (!sum("inputs")) {
    const error = new ClaimError("no input meets the condition: there is nothing to judge", 0);
    throw Object.assign(error, {of: "given"});
  }
  return {failures: sum("failures"), inputs: sum("inputs"), blocks, conditional: Boolean(condition),
          relation: relation && text.slice(relation.start, relation.end),
          rule: relation && ruleOf(known, written, counts)};
}

// The one relation of operands that a claim links flags to; null if it has none, or several.
function relationOf(claim, reader) {
  const flags = node => [...usedBy(node)].some(name => "nvzc".includes(name));
  const found = [];
  const collect = node => {
    const used = usedBy(node), truth = isTruth(reader.range(node, true));
    if (flags(node)) return node.parts.every(collect);
    if (used.size && truth) found.push(node);
    return truth || !used.size;
  };
  const bare = node => JSON.stringify(node, (key, value) => key === "start" || key === "end" ? undefined : value);
  if (!flags(claim) || !collect(claim) || !found.length) return null;
  return found.every(one => bare(one) === bare(found[0])) ? found[0] : null;
}

// What the flags say of a relation: a formula, and those of its flags that are not written; null
// where the relation is the same everywhere. No formula: the flags do not tell.
function ruleOf(known, written, counts) {
  const occurring = [...counts.keys()].filter(at => counts[at]);  // flags * 2 + relation
  if (new Set(occurring.map(at => at & 1)).size < 2) return null;
  for (const flags of known.length === written.length ? [known] : [written, known]) {
    const order = [...ORDER].filter(flag => flags.includes(flag)), told = new Map();
    for (const at of occurring) {
      const key = order.map(flag => at >> known.length - known.indexOf(flag) & 1).join("");
      told.set(key, told.get(key) | 1 << (at & 1));
    }
    if ([...told.values()].includes(3)) continue;
    const combinations = [...told.keys()].sort();
    const table = test => combinations.reduce((sum, key, i) => sum + (test(key) ? 2 ** i : 0), 0);
    const tables = order.map((flag, i) => [flag, table(key => key[i] === "1")]);
    const formula = simplest(table(key => told.get(key) === 2), tables, 2 ** combinations.length - 1);
    return {formula: formulaText(formula),
            unwritten: known.filter(flag => formula.names.has(flag) && !written.includes(flag))};
  }
  return {formula: null, unwritten: []};
}

const ORDER = "nvcz";
const formulaOf = (op, parts) => ({op, parts, names: new Set(op ? parts.flatMap(part => [...part.names]) : parts)});
function formulaText({op, parts}) {
  if (!op) return parts[0];
  const inside = part => part.op && part.op !== "not" ? `(${formulaText(part)})` : formulaText(part);
  return op === "not" ? `not ${inside(parts[0])}` : parts.map(inside).join(` ${op} `);
}
function joinFormulas(op, parts) {
  const flat = parts.flatMap(part => part.op === op ? part.parts : [part]);
  const key = part => [...part.names].map(name => ORDER.indexOf(name)).sort().join("");
  return formulaOf(op, flat.map(part => [key(part), part])
    .sort(([one], [other]) => one < other ? -1 : one > other ? 1 : 0).map(([, part]) => part));
}

// The simplest formula with a truth table: the fewest flags; then the fewest == and !=; then the
// fewest 'not'. Every formula of so many flags is made before one more is taken.
function simplest(truth, tables, all) {
  const levels = [[]], made = new Map();
  const atoms = level => {
    const found = [];
    if (level === 1) for (const [flag, table] of tables) {
      const plain = formulaOf("", [flag]);
      found.push([table, 0, plain], [all - table, 1, formulaOf("not", [plain])]);
    }
    if (level === 2) tables.forEach(([one, left], i) => tables.slice(i + 1).forEach(([other, right]) => {
      const pair = [formulaOf("", [one]), formulaOf("", [other])], differ = left ^ right;
      found.push([differ, 256, formulaOf("!=", pair)], [all - differ, 256, formulaOf("==", pair)]);
    }));
    return found;
  };
  while (!made.has(truth)) {
    const level = levels.length, cheapest = new Map();
    const offer = (value, cost, make) => {
      if (value === 0 || value === all || made.has(value)) return;
      const before = cheapest.get(value);
      if (!before || cost < before[0]) cheapest.set(value, [cost, make]);
    };
    for (const [value, cost, formula] of atoms(level)) offer(value, cost, () => formula);
    for (let i = 1; i <= level >> 1; i++) for (const op of ["and", "or"])
      for (const [left, leftCost] of levels[i]) for (const [right, rightCost] of levels[level - i])
        offer(op === "and" ? left & right : left | right, leftCost + rightCost,
              () => joinFormulas(op, [made.get(left), made.get(right)]));
    const found = [...cheapest].sort(([one], [other]) => one - other);
    if (!found.length) throw new Error("the tables do not tell the combinations apart");
    for (const [value, [, make]] of found) made.set(value, make());
    levels.push(found.map(([value, [cost]]) => [value, cost]));
  }
  return made.get(truth);
}
