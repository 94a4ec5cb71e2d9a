// One quantity: its value as large as the screen allows, how far from rest, how long still.

import { el, setAttribute, setText } from "../dom.js";
import { ageOf } from "../live.js";
import { restShape } from "../rest.js";
import { smallCurve } from "../curve.js";
import { quantity, show, signed, span, unitOf, withU } from "../words.js";

const FLAGS = { over_range: "over range", error: "no number", implausible: "implausible" };

/** The card, with `.show(row, meter, {live, capture})`; `row` as in a status. */
export function quantityCard(first) {
  const called = first.quantity;
  const value = el("span", { class: "card-value numbers" });
  const unit = el("span", { class: "card-unit", text: unitOf(called) });
  const phase = el("span", { class: "card-phase" });
  const more = el("span", { class: "card-more numbers" });
  const shape = restShape();
  const curve = smallCurve();
  const card = el("section", { class: first.required ? "card" : "card card-minor", "aria-label": quantity(called).label, "data-quantity": called },
    el("h2", { class: "card-name", text: quantity(called).label }),
    el("p", { class: "card-number" }, value, " ", unit),
    el("div", { class: "card-rest" }, shape),
    el("p", { class: "card-words" }, phase, more),
    el("div", { class: "card-curve" }, curve));

  card.show = (row, meter, { live, capture }) => {
    setText(value, row.value === null ? "–" : show(called, row.value));
    const inWater = row.phase !== null && row.phase !== undefined;
    setAttribute(card, "data-phase", row.flag ? "flag" : row.phase ?? "air");
    setText(phase, words(row, meter, live));
    const result = capture?.values[called];
    // Once it moves again, in the next water or after all, that is what counts.
    const isTaken = result?.phase === "settled" && row.phase !== "moving" && capture.state !== "withdrawn" && capture.state !== "unsettled";
    const moves = live && inWater && row.phase !== "settled" && row.drift_per_min !== null;
    setText(more, isTaken ? `taken ${withU(called, result.value, result.expanded_u, { unit: false })}`
      : moves ? `${signed(row.drift_per_min, quantity(called).digits + 1)} per min` : "");
    shape.show(live && inWater && !row.flag ? row.rest ?? 0 : null);
    curve.show(inWater ? meter.trace?.points[called] ?? [] : [], row.settling_value, row.tolerance);
  };
  return card;
}

function words(row, meter, live) {
  if (!live) {
    const age = ageOf(meter);
    return age === null ? "not live" : `${span(age)} old`;
  }
  if (row.flag) return FLAGS[row.flag] ?? row.flag;
  if (!row.phase) return meter.status?.medium === "air" ? "in air" : "not certain it is in water";
  if (row.phase === "settled") return "settled";
  return row.eta_s ? `${row.phase}, about ${span(row.eta_s)}` : row.phase;
}
