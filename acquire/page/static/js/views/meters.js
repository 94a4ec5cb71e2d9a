// Meters: whether each is heard, what its checks say, what comes over the wire, what happened.

import { get, part } from "../api.js";
import { el, name, setText, tidy } from "../dom.js";
import { ageOf, isLive, model } from "../live.js";
import { clockTime, dayOf, latelyAt, moment, plain, quantity, show, span, withUnit, withU, fixed } from "../words.js";
import { filled, heading } from "./parts.js";

const STATES = {
  waiting: "nothing heard yet", live: "live", silent: "silent", lost: "lost",
  unreached: "cannot be reached", over: "recording ended", typed: "typed by hand",
};
const LINES_EVERY_MS = 1000;
const KEPT_LINES = 60;

export function view() {
  const list = el("div", { class: "stack meters" });
  const events = el("div");
  const node = el("div", { class: "stack" }, heading("Meters"), list,
    el("div", { class: "row" }, el("a", { class: "as-button", href: "#setup", text: "Set up a meter" })),
    el("section", { class: "sheet" }, el("h2", { text: "What happened" }), events));
  let sheets = [];

  function draw() {
    for (const one of sheets) one.close();
    sheets = [...model.meters.values()].map((meter) => meterSheet(meter.meter));
    list.replaceChildren(...sheets.map((one) => one.node));
    if (!sheets.length && model.now) list.replaceChildren(el("p", { class: "soft", text: "No meter is configured." }));
  }

  const showEvents = () => filled(events, () => get("events", { limit: 50 }), ({ events: found }) => (found.length
    ? el("ul", { class: "events" }, found.map(eventLine))
    : el("p", { class: "soft", text: "Nothing yet." })));

  draw();
  showEvents();
  let due = null;
  return { title: "Meters", node,
    close() { clearTimeout(due); for (const one of sheets) one.close(); },
    hear(kind) {
      if (kind === "hello") { draw(); showEvents(); }
      else if (["reading", "status", "second", "link"].includes(kind)) for (const one of sheets) one.draw();
      else if (kind === "event") due ??= setTimeout(() => { due = null; showEvents(); for (const one of sheets) one.draw(); }, 500);
    } };
}

function eventLine(event) {
  return el("li", {}, el("span", { class: "small soft numbers", text: `${latelyAt(event.at)} ` }), event.meter && [name(event.meter, 30), ": "],
    `${plain(event.kind).toLowerCase()}: `, name(event.text, 300));
}

function meterSheet(called) {
  const state = el("p", { class: "meter-word" });
  const why = el("p", { class: "small" });
  const values = el("dl", { class: "values" });
  const standing = el("div");
  const wire = wireLines(called);
  let meter = model.meters.get(called);
  const checks = el("details", {}, el("summary", { text: "Checks" }), standing);
  checks.addEventListener("toggle", () => { if (checks.open) showChecks(); });
  const node = el("article", { class: "sheet meter", "data-meter": called },
    el("div", { class: "row apart" }, el("h2", {}, name(called, 60)), state), why, values, checks,
    meter?.typed ? null : wire.node,
    el("p", { class: "small soft" }, [meter?.driver, meter?.profile && `profile ${meter.profile}`].filter(Boolean).join(", "), meter?.port && [", ", name(meter.port, 200)]));

  function draw() {
    meter = model.meters.get(called);
    if (!meter) return;
    const live = isLive(meter);
    const age = ageOf(meter);
    node.dataset.live = live ? "yes" : "no";
    const word = model.link === "live" ? STATES[live || meter.state !== "live" ? meter.state : "silent"] : "not known: no connection";
    setText(state, `${live ? "●" : meter.typed ? "✎" : "◇"} ${word}${!live && age !== null ? `, ${span(age)} old` : ""}`);
    setText(why, tidy(meter.why, 400));
    why.hidden = !meter.why;
    const latest = Object.entries(meter.latest);
    if (values.childElementCount !== latest.length) {
      values.replaceChildren(...latest.map(([key]) => el("div", {}, el("dt", { text: quantity(key).label }), el("dd", { class: "numbers" }))));
    }
    latest.forEach(([key, one], index) => setText(values.children[index].lastChild,
      one.value === null || one.value === undefined ? plain(one.flag ?? "no number") : withUnit(show(key, one.value), key)));
  }

  const showChecks = () => filled(standing, async () => {
    const [found, list] = await Promise.all([get(`meters/${part(called)}`), get("checks", { meter: called, limit: 20 })]);
    return { ...found, list: list.checks };
  }, checksOf);
  draw();
  return { node, draw, close: wire.close };
}

function checksOf(found) {
  const rows = Object.entries(found.quantities ?? {});
  return [
    rows.length ? el("ul", { class: "stack" }, rows.map(([called, one]) => el("li", {},
      el("strong", { text: `${quantity(called).label}: ${one.is_good ? "good" : "not to be relied on"}` }),
      one.good_until ? ` until ${dayOf(one.good_until)}` : "",
      one.reason ? el("p", { class: "small soft", text: tidy(one.reason, 400) }) : null))) : el("p", { class: "soft", text: "Never checked: hold it against a solution of known value (ouzel check)." }),
    found.never_checked?.length && rows.length ? el("p", { class: "small soft", text: `Never checked: ${found.never_checked.map((one) => quantity(one).label).join(", ")}` }) : null,
    found.electrode ? el("p", { class: "small", text: `pH electrode: slope ${fixed(found.electrode.slope_percent, 1)} %, offset ${fixed(found.electrode.offset_mv, 1)} mV: ${found.electrode.verdict}` }) : null,
    found.list.length ? el("ul", { class: "events" }, found.list.map((one) => el("li", {},
      el("span", { class: "small soft numbers", text: `${moment(one.at)} ` }), `${quantity(one.quantity).label} in `, name(one.label || one.solution, 60),
      `: ${withU(one.quantity, one.said, one.said_u)}, expected ${withU(one.quantity, one.expected, one.expected_u)}: `, el("strong", { text: one.verdict })))) : null,
  ];
}

/** What comes over the wire, for the curious: asked for only while it is looked at. */
function wireLines(called) {
  const pane = el("div", { class: "wire wire-lines", tabindex: "0", role: "region", "aria-label": "Lines from the wire" });
  const node = el("details", {}, el("summary", { text: "Raw lines" }), pane);
  let last = 0;
  let timer = null;

  async function ask() {
    try {
      const found = await get(`meters/${part(called)}/lines`, { after: last });
      if (found.last < last) pane.replaceChildren();
      last = found.last;
      if (found.lines.length) {
        pane.append(...found.lines.map((line) => el("p", {}, el("span", { class: "soft", text: `${clockTime(line.at)} ` }), name(line.text, 400))));
        while (pane.childElementCount > KEPT_LINES) pane.firstElementChild.remove();
        pane.scrollTop = pane.scrollHeight;
      }
    } catch (error) {
      if (!pane.childElementCount) pane.append(el("p", { text: tidy(error.message, 300) }));
    }
    if (node.open && node.isConnected) timer = setTimeout(ask, LINES_EVERY_MS);
  }

  node.addEventListener("toggle", () => { clearTimeout(timer); if (node.open) ask(); });
  return { node, close: () => clearTimeout(timer) };
}
