// Puts the page together: the frame, the ways between views, and which view hears what.

import { again, listen, model, start } from "./live.js";
import { button, el, setAttribute, setText, svg, tidy } from "./dom.js";
import { announce, canStayLit, chime, scheme, setScheme, setSound, soundIsOn, stayLit } from "./signals.js";
import { CAPTURE_STATES, clockTime, quantity, span, withU } from "./words.js";

// Each view is a module, fetched when first gone to: `view()` gives {title, node, hear?, close?}.
const VIEWS = {
  bench: ["Bench", "M2 12h10q2-5 4.5 0t4.5 0 4.5 0M9 2v7", () => import("./views/bench.js")],
  compare: ["Compare", "M2 6h26M2 13h26M10 3v6M20 10v6", () => import("./views/compare.js")],
  history: ["History", "M2 14 8 8l6 4 6-8 8 5", () => import("./views/history.js")],
  watch: ["Watch", "M15 2q7 7 7 10a7 5 0 0 1-14 0q0-3 7-10z", () => import("./views/watch.js")],
  meters: ["Meters", "M3 16a12 12 0 0 1 24 0M15 15l5-8", () => import("./views/meters.js")],
  count: ["", "", () => import("./views/count.js"), "bench"],
  setup: ["", "", () => import("./views/setup.js"), "meters"],
};

let current = null;
let gone = 0;

function ways() {
  const links = Object.entries(VIEWS).filter(([, view]) => view[0]).map(([key, [label, path]]) =>
    el("a", { href: `#${key}`, "data-way": key },
      svg("svg", { viewBox: "0 0 30 18", "aria-hidden": "true", focusable: "false" }, svg("path", { d: path })), label));
  document.getElementById("ways").replaceChildren(...links);
}

function place() {
  const [key, ...rest] = location.hash.slice(1).split("/");
  return [key in VIEWS ? key : "bench", rest.map(decode)];
}

function decode(text) {
  try { return decodeURIComponent(text); } catch { return text; }
}

async function go() {
  const [key, rest] = place();
  const turn = ++gone;
  const holder = document.getElementById("view");
  for (const link of document.querySelectorAll("[data-way]")) {
    setAttribute(link, "aria-current", link.dataset.way === (VIEWS[key][3] ?? key) ? "page" : null);
  }
  let module;
  try {
    module = await VIEWS[key][2]();
  } catch {
    holder.replaceChildren(el("p", { class: "wrong", text: "This view could not be loaded." }), button("Try again", go));
    return;
  }
  if (turn !== gone) return;
  const was = current;
  current?.close?.();
  current = module.view(rest);
  holder.replaceChildren(current.node);
  holder.dataset.view = key;
  document.title = `${current.title} · ouzel`;
  if (was) {
    document.getElementById("content").focus({ preventScroll: true });
    window.scrollTo(0, 0);
  }
}

const ICONS = {
  sound: ["M4 9v6h4l5 4V5L8 9zM16.5 9q2 3 0 6M19 6.5q4 5.5 0 11", "M3 3l18 18"],
  lit: ["M7 3h10v18H7zM11 18h2", "M3 3l18 18"],
  scheme: ["M12 4a8 8 0 1 0 8 8 6 6 0 0 1-8-8z"],
};

function icon([path, off]) {
  return svg("svg", { viewBox: "0 0 24 24", "aria-hidden": "true", focusable: "false" },
    svg("path", { d: path }), off && svg("path", { d: off, class: "off-stroke" }));
}

function switches() {
  const sound = button(icon(ICONS.sound), () => {
    setSound(!soundIsOn());
    setAttribute(sound, "aria-pressed", soundIsOn());
    announce(soundIsOn() ? "Chime on" : "Chime off");
  }, { class: "switch", "aria-label": "Chime and vibration", title: "Chime and vibration", "aria-pressed": String(soundIsOn()) });
  let lit = false;
  const awake = button(icon(ICONS.lit), async () => {
    const wish = !lit;
    lit = (await stayLit(wish)) && wish;
    setAttribute(awake, "aria-pressed", lit);
    announce(lit ? "The screen stays on" : wish ? "This browser does not let the page keep the screen on" : "The screen may go dark");
  }, { class: "switch", "aria-label": "Keep the screen on", title: "Keep the screen on", "aria-pressed": "false" });
  const words = { auto: "as the device", light: "light", dark: "dark" };
  const colours = button(icon(ICONS.scheme), () => {
    const order = ["auto", "light", "dark"];
    setScheme(order[(order.indexOf(scheme()) + 1) % 3]);
    named();
    announce(`Colours: ${words[scheme()]}`);
    window.dispatchEvent(new Event("ouzel-scheme"));
  }, { class: "switch" });
  const named = () => {
    setAttribute(colours, "aria-label", `Colours: ${words[scheme()]}`);
    setAttribute(colours, "title", `Colours: ${words[scheme()]}`);
  };
  named();
  document.getElementById("switches").replaceChildren(...(canStayLit() ? [awake] : []), sound, colours);
}

function showLink() {
  const state = document.getElementById("link");
  setAttribute(state, "data-link", model.link);
  setAttribute(document.documentElement, "data-link", model.link);
  const since = model.lostAt ? ` since ${clockTime(model.lostAt)}` : "";
  const words = { live: "live", connecting: "connecting", lost: `no connection${since}`, refused: "not let in" };
  setText(document.getElementById("link-words"), words[model.link]);
}

function showNotices() {
  const notices = [];
  if (model.link === "refused") {
    notices.push(notice(tidy(model.why, 300), button("Try again", again, { class: "quiet" })));
  } else if (model.link === "lost" && model.lostAt && Date.now() - model.lostAt > 1500) {
    const age = span((Date.now() - model.lostAt) / 1000);
    notices.push(notice(`No connection to ouzel for ${age}. What stands here is old; recording goes on without this page. It comes back by itself.`,
      button("Try now", again, { class: "quiet" })));
  }
  const unseen = model.alerts.filter((one) => !one.acknowledged && !one.cleared);
  if (unseen.length && place()[0] !== "watch") {
    notices.push(notice(`${tidy(unseen[0].watch, 40)}: ${tidy(unseen[0].title, 120)}${unseen.length > 1 ? ` (and ${unseen.length - 1} more)` : ""}`,
      el("a", { href: "#watch", class: "as-button quiet", text: "Look" })));
  }
  const holder = document.getElementById("notices");
  const said = notices.map((one) => one.textContent).join("\n");
  const before = [...holder.children].map((one) => one.textContent).join("\n");
  if (said === before) return;
  if (holder.children.length === notices.length && holder.contains(document.activeElement)) {
    // Only the words have changed (the age): the button that has the focus stays.
    notices.forEach((one, index) => setText(holder.children[index].firstChild, one.firstChild.textContent));
    return;
  }
  holder.replaceChildren(...notices);
}

const notice = (text, ...more) => el("div", { class: "notice" }, el("p", { text }), more);

/** A capture in one sentence for whoever does not look. */
function sayCapture({ capture, before }) {
  if (before?.state === capture.state) return;
  const water = tidy(capture.water, 60) || "water";
  const first = Object.entries(capture.values).map(([called, one]) => `${quantity(called).label} ${withU(called, one.value, one.expanded_u)}`);
  const says = `${water}: ${CAPTURE_STATES[capture.state] ?? capture.state}`;
  const isNew = capture.state === "provisional" || (capture.state === "final" && !before);
  announce(isNew ? `${says}. ${first.join(", ")}` : says, { urgent: capture.state === "withdrawn" });
  if (isNew) chime("good");
  else if (capture.state === "withdrawn" || capture.state === "unsettled") chime("bad");
}

let asked = "";
let told = "";
function sayGuidance(guidance) {
  if (guidance.question && guidance.question !== asked) {
    chime("ask");
    announce(`${guidance.question} ${guidance.answers.join(" or ")}?`, { urgent: true });
  }
  asked = guidance.question;
  if (guidance.say !== told) announce(guidance.say);
  told = guidance.say;
}

function hear(kind, item) {
  if (kind === "capture") sayCapture(item);
  if (kind === "guidance") sayGuidance(item);
  if (kind === "link") {
    showLink();
    if (model.link === "lost") announce("No connection to ouzel; the numbers are old", { urgent: true });
    else if (model.link === "live" && wasLost) announce("Connected again");
    wasLost = model.link === "lost";
  }
  if (["link", "second", "alerts", "hello"].includes(kind)) showNotices();
  if (kind === "hello" && item.needs_setup && !location.hash) location.hash = "#setup";
  current?.hear?.(kind, item);
}
let wasLost = false;

ways();
switches();
listen(hear);
window.addEventListener("hashchange", go);
document.getElementById("skip").addEventListener("click", (event) => {
  event.preventDefault();
  document.getElementById("content").focus();
});
go();
start();
