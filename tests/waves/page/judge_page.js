// What is wrong with the page as it stands: text over text, text that leaves the page or its own box,
// text too faint for what lies beneath it. Given as a function of nothing that returns findings.
() => {
  const channels = colour => (colour.match(/[\d.]+/g) || [0, 0, 0, 0]).map(Number);
  const luminance = colour => channels(colour).slice(0, 3).map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const found = [], texts = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode, parent = node.parentElement;
    if (!node.textContent.trim() || parent.closest("script, style, noscript, .away, option, .skip")) continue;
    if (!parent.checkVisibility({opacityProperty: true, visibilityProperty: true})) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (let box of range.getClientRects()) {
      if (box.width < 1) continue;
      const inside = parent.closest(".source, .figure");
      if (inside) {  // what is scrolled away is not seen
        const edge = inside.getBoundingClientRect();
        if (box.bottom < edge.top || box.top > edge.bottom || box.left > edge.right) continue;
        box = new DOMRect(box.left, box.top, Math.min(box.right, edge.right) - box.left, box.height);
      }
      texts.push({node, parent, box, words: node.textContent.trim().slice(0, 40)});
    }
  }
  const wide = document.documentElement.clientWidth;
  const background = (element, at) => {
    const beneath = document.elementsFromPoint(...at);
    for (const one of beneath) {
      if (one === element && one instanceof SVGElement) continue;
      const style = getComputedStyle(one);
      if (one instanceof SVGGeometryElement) {
        if (style.fill !== "none" && channels(style.fill)[3] !== 0) return style.fill;
      } else if (!(one instanceof SVGElement) && channels(style.backgroundColor)[3] !== 0) return style.backgroundColor;
    }
    return getComputedStyle(document.body).backgroundColor;
  };
  texts.forEach(({parent, box, words}, i) => {
    if (box.right > wide + 1 && !parent.closest(".source")) found.push(`'${words}' leaves the page`);
    for (let j = 0; j < i; j++) {
      const other = texts[j].box;
      // A font's box is higher than its ink: a fifth of each is let overlap.
      const gap = Math.min(box.height, other.height) * 0.22;
      if (texts[j].node !== texts[i].node && box.left < other.right - 1 && other.left < box.right - 1
          && box.top < other.bottom - gap && other.top < box.bottom - gap)
        found.push(`'${words}' overlaps '${texts[j].words}'`);
    }
    const frame = parent.closest("button, .flag-value, .status-cell, td, th, dd, code");
    if (frame) {
      const edge = frame.getBoundingClientRect();
      if (box.left < edge.left - 1 || box.right > edge.right + 1) found.push(`'${words}' leaves its box`);
    }
  });
  for (const {node, parent, words} of texts) {
    parent.scrollIntoView({block: "center", behavior: "instant"});
    const range = document.createRange();
    range.selectNodeContents(node);
    const box = range.getClientRects()[0], at = [(box.left + box.right) / 2, (box.top + box.bottom) / 2];
    if (at[1] < 0 || at[1] > innerHeight || at[0] > innerWidth) continue;
    const style = getComputedStyle(parent), ink = parent instanceof SVGElement ? style.fill : style.color;
    const [light, dark] = [luminance(ink), luminance(background(parent, at))].sort((a, b) => b - a);
    const ratio = (light + 0.05) / (dark + 0.05);
    if (ratio < 4.5) found.push(`'${words}' has a contrast of ${ratio.toFixed(1)}`);
  }
  scrollTo(0, 0);
  return {found: [...new Set(found)], texts: texts.length};
}
