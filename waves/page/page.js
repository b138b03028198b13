// The page is put together, and follows its address.

function goPart(name) {
  byId(name).scrollIntoView({behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth"});
  byId(name).focus({preventScroll: true});
}

function follow() {
  const troubles = readAddress(location.hash);
  tell("told", troubles.length ? `The link was not all understood: ${troubles.slice(0, 5).join("; ")}. The rest is shown.` : "");
  for (const draw of parts) draw(new Set(["all"]));
}

for (const link of document.querySelectorAll("[data-go]"))
  link.addEventListener("click", event => { event.preventDefault(); goPart(link.dataset.go); });
for (const button of document.querySelectorAll(".print")) button.addEventListener("click", () => print());
makeTerms();
makeOperation();
makeMap();
makeGuess();
makeClocks();
addEventListener("hashchange", follow);
let width = innerWidth;
addEventListener("resize", () => {
  if (innerWidth === width) return;
  width = innerWidth;
  for (const draw of parts) draw(new Set(["delay", "clock"]));
});
byId("meaning").open = innerWidth >= 1100;
follow();
document.documentElement.dataset.ready = String(Math.round(performance.now()));
