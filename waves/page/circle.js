// The byte's circle: 0 to 255 around it, and the same points read with a sign within.

const CIRCLE = {size: 380, middle: 190, ring: 122};

function onCircle(value, radius) {
  const angle = value / 128 * Math.PI;
  return [CIRCLE.middle + radius * Math.sin(angle), CIRCLE.middle - radius * Math.cos(angle)];
}

function drawCircle(op) {
  const {size, middle, ring} = CIRCLE;
  const root = svg("svg", {class: "drawn circle", role: "img"});
  sized(root, size, size);
  root.append(svg("circle", {cx: middle, cy: middle, r: ring, class: "ring"}));
  for (let value = 0; value < 256; value += 8)
    root.append(line([onCircle(value, ring - (value % 32 ? 3 : 6)), onCircle(value, ring + (value % 32 ? 3 : 6))], "off"));
  const label = (value, radius, words, role) => {
    const [x, y] = onCircle(value, radius);
    root.append(text(x, y + 5, words, `small middle ${role}`));
  };
  for (const value of [32, 64, 96, 160, 192, 224]) {
    label(value, ring + 38, value, "");
    label(value, ring - 36, plus(signed(value)), "quiet");
  }
  // The two seams, where a reading breaks off: unsigned at the top, signed at the bottom.
  root.append(line([onCircle(255.5, ring + 4), onCircle(255.5, ring + 48)], "seam-c"),
              line([onCircle(127.5, ring - 4), onCircle(127.5, ring - 48)], "seam-v"));
  label(252, ring + 40, 255, "");
  label(3, ring + 40, 0, "");
  label(247, ring - 34, -1, "quiet");
  label(4, ring - 34, 0, "quiet");
  label(115, ring - 42, "+127", "quiet");
  label(140, ring - 42, "-128", "quiet");
  label(124, ring + 38, 127, "");
  label(131.5, ring + 38, 128, "");

  const arc = (from, steps, radius, role) => {
    if (!steps) return;
    const short = steps - Math.sign(steps) * Math.min(3, Math.abs(steps) / 2);
    const [x, y] = onCircle(from, radius), [u, v] = onCircle(from + short, radius);
    root.append(svg("path", {class: `move ${role}`, d: `M${x.toFixed(1)} ${y.toFixed(1)}A${radius} ${radius} 0 `
      + `${Math.abs(short) > 128 ? 1 : 0} ${steps > 0 ? 1 : 0} ${u.toFixed(1)} ${v.toFixed(1)}`}));
    const tip = [onCircle(from + steps, radius), ...[-7, 7].map(out => onCircle(from + steps - Math.sign(steps) * 5, radius + out))];
    root.append(svg("path", {class: `tip ${role}`, d: `M${tip.map(([a, b]) => `${a.toFixed(1)} ${b.toFixed(1)}`).join("L")}Z`}));
  };
  const start = op.ports.a, end = op.ports.result, moves = movesOf(op);
  if (moves) {
    if (Math.abs(moves.unsigned) < 256) arc(start, moves.unsigned, ring + 18, "outer");
    arc(start, moves.signed, ring - 16, "inner");
  }
  const [x, y] = onCircle(start, ring), [u, v] = onCircle(end, ring);
  root.append(svg("circle", {cx: x, cy: y, r: 8, class: "dot start"}),
              svg("rect", {x: u - 7, y: v - 7, width: 14, height: 14, class: "dot end"}));
  root.append(text(middle, middle - 14, `$${hex(end)}`, "big middle"),
              text(middle, middle + 14, `unsigned ${end}`, "middle"),
              text(middle, middle + 36, `signed ${plus(signed(end))}`, "middle"));
  const step = by => `${by < 0 ? "-" : "+"} ${Math.abs(by)}`;
  const words = moves ? [
    `Outside, without a sign: ${start} ${step(moves.unsigned)} = ${start + moves.unsigned}`
      + (moves.over ? `, past the seam at the top${moves.back ? ": a borrow." : ": C."}` : "."),
    `Inside, with a sign: ${signed(start)} ${step(moves.signed)} = ${signed(start) + moves.signed}`
      + (moves.past ? ", past the seam at the bottom: overflow." : "."),
  ] : [`From ${hex(start)} (circle) to ${hex(end)} (square).`];
  root.setAttribute("aria-label", words.join(" "));
  return [root, ...words.map(sentence => el("p", {class: "caption"}, sentence))];
}

// How far a sum or a difference moves in each reading; null where the circle shows none.
function movesOf(op) {
  const back = ["SUBTRACT", "COMPARE"].includes(op.use.name);
  if (!back && op.use.name !== "ADD" || decimalAt(op)) return null;
  const carry = op.use.name === "COMPARE" ? 1 : op.c, sign = back ? -1 : 1, extra = back ? carry - 1 : carry;
  const found = {back, unsigned: sign * op.ports.b + extra, signed: sign * signed(op.ports.b) + extra};
  const over = op.ports.a + found.unsigned, past = signed(op.ports.a) + found.signed;
  return {...found, over: over < 0 || over > 255, past: past < -128 || past > 127};
}
