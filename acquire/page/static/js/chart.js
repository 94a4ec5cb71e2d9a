// A curve over time that can be zoomed by touch, by mouse and by keys, and read without seeing it.

import { button, el, setText } from "./dom.js";
import { fixed, moment, tick } from "./words.js";

let library = null;

/** uPlot is fetched with the first chart only: the bench does not need it. */
function loadLibrary() {
  library ??= new Promise((resolve, reject) => {
    const style = el("link", { rel: "stylesheet", href: "/static/vendor/uplot/uPlot.min.css" });
    const script = el("script", { src: "/static/vendor/uplot/uPlot.iife.min.js", on: {
      load: () => resolve(window.uPlot),
      error: () => { library = null; reject(new Error("The chart could not be loaded: try again.")); },
    } });
    document.head.append(style, script);
  });
  return library;
}

const colour = (called) => getComputedStyle(document.documentElement).getPropertyValue(`--${called}`).trim();

/**
 * A chart. `label` names it; `.show({t, mean, low, high, marks, limits, unit, digits})` draws: `t` in
 * seconds since 1970, `low` and `high` edges or null, `marks` true where a point stands out, `limits`
 * [[value, words]]. `ranged(from_s, until_s)` hears every zoom; `.close()` ends it.
 */
export function chart(label, { ranged = null, points = false } = {}) {
  const stage = el("div", { class: "chart-stage" });
  const says = el("p", { class: "small soft numbers" });
  const rows = el("tbody");
  const table = el("details", {}, el("summary", { text: "As a table" }),
    el("div", { class: "table-wrap", tabindex: "0", role: "region", "aria-label": `${label}, table` }, el("table", {},
      el("thead", {}, el("tr", {}, el("th", { text: "Time" }), el("th", { class: "number", text: "Value" }), el("th", { class: "number", text: "From – to" }))), rows)));
  const field = el("div", { class: "chart", tabindex: "0", role: "group", "aria-roledescription": "chart", "aria-label": `${label}. Plus and minus zoom, arrows move, 0 shows all.` }, stage);
  const tools = el("div", { class: "choice", role: "group", "aria-label": `Zoom of ${label}` },
    button("−", () => zoom(2), { "aria-label": "Zoom out" }), button("+", () => zoom(0.5), { "aria-label": "Zoom in" }),
    button("◀", () => move(-0.5), { "aria-label": "Earlier" }), button("▶", () => move(0.5), { "aria-label": "Later" }),
    button("All", () => range(null), { "aria-label": "Show all" }));
  const node = el("figure", { class: "chart-figure" }, field, tools, says, table);

  let plot = null;
  let data = null;
  let closed = false;
  let pending = null;

  const whole = () => [data.from ?? data.t[0], data.until ?? data.t[data.t.length - 1]];
  const seen = () => [plot.scales.x.min, plot.scales.x.max];

  function range(wanted) {
    if (!plot || !data.t.length) return;
    let [from, until] = wanted ?? whole();
    if (!(until - from > 1)) [from, until] = [from - 0.5, until + 0.5];
    plot.setScale("x", { min: from, max: until });
    clearTimeout(pending);
    if (ranged) pending = setTimeout(() => ranged(from, until, wanted === null), 350);
  }

  function zoom(factor, around = 0.5) {
    if (!plot) return;
    const [from, until] = seen();
    const pivot = from + (until - from) * around;
    range([pivot - (pivot - from) * factor, pivot + (until - pivot) * factor]);
  }

  function move(share) {
    if (!plot) return;
    const [from, until] = seen();
    range([from + (until - from) * share, until + (until - from) * share]);
  }

  field.addEventListener("keydown", (event) => {
    const act = { "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), ArrowLeft: () => move(-0.25), ArrowRight: () => move(0.25), 0: () => range(null), Home: () => range(null) }[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  });
  touches(field, { zoom, move });

  async function show(given) {
    data = given;
    const uPlot = await loadLibrary();
    if (closed) return;
    plot?.destroy();
    plot = null;
    tell();
    if (!data.t.length) {
      stage.replaceChildren(el("p", { class: "soft chart-empty", text: "Nothing in this span." }));
      return;
    }
    stage.replaceChildren();
    plot = new uPlot(options(uPlot, given, stage.clientWidth || 300, points), columns(given), stage);
    const [from, until] = whole();
    plot.setScale("x", until - from > 1 ? { min: from, max: until } : { min: from - 43200, max: until + 43200 });
  }

  function tell() {
    const { t, mean, low, high, unit, digits } = data;
    const known = mean.filter((value) => value !== null);
    const text = (value) => `${fixed(value, digits)} ${unit}`.trim();
    setText(says, known.length ? `Last ${text(known[known.length - 1])}; lowest ${text(Math.min(...known))}, highest ${text(Math.max(...known))}` : "");
    const last = t.map((_, index) => index).filter((index) => mean[index] !== null).slice(-100).reverse();
    rows.replaceChildren(...last.map((index) => el("tr", {}, el("td", { text: moment(t[index] * 1000) }),
      el("td", { class: "number", text: text(mean[index]) }),
      el("td", { class: "number", text: low && low[index] !== null ? `${fixed(low[index], digits)} – ${fixed(high[index], digits)}` : "" }))));
    tools.hidden = table.hidden = !known.length;
  }

  const sized = new ResizeObserver(() => {
    if (plot && stage.clientWidth && stage.clientWidth !== plot.width) plot.setSize({ width: stage.clientWidth, height: heightFor(stage.clientWidth) });
  });
  sized.observe(stage);
  const again = () => { if (plot) { const was = seen(); show(data).then(() => plot?.setScale("x", { min: was[0], max: was[1] })); } };
  const dark = matchMedia("(prefers-color-scheme: dark)");
  window.addEventListener("ouzel-scheme", again);
  dark.addEventListener("change", again);

  return { node, show, close() {
    closed = true;
    clearTimeout(pending);
    sized.disconnect();
    window.removeEventListener("ouzel-scheme", again);
    dark.removeEventListener("change", again);
    plot?.destroy();
  } };
}

const heightFor = (width) => Math.round(Math.min(380, Math.max(220, width * 0.55)));

// The band first: what is drawn later lies on top.
const columns = ({ t, mean, low, high }) => [t, low ?? mean.map(() => null), high ?? mean.map(() => null), mean];
const LOW = 1;
const HIGH = 2;
const MEAN = 3;

function options(uPlot, { low, marks, limits, digits, width_s: width }, wide, points) {
  const ink = colour("ink");
  const axis = { stroke: colour("soft"), grid: { stroke: colour("line"), width: 1 }, ticks: { show: false }, font: `13px ${colour("letters")}` };
  return {
    width: wide,
    height: heightFor(wide),
    legend: { show: false },
    cursor: { drag: { x: true, y: false, setScale: true }, points: { size: 10 } },
    scales: { x: { time: true }, y: { range: (plot, least, most) => room(least, most, low ? null : limits) } },
    axes: [{ ...axis, space: 70, values: (plot, ticks) => ticks.map((at) => tick(at * 1000, plot.scales.x.max - plot.scales.x.min)) }, { ...axis, size: 52, values: (plot, ticks) => ticks.map((one) => fixed(one, decimals(ticks, digits))) }],
    series: [{},
      { stroke: "transparent", points: { show: false } },
      { stroke: "transparent", points: { show: false } },
      { stroke: ink, width: points ? 1 : 2, ...(points ? { dash: [2, 4], points: { show: true, size: 9, fill: ink, stroke: ink } } : {}),
        ...(width ? { gaps: (plot, series, first, last, nulls) => [...nulls, ...holes(plot, series, first, last, width)] } : {}) }],
    bands: low && !points ? [{ series: [HIGH, LOW], fill: colour("band") }] : [],
    hooks: { draw: [(plot) => { lines(plot, limits ?? []); if (points && low) bars(plot); if (marks) diamonds(plot, marks); }] },
  };
}

function room(least, most, limits) {
  if (least === null || most === null) return [0, 1];
  const values = [least, most, ...(limits ?? []).map(([value]) => value)];
  const low = Math.min(...values);
  const high = Math.max(...values);
  const spare = (high - low || Math.abs(high) * 0.02 || 1) * 0.08;
  return [low - spare, high + spare];
}

function decimals(ticks, digits) {
  const step = Math.abs((ticks[1] ?? 1) - (ticks[0] ?? 0)) || 1;
  return Math.min(digits + 1, Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)));
}

/** No line over a stretch without values. */
function holes(plot, series, first, last, width) {
  const found = [];
  let before = null;
  for (let index = first; index <= last; index += 1) {
    if (plot.data[series][index] === null) continue;
    if (before !== null && plot.data[0][index] - plot.data[0][before] > 3.5 * width) {
      found.push([Math.round(plot.valToPos(plot.data[0][before], "x", true)), Math.round(plot.valToPos(plot.data[0][index], "x", true))]);
    }
    before = index;
  }
  return found;
}

function lines(plot, limits) {
  const { ctx, bbox } = plot;
  ctx.save();
  ctx.strokeStyle = ctx.fillStyle = colour("chestnut");
  ctx.lineWidth = devicePixelRatio;
  ctx.textAlign = "left";
  ctx.textBaseline = "bottom";
  ctx.font = `${12 * devicePixelRatio}px ${colour("letters")}`;
  for (const [value, words] of limits) {
    const y = plot.valToPos(value, "y", true);
    if (y < bbox.top || y > bbox.top + bbox.height) continue;
    ctx.setLineDash([6 * devicePixelRatio, 5 * devicePixelRatio]);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    ctx.fillText(words, bbox.left + 4 * devicePixelRatio, y - 2 * devicePixelRatio);
  }
  ctx.restore();
}

function bars(plot) {
  const { ctx } = plot;
  const [t, low, high] = [plot.data[0], plot.data[LOW], plot.data[HIGH]];
  ctx.save();
  ctx.strokeStyle = colour("ink");
  ctx.lineWidth = 1.5 * devicePixelRatio;
  t.forEach((at, index) => {
    if (low[index] === null || high[index] === null) return;
    const x = plot.valToPos(at, "x", true);
    ctx.beginPath();
    ctx.moveTo(x, plot.valToPos(low[index], "y", true));
    ctx.lineTo(x, plot.valToPos(high[index], "y", true));
    ctx.stroke();
  });
  ctx.restore();
}

function diamonds(plot, marks) {
  const { ctx } = plot;
  const size = 8 * devicePixelRatio;
  ctx.save();
  ctx.strokeStyle = colour("chestnut");
  ctx.lineWidth = 2 * devicePixelRatio;
  marks.forEach((mark, index) => {
    if (!mark || plot.data[MEAN][index] === null) return;
    const x = plot.valToPos(plot.data[0][index], "x", true);
    const y = plot.valToPos(plot.data[MEAN][index], "y", true);
    ctx.beginPath();
    ctx.moveTo(x - size, y);
    ctx.lineTo(x, y - size);
    ctx.lineTo(x + size, y);
    ctx.lineTo(x, y + size);
    ctx.closePath();
    ctx.stroke();
  });
  ctx.restore();
}

/** One finger moves along time, two zoom; up and down still scrolls the page. */
function touches(field, { zoom, move }) {
  let held = null;
  const spread = (list) => Math.max(20, Math.abs(list[0].clientX - list[1].clientX));
  field.addEventListener("touchstart", (event) => {
    held = { x: event.touches[0].clientX, spread: event.touches.length > 1 ? spread(event.touches) : null };
  }, { passive: true });
  field.addEventListener("touchmove", (event) => {
    if (!held) return;
    const wide = field.clientWidth || 300;
    if (event.touches.length > 1 && held.spread) {
      const now = spread(event.touches);
      const middle = (event.touches[0].clientX + event.touches[1].clientX) / 2 - field.getBoundingClientRect().left;
      if (Math.abs(now / held.spread - 1) > 0.03) { zoom(held.spread / now, Math.min(1, Math.max(0, middle / wide))); held.spread = now; }
    } else if (event.touches.length === 1) {
      const moved = (held.x - event.touches[0].clientX) / wide;
      if (Math.abs(moved) > 0.02) { move(moved); held.x = event.touches[0].clientX; }
    }
  }, { passive: true });
  field.addEventListener("touchend", () => { held = null; }, { passive: true });
}
