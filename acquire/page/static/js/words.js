// Numbers and times as people read them. The rules are those of the terminal's words.

const MINUS = "\u2212";
const UNKNOWN = { label: "", unit: "", shown_unit: "", digits: 2, low: null, high: null };

let table = {};

export function useQuantities(quantities) {
  table = quantities ?? {};
}

export function quantity(called) {
  return table[called] ?? { ...UNKNOWN, label: plain(called) };
}

/** A word of the program in a sentence. */
export const plain = (word) => {
  const text = String(word ?? "").replaceAll("_", " ");
  return text.charAt(0).toUpperCase() + text.slice(1);
};

export function fixed(value, digits) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const text = Math.abs(value).toFixed(Math.max(0, digits));
  return value < 0 && Number(text) !== 0 ? MINUS + text : text;
}

export const show = (called, value) => fixed(value, quantity(called).digits);

export const unitOf = (called) => quantity(called).shown_unit;

export const withUnit = (text, called) => `${text} ${unitOf(called)}`.trim();

/** Decimals a value deserves beside its uncertainty: two digits of it, at most one more than usual. */
export function digitsFor(called, expandedU) {
  const { digits } = quantity(called);
  if (!(expandedU > 0) || !Number.isFinite(expandedU)) return digits;
  return Math.max(digits, Math.min(digits + 1, 1 - Math.floor(Math.log10(expandedU))));
}

export function withU(called, value, expandedU, { unit = true } = {}) {
  const digits = digitsFor(called, expandedU);
  const u = expandedU === null || expandedU === undefined ? "" : ` ± ${fixed(expandedU, digits)}`;
  const text = `${fixed(value, digits)}${u}`;
  return unit ? withUnit(text, called) : text;
}

export function signed(value, digits) {
  const text = fixed(value, digits);
  return value > 0 && Number(text) !== 0 ? `+${text}` : text;
}

/** A span in the coarsest unit that still says something. */
export function span(seconds) {
  const s = Math.max(0, seconds);
  if (s < 100) return `${Math.round(s)} s`;
  if (s < 100 * 60) return `${Math.round(s / 60)} min`;
  if (s < 48 * 3600) return `${Math.round(s / 3600)} h`;
  return `${Math.round(s / 86400)} days`;
}

/** A day or a time for the axis of a chart that spans so many seconds. */
export function tick(at, spanS) {
  if (spanS > 400 * 86400) return month.format(at);
  if (spanS > 2.5 * 86400) return dayMonth.format(at);
  return (spanS < 600 ? clock : short).format(at);
}

const month = new Intl.DateTimeFormat([], { month: "short", year: "numeric" });
const dayMonth = new Intl.DateTimeFormat([], { day: "numeric", month: "short" });
const clock = new Intl.DateTimeFormat([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
const short = new Intl.DateTimeFormat([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
const day = new Intl.DateTimeFormat([], { year: "numeric", month: "short", day: "numeric" });

const known = (at) => at !== null && at !== undefined && Number.isFinite(new Date(at).getTime());

export const clockTime = (at) => (known(at) ? clock.format(new Date(at)) : "");
export const dayOf = (at) => (known(at) ? day.format(new Date(at)) : "");

/** The time of something of today; with its day, of something earlier. */
export const latelyAt = (at) => (dayOf(at) === dayOf(Date.now()) ? clockTime(at) : `${dayOf(at)}, ${clockTime(at)}`);

/** Date and time to the minute. */
export const moment = (at) => (known(at) ? `${day.format(new Date(at))}, ${short.format(new Date(at))}` : "");

export const CAPTURE_STATES = {
  provisional: "taken; leave the probe in",
  final: "final",
  withdrawn: "withdrawn",
  unsettled: "not settled",
};
