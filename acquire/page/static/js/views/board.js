// The slate at the top of the bench: what to do now, what comes then, and the buttons for it.

import { get, order, part } from "../api.js";
import { button, el, name, setText, tidy, twice } from "../dom.js";
import { isLive, model } from "../live.js";
import { steppingStones } from "../rest.js";
import { filled, outcome, tellOutcome } from "./parts.js";

/** `.node`, `.show(meter)`. */
export function board() {
  const say = el("p", { class: "board-say" });
  const then = el("p", { class: "board-then" });
  const stones = el("ol", { class: "stones", "aria-label": "Stops of this round" });
  const warnings = el("ul", { class: "board-warnings" });
  const question = el("div", { class: "board-question" });
  const acts = el("div", { class: "board-acts" });
  const extra = el("div");
  const line = outcome();
  const node = el("section", { class: "board", "aria-label": "What to do now" }, say, then, stones, warnings, question, acts, extra, line);
  let drawn = "";
  let acted = null; // the round whose buttons stand there; without a round they are made anew each time
  let meter = null;

  const send = (word, text) => tellOutcome(line, () => order(word, text, meter?.meter));

  function show(one) {
    meter = one ?? null;
    const guidance = one ? model.guidance.get(one.meter) : null;
    const open = guidance && !guidance.over;
    const words = guidance ? [guidance.say, guidance.then] : [own(one), ""];
    setText(say, tidy(words[0], 300));
    setText(then, !words[1] || words[1].startsWith("Then") ? tidy(words[1], 300) : `Then: ${tidy(words[1], 300)}`);
    node.dataset.open = open ? "yes" : "no";
    // The parts below change with the round only, so that a focus or a half-typed note stays.
    const key = JSON.stringify([one?.meter, guidance?.round, guidance?.over, guidance?.stops, guidance?.question, guidance?.answers, guidance?.warnings, [...model.orders]]);
    if (key === drawn) return;
    drawn = key;
    const turn = guidance ? JSON.stringify([one.meter, guidance.round, guidance.over]) : null;
    const same = turn !== null && turn === acted;
    acted = turn;
    stones.replaceChildren(...(guidance ? steppingStones(guidance.stops).map(stone) : []));
    warnings.replaceChildren(...(guidance?.warnings ?? []).map((text) => el("li", {}, name(text, 300))));
    const hadFocus = question.contains(document.activeElement);
    question.replaceChildren(...(guidance?.question ? ask(guidance) : []));
    if (hadFocus) node.querySelector("button")?.focus();
    if (same) return;
    extra.replaceChildren();
    line.clear();
    acts.replaceChildren(...(open ? during() : guidance?.over ? after(guidance) : before(one)));
  }

  function stone({ text, state, mark }) {
    return el("li", { "data-state": state, title: tidy(text, 100) }, mark,
      el("span", { class: "unseen", text: `${tidy(text, 100)}: ${state}` }));
  }

  function ask(guidance) {
    return [el("p", { class: "board-ask" }, name(guidance.question, 300)),
      el("div", { class: "row" }, guidance.answers.map((word, index) =>
        button(name(word, 60), () => send("answer", word), { class: index ? "" : "first" })))];
  }

  function during() {
    const can = (word, act) => (model.orders.has(word) ? act : null);
    return [
      can("skip", button("Skip", () => send("skip"))),
      can("redo", button("Redo", () => send("redo"))),
      can("note", button("Note", writeNote)),
      can("stop", twice("Stop", "End the round here?", "End it", "Go on", () => send("stop"))),
    ].filter(Boolean);
  }

  function writeNote() {
    const text = el("textarea", { maxlength: 500, name: "note" });
    const close = () => { extra.replaceChildren(); acts.querySelector("button")?.focus(); };
    const form = el("form", { class: "stack", on: { submit: async (event) => {
      event.preventDefault();
      if (!text.value.trim()) return;
      if (await send("note", text.value.trim())) close();
    } } }, el("label", {}, "Note to this stop", text),
      el("div", { class: "row" }, el("button", { type: "submit", class: "first", text: "Keep note" }), button("Leave", close)));
    extra.replaceChildren(form);
    text.focus();
  }

  function after(guidance) {
    const report = `/api/1/rounds/${part(guidance.round)}/report.html`;
    return [
      el("a", { class: "as-button first", href: "#compare", text: "Compare" }),
      el("a", { class: "as-button", href: report, target: "_blank", rel: "noopener", text: "Report" }),
      ...before(meter),
    ];
  }

  function before(one) {
    if (!one) return [];
    const list = [];
    if (model.orders.has("round")) list.push(button("Begin a round", choosePlan, { class: "first" }));
    if (model.orders.has("resume")) offerResume(one);
    if (model.orders.has("water") && !one.typed) list.push(button("Name the water", nameWater));
    return list;
  }

  /** A round that was interrupted, by a power cut or a restart, waits to be gone on with. */
  async function offerResume(one) {
    const { rounds } = await get("rounds", { limit: 1 }).catch(() => ({ rounds: [] }));
    const left = rounds[0];
    if (left?.state !== "open" || left.meter !== one.meter || meter?.meter !== one.meter || node.dataset.open === "yes") return;
    acts.querySelector(".first")?.classList.remove("first");
    acts.prepend(button(["Go on with ", name(left.plan, 40)], () => send("resume"), { class: "first" }));
  }

  function choosePlan() {
    const holder = el("div", { class: "plans" });
    extra.replaceChildren(holder);
    filled(holder, () => get("plans"), ({ plans }) => {
      if (!plans.length) return el("p", { text: "There is no plan yet: `ouzel plan new` writes one." });
      return plans.map((plan) => el("article", { class: "plan" },
        el("h3", {}, name(plan.title || plan.plan)),
        el("p", { class: "small" }, plan.stops.map((stop, index) => [index ? " · " : "", name(stop, 40)])),
        (plan.advice ?? []).map((text) => el("p", { class: "small" }, "◆ ", name(text, 300))),
        button("Begin", async () => { if (await send("round", plan.plan)) extra.replaceChildren(); }, { class: "first" })));
    }).then(() => holder.querySelector("button")?.focus());
  }

  function nameWater() {
    const box = el("input", { name: "water", maxlength: 200, list: "waters-known", autocomplete: "off", value: meter?.status?.water ?? "" });
    const known = el("datalist", { id: "waters-known" });
    get("waters").then(({ waters }) => known.replaceChildren(...waters.map((one) => el("option", { value: tidy(one.water) })))).catch(() => {});
    const form = el("form", { class: "row", on: { submit: async (event) => {
      event.preventDefault();
      if (!box.value.trim()) return;
      if (await send("water", box.value.trim())) extra.replaceChildren();
    } } }, el("label", { class: "grow" }, "Water the probe is in, or next", box, known),
      el("button", { type: "submit", class: "first", text: "Keep name" }));
    extra.replaceChildren(form);
    box.focus();
  }

  return { node, show };
}

/** What to do when no round says it: ouzel's own sentence of the immersion. */
function own(meter) {
  if (!meter) return "Welcome. ouzel reads your probe and waits until the numbers have come to rest.";
  if (meter.typed) return "Read the display and type what it shows.";
  if (!isLive(meter)) return model.link === "live" ? "Waiting for the meter." : "Waiting for ouzel.";
  const text = meter.status?.say ?? "";
  return text ? text.charAt(0).toUpperCase() + text.slice(1) + (/[.?!]$/.test(text) ? "" : ".") : "The meter is read. Put the probe into a water.";
}
