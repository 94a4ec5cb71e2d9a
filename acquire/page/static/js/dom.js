// Building the page. Whatever came from outside becomes a text node, never markup.

const SVG = "http://www.w3.org/2000/svg";

// Letters that steer the direction of others, and controls: they can make one name look like another.
const STEERING = /[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff]/g;

/** What somebody typed or a wire gave: one line, no steering characters, not longer than `most`. */
export function tidy(text, most = 120) {
  const clean = String(text ?? "").slice(0, most * 4).replace(/\s+/g, " ").replace(STEERING, "");
  const letters = Array.from(clean);
  return letters.length <= most ? clean : letters.slice(0, most - 1).join("") + "…";
}

/** A name as typed, kept apart from the direction of the words around it. */
export function name(text, most = 80) {
  const node = document.createElement("bdi");
  node.textContent = tidy(text, most);
  return node;
}

function fill(node, attributes, children) {
  for (const [key, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "on") for (const [kind, hear] of Object.entries(value)) node.addEventListener(kind, hear);
    else if (key === "text") node.textContent = value;
    else if (key in PROPERTIES) node[key] = value;
    else node.setAttribute(key, value === true ? "" : String(value));
  }
  node.append(...children.flat(3).filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

const PROPERTIES = { value: 1, checked: 1, disabled: 1, open: 1 };

export const el = (tag, attributes, ...children) =>
  fill(document.createElement(tag), attributes, children);

export const svg = (tag, attributes, ...children) =>
  fill(document.createElementNS(SVG, tag), attributes, children);

/** Writes only what differs, so that a screen reader or a selection is not disturbed. */
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

export function setAttribute(node, key, value) {
  if (value === null || value === false) node.removeAttribute(key);
  else if (node.getAttribute(key) !== String(value)) node.setAttribute(key, String(value));
}

export const button = (label, press, attributes = {}) =>
  el("button", { type: "button", on: { click: press }, ...attributes }, label);

/** Buttons of which one is chosen. `options`: [value, label]; returns the group, with `.choose(value)`. */
export function choice(label, options, chosen, changed) {
  const buttons = options.map(([value, words]) =>
    button(words, () => { group.choose(value); changed(value); }, { "data-value": value }));
  const group = el("div", { class: "choice", role: "group", "aria-label": label }, buttons);
  group.choose = (value) => {
    for (const one of buttons) setAttribute(one, "aria-pressed", one.dataset.value === String(value));
  };
  group.choose(chosen);
  return group;
}

/** A button whose first press asks; only the second one, on another place, does it. */
export function twice(label, question, yes, no, act, attributes = {}) {
  const holder = el("div", { class: "row" });
  const ask = button(label, () => {
    const sure = button(yes, () => { show(); act(); }, { class: "first" });
    holder.replaceChildren(el("p", { class: "small", text: question }), button(no, show), sure);
    sure.focus();
  }, attributes);
  const show = () => {
    const had = holder.contains(document.activeElement);
    holder.replaceChildren(ask);
    if (had) ask.focus();
  };
  show();
  return holder;
}
