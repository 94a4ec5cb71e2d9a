// Setup: find the port, learn how the meter talks, see a first reading, write it down.

import { get, post } from "../api.js";
import { button, el, name, setText, tidy } from "../dom.js";
import { model } from "../live.js";
import { announce } from "../signals.js";
import { plain, quantity } from "../words.js";
import { filled, heading, outcome, tellOutcome } from "./parts.js";

const STEPS = ["Find", "Learn", "First reading", "Keep"];
const STEP_OF = { listening: 1, silent: 1, failed: 1, proposed: 1, reading: 2, ready: 3, saved: 3 };
const PORT_STATES = { free: "free", busy: "in use by another program", forbidden: "not allowed" };

export function view() {
  const steps = el("ol", { class: "steps" });
  const stage = el("div", { class: "stack" });
  const line = outcome();
  const node = el("div", { class: "stack" }, heading("Set up a meter"), steps, stage, line);
  let drawn = "";
  let canWrite = true;
  let whyNot = "";
  let saved = null; // what was written: stands here while ouzel begins anew and forgets the search

  function showSteps(at) {
    steps.replaceChildren(...STEPS.map((word, index) => el("li", { "aria-current": index === at ? "step" : null, "data-done": index < at ? "yes" : null, text: word })));
  }

  function draw() {
    const learning = saved ?? model.learning;
    const key = learning ? `${learning.state} ${learning.port} ${learning.fields?.length}` : "find";
    showSteps(learning ? STEP_OF[learning.state] ?? 1 : 0);
    if (key !== drawn) {
      drawn = key;
      const page = learning ? PAGES[learning.state] ?? PAGES.listening : find;
      stage.replaceChildren(...[page(learning)].flat(2).filter(Boolean));
      if (learning) announce(`${STEPS[STEP_OF[learning.state] ?? 1]}: ${learning.state}`);
    }
    stage.querySelector("[data-lines]")?.show?.(learning);
  }

  const act = (path, body) => tellOutcome(line, async () => { await post(path, body); return { done: "" }; });
  const learn = (body) => act("setup/learn", body);

  function cancel(label = "Look for other ports") {
    return button(label, async () => { if (await act("setup/cancel")) { model.learning = null; draw(); } }, { class: "quiet" });
  }

  function find() {
    const holder = el("div", { class: "stack" });
    const look = () => filled(holder, () => get("setup/ports"), (found) => {
      canWrite = found.can_write;
      whyNot = found.why;
      const note = canWrite ? null : el("p", { class: "wrong", text: `The configuration cannot be written: ${tidy(found.why, 300)}. You will be shown what to write yourself.` });
      if (!found.ports.length) return [note, el("p", { text: "No port was found. Plug the meter in and turn it on." })];
      return [note, el("ul", { class: "stack" }, found.ports.map((port) => el("li", { class: "sheet", "data-port": port.identity },
        el("h2", {}, name(port.description || port.device, 80)), el("p", { class: "small soft" }, name(port.identity, 200), ` · ${PORT_STATES[port.state] ?? port.state}`),
        port.advice ? el("p", {}, name(port.advice, 300)) : null,
        el("div", { class: "row" }, button("Listen to it", () => learn({ port: port.identity }), { class: "first", disabled: port.state !== "free" })))))];
    });
    look();
    return [el("p", { text: "Plug the meter in and turn it on, then choose the port it is on. ouzel only listens first." }), holder,
      el("div", { class: "row" }, button("Look again", look, { class: "quiet" })), byName(),
      el("p", { class: "small soft", text: "A meter without a port is typed by hand: [meters.NAME] with driver = \"by_hand\" in the configuration." })];
  }

  function byName() {
    const box = el("input", { name: "port", autocomplete: "off", maxlength: 300, placeholder: "/dev/ttyUSB0" });
    return el("details", {}, el("summary", { text: "It is not in the list" }),
      el("form", { class: "row", on: { submit: (event) => { event.preventDefault(); if (box.value.trim()) learn({ port: box.value.trim() }); } } },
        el("label", { class: "grow" }, "Port", box), el("button", { type: "submit", text: "Listen to it" })));
  }

  function lines() {
    const says = el("p", { class: "soft" });
    const pane = el("div", { class: "wire wire-lines", tabindex: "0", role: "region", "aria-label": "What the meter says", "data-lines": true });
    pane.show = (learning) => {
      setText(says, tidy(learning?.says?.at(-1) ?? "", 200));
      const newest = (learning?.lines ?? []).slice(-8);
      const shown = newest.map((one) => tidy(one, 200)).join("\n");
      if (pane.dataset.shown !== shown) { pane.dataset.shown = shown; pane.replaceChildren(...newest.map((one) => el("p", {}, name(one, 200)))); }
    };
    return [says, pane];
  }

  const PAGES = {
    listening: (learning) => [el("p", {}, "Listening to ", name(learning.port, 200), " …"), lines(), el("div", { class: "row" }, cancel("Stop listening"))],
    silent: (learning) => [el("p", { text: "The meter says nothing by itself. Is it on, and is it set to send? It may want to be asked: that sends some harmless questions to it." }), lines(),
      el("div", { class: "row" }, button("Ask it", () => learn({ port: learning.port, ask: true }), { class: "first" }), button("Listen again", () => learn({ port: learning.port })), cancel()),
      command(learning)],
    failed: (learning) => [el("p", { class: "wrong", text: tidy(learning.why, 400) }), lines(),
      el("div", { class: "row" }, button("Listen again", () => learn({ port: learning.port }), { class: "first" }), cancel()), command(learning)],
    proposed,
    reading: () => [el("p", { text: "Reading with that. Do the numbers agree with the display?" }), readings(), el("div", { class: "row" }, cancel("Begin again"))],
    ready: () => [el("p", { text: "It reads. Do the numbers agree with the display? Then give the meter a name." }), readings(), keepForm()],
    saved: (learning) => [el("p", { text: "Written. ouzel begins anew with this meter; the bench follows in a moment." }), snippet(learning), el("a", { class: "as-button first", href: "#bench", text: "To the bench" })],
  };

  function command(learning) {
    const box = el("input", { name: "command", autocomplete: "off", maxlength: 100, placeholder: "READ\\r\\n" });
    return el("details", {}, el("summary", { text: "I know what it wants to be asked" }),
      el("form", { class: "row", on: { submit: (event) => { event.preventDefault(); learn({ port: learning.port, command: box.value }); } } },
        el("label", { class: "grow" }, "Command, as its manual writes it", box), el("button", { type: "submit", text: "Send it" })));
  }

  function proposed(learning) {
    const selects = [];
    const options = Object.keys(model.now?.quantities ?? {});
    const rows = learning.fields.map((field) => {
      const select = el("select", { "aria-label": `What number ${field.number} is` }, el("option", { value: "", text: "leave it out" }),
        options.map((one) => el("option", { value: one, text: quantity(one).label })));
      select.value = field.quantity ?? "";
      const unit = el("input", { value: field.unit ?? "", "aria-label": `Unit of number ${field.number}`, maxlength: 20, autocomplete: "off" });
      selects.push([field, select, unit]);
      return el("li", { class: "sheet learnt" },
        el("p", { class: "learnt-shown numbers" }, name(field.shown, 30), " ", el("span", { class: "small soft" }, name(field.label, 40))),
        el("div", { class: "fields" }, el("label", {}, "Quantity", select), el("label", {}, "Unit", unit)),
        el("p", { class: "small soft" }, field.sure ? "" : "not certain: ", name(field.why, 200)));
    });
    const confirm = () => act("setup/confirm", { changes: selects
      .filter(([field, select, unit]) => select.value !== (field.quantity ?? "") || unit.value !== (field.unit ?? ""))
      .map(([field, select, unit]) => ({ number: field.number, quantity: select.value, unit: unit.value })) });
    return [el("p", { text: "This is what it says. Compare with the display, and correct what is wrong." }), lines(), el("ul", { class: "stack" }, rows),
      el("div", { class: "row" }, button("Read with that", confirm, { class: "first" }), cancel("Begin again"))];
  }

  function readings() {
    const list = el("dl", { class: "values", "data-lines": true });
    list.show = (learning) => {
      const values = learning?.readings?.at(-1)?.values ?? {};
      list.replaceChildren(...Object.entries(values).map(([called, value]) =>
        el("div", {}, el("dt", { text: quantity(called).label }), el("dd", { class: "numbers first-reading", text: `${value} ${quantity(called).shown_unit}`.trim() }))));
    };
    return list;
  }

  function keepForm() {
    const box = el("input", { name: "meter", value: "kitchen", maxlength: 40, autocomplete: "off", pattern: "[A-Za-z0-9_\\-]+", required: true });
    return el("form", { class: "stack", on: { submit: async (event) => {
      event.preventDefault();
      const done = await tellOutcome(line, async () => ({ ...(await post("setup/save", { meter: box.value.trim() })), done: "Written." }));
      if (done) { saved = { ...model.learning, state: "saved", snippet: done.snippet }; draw(); }
    } } }, el("label", {}, "Name of the meter (letters, digits, - and _)", box),
    canWrite ? null : el("p", { class: "small", text: tidy(whyNot, 300) }), snippet(model.learning),
    el("div", { class: "row" }, el("button", { type: "submit", class: "first", text: "Keep it", disabled: !canWrite }), cancel("Begin again")));
  }

  function snippet(learning) {
    return learning?.snippet ? el("details", { open: !canWrite }, el("summary", { text: "What is written" }), el("pre", { class: "wire", text: learning.snippet })) : null;
  }

  draw();
  return { title: plain("set up"), node, hear(kind) { if (kind === "learning" || kind === "hello") draw(); } };
}
