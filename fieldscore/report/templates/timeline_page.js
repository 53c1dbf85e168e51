/* The timeline of a report, last part: every instrument of the page is made, and links, drawings and paper take part. */
const instruments = new Map();
for (const root of document.querySelectorAll(".instrument")) {
  const data = JSON.parse(root.querySelector("script").textContent);
  const made = new Instrument(root, data.tracks.some((one) => typeof one === "string") ? data : { ...data, tracks: known(root.id) });
  root.querySelector(".off").remove();
  instruments.set(root.id, made);
  for (const figure of document.querySelectorAll(`figure[data-follows="${root.id}"]`)) made.follow(figure);
}
document.addEventListener("click", (event) => {
  const link = event.target.closest("a.jump");
  const target = link && instruments.get(link.hash.slice(1));
  if (!target) return;
  event.preventDefault();
  target.jump(Number(link.dataset.track || 0), Number(link.dataset.at));
});
/* What is folded away on the screen is told on paper. */
let folded = [];
addEventListener("beforeprint", () => {
  folded = [...document.querySelectorAll("details:not([open])")];
  folded.forEach((one) => { one.open = true; });
});
addEventListener("afterprint", () => folded.forEach((one) => { one.open = false; }));
