// The watch: how the filter does, over any span; alerts and the word that somebody saw them.

import { get, part, post } from "../api.js";
import { chart } from "../chart.js";
import { button, choice, el, name, setText, tidy, twice } from "../dom.js";
import { model } from "../live.js";
import { announce, keep } from "../signals.js";
import { dayOf, fixed, moment, plain, quantity } from "../words.js";
import { filled, heading, outcome, tellOutcome } from "./parts.js";

const SPANS = [["1d", "Day"], ["7d", "Week"], ["30d", "Month"], ["91d", "Quarter"], ["366d", "Year"], ["all", "All"]];
const WORDS = { rejection: ["Rejection", 1], product: ["Product", 1], feed: ["Feed", 0], peak: ["First water", 2] };

export function view(rest) {
  const alerts = el("div", { class: "stack" });
  const body = el("div", { class: "stack" });
  const node = el("div", { class: "stack" }, heading("Watch"), alerts, body);
  let drawn = null;
  let watches = [];

  function load() {
    return filled(body, () => get("watches"), (answer) => {
      watches = answer.watches;
      if (!watches.length) return nothing();
      const chosen = watches.find((one) => one.watch === (rest[0] ?? keep.get("ouzel.watch"))) ?? watches[0];
      return [watches.length > 1 ? choice("Watch", watches.map((one) => [one.watch, name(one.watch, 40)]), chosen.watch, (value) => { keep.set("ouzel.watch", value); rest = [value]; location.hash = `#watch/${encodeURIComponent(value)}`; }) : null,
        point(chosen)];
    });
  }

  function point(watch) {
    drawn?.close();
    drawn = curves(watch);
    return [standing(watch, load), drawn.node];
  }

  function showAlerts() {
    alerts.replaceChildren(...model.alerts.filter((one) => !one.cleared).map((one) => alertSheet(one)));
  }

  showAlerts();
  load();
  return { title: "Watch", node, close: () => drawn?.close(), hear(kind, item) {
    if (kind === "hello" || kind === "alerts") showAlerts();
    if (kind === "event" && item.kind.startsWith("watch_")) load();
  } };
}

function nothing() {
  return el("div", { class: "sheet" }, el("p", { text: "Nothing is watched yet. A probe left behind the filter shows how it ages:" }),
    el("pre", { class: "wire" }, "[watch.sink]\nproduct = \"product\"\nfeed_water = \"kitchen tap\""),
    el("p", { class: "soft", text: "in the configuration, with the name of a meter; then start ouzel again." }));
}

function alertSheet(alert) {
  const line = outcome();
  const seen = button("I have seen it", async () => {
    const done = await tellOutcome(line, () => post(`alerts/${part(alert.id)}/acknowledge`));
    if (!done) return;
    alert.acknowledged = new Date().toISOString();
    announce("Noted as seen");
    sheet.replaceWith(alertSheet(alert));
  }, { class: "first" });
  const sheet = el("article", { class: "sheet alert", "data-alert": alert.id },
    el("h2", {}, name(alert.watch, 40), ": ", tidy(alert.title, 120)),
    el("p", {}, name(alert.text, 400)),
    alert.advice && el("p", {}, el("strong", { text: tidy(alert.advice, 300) })),
    el("div", { class: "row apart" }, el("p", { class: "small soft", text: `since ${moment(alert.raised)}${alert.acknowledged ? `, seen ${moment(alert.acknowledged)}` : ""}` }),
      alert.acknowledged ? null : seen), line);
  return sheet;
}

/** How it stands, in words and one large number. */
function standing(watch, reload) {
  const last = watch.last;
  const line = outcome();
  const u = last?.passage_u ? ` ± ${fixed(200 * last.passage_u, 1)}` : "";
  const changed = (word) => tellOutcome(line, async () => {
    await post(`watches/${part(watch.watch)}/changed`, { part: word });
    return { done: `${plain(word)} changed: a new baseline is learnt` };
  }).then((done) => done && reload());
  const facts = [
    last?.draw?.value !== null && last?.draw ? ["Product", `${fixed(last.draw.value, 1)} µS/cm at 25 °C`] : null,
    last?.feed ? ["Feed", `${fixed(last.feed, 0)} µS/cm, of ${dayOf(last.feed_ms)}`] : null,
    ["Draws", `${watch.draws}, ${watch.settled} came to rest`],
    watch.litres ? ["Litres", fixed(watch.litres, 0)] : null,
    watch.changed_ms ? ["Changed", dayOf(watch.changed_ms)] : null,
    ["Forecast", foretold(watch.forecast)],
  ].filter(Boolean);
  return el("section", { class: "sheet", "aria-label": `How ${tidy(watch.watch, 40)} stands` },
    el("div", { class: "row apart" },
      el("div", {}, el("h2", {}, name(watch.watch, 40)), el("p", { class: "soft small", text: last ? `last draw ${moment(last.draw.ended_ms)}` : "no draw with a result yet" })),
      el("p", { class: "watch-number numbers" }, watch.rejection_percent === null ? "–" : fixed(watch.rejection_percent, 1), el("span", { class: "card-unit", text: ` %${u}` }), el("span", { class: "small soft", text: " rejection" }))),
    el("dl", { class: "values" }, facts.map(([term, text]) => el("div", {}, el("dt", { text: term }), el("dd", { class: "numbers", text: tidy(text, 300) })))),
    el("details", {}, el("summary", { text: "A part was changed" }),
      el("div", { class: "row" }, twice("Cartridge", "Was the cartridge changed today?", "It was changed", "No", () => changed("cartridge")),
        twice("Membrane", "Was the membrane changed today?", "It was changed", "No", () => changed("membrane")))), line);
}

/** The usual distance of points, in seconds: what is much wider is a hole. */
function usual(t) {
  const steps = t.slice(1).map((at, index) => at - t[index]).sort((a, b) => a - b);
  return steps[Math.floor(steps.length / 2)] ?? 0;
}

function foretold(said) {
  if (!said || said.days === null || said.low_days === null) return `none: ${said?.refusal ?? "not enough known"}`;
  return `limit in ${fixed(said.low_days, 0)} to ${fixed(said.high_days, 0)} days (nine in ten)`;
}

function curves(watch) {
  const charts = watch.charts?.length ? watch.charts : ["rejection", "product", "feed"];
  const words = (what) => WORDS[what] ?? [quantity(what).label, quantity(what).digits];
  let what = charts[0];
  let since = keep.get("ouzel.span") ?? "30d";
  const wrong = outcome();
  const title = el("h2");
  let turn = 0;
  const plot = chart("Curve of the watch", { ranged: (from, until, all) => load(all ? null : [from, until]) });

  async function load(range) {
    const mine = ++turn;
    setText(title, words(what)[0]);
    wrong.clear();
    try {
      const found = await get(`watches/${part(watch.watch)}/chart`, {
        what, points: 600, ...(range ? { since: Math.round(range[0] * 1000), until: Math.round(range[1] * 1000) } : { since: since === "all" ? null : `-${since}` }) });
      if (mine !== turn) return;
      const t = found.t_ms.map((ms) => ms / 1000);
      await plot.show({ t, mean: found.mean, low: found.low, high: found.high, unit: found.unit ?? "", digits: words(what)[1],
        limits: what === "rejection" && watch.least_rejection_percent ? [[watch.least_rejection_percent, "least"]] : [],
        ...(what in WORDS ? {} : { width_s: usual(t) }), ...(range ? { from: range[0], until: range[1] } : {}) });
    } catch (error) {
      if (mine === turn) wrong.bad(error);
    }
  }

  const node = el("section", { class: "sheet", "aria-label": "Curve" }, title,
    choice("What", charts.map((one) => [one, words(one)[0]]), what, (value) => { what = value; load(null); }),
    choice("Span", SPANS, since, (value) => { since = value; keep.set("ouzel.span", value); load(null); }),
    plot.node, wrong);
  load(null);
  return { node, close: plot.close };
}
