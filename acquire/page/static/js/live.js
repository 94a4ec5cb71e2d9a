// The one live line to ouzel, and what it has said. A number is shown as live only while it is.

import { get } from "./api.js";
import { useQuantities } from "./words.js";

const DEAD_AFTER_MS = 15000;
const RETRY_MS = [500, 1000, 2000, 4000, 8000];
const KEPT_CAPTURES = 200;

export const model = {
  link: "connecting", // live, lost, refused
  why: "",
  lostAt: null,
  now: null,
  meters: new Map(),
  guidance: new Map(),
  captures: new Map(),
  findings: new Map(),
  alerts: [],
  orders: new Set(),
  learning: null,
};

const hearers = new Set();
let source = null;
let heardAt = performance.now();
let cursor = "";
let tries = 0;
let retry = null;

/** `hear(kind, item)` is called with every change; returns what ends that. */
export function listen(hear) {
  hearers.add(hear);
  return () => hearers.delete(hear);
}

function tell(kind, item) {
  for (const hear of [...hearers]) hear(kind, item);
}

function setLink(link, why = "") {
  if (model.link === link && model.why === why) return;
  if (link !== "live" && model.lostAt === null) model.lostAt = Date.now();
  if (link === "live") model.lostAt = null;
  model.link = link;
  model.why = why;
  tell("link");
}

/** Seconds since the meter's newest reading, as far as this page knows; null: none yet. */
export function ageOf(meter) {
  if (meter.heardAt === undefined) return null;
  return (performance.now() - meter.heardAt) / 1000;
}

/** Whether this meter's numbers may be shown as how things are now. */
export function isLive(meter) {
  if (model.link !== "live" || meter.state !== "live") return false;
  const age = ageOf(meter);
  return age !== null && age <= (meter.silence_s || 30);
}

export function start() {
  connect();
  setInterval(look, 1000);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  window.addEventListener("online", again);
  window.addEventListener("offline", () => lose("this device has no network"));
  window.addEventListener("pagehide", () => source?.close());
  window.addEventListener("pageshow", (event) => { if (event.persisted) again(); });
}

function look() {
  // A phone that slept has heard nothing meanwhile, and its timers stood still.
  if (source && performance.now() - heardAt > DEAD_AFTER_MS) lose("nothing heard for 15 s");
  tell("second");
}

export function again() {
  tries = 0;
  connect();
}

function connect() {
  clearTimeout(retry);
  source?.close();
  heardAt = performance.now();
  source = new EventSource(`/api/1/stream${cursor ? `?after=${encodeURIComponent(cursor)}` : ""}`);
  source.onerror = () => lose("the line broke");
  for (const kind of ["hello", "reading", "status", "capture", "event", "guidance", "learning", "alive", "bye"]) {
    source.addEventListener(kind, (message) => {
      heardAt = performance.now();
      if (message.lastEventId) cursor = message.lastEventId;
      let item;
      try {
        item = JSON.parse(message.data);
      } catch {
        return; // half a line: the next hello sets everything right
      }
      take[kind](item);
    });
  }
}

function lose(why) {
  source?.close();
  source = null;
  setLink("lost", why);
  clearTimeout(retry);
  retry = setTimeout(connect, RETRY_MS[Math.min(tries, RETRY_MS.length - 1)]);
  tries += 1;
  if (tries === 2) whyRefused();
}

async function whyRefused() {
  try {
    await get("now");
  } catch (refusal) {
    if (refusal.status === 401 || refusal.status === 403) setLink("refused", refusal.message);
  }
}

const take = {
  hello(now) {
    tries = 0;
    model.now = now;
    useQuantities(now.quantities);
    model.orders = new Set(now.orders ?? []);
    model.alerts = now.alerts ?? [];
    model.learning = now.learning;
    model.guidance = new Map((now.guidance ?? []).map((one) => [one.meter, one]));
    model.captures = new Map((now.captures ?? []).map((one) => [one.id, one]));
    const before = model.meters;
    model.meters = new Map((now.meters ?? []).map((one) => [one.meter, keepTrace(one, before.get(one.meter))]));
    setLink("live");
    tell("hello", now);
  },
  reading(reading) {
    const meter = model.meters.get(reading.meter);
    if (!meter) return;
    meter.heardAt = performance.now();
    meter.at = reading.at;
    if (meter.state !== "over") meter.state = "live";
    for (const [called, value] of Object.entries(reading.values)) {
      meter.latest[called] = { value, flag: reading.flags?.[called] ?? null, at: reading.at };
    }
    for (const [called, flag] of Object.entries(reading.flags ?? {})) {
      if (!(called in reading.values)) meter.latest[called] = { value: null, flag, at: reading.at };
    }
    tell("reading", reading);
  },
  status(status) {
    const meter = model.meters.get(status.meter);
    if (!meter) return;
    meter.status = status;
    trace(meter, status);
    tell("status", status);
  },
  capture(capture) {
    const before = model.captures.get(capture.id);
    model.captures.set(capture.id, capture);
    while (model.captures.size > KEPT_CAPTURES) model.captures.delete(model.captures.keys().next().value);
    tell("capture", { capture, before });
  },
  event(event) {
    const meter = model.meters.get(event.meter);
    const state = { meter_lost: "lost", meter_not_reached: "unreached", meter_over: "over", meter_back: "live" }[event.kind];
    if (meter && state) {
      meter.state = state;
      meter.why = state === "live" ? "" : event.text;
    }
    if (event.kind === "finding" && event.data?.capture) {
      const known = model.findings.get(event.data.capture) ?? [];
      model.findings.set(event.data.capture, [...known, event]);
    }
    if (event.kind.startsWith("alert_")) freshAlerts();
    tell("event", event);
  },
  guidance(guidance) {
    model.guidance.set(guidance.meter, guidance);
    tell("guidance", guidance);
  },
  learning(learning) {
    model.learning = learning;
    tell("learning", learning);
  },
  alive() {
    setLink("live");
  },
  bye(said) {
    lose(said.why || "ouzel stops");
  },
};

async function freshAlerts() {
  try {
    model.alerts = (await get("alerts")).alerts;
    tell("alerts");
  } catch {
    // The next hello brings them.
  }
}

function keepTrace(meter, before) {
  meter.latest ??= {};
  meter.trace = before?.trace;
  if (meter.age_s !== null && meter.age_s !== undefined) meter.heardAt = performance.now() - meter.age_s * 1000;
  return meter;
}

const MOST_POINTS = 240;

/** Keeps the way of each quantity through this immersion, thinned as it grows. */
function trace(meter, status) {
  if (!meter.trace || meter.trace.immersion !== status.immersion) {
    meter.trace = { immersion: status.immersion, points: {} };
  }
  for (const row of status.rows) {
    if (row.value === null) continue;
    const points = (meter.trace.points[row.quantity] ??= []);
    points.push([status.elapsed_s, row.value]);
    if (points.length > MOST_POINTS) {
      meter.trace.points[row.quantity] = points.filter((_, index) => index % 2 || index > MOST_POINTS * 0.75);
    }
  }
}
