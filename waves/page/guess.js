// Guess first: four blank flags, then the answer with its reason.

const score = {right: 0, asked: 0};
let question = null, guesses = {};

function ask() {
  const pick = list => list[Math.floor(Math.random() * list.length)];
  const near = () => pick([0, 1, 0x50, 0x7F, 0x80, 0x81, 0xFF, 0xF0, 0x10, 0x40, Math.floor(Math.random() * 256)]);
  question = {mnemonic: pick(["ADC", "ADC", "SBC", "CMP", "CMP", "ASL", "INX"]), variant: "nmos", left: near(),
              m: near(), c: pick([0, 1]), d: 0};
  guesses = {};
  drawGame(false);
}

function drawGame(answered) {
  const op = operate(alus.nmos, question), reasons = reasonsOf(op);
  const told = [`${leftName(op)} ${hex(op.left)} (${op.left} or ${plus(signed(op.left))})`,
                ...op.use.operand ? [`M ${hex(op.m)} (${op.m} or ${plus(signed(op.m))})`] : [],
                ...op.use.carry ? [`C ${op.c}`] : []].join(", ");
  const row = name => {
    const truth = op.use.flags.includes(name) ? String(op.after[name]) : "unchanged";
    return el("fieldset", {class: "guess-row"}, el("legend", {}, term(`${name.toUpperCase()} ${FLAG_WORDS[name]}`, name)),
      ["0", "1", "unchanged"].map(choice => el("button", {
        type: "button", "data-key": `guess-${name}-${choice}`, disabled: answered,
        "aria-pressed": guesses[name] === choice ? "true" : "false",
        class: answered && choice === truth ? "truth" : "",
        onclick: () => { guesses[name] = choice; drawGame(false); },
      }, choice)),
      answered && el("span", {class: guesses[name] === truth ? "right" : "wrong"},
        `${guesses[name] === truth ? "✓ right" : `✗ it is ${truth}`}: `
        + (truth === "unchanged" ? `${op.mnemonic} leaves it alone` : reasons[name].filter(Boolean).join("; "))));
  };
  const all = ["n", "v", "z", "c"];
  replace(byId("game"),
    el("p", {class: "because"}, el("b", {}, op.mnemonic), ` with ${told}`),
    el("div", {class: "guess-rows"}, all.map(row)),
    el("div", {class: "leave"},
      answered ? el("button", {type: "button", "data-key": "guess-go", onclick: ask}, "Another")
        : el("button", {type: "button", "data-key": "guess-go", disabled: !all.every(name => guesses[name]),
            onclick: () => {
              score.asked += 4;
              score.right += all.filter(name => guesses[name]
                === (op.use.flags.includes(name) ? String(op.after[name]) : "unchanged")).length;
              drawGame(true);
              say(`${score.right} of ${score.asked} right`);
            }}, "Let the gates answer"),
      answered && el("button", {type: "button", onclick: () => {
        set({op: op.mnemonic, on: "nmos", a: op.left, m: op.m, c: op.c, d: 0, delay: -1});
        goPart("one");
      }}, "Show its carries"),
      !answered && !all.every(name => guesses[name]) && el("span", {class: "quiet"}, "Choose all four first."),
      el("span", {}, `Score: ${score.right} of ${score.asked} flags`)));
}

const makeGuess = () => ask();
