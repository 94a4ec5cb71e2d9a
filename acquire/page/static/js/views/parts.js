// Pieces that several views show: a capture, a value with its uncertainty, waiting and failing.

import { el, name, setText, tidy, button } from "../dom.js";
import { CAPTURE_STATES, latelyAt, quantity, withU, plain } from "../words.js";

/** A capture as a sheet. `findings`: events about it. */
export function captureSheet(capture, findings = []) {
  const isResult = capture.state === "final" || capture.state === "provisional";
  const values = [...Object.entries(capture.values ?? {}), ...Object.entries(capture.derived ?? {})];
  return el("article", { class: "sheet capture", "data-capture": capture.id, "data-state": capture.state },
    el("div", { class: "row apart" },
      el("h3", {}, capture.water ? name(capture.water) : "water without a name"),
      el("p", { class: "small soft numbers", text: latelyAt(capture.taken) })),
    el("p", { class: isResult ? "small soft" : "wrong" },
      [capture.role && plain(capture.role), CAPTURE_STATES[capture.state] ?? capture.state].filter(Boolean).join(", "),
      capture.reason && [": ", name(capture.reason, 300)]),
    el("dl", { class: "values" }, values.map(([called, one]) => valueLine(called, one))),
    findings.length ? el("ul", { class: "small soft" }, findings.map((one) => el("li", {}, name(one.text, 400)))) : null);
}

function valueLine(called, one) {
  const settled = one.phase === "settled" || one.source === "derived" || one.source === "typed";
  const mark = one.source === "derived" ? "derived" : one.source === "typed" ? "typed" : settled ? "" : "not settled";
  return el("div", { class: settled ? "" : "unsettled" },
    el("dt", { text: quantity(called).label }),
    el("dd", { class: "numbers" }, settled ? withU(called, one.value, one.expanded_u) : withU(called, one.value),
      mark && el("span", { class: "small soft", text: ` ${mark}`, title: tidy(one.method, 200) })));
}

/** Runs `ask`, shows waiting and failing in `holder`, and then what `draw` makes of the answer. */
export async function filled(holder, ask, draw) {
  const turn = {};
  holder.turn = turn;
  setBusy(holder, true);
  if (!holder.childElementCount) holder.replaceChildren(el("p", { class: "soft", text: "Loading …" }));
  try {
    const answer = await ask();
    if (holder.turn !== turn) return;
    holder.replaceChildren(...[draw(answer)].flat(2).filter(Boolean));
  } catch (error) {
    if (holder.turn !== turn) return;
    holder.replaceChildren(el("p", { class: "wrong", role: "alert", text: tidy(error.message, 400) }),
      button("Try again", () => filled(holder, ask, draw), { class: "quiet" }));
  } finally {
    if (holder.turn === turn) setBusy(holder, false);
  }
}

function setBusy(holder, busy) {
  if (busy) holder.setAttribute("aria-busy", "true");
  else holder.removeAttribute("aria-busy");
}

/** A line for what went wrong with an order, empty while nothing did. */
export function outcome() {
  const line = el("p", { role: "status", class: "outcome" });
  line.good = (text) => { line.className = "outcome soft"; setText(line, tidy(text, 400)); };
  line.bad = (error) => { line.className = "outcome wrong"; setText(line, tidy(error.message ?? error, 400)); };
  line.clear = () => setText(line, "");
  return line;
}

/** Does an order and tells what became of it. */
export async function tellOutcome(line, work) {
  line.clear();
  try {
    const answer = await work();
    line.good(answer?.done ?? "Done.");
    return answer;
  } catch (error) {
    line.bad(error);
    return null;
  }
}

export const heading = (text) => el("h1", { text });
