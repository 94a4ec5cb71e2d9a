// Questions and orders to ouzel. Every failure becomes an Error whose message says what to do.

export class Refusal extends Error {
  constructor(message, status, body) {
    super(message);
    this.status = status;
    this.body = body ?? {};
  }
}

const UNREACHABLE = "ouzel does not answer: is it running, and is this phone still on the network?";

async function ask(path, options) {
  let answer;
  try {
    answer = await fetch(`/api/1/${path}`, { cache: "no-store", signal: AbortSignal.timeout(20000), ...options });
  } catch {
    throw new Refusal(UNREACHABLE, 0);
  }
  const body = await answer.json().catch(() => ({}));
  if (!answer.ok) {
    throw new Refusal(String(body.error ?? `ouzel answered ${answer.status}`), answer.status, body);
  }
  return body;
}

const query = (parameters) => {
  const known = Object.entries(parameters ?? {}).filter(([, value]) => value !== null && value !== undefined && value !== "");
  return known.length ? `?${new URLSearchParams(known)}` : "";
};

export const get = (path, parameters) => ask(path + query(parameters));

export const post = (path, body = {}) =>
  ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });

export const order = (word, text, meter) =>
  post("orders", { order: word, ...(text === undefined ? {} : { text }), ...(meter ? { meter } : {}) });

export const part = (text) => encodeURIComponent(text);
