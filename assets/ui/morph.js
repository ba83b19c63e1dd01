// A drawing that takes another's place: its ribbons flow from where they were to where they are now, in path and width.
// What is new comes up beside them. The real ribbons wait hidden, and go on following the scene.
const MS = 700, POINTS = 56, SVG = "http://www.w3.org/2000/svg";

const ribbonsOf = (svg) => new Map([...svg.querySelectorAll("path.ribbon[data-id]")].map((path) => [path.dataset.id, path]));
const widthOf = (path) => +path.getAttribute("stroke-width") || 0;
const along = (path) => {
  const whole = path.getTotalLength();
  return Array.from({ length: POINTS }, (_, k) => path.getPointAtLength(whole * k / (POINTS - 1)));
};
// the third and fourth ribbon leave the first and second, and go back into them
const mate = (id) => id.replace(/[34]$/, (k) => k - 2);

export function morph(from, to) {
  const before = ribbonsOf(from), after = ribbonsOf(to), moves = [];
  const group = document.createElementNS(SVG, "g");
  group.setAttribute("class", "morph");
  const add = (path, start, startWidth, end, endWidth) => {
    const drawn = document.createElementNS(SVG, "path");
    drawn.setAttribute("class", path.getAttribute("class"));
    group.append(drawn);
    moves.push({ drawn, start: along(start), startWidth, end, endWidth });
  };
  for (const [id, path] of before) {
    const end = after.get(mate(id));
    if (!after.has(id) && end) add(path, path, widthOf(path), end, () => 0);
  }
  for (const [id, path] of after) {
    const start = before.get(id) ?? before.get(mate(id));
    if (start) add(path, start, before.has(id) ? widthOf(start) : 0, path, () => widthOf(path));
  }
  [...after.values()].at(-1)?.after(group);
  const begun = performance.now();
  const frame = (now) => {
    const part = Math.min(1, (now - begun) / MS), eased = part * part * (3 - 2 * part);
    if (part >= 1 || !to.isConnected) { group.remove(); to.classList.remove("morphing"); return; }
    const mix = (a, b) => a + (b - a) * eased;
    for (const { drawn, start, startWidth, end, endWidth } of moves) {
      const now = along(end);
      drawn.setAttribute("d", `M${start.map(({ x, y }, k) => `${mix(x, now[k].x).toFixed(1)} ${mix(y, now[k].y).toFixed(1)}`).join("L")}`);
      drawn.setAttribute("stroke-width", mix(startWidth, endWidth()).toFixed(2));
    }
    requestAnimationFrame(frame);
  };
  frame(begun);
}
