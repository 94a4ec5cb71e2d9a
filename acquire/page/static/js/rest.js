// How far a value is from rest, as a shape: still water spreads from the shore, ripples die away
// before it, and a stone marks where the two meet. At rest: no ripple, a solid stone at the end.

import { el, setAttribute, svg } from "./dom.js";

const LENGTH = 1000; // of the picture; its height is 24
const MIDDLE = 14;
const WAVES = 16;

/** The element, with `.show(rest)`: 0 (far) to 1 (at rest), null: not in water. */
export function restShape() {
  const still = svg("path", { class: "rest-still" });
  const ripples = svg("path", { class: "rest-ripples" });
  const picture = svg("svg", { viewBox: `0 0 ${LENGTH} 24`, preserveAspectRatio: "none", focusable: "false" }, still, ripples);
  const stone = el("span", { class: "rest-stone" });
  const shape = el("div", { class: "rest", "aria-hidden": "true" }, picture, stone);
  let drawn;
  shape.show = (rest) => {
    const step = rest === null ? null : Math.round(Math.min(1, Math.max(0, rest)) * 100) / 100;
    if (step === drawn) return;
    drawn = step;
    setAttribute(shape, "data-rest", step === null ? "none" : step >= 1 ? "full" : "part");
    const place = (step ?? 0) * LENGTH;
    setAttribute(still, "d", step === null ? `M0 ${MIDDLE}H${LENGTH}` : `M0 ${MIDDLE}H${place.toFixed(0)}`);
    setAttribute(ripples, "d", step === null || step >= 1 ? "M0 0" : wave(place, 2.5 + 7.5 * (1 - step)));
    stone.style.left = `calc(${(step ?? 0) * 100}% - ${(step ?? 0) * 14}px)`;
  };
  return shape;
}

function wave(from, height) {
  const length = LENGTH / WAVES;
  const quarter = length / 4;
  let path = `M${from.toFixed(0)} ${MIDDLE}`;
  for (let at = from, up = true; at < LENGTH; at += length / 2, up = !up) {
    path += `q${quarter.toFixed(1)} ${(up ? -height : height).toFixed(1)} ${(length / 2).toFixed(1)} 0`;
  }
  return path;
}

/** The stops of a round as stepping stones: taken, now, to come, left out. */
export function steppingStones(stops) {
  return stops.map(({ text, state }) => {
    const marks = {
      taken: [svg("circle", { class: "stone-full", cx: 12, cy: 12, r: 7 })],
      now: [svg("circle", { class: "stone-ring", cx: 12, cy: 12, r: 9 }), svg("circle", { class: "stone-full", cx: 12, cy: 12, r: 4 })],
      skipped: [svg("path", { class: "stone-ring", d: "M6 12h12" })],
      "to come": [svg("circle", { class: "stone-ring", cx: 12, cy: 12, r: 5 })],
    };
    return { text, state, mark: svg("svg", { viewBox: "0 0 24 24", class: "stone", "aria-hidden": "true", focusable: "false" }, marks[state] ?? marks["to come"]) };
  });
}
