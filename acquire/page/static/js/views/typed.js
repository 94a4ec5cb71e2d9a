// Numbers a person read off a display: for a meter without a port.

import { post } from "../api.js";
import { choice, el, name, tidy } from "../dom.js";
import { outcome } from "./parts.js";
import { quantity, withU } from "../words.js";

export function typedForm(meter) {
  let role = "";
  let still = null;
  const line = outcome();
  const boxes = new Map();
  const fields = meter.fields.map((field, index) => {
    const problem = el("span", { class: "wrong", id: `typed-wrong-${index}` });
    // Text, not a number field: comma or point, with a unit or without, as the display has it.
    const box = el("input", { name: field.quantity, inputmode: "decimal", autocomplete: "off", placeholder: tidy(field.example, 20), "aria-describedby": problem.id, maxlength: 40 });
    boxes.set(field.quantity, [box, problem]);
    return el("label", {}, el("span", {}, field.label, field.unit && ` (${field.unit})`), box, problem);
  });
  const water = el("input", { name: "water", maxlength: 200, autocomplete: "off" });
  const roles = choice("Role of this water", [["", "none"], ["reference", "reference"], ["subject", "subject"], ["rinse", "rinse"]], "", (value) => { role = value; });
  const stood = choice("Did the numbers stand still?", [["yes", "they stood still"], ["no", "they moved"]], null, (value) => { still = value === "yes"; });

  async function keep(event) {
    event.preventDefault();
    line.clear();
    for (const [box, problem] of boxes.values()) { box.removeAttribute("aria-invalid"); problem.textContent = ""; }
    if (still === null) { line.bad("Say whether the numbers stood still while you read them."); stood.querySelector("button").focus(); return; }
    const values = Object.fromEntries([...boxes].map(([called, [box]]) => [called, box.value.trim()]).filter(([, text]) => text));
    try {
      const { capture } = await post("typed", { meter: meter.meter, water: water.value.trim(), still, values, ...(role ? { role } : {}) });
      line.good(`Kept: ${Object.entries(capture.values).map(([called, one]) => `${quantity(called).label} ${withU(called, one.value, one.expanded_u)}`).join(", ")}`);
      for (const [box] of boxes.values()) box.value = "";
      still = null;
      stood.choose(null);
    } catch (error) {
      let first = null;
      for (const [called, why] of Object.entries(error.body?.fields ?? {})) {
        const [box, problem] = boxes.get(called) ?? [];
        if (!box) continue;
        box.setAttribute("aria-invalid", "true");
        problem.textContent = tidy(why, 200);
        first ??= box;
      }
      line.bad(error);
      first?.focus();
    }
  }

  return el("form", { class: "sheet typed", on: { submit: keep } },
    el("h2", {}, "Typed by hand: ", name(meter.meter, 40)),
    el("div", { class: "fields" }, fields),
    el("p", { class: "small soft", text: "Leave out what the display does not show. Comma or point; add the unit if it is another one." }),
    el("label", {}, "Water", water),
    el("div", {}, el("p", { class: "label", text: "Role" }), roles),
    el("div", {}, el("p", { class: "label", text: "Did the numbers stand still while you read them?" }), stood),
    el("div", { class: "row" }, el("button", { type: "submit", class: "first", text: "Keep" })), line);
}
