// Particles under the microscope: one big button a shape, every press can be taken back.

import { post, get } from "../api.js";
import { button, el, name, setText, svg, tidy } from "../dom.js";
import { model } from "../live.js";
import { announce, keep } from "../signals.js";
import { filled, heading, outcome } from "./parts.js";
import { moment } from "../words.js";

const SHAPES = [
  ["fibre", "Fibre", "M3 17q7-14 12-5t12-5"],
  ["fragment", "Fragment", "M5 15l5-10 9 3 5 8-9 3z"],
  ["film", "Film", "M4 6q8-5 22 0v11q-12-5-22 0z"],
  ["other", "Other", "M15 4v16M7 8l16 8M23 8L7 16"],
];
const BUBBLE = ["bubble", "Bubble (left out)", "M15 4a8 8 0 1 0 .1 0zM12 8a4 4 0 0 0-2 3"];
const FIELDS = 20;
const KEY = "ouzel.counting";

// What is being counted lives in presses, in order: undo takes the last, whatever it was, and redo puts it back.
function load() {
  try {
    const kept = JSON.parse(keep.get(KEY) ?? "null");
    if (Array.isArray(kept?.presses)) return { ...kept, undone: Array.isArray(kept.undone) ? kept.undone : [] };
  } catch { /* begin anew */ }
  return { presses: [], undone: [], about: {} };
}

function sums(presses) {
  const fields = [0];
  const shapes = Object.fromEntries(SHAPES.map(([key]) => [key, 0]));
  let bubbles = 0;
  for (const press of presses) {
    if (press === "next") fields.push(0);
    else if (press === "bubble") bubbles += 1;
    else { fields[fields.length - 1] += 1; shapes[press] += 1; }
  }
  return { fields, shapes, bubbles };
}

export function view() {
  const counting = load();
  const tally = el("div", { class: "tally" });
  const counts = new Map();
  const state = el("p", { class: "count-state numbers" });
  const line = outcome();
  const about = aboutForm(counting.about, save);
  const past = el("div", { class: "stack" });

  for (const [key, label, path] of [...SHAPES, BUBBLE]) {
    const number = el("span", { class: "tally-number numbers", text: "0" });
    counts.set(key, number);
    const picture = svg("svg", { viewBox: "0 0 30 22", "aria-hidden": "true" }, svg("path", { d: path }));
    tally.append(button([picture, el("span", { class: "tally-label", text: label }), number], () => press(key), { class: `tally-button ${key === "bubble" ? "quiet" : ""}`, "data-shape": key }));
  }
  const next = button("Next field", () => press("next"), { class: "first" });
  const undo = button("Undo", () => take(counting.presses, counting.undone, "Taken back"));
  const redo = button("Redo", () => take(counting.undone, counting.presses, "Put back"));

  function save() {
    keep.set(KEY, JSON.stringify(counting));
  }

  function press(key) {
    if (key === "next" && counting.presses.filter((one) => one === "next").length + 1 >= 500) return;
    counting.presses.push(key);
    counting.undone = [];
    save();
    draw();
    if (navigator.userActivation?.hasBeenActive !== false) navigator.vibrate?.(15);
    if (key === "next") announce(`Field ${sums(counting.presses).fields.length}`);
  }

  function take(from, to, said) {
    const last = from.pop();
    if (!last) return;
    to.push(last);
    save();
    draw();
    announce(`${said}: ${last === "next" ? "the new field" : last}`);
  }

  function draw() {
    const { fields, shapes, bubbles } = sums(counting.presses);
    for (const [key] of SHAPES) setText(counts.get(key), String(shapes[key]));
    setText(counts.get("bubble"), String(bubbles));
    const all = fields.reduce((sum, one) => sum + one, 0);
    setText(state, `Field ${fields.length}: ${fields[fields.length - 1]} here, ${all} in all`);
    undo.disabled = !counting.presses.length;
    redo.disabled = !counting.undone.length;
  }

  async function store() {
    const { fields, shapes, bubbles } = sums(counting.presses);
    const said = about.said();
    if (!said.water) { line.bad("Which water is on the slide?"); about.querySelector("input").focus(); return; }
    const guidance = [...model.guidance.values()].find((one) => !one.over);
    const total = fields.reduce((sum, one) => sum + one, 0);
    try {
      await post("counts", { ...said, fields, bubbles, ...(total ? { shapes } : {}), ...(guidance ? { round: guidance.round } : {}) });
      counting.presses = [];
      counting.undone = [];
      save();
      draw();
      line.good(`Kept: ${total} in ${fields.length} ${fields.length === 1 ? "field" : "fields"}.`);
      showPast();
    } catch (error) {
      line.bad(error);
    }
  }

  function showPast() {
    filled(past, () => get("counts"), ({ counts: kept }) => kept.length
      ? el("ul", { class: "stack" }, kept.slice(0, 20).map(countLine))
      : el("p", { class: "soft", text: "No counts yet." }));
  }

  const node = el("div", { class: "stack counting" }, heading("Particles"),
    el("p", { class: "small soft", text: `Look at about ${FIELDS} fields that do not overlap; press a shape for each thing you see. A light microscope cannot prove plastic.` }),
    el("section", { class: "sheet", "aria-label": "Tally" }, state, tally, el("div", { class: "row" }, next, undo, redo)),
    el("section", { class: "sheet" }, el("h2", { text: "What was counted" }), about,
      el("div", { class: "row" }, button("Keep this count", store, { class: "first" })), line),
    el("section", { class: "sheet" }, el("h2", { text: "Kept counts" }), past));
  draw();
  showPast();
  return { title: "Particles", node };
}

function countLine(one) {
  const total = one.total ?? one.fields.reduce((sum, field) => sum + field, 0);
  const fields = `${one.fields.length} ${one.fields.length === 1 ? "field" : "fields"}`;
  const rates = [rate(one.per_field, "per field", one.none_seen), rate(one.per_ml, "per mL", one.none_seen)].filter(Boolean);
  return el("li", { "data-count": one.id }, el("strong", {}, name(one.water)), ` ${total} in ${fields}`,
    one.bubbles ? `, ${one.bubbles} bubbles left out` : "",
    rates.length ? el("p", { class: "numbers", text: rates.join("; ") }) : null,
    one.withdrawn ? el("p", { class: "wrong" }, "withdrawn: ", name(one.withdrawn, 200)) : null,
    (one.warnings ?? []).map((text) => el("p", { class: "small" }, "◆ ", name(text, 300))),
    el("p", { class: "small soft", text: moment(one.at) }));
}

/** A rate with its 95 % interval; where none was seen, its upper bound. */
function rate(found, unit, noneSeen) {
  if (!found) return "";
  const number = (value) => (value === null || value === undefined ? "–" : String(Number(value.toPrecision(2))));
  return noneSeen ? `none seen: at most ${number(found.upper_one_sided)} ${unit}` : `${number(found.value)} ${unit} (${number(found.low)} to ${number(found.high)})`;
}

/** The form about slide and microscope; `.said()` gives what it holds. */
function aboutForm(kept, changed) {
  const numbers = [
    ["field_mm", "Width of the field, mm", "4.5"], ["field_mm_u", "its standard uncertainty, mm", "0.05"],
    ["drop_ul", "Drop under the slip, µL", "50"], ["drop_ul_u", "its standard uncertainty, µL", "3"],
    ["slip_mm2", "Cover slip, mm²", "324"], ["slip_mm2_u", "its standard uncertainty, mm²", "3"],
  ];
  const boxes = {};
  const box = (key, label, example, more = {}) => {
    boxes[key] = el("input", { name: key, autocomplete: "off", placeholder: example, value: kept[key] ?? "", maxlength: 200, ...more,
      on: { input: () => { kept[key] = boxes[key].value; changed(); } } });
    return el("label", {}, label, boxes[key]);
  };
  const form = el("div", { class: "stack" },
    box("water", "Water", ""),
    el("details", {}, el("summary", { text: "Microscope and drop, for a result per mL" }),
      el("div", { class: "fields" }, numbers.map(([key, label, example]) => box(key, label, `e.g. ${example}`, { inputmode: "decimal" })),
        box("optics", "How the field was found", "measured")),
      el("p", { class: "small soft", text: "Standard uncertainty: half of a ± that holds in 95 of 100 cases. Left empty, the usual one is taken." })),
    box("note", "Note", ""));
  form.said = () => {
    const said = { water: boxes.water.value.trim(), note: boxes.note.value.trim(), optics: boxes.optics.value.trim() };
    for (const [key] of numbers) {
      const text = tidy(boxes[key].value).trim().replace(",", ".");
      if (text && Number.isFinite(Number(text))) said[key] = Number(text);
    }
    return said;
  };
  return form;
}
