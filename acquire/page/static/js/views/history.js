// History: one water over the months, quantity by quantity, with the checks beside it.

import { get, part } from "../api.js";
import { chart } from "../chart.js";
import { button, choice, el, name, tidy } from "../dom.js";
import { dayOf, digitsFor, fixed, moment, quantity, signed, withU, withUnit } from "../words.js";
import { captureSheet, filled, heading } from "./parts.js";

const CHANGES = { yes: "● ● differs from the time before", no: "◉ as the time before", "cannot tell": "◌ cannot tell" };
const TRENDS = { rising: "↗ rising", falling: "↘ falling", "no trend": "→ no trend", "cannot tell": "◌ cannot tell" };

export function view(rest) {
  const pick = el("div", { class: "sheet" });
  const result = el("div", { class: "stack" });
  const list = el("div", { class: "stack" });
  const node = el("div", { class: "stack" }, heading("History"), pick, result,
    el("section", { class: "stack", "aria-label": "Captures of this water" }, el("h2", { text: "Captures" }), list));
  let plots = [];

  const close = () => { for (const one of plots) one.close(); plots = []; };

  filled(pick, () => get("waters"), ({ waters }) => {
    if (!waters.length) return el("p", { text: "No water has been captured under a name yet." });
    const names = waters.map((one) => one.water);
    const box = el("select", { on: { change: go } }, waters.map((one) =>
      el("option", { value: one.water, text: `${tidy(one.water, 60) || "without a name"} (${one.captures})` })));
    box.value = names.includes(rest[0]) ? rest[0] : names[0];
    function go() {
      history.replaceState(null, "", `#history/${encodeURIComponent(box.value)}`);
      close();
      filled(result, () => get(`history/${part(box.value)}`), drawn);
      filled(list, () => get("captures", { water: box.value, limit: 20 }), pageOf(box.value));
    }
    go();
    return el("label", {}, "Water", box);
  });

  function drawn(found) {
    const series = found.quantities.filter((one) => one.points.length);
    if (!series.length) return el("p", { class: "soft", text: "Nothing to draw yet." });
    const holder = el("div", { class: "stack" });
    const show = (called) => {
      close();
      const one = series.find((each) => each.quantity === called);
      const plot = chart(`${quantity(called).label} of this water`, { points: true });
      plots.push(plot);
      holder.replaceChildren(said(one), plot.node, ...beside(one));
      draw(plot, one);
    };
    const first = series[0].quantity;
    const group = choice("Quantity", series.map((one) => [one.quantity, quantity(one.quantity).label]), first, show);
    show(first);
    return [el("section", { class: "sheet", "aria-label": "Curve" }, group, holder),
      ...(found.notes ?? []).map((text) => el("p", { class: "small" }, name(text, 400)))];
  }

  function pageOf(water) {
    return ({ captures, next }) => [captures.map((one) => captureSheet(one)), next ? moreButton(water, next) : null];
  }

  function moreButton(water, cursor) {
    const holder = el("div", { class: "stack" });
    holder.append(button("Earlier ones", () => filled(holder, () => get("captures", { water, limit: 20, cursor }), pageOf(water))));
    return holder;
  }

  return { title: "History", node, close };
}

/** The answer in words, before the picture. */
function said(one) {
  const called = one.quantity;
  const last = one.points.at(-1);
  const { change, trend } = one;
  return el("div", { class: "stack history-said" },
    el("p", {}, el("span", { class: "compare-value numbers", text: withU(called, last.value, last.expanded_u) }), el("span", { class: "small soft", text: ` ${moment(last.at)}` })),
    change ? el("p", {}, el("strong", { text: CHANGES[change.verdict] ?? change.verdict }), " ",
      el("span", { class: "numbers", text: difference(called, change) }), ` since ${dayOf(change.since)}`, why(change.why)) : null,
    trend ? el("p", {}, el("strong", { text: TRENDS[trend.verdict] ?? trend.verdict }), " ",
      el("span", { class: "numbers", text: withUnit(slope(called, trend), called) }), " in 30 days", why(trend.why)) : null);
}

const why = (text) => (text ? el("span", { class: "small soft" }, ": ", name(text, 300)) : "");

const difference = (called, { difference: value, expanded_u: u }) =>
  withUnit(`${signed(value, digitsFor(called, u))} ± ${fixed(u, digitsFor(called, u))}`, called);

function slope(called, { per_month: value, low, high }) {
  const digits = digitsFor(called, Math.abs(high - low));
  return `${signed(value, digits)} (${signed(low, digits)} to ${signed(high, digits)})`;
}

function draw(plot, { quantity: called, points, chart: limits }) {
  const outside = new Set(limits?.outside ?? []);
  const u = points.map((one) => one.expanded_u);
  return plot.show({
    t: points.map((one) => new Date(one.at).getTime() / 1000),
    mean: points.map((one) => one.value),
    low: points.map((one, index) => (u[index] === null ? null : one.value - u[index])),
    high: points.map((one, index) => (u[index] === null ? null : one.value + u[index])),
    marks: points.map((_, index) => outside.has(index)),
    limits: limits ? [[limits.upper, "upper"], [limits.mean, "middle"], [limits.lower, "lower"]] : [],
    unit: quantity(called).shown_unit, digits: quantity(called).digits,
  });
}

/** Checks of the meter in the same time: its drift must not be read as the water's. */
function beside({ quantity: called, checks }) {
  if (!checks?.length) return [el("p", { class: "small soft", text: "No check of the meter in this time: its drift cannot be told from the water's." })];
  return [el("details", {}, el("summary", { text: `Checks of the meter (${checks.length})` }),
    el("ul", { class: "events" }, [...checks].reverse().slice(0, 30).map((one) => el("li", {},
      el("span", { class: "small soft numbers", text: `${moment(one.at)} ` }), name(one.label || one.solution, 60),
      `: off by ${withUnit(signed(one.bias, digitsFor(called, one.said_u)), one.quantity)}, `, el("strong", { text: one.verdict })))))];
}
