// The bench: what to do now, how the values come to rest, what has been taken.

import { ageOf, isLive, model } from "../live.js";
import { choice, el, name, setText, tidy } from "../dom.js";
import { captureSheet } from "./parts.js";
import { board } from "./board.js";
import { typedForm } from "./typed.js";
import { quantityCard } from "./card.js";
import { span } from "../words.js";
import { keep } from "../signals.js";

const DRAW_EVERY_MS = 150; // eyes need no more, and a phone's battery is glad

export function view() {
  const chooser = el("div", { class: "chooser" });
  const panel = board();
  const state = el("p", { class: "meter-state", "data-live": "no" });
  const cards = el("div", { class: "cards" });
  const typed = el("div");
  const taken = el("div", { class: "stack captures" });
  const takenTitle = el("h2", { text: "Taken" });
  const node = el("div", { class: "bench" },
    el("h1", { class: "unseen", text: "Bench" }), chooser,
    el("div", { class: "bench-now" }, panel.node, el("section", { class: "stack", "aria-label": "Values now" }, state, cards, typed)),
    el("section", { class: "stack bench-taken", "aria-label": "Captures" },
      el("div", { class: "row apart" }, takenTitle, el("a", { class: "as-button quiet", href: "#count", text: "Count particles" })), taken));

  let shown = null; // name of the meter looked at
  let form = null;
  let due = null;

  function meter() {
    return model.meters.get(shown);
  }

  function choose(named) {
    shown = named;
    keep.set("ouzel.meter", named);
    cards.replaceChildren();
    typed.replaceChildren();
    form = null;
    draw();
  }

  function offer() {
    const names = [...model.meters.keys()];
    if (!names.includes(shown)) {
      const remembered = keep.get("ouzel.meter");
      const busy = [...model.guidance.values()].find((one) => !one.over)?.meter;
      const found = [busy, shown, remembered].find((one) => names.includes(one)) ?? names[0] ?? null;
      if (found !== shown) { shown = found; cards.replaceChildren(); typed.replaceChildren(); form = null; }
    }
    chooser.replaceChildren(...(names.length > 1 ? [choice("Meter", names.map((one) => [one, name(one, 30)]), shown, choose)] : []));
  }

  function draw() {
    clearTimeout(due);
    due = null;
    const one = meter();
    panel.show(one);
    if (!one) {
      setText(state, model.now ? "No meter is configured yet." : "");
      if (model.now && !typed.childElementCount) typed.replaceChildren(el("a", { class: "as-button first", href: "#setup", text: "Set up a meter" }));
      return;
    }
    if (one.typed) {
      setText(state, "");
      if (!form) { form = typedForm(one); typed.replaceChildren(form); }
      return;
    }
    drawState(one);
    drawCards(one);
  }

  function drawState(one) {
    const live = isLive(one);
    state.dataset.live = live ? "yes" : "no";
    cards.dataset.live = live ? "yes" : "no";
    const age = ageOf(one);
    const old = age === null ? "" : ` These numbers are ${span(age)} old.`;
    const words = {
      waiting: "Nothing heard from the meter yet.",
      silent: `The meter is silent.${old}`,
      lost: `The meter is lost.${old} ${tidy(one.why, 200)}`,
      unreached: `The meter cannot be reached: ${tidy(one.why, 300)}`,
      over: "The recording has ended.",
      live: `The meter says nothing.${old}`,
    };
    setText(state, live ? "" : model.link !== "live" ? (age === null ? "" : `Not live.${old}`) : words[one.state] ?? "");
    state.hidden = !state.textContent;
  }

  function drawCards(one) {
    const rows = one.status ? [...one.status.rows] : Object.entries(one.latest).map(([called, latest]) => ({
      quantity: called, value: latest.value, flag: latest.flag, phase: null, rest: null, required: true }));
    rows.sort((one, other) => Number(other.required) - Number(one.required));
    const names = rows.map((row) => row.quantity).join(" ");
    if (cards.dataset.names !== names || !cards.childElementCount) {
      cards.dataset.names = names;
      cards.replaceChildren(...rows.map((row) => quantityCard(row)));
    }
    const live = isLive(one);
    const newest = [...model.captures.values()].find((capture) => capture.id === one.status?.capture);
    rows.forEach((row, index) => cards.children[index].show(row, one, { live, capture: newest }));
  }

  function drawTaken() {
    const list = [...model.captures.values()].reverse().slice(0, 30);
    const known = new Map([...taken.children].map((sheet) => [sheet.dataset.key, sheet]));
    const sheets = list.map((capture) => {
      const findings = model.findings.get(capture.id) ?? [];
      const key = `${capture.id} ${capture.state} ${capture.water} ${findings.length}`;
      if (known.has(key)) return known.get(key);
      const sheet = captureSheet(capture, findings);
      if (known.size) sheet.classList.add("fresh");
      sheet.dataset.key = key;
      return sheet;
    });
    if (!sheets.length) sheets.push(el("p", { class: "soft", "data-key": "none", text: "Nothing yet. A capture comes by itself once the numbers have come to rest in a water." }));
    const keys = sheets.map((sheet) => sheet.dataset.key).join("|");
    if (keys !== [...taken.children].map((sheet) => sheet.dataset.key).join("|")) taken.replaceChildren(...sheets);
    const open = [...model.guidance.values()].some((one) => !one.over);
    setText(takenTitle, open ? "Taken in this round" : "Taken in the last hours");
  }

  function hear(kind, item) {
    if (kind === "hello") { offer(); draw(); drawTaken(); }
    else if (kind === "capture" || kind === "event") { drawTaken(); draw(); }
    else if (kind === "guidance") { if (item.meter !== shown && !item.over && model.meters.has(item.meter)) offer(); draw(); drawTaken(); }
    else if (kind === "link" || kind === "second") draw();
    else if ((kind === "status" || kind === "reading") && item.meter === shown) due ??= setTimeout(draw, DRAW_EVERY_MS);
  }

  offer();
  draw();
  drawTaken();
  return { title: "Bench", node, hear, close: () => clearTimeout(due) };
}
