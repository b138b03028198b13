// What is wrong with the figures of a page, each in a section with an id: text over text, text that
// leaves its box or the figure, a line through text, text too faint for what lies beneath it.
//
// Text is measured by its ink, not by its font's box. A box is a shape with a fill; what lies
// beneath a text is the last one drawn before it that its middle is in.
const canvas = document.createElement("canvas").getContext("2d");
function ink(text, origin) {
  const style = getComputedStyle(text), rect = text.getBoundingClientRect();
  canvas.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
  const m = canvas.measureText(text.textContent);
  const y = +text.getAttribute("y");
  return {left: rect.left - origin.left, right: rect.right - origin.left,
          top: y - m.actualBoundingBoxAscent, bottom: y + m.actualBoundingBoxDescent};
}
function channels(colour) { return colour.match(/[\d.]+/g).slice(0, 3).map(Number); }
function luminance(colour) {
  const [r, g, b] = channels(colour).map(v => v / 255).map(
    v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
function contrast(one, other) {
  const [light, dark] = [luminance(one), luminance(other)].sort((a, b) => b - a);
  return (light + 0.05) / (dark + 0.05);
}
function judge(svg) {
  const found = [], origin = svg.getBoundingClientRect();
  const shapes = [...svg.querySelectorAll("rect, path, line, circle")];
  const texts = [...svg.querySelectorAll("text")];
  const boxes = texts.map(text => ink(text, origin));
  const view = svg.viewBox.baseVal;
  if (Math.abs(origin.width - view.width) > 0.01) found.push(`width ${origin.width}`);
  const filled = shapes.filter(s => getComputedStyle(s).fill !== "none");
  const areas = filled.slice(1).map(s => s.getBBox()).filter(b => b.width > 20 && b.height > 12);
  const stroked = [];
  for (const s of shapes) {
    if (getComputedStyle(s).stroke === "none" || s.tagName === "circle") continue;
    const half = parseFloat(getComputedStyle(s).strokeWidth) / 2;
    const length = s.getTotalLength();
    for (let at = 0; at <= length; at += 3) stroked.push([s.getPointAtLength(at), half, s]);
  }
  const wires = new Map();
  for (const [p, , s] of stroked)
    if (/ wire-[01]$/.test(s.getAttribute("class"))) wires.set(s, [...(wires.get(s) || []), p]);
  const before = (one, other) =>
    one.compareDocumentPosition(other) & Node.DOCUMENT_POSITION_FOLLOWING;
  for (const box of filled.slice(1).filter(s => s.tagName === "rect"))
    for (const [wire, points] of wires) {
      const b = box.getBBox();
      const beyond = (low, high, v) => points.some(p => v(p) < low) && points.some(p => v(p) > high);
      if (before(box, wire) && points.some(p => box.isPointInFill(p))
          && (beyond(b.x, b.x + b.width, p => p.x) || beyond(b.y, b.y + b.height, p => p.y)))
        found.push("a wire runs over a box");
    }
  texts.forEach((text, i) => {
    const name = `'${text.textContent}'`, box = boxes[i];
    const clash = (other, gap) => box.left < other.right - gap && other.left < box.right - gap
      && box.top < other.bottom - gap && other.top < box.bottom - gap;
    for (let j = 0; j < i; j++)
      if (clash(boxes[j], 0)) found.push(`${name} overlaps '${texts[j].textContent}'`);
    if (box.left < 0 || box.top < 0 || box.right > view.width || box.bottom > view.height)
      found.push(`${name} leaves the figure`);
    for (const area of areas) {
      const edge = {left: area.x, right: area.x + area.width, top: area.y,
                    bottom: area.y + area.height};
      const inside = box.left >= edge.left && box.right <= edge.right && box.top >= edge.top
        && box.bottom <= edge.bottom;
      if (clash(edge, 0.5) && !inside) { found.push(`${name} leaves its box`); break; }
    }
    if (stroked.some(([p, half, s]) => p.x + half > box.left + 0.5 && p.x - half < box.right - 0.5
        && p.y + half > box.top + 0.5 && p.y - half < box.bottom - 0.5
        && !filled.some(f => before(s, f) && before(f, text) && f.isPointInFill(p))))
      found.push(`a line runs through ${name}`);
    const middle = new DOMPoint((box.left + box.right) / 2, (box.top + box.bottom) / 2);
    const beneath = filled.filter(s => s.isPointInFill(middle) && before(s, text)).pop();
    if (!beneath) return;  // outside the figure, as is said above
    const ratio = contrast(getComputedStyle(text).fill, getComputedStyle(beneath).fill);
    if (ratio < 4.5) found.push(`${name} has a contrast of ${ratio.toFixed(1)}`);
  });
  return {found, texts: texts.length, background: getComputedStyle(filled[0]).fill};
}
const told = {};
for (const part of document.querySelectorAll("section"))
  told[part.id] = judge(part.querySelector("svg"));
document.getElementById("told").textContent = JSON.stringify(told);
