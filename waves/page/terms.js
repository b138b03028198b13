// Names that a reader may not know: each is explained wherever it stands, by pointing at it or by Tab.

const TERMS = {
  carry: "Carry: what a column of the adder gives to the next one, 1 if its bits made two or more.",
  stack: "The stack: the page of memory from 0100 to 01FF. S is the low byte of the place where the next push goes; a push takes S down by one, a pull takes it up.",
  vector: "A vector: two bytes at the end of memory that hold the address of a handler, FFFA for NMI, FFFC for RESET, FFFE for IRQ and BRK.",
  b: "B: bit 4 of a pushed status byte, 1 if BRK or PHP pushed it, 0 if IRQ or NMI did. No register has it.",
  v: "V, overflow: the result did not fit from -128 to 127; a carry went into bit 7 and none out, or the other way round.",
  c: "C, the flag carry: the carry out of bit 7, kept for the next instruction. After a difference, 0 is a borrow.",
  n: "N, negative: bit 7 of the result, its sign if the byte is read with one.",
  z: "Z, zero: 1 if no bit of the result is 1.",
  i: "I, interrupts held off: while it is 1, IRQ has to wait. NMI does not ask it.",
  d: "D, decimal: while it is 1, ADC and SBC take each half of a byte for a decimal digit.",
  irq: "IRQ: a request to interrupt, made for as long as the pin is low. It waits while the flag I is 1.",
  nmi: "NMI: an interrupt that nothing holds off, made by the pin going from high to low.",
  reset: "RESET: while the pin is low the unit waits; then it begins anew, at the address in FFFC.",
};

const term = (words, name) => el("dfn", {tabindex: 0, "data-term": name}, words);

function makeTerms() {
  const bar = byId("term"), named = node => node?.closest?.("[data-term]");
  const show = node => {
    bar.hidden = !node;
    if (node) bar.textContent = TERMS[node.dataset.term];
  };
  document.addEventListener("pointerover", event => { if (named(event.target)) show(named(event.target)); });
  document.addEventListener("pointerout", event => { if (named(event.target)) show(named(document.activeElement)); });
  document.addEventListener("focusin", event => show(named(event.target)));
  document.addEventListener("focusout", () => show(null));
  document.addEventListener("keydown", event => { if (event.key === "Escape") show(null); });
}
