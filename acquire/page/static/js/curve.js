// The small curve of one quantity in this immersion, with the band it has to stay in.

import { setAttribute, svg } from "./dom.js";

const WIDTH = 240;
const HEIGHT = 64;
const EDGE = 4;

/** The picture, with `.show(points, centre, tolerance)`; points [[seconds, value], ...]. */
export function smallCurve() {
  const band = svg("rect", { class: "curve-band", x: 0, width: WIDTH });
  const line = svg("path", { class: "curve-line" });
  const picture = svg("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, preserveAspectRatio: "none", class: "curve", "aria-hidden": "true", focusable: "false" }, band, line);
  picture.show = (points, centre, tolerance) => {
    const known = centre !== null && centre !== undefined && tolerance > 0;
    const [low, high] = bounds(points, known ? centre : null, tolerance);
    const y = (value) => EDGE + ((high - value) / (high - low)) * (HEIGHT - 2 * EDGE);
    setAttribute(band, "height", known ? Math.max(2, y(centre - tolerance) - y(centre + tolerance)).toFixed(1) : 0);
    if (known) setAttribute(band, "y", y(centre + tolerance).toFixed(1));
    if (points.length < 2) {
      setAttribute(line, "d", "M0 0");
      return;
    }
    const first = points[0][0];
    const length = points[points.length - 1][0] - first || 1;
    setAttribute(line, "d", "M" + points.map(([t, value]) =>
      `${(((t - first) / length) * WIDTH).toFixed(1)} ${y(Math.min(high, Math.max(low, value))).toFixed(1)}`).join("L"));
  };
  return picture;
}

/** Room for the band and for the later half of the way; the first fall may leave the picture. */
function bounds(points, centre, tolerance) {
  const late = points.slice(Math.floor(points.length / 3)).map((point) => point[1]);
  const seen = late.length ? late : [0, 1];
  let low = Math.min(...seen);
  let high = Math.max(...seen);
  if (centre !== null) {
    low = Math.min(low, centre - 2.5 * tolerance);
    high = Math.max(high, centre + 2.5 * tolerance);
  }
  if (!(high > low)) { low -= 1; high += 1; }
  return [low, high];
}
