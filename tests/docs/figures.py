"""Draws the figures of the documentation from runs of the simulated probe and from the formulas.

`scripts/redraw` writes them into docs/figures; a test draws them again and compares.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from acquire import config
from acquire.readings import Channel
from acquire.water.conductivity import NATURAL_25, Compensation, recompensate
from simulators.probe import Probe
from simulators.waters import load_waters

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 640, 300, 64, 16, 34, 42
INK, MUTED, LINE, BAND, MARK = "#1f2933", "#6b7785", "#0b7285", "#c5e8e1", "#b3261e"


class Plot:
    """One picture with two axes, on a ground of its own: it looks the same on dark pages."""

    def __init__(self, title, x_name, y_name, xs, ys):
        self.xs, self.ys = xs, ys
        self.parts = [
            (
                f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
                f'font-family="sans-serif" font-size="12" aria-label="{escape(title)}">'
            ),
            f"<title>{escape(title)}</title>",
            f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
        ]
        self.say(LEFT, 18, title, size=14)
        self.say(WIDTH - RIGHT, HEIGHT - 8, x_name, anchor="end", colour=MUTED)
        self.say(LEFT, TOP - 3, y_name, colour=MUTED, size=11)

    def x(self, value):
        low, high = self.xs
        return LEFT + (value - low) / (high - low) * (WIDTH - LEFT - RIGHT)

    def y(self, value):
        low, high = self.ys
        return HEIGHT - BOTTOM - (value - low) / (high - low) * (HEIGHT - TOP - BOTTOM)

    def say(self, x, y, text, anchor="start", colour=INK, size=12):
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}" '
            f'font-size="{size}">{escape(text)}</text>'
        )

    def ticks(self, xs, ys, digits):
        for value in xs:
            self.say(self.x(value), HEIGHT - BOTTOM + 16, f"{value:g}", "middle", MUTED)
        for value in ys:
            y = self.y(value)
            self.parts.append(
                f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="#e3e7eb" stroke-width="1"/>'
            )
            self.say(LEFT - 6, y + 4, f"{value:.{digits}f}", "end", MUTED)

    def band(self, low, high):
        top, bottom = self.y(high), self.y(low)
        self.parts.append(
            f'<rect x="{LEFT}" y="{top:.1f}" width="{WIDTH - LEFT - RIGHT}" '
            f'height="{bottom - top:.1f}" fill="{BAND}"/>'
        )

    def curve(self, points, colour=LINE, dash=""):
        inside = [(x, y) for x, y in points if self.ys[0] <= y <= self.ys[1]]
        path = "M" + "L".join(f"{self.x(x):.1f} {self.y(y):.1f}" for x, y in inside)
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="1.8"{dashes}/>'
        )

    def moment(self, value, text, line=0):
        x = self.x(value)
        self.parts.append(
            f'<path d="M{x:.1f} {TOP}V{HEIGHT - BOTTOM}" stroke="{MARK}" stroke-width="1.5" '
            'stroke-dasharray="5 3"/>'
        )
        self.say(x + 6, HEIGHT - BOTTOM - 8 - 18 * line, text, colour=MARK)

    def text(self):
        return "\n".join([*self.parts, "</svg>\n"])


def run(water, quantity, resolution, seconds, seed=3):
    """A run of the simulated probe in one water: what the display showed, and when it settled."""
    probe = Probe(seed=seed, period_s=1.0)
    probe.move_to(load_waters()[water], 0.0)
    settler = config.load(None).settler(Channel(quantity, resolution))
    shown, settled, value = [], None, None
    for t in range(1, seconds):
        said = probe.display(float(t))[quantity]
        if not isinstance(said, float | int):
            continue
        shown.append((float(t), float(said)))
        state = settler.update(float(t), float(said))
        if state.phase == "settled" and settled is None:
            settled, value = float(t), state.value
    return shown, settled, value


def settling():
    """pH in tap water: the digits stand still long before the number may be written down."""
    shown, settled, value = run("tap", "ph", 0.01, 300)
    calm = next(t for t, v in shown if still(shown, t, v, 10.0, 0.01))
    plot = Plot(
        "pH of a tap water, simulated probe: at rest is not when the digits slow down",
        "seconds in the water",
        "pH",
        (0, 300),
        (7.0, 7.7),
    )
    plot.band(value - 0.02, value + 0.02)
    plot.ticks(range(0, 301, 60), [7.0, 7.2, 7.4, 7.6], 1)
    plot.curve(shown)
    plot.moment(calm, f"10 s without a new digit: {at(shown, calm):.2f}", line=1)
    plot.moment(settled, f"settled: {value:.3f}")
    return plot.text()


def still(shown, begin_s, value, for_s, within):
    inside = [v for t, v in shown if begin_s <= t <= begin_s + for_s]
    return len(inside) > for_s - 2 and all(abs(v - value) <= within * 1.001 for v in inside)


def at(shown, t_s):
    return min(shown, key=lambda point: abs(point[0] - t_s))[1]


def slow():
    """pH in distilled water, which has no buffering and takes up carbon dioxide: slow."""
    shown, settled, _ = run("distilled", "ph", 0.01, 900)
    plot = Plot(
        "pH of distilled water, simulated probe: no buffering, so minutes instead of seconds",
        "seconds in the water",
        "pH",
        (0, 900),
        (5.0, 7.0),
    )
    plot.ticks(range(0, 901, 180), [5.0, 5.5, 6.0, 6.5, 7.0], 1)
    plot.curve(shown)
    if settled is not None:
        plot.moment(settled, "settled")
    return plot.text()


def temperature():
    """One water at many temperatures: as it conducts, and as it is shown at 25 °C by two rules."""
    raw = Compensation("none")
    linear = Compensation("linear", 25.0, 0.02)
    true_25 = 500.0

    def conducts(temp_c):
        """What a natural water of 500 µS/cm at 25 °C conducts at another temperature (ISO 7888)."""
        at_one = recompensate(100.0, temp_c, said=raw, wanted=NATURAL_25).value
        return true_25 * 100.0 / at_one

    temps = [t / 2 for t in range(71)]
    plot = Plot(
        "A natural water of 500 µS/cm at 25 °C, and what is made of it at other temperatures",
        "°C",
        "µS/cm",
        (0, 35),
        (250, 650),
    )
    plot.ticks(range(0, 36, 5), [300, 400, 500, 600], 0)
    plot.curve([(t, conducts(t)) for t in temps], MUTED, "6 4")
    plot.curve([(t, recompensate(conducts(t), t, said=raw, wanted=linear).value) for t in temps])
    plot.curve([(0, true_25), (35, true_25)], MARK, "2 3")
    plot.say(plot.x(2), plot.y(330), "as it conducts", colour=MUTED)
    plot.say(plot.x(1), plot.y(565), "carried to 25 °C by 2 %/°C", colour=LINE)
    plot.say(plot.x(34.5), plot.y(478), "by ISO 7888", "end", MARK)
    return plot.text()


FIGURES = {"settling": settling, "slow": slow, "temperature": temperature}
