// What tells a person who is not looking: a chime, a buzz, words for a screen reader; a lit screen.

const remembered = (key) => { try { return localStorage.getItem(key); } catch { return null; } };
const remember = (key, value) => { try { localStorage.setItem(key, value); } catch { /* for this visit only */ } };

let sound = remembered("ouzel.sound") !== "off";
let context = null;

export const soundIsOn = () => sound;

export function setSound(on) {
  sound = on;
  remember("ouzel.sound", on ? "on" : "off");
  if (on) { wake(); chime("good"); }
}

// Browsers let a page sound only after a touch: the first one anywhere opens the way.
function wake() {
  const Audio = window.AudioContext ?? window.webkitAudioContext;
  if (!Audio || !sound) return;
  context ??= new Audio();
  if (context.state === "suspended") context.resume().catch(() => {});
}
for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, wake, { passive: true });

const TUNES = {
  good: [[660, 0], [990, 0.16]], // up: it is taken
  bad: [[520, 0], [390, 0.2]], // down: look here
  ask: [[740, 0], [740, 0.22]],
};

/** Two soft notes and a buzz. `tune`: good, bad, ask. */
export function chime(tune) {
  document.documentElement.dataset.chimes = String(Number(document.documentElement.dataset.chimes ?? 0) + 1);
  if (!sound) return;
  if (navigator.userActivation?.hasBeenActive !== false) navigator.vibrate?.(tune === "good" ? [120, 70, 120] : [60, 60, 60, 60, 60]);
  if (!context || context.state !== "running") return;
  for (const [pitch, after] of TUNES[tune]) {
    const begin = context.currentTime + after;
    const voice = context.createOscillator();
    const loudness = context.createGain();
    voice.type = "triangle";
    voice.frequency.value = pitch;
    loudness.gain.setValueAtTime(0.0001, begin);
    loudness.gain.exponentialRampToValueAtTime(0.35, begin + 0.02);
    loudness.gain.exponentialRampToValueAtTime(0.0001, begin + 0.7);
    voice.connect(loudness).connect(context.destination);
    voice.start(begin);
    voice.stop(begin + 0.75);
  }
}

/** Words for a screen reader; captures and questions, never digits as they run. */
export function announce(text, { urgent = false } = {}) {
  const region = document.getElementById(urgent ? "announce-now" : "announce");
  region.append(Object.assign(document.createElement("p"), { textContent: text }));
  while (region.childElementCount > 3) region.firstElementChild.remove();
}

let lock = null;
let wanted = false;

export const canStayLit = () => "wakeLock" in navigator;

/** Keeps the screen on while this page is seen; gives whether that worked. */
export async function stayLit(on) {
  wanted = on;
  if (!on) {
    await lock?.release().catch(() => {});
    lock = null;
    return true;
  }
  try {
    lock = await navigator.wakeLock.request("screen");
    return true;
  } catch {
    wanted = false;
    return false;
  }
}
document.addEventListener("visibilitychange", () => {
  if (wanted && !document.hidden) stayLit(true);
});

export function setScheme(scheme) {
  if (scheme === "auto") delete document.documentElement.dataset.scheme;
  else document.documentElement.dataset.scheme = scheme;
  remember("ouzel.scheme", scheme);
}

export const scheme = () => document.documentElement.dataset.scheme ?? "auto";

export const keep = { get: remembered, set: remember };
