// Compare: a reference water against a subject, and whether the probe can tell them apart.

import { get } from "../api.js";
import { el, name, svg, tidy } from "../dom.js";
import { digitsFor, fixed, plain, quantity, signed, withU, withUnit } from "../words.js";
import { filled, heading } from "./parts.js";

const VERDICTS = { yes: "● ● differ", no: "◉ no difference that matters", "cannot tell": "◌ cannot tell" };
const SIDES = { reference: "reference", subject: "subject", both: "both" };

export function view(rest) {
  const pick = el("div", { class: "sheet" });
  const result = el("div", { class: "stack" });
  const node = el("div", { class: "stack" }, heading("Compare"), pick, result);

  filled(pick, () => get("waters"), ({ waters }) => {
    if (waters.length < 2) return el("p", { text: "Two waters with a capture each are needed: a reference, such as distilled water, and a subject, such as the tap." });
    const names = waters.map((one) => one.water);
    const guess = (role, but) => waters.find((one) => one.role === role && one.water !== but)?.water ?? names.find((one) => one !== but);
    const reference = names.includes(rest[0]) ? rest[0] : guess("reference", null);
    const subject = names.includes(rest[1]) ? rest[1] : guess("subject", reference);
    const list = (label, chosen) => {
      const box = el("select", { on: { change: go } }, names.map((one) => el("option", { value: one, text: tidy(one, 60) || "without a name" })));
      box.value = chosen;
      return [box, el("label", {}, label, box)];
    };
    const [first, firstLabel] = list("Reference", reference);
    const [second, secondLabel] = list("Subject", subject);
    let before = [reference, subject];
    function go() {
      // A water chosen on both sides: they change places, for nothing is compared with itself.
      if (first.value === second.value) [first.value, second.value] = [before[1], before[0]];
      before = [first.value, second.value];
      history.replaceState(null, "", `#compare/${encodeURIComponent(first.value)}/${encodeURIComponent(second.value)}`);
      filled(result, () => get("compare", { reference: first.value, subject: second.value }), drawn);
    }
    go();
    return el("div", { class: "fields" }, firstLabel, secondLabel);
  });
  return { title: "Compare", node };
}

function drawn(found) {
  return [
    el("section", { class: "board", "aria-label": "Answer" }, el("p", { class: "board-say" }, name(found.answer, 500))),
    el("p", { class: "small soft", text: "Subject minus reference. The dashed line is no difference; the true difference lies within the bar (95 %)." }),
    el("div", { class: "compare-rows" }, found.rows.map(rowSheet)),
    listOf("What to know", found.notes, (one) => one),
    listOf("Against published limits", found.limits, (one) =>
      `${sided(one)} ${quantity(one.quantity).label}: ${one.place}, ${one.limit} (${one.authority}, ${one.as_of}): ${bounds(one)}. ${one.reason}`),
    listOf("Published classes", found.classes, (one) =>
      `${sided(one)} ${quantity(one.quantity).label}: ${one.labels.join(" or ")} (${one.authority})`),
    listOf("Worked out from these", found.derived, (one) =>
      `${plain(one.name)}, ${SIDES[one.side] ?? one.side}: ${number(one.value)}${one.low === null ? "" : ` (${number(one.low)} to ${number(one.high)})`} ${one.unit}. ${one.method}`),
    listOf("Do the numbers agree with each other?", found.findings, (one) => `${one.text} ${one.arithmetic}`),
    (found.cautions ?? []).slice(1).map((text) => el("p", { class: "small soft" }, name(text, 500))),
  ];
}

const sided = (one) => `${tidy(one.water, 60)} (${one.side}):`;
const number = (value) => (value === null ? "–" : String(Number(value.toPrecision(3))));
const bounds = ({ lower, upper, quantity: called }) =>
  withUnit([lower === null ? "" : `from ${number(lower)}`, upper === null ? "" : `to ${number(upper)}`].filter(Boolean).join(" "), called);

const side = (one, called) => (one === null ? "–" : withU(called, one.value, one.expanded_u));

function rowSheet(row) {
  const called = row.quantity;
  const known = row.difference !== null && row.expanded_u !== null;
  const digits = digitsFor(called, row.expanded_u);
  const ratio = row.ratio?.value;
  return el("section", { class: "sheet compare-row", "data-verdict": row.verdict, "aria-label": row.label },
    el("h2", { class: "wide", text: row.label }),
    el("div", {}, el("p", { class: "small soft", text: "Reference" }), el("p", { class: "numbers", text: side(row.reference, called) })),
    el("div", {}, el("p", { class: "small soft", text: "Subject" }), el("p", { class: "numbers", text: side(row.subject, called) })),
    el("div", { class: "wide" }, el("p", { class: "verdict", text: VERDICTS[row.verdict] ?? row.verdict }),
      known ? el("p", { class: "numbers small", text: withUnit(`${signed(row.difference, digits)} ± ${fixed(row.expanded_u, digits)}`, called) + (Number.isFinite(ratio) ? `, ${number(ratio)} times` : "") }) : null,
      known ? against(row) : null),
    row.why ? el("p", { class: "small soft wide why" }, name(row.why, 400)) : null);
}

/** The difference with its 95 % interval against the line of none: a bar that crosses it or does not. */
function against({ difference, expanded_u: u }) {
  const reach = Math.max(Math.abs(difference) + u, 1e-9) * 1.12;
  const x = (value) => `${(50 + (value / reach) * 50).toFixed(2)}%`;
  const [low, high] = [x(difference - u), x(difference + u)];
  return svg("svg", { class: "against", "aria-hidden": "true", focusable: "false" },
    svg("line", { class: "against-way", x1: "50%", x2: x(difference), y1: 17, y2: 17 }),
    svg("line", { class: "against-zero", x1: "50%", x2: "50%", y1: 2, y2: 32 }),
    svg("line", { class: "against-span", x1: low, x2: high, y1: 17, y2: 17 }),
    [low, high].map((end) => svg("line", { class: "against-end", x1: end, x2: end, y1: 9, y2: 25 })),
    svg("circle", { class: "against-mid", cx: x(difference), cy: 17, r: 6 }));
}

function listOf(title, items, text) {
  return items?.length ? el("section", { class: "sheet" }, el("h2", { text: title }), el("ul", { class: "events" }, items.map((one) => el("li", {}, name(text(one), 600))))) : null;
}
