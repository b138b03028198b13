// Elements of the page and of figures. Text is text: nothing is ever read as markup.

const SVG = "http://www.w3.org/2000/svg";
const byId = id => document.getElementById(id);

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== undefined && value !== null) node.setAttribute(name, value);
  }
  node.append(...children.flat().filter(child => child !== null && child !== undefined && child !== false));
  return node;
}
const el = (tag, attributes, ...children) => fill(document.createElement(tag), attributes, children);
const svg = (tag, attributes, ...children) => fill(document.createElementNS(SVG, tag), attributes, children);

// Puts new content in the place of the old, and the focus back on what has the same key.
function replace(parent, ...nodes) {
  const active = document.activeElement;
  const key = active && parent.contains(active) ? active.getAttribute("data-key") : null;
  parent.replaceChildren(...nodes);
  if (key) [...parent.querySelectorAll("[data-key]")]
    .find(node => node.getAttribute("data-key") === key)?.focus({preventScroll: true});
}

const text = (x, y, content, role = "", attributes = {}) =>
  svg("text", {x, y, class: role, ...attributes}, String(content));
const line = (points, role, attributes = {}) =>
  svg("path", {d: "M" + points.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join("L"),
               class: `wire ${role}`, ...attributes});

// Figures grow with the page's text: so many pixels to a unit of theirs.
const scale = () => Math.max(1, parseFloat(getComputedStyle(document.documentElement).fontSize) / 18);
const roomOf = (node, least = 300) => Math.max(least, Math.floor((node.clientWidth || 700) / scale()));
const sized = (root, width, height) => fill(root, {
  viewBox: `0 0 ${width} ${height}`, width: Math.floor(width * scale()), height: Math.ceil(height * scale()),
}, []);

const say = words => { byId("said").textContent = words; };
function tell(id, words) {
  byId(id).hidden = !words;
  byId(id).textContent = words;
}

// A figure as a file of its own: the page's colours written into it.
const KEPT_STYLES = ["fill", "stroke", "stroke-width", "stroke-dasharray", "stroke-linecap", "opacity",
                     "font-family", "font-size", "font-weight", "text-anchor", "image-rendering", "paint-order"];
const USUAL = {stroke: "none", "stroke-width": "1px", "stroke-dasharray": "none", "stroke-linecap": "butt", opacity: "1",
               "text-anchor": "start", "image-rendering": "auto", "paint-order": "normal"};  // what need not be said
function saveFigure(figures, name) {
  const gap = 16;
  let height = gap, width = 0;
  const root = svg("svg", {xmlns: SVG});
  for (const figure of figures) {
    const box = figure.viewBox.baseVal, copy = figure.cloneNode(true);
    const from = [figure, ...figure.querySelectorAll("*")], to = [copy, ...copy.querySelectorAll("*")];
    from.forEach((node, i) => {
      const style = getComputedStyle(node);
      for (const name of KEPT_STYLES) {
        const value = style.getPropertyValue(name), idle = /^(font|text)/.test(name) ? node.tagName !== "text" : /^stroke-/.test(name) && style.stroke === "none";
        if (!idle && value !== USUAL[name]) to[i].setAttribute(name, value);
        else to[i].removeAttribute(name);
      }
      for (const name of ["tabindex", "role", "data-key", "class", "aria-label", "aria-checked"])
        to[i].removeAttribute(name);
    });
    copy.setAttribute("x", gap);
    copy.setAttribute("y", height);
    copy.setAttribute("width", box.width);
    copy.setAttribute("height", box.height);
    root.append(copy);
    height += box.height + gap;
    width = Math.max(width, box.width + 2 * gap);
  }
  root.setAttribute("viewBox", `0 0 ${width} ${height}`);
  root.setAttribute("width", width);
  root.setAttribute("height", height);
  const paper = getComputedStyle(document.body).backgroundColor;
  root.prepend(svg("rect", {width, height, fill: paper}));
  download(new XMLSerializer().serializeToString(root), name);
}

function download(content, name) {
  const link = el("a", {href: URL.createObjectURL(new Blob([content], {type: "image/svg+xml"})),
                        download: name});
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  say(`${name} saved`);
}

// A byte as people write it; null where it is none.
function readByte(written) {
  const found = /^\s*([+-]?)(?:(0x|\$)([0-9a-f]+)|(0b|%)([01]+)|([0-9]+))\s*$/i.exec(written);
  if (!found) return null;
  const [, sign, , hexes, , bits, digits] = found;
  const size = hexes ? parseInt(hexes, 16) : bits ? parseInt(bits, 2) : parseInt(digits, 10);
  const value = sign === "-" ? -size : size;
  return value < -128 || value > 255 ? null : value & 255;
}
function byteTrouble(name, written) {
  if (/^\s*[+-]?(\d+|(\$|0x)[0-9a-f]+|(%|0b)[01]+)\s*$/i.test(written))
    return `${name} is ${written.trim().slice(0, 12)}: a byte goes from -128 to 255, or $00 to $FF`;
  return `${name}: "${written.trim().slice(0, 12)}" is no byte; write 80, $50, %01010000 or -1`;
}
