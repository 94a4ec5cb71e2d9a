"""Figures as inline SVG, drawn by hand: every one has a title, a description and no colour to read.

One size, 340 wide: two stand beside each other on a screen or on paper, one fills a phone. Looks
are classes of the page's own style; nothing here is a link, a script or a font.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from acquire.quantities import Quantity
from acquire.report.curves import Curve
from acquire.report.markup import Markup, join, tag

__all__ = ["BOTTOM", "HEIGHT", "LEFT", "RIGHT", "TOP", "WIDTH", "Place", "across"]
__all__ += ["curve_figure", "decimals", "duration", "figure", "ticks"]

WIDTH, HEIGHT = 340, 164
LEFT, RIGHT, TOP, BOTTOM = 52.0, 332.0, 30.0, 136.0
Place = Callable[[float], float]
"""From a value or a time to where it stands in the drawing."""
_FAR = 3.2
"""The band takes about a third of the height: the way to rest matters less than the rest."""


def duration(seconds: float) -> str:
    """Seconds as people say them: `45 s`, `6 min 25 s`, `2 h 5 min`."""
    whole = round(seconds)
    if whole < 100:
        return f"{whole} s"
    if whole < 5400:
        return f"{whole // 60} min" + (f" {whole % 60} s" if whole % 60 else "")
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def figure(
    name: str, title: str, description: str, *drawn: Markup, height: float = HEIGHT
) -> Markup:
    """Wrap a drawing; `name` is its id on the page, one of our own."""
    return tag(
        "svg",
        tag("title", title, id=f"{name}-t"),
        tag("desc", description, id=f"{name}-d"),
        *drawn,
        viewBox=f"0 0 {WIDTH} {height:g}",
        role="img",
        aria_labelledby=f"{name}-t {name}-d",
    )


def ticks(low: float, high: float, about: int = 4) -> list[float]:
    """Give round numbers between the two, about so many; none where there is no span."""
    if not (math.isfinite(low) and math.isfinite(high) and high > low):
        return []
    rough = (high - low) / max(1, about)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [index * step for index in range(first, math.floor(high / step + 1e-9) + 1)]


def curve_figure(name: str, curve: Curve, quantity: Quantity, *, shown: str) -> Markup:
    """Draw how one quantity came to rest.

    Readings as a line, the tolerance band between dashed edges, where the settler expected it to
    end (95 %) as a shade, the moment of the capture as a flag. `shown` is the value as the report
    writes it.
    """
    bottom, top = _range(curve)
    end_s = max(curve.end_s, 1.0)

    def x(t_s: float) -> float:
        return LEFT + (RIGHT - LEFT) * min(max(t_s / end_s, 0.0), 1.0)

    def y(value: float) -> float:
        part = (top - value) / (top - bottom)
        return TOP + (BOTTOM - TOP) * min(max(part, -0.5), 1.5)

    low, high = curve.value - curve.half, curve.value + curve.half
    clip = f"{name}-c"
    inside = join(
        _box(y(high), y(low), "band"),
        _shade(curve, x, y),
        *(across(y(edge), "edge") for edge in (low, high)),
        tag("path", d=_spread(curve, x, y), class_="spread"),
        tag("polyline", points=_trace(curve, x, y), class_="trace"),
    )
    return figure(
        name,
        f"{quantity.label}: {shown}",
        _described(curve, quantity),
        tag("clipPath", _box(TOP, BOTTOM), id=clip),
        tag("text", quantity.label, x=0.0, y=13.0, class_="head"),
        tag("text", shown, x=RIGHT, y=13.0, class_="head end"),
        tag("g", inside, clip_path=f"url(#{clip})"),
        *_far(curve, x, bottom, top),
        *_values(quantity, curve, y, (bottom, top)),
        *_flag(curve, x),
        across(BOTTOM, "axis"),
        *_seconds(end_s, x),
    )


def _box(top: float, bottom: float, look: str | None = None) -> Markup:
    """A rectangle across the whole width of the plot."""
    width, height = RIGHT - LEFT, bottom - top
    return tag("rect", x=LEFT, y=top, width=width, height=height, class_=look)


def across(y: float, look: str) -> Markup:
    """A line across the whole width of the plot."""
    return tag("line", x1=LEFT, x2=RIGHT, y1=y, y2=y, class_=look)


def _range(curve: Curve) -> tuple[float, float]:
    """Give bottom and top: the band, and all of the second half of the way."""
    late = [b for b in curve.buckets if b.t_s >= 0.5 * curve.end_s]
    away = [abs(side - curve.value) for b in late for side in (b.least, b.most)]
    away.sort()
    seen = away[int(0.98 * (len(away) - 1))] if away else 0.0
    reach = max(_FAR * curve.half, 1.25 * seen, 1e-9)
    return curve.value - reach, curve.value + reach


def _points(pairs: Iterable[tuple[float, float]]) -> Markup:
    return Markup(" ".join(f"{x:.1f},{y:.1f}" for x, y in pairs))


def _trace(curve: Curve, x: Place, y: Place) -> Markup:
    return _points((x(bucket.t_s), y(bucket.mean)) for bucket in curve.buckets)


def _spread(curve: Curve, x: Place, y: Place) -> Markup:
    """From least to most of each stretch, where several readings are drawn as one."""
    several = (bucket for bucket in curve.buckets if bucket.most > bucket.least)
    lines = (f"M{x(b.t_s):.1f} {y(b.least):.1f}V{y(b.most):.1f}" for b in several)
    return Markup("".join(lines))


def _shade(curve: Curve, x: Place, y: Place) -> Markup:
    over = [(x(e.t_s), y(e.value + e.expanded_u)) for e in curve.estimates]
    under = [(x(e.t_s), y(e.value - e.expanded_u)) for e in reversed(curve.estimates)]
    return tag("polygon", points=_points([*over, *under]), class_="shade")


def _far(curve: Curve, x: Place, bottom: float, top: float) -> Iterable[Markup]:
    """A small wedge at the edge where readings lie beyond it, a few pixels apart."""
    last = -math.inf
    for bucket in curve.buckets:
        at = x(bucket.t_s)
        if at - last < 7 or bottom <= bucket.mean <= top:
            continue
        last = at
        if bucket.mean > top:
            edge, tip = TOP + 4.0, TOP
        else:
            edge, tip = BOTTOM - 4.0, BOTTOM
        yield tag(
            "path", d=f"M{at - 2.5:.1f} {edge:.1f}H{at + 2.5:.1f}L{at:.1f} {tip:.1f}Z", class_="far"
        )


def decimals(step: float) -> int:
    """Give the decimals in which values a step apart (> 0) are seen to differ."""
    power = math.floor(math.log10(step) + 1e-9)
    return max(0, -power + (step < 1.5 * 10.0**power))


def _values(
    quantity: Quantity, curve: Curve, y: Place, ends: tuple[float, float]
) -> Iterable[Markup]:
    """The edges of the band and its middle; of a thin band the middle and the ends of the scale."""
    digits = decimals(curve.half)
    low, high = curve.value - curve.half, curve.value + curve.half
    places = [(value, y(value) + 3.5) for value in (low, curve.value, high)]
    if y(low) - y(high) < 22.0:
        places = [(ends[0], BOTTOM), (curve.value, y(curve.value) + 3.5), (ends[1], TOP + 7.0)]
    for value, at in places:
        text = quantity.show(value, digits=digits)
        yield tag("text", text, x=LEFT - 6.0, y=at, class_="tick end")


def _flag(curve: Curve, x: Place) -> Iterable[Markup]:
    if curve.taken_s is None:
        yield tag("text", "not captured", x=RIGHT, y=TOP - 4.0, class_="tick end")
        return
    at = x(curve.taken_s)
    yield tag("line", x1=at, x2=at, y1=TOP - 2.0, y2=BOTTOM, class_="moment")
    yield tag(
        "path", d=f"M{at - 4:.1f} {TOP - 7:.1f}H{at + 4:.1f}L{at:.1f} {TOP:.1f}Z", class_="flag"
    )
    side = -1.0 if at > (LEFT + RIGHT) / 2 else 1.0
    yield tag(
        "text",
        f"captured at {duration(curve.taken_s)}",
        x=at + 7.0 * side,
        y=TOP - 1.5,
        class_="tick end" if side < 0 else "tick",
    )


def _seconds(end_s: float, x: Place) -> Iterable[Markup]:
    unit, word = (60.0, "min") if end_s >= 180 else (1.0, "s")
    for at in ticks(0.0, end_s / unit, 5):
        place = x(at * unit)
        yield tag("line", x1=place, x2=place, y1=BOTTOM, y2=BOTTOM + 3.0, class_="axis")
        text = f"{at:g}" + (f" {word}" if at == 0 else "")
        yield tag("text", text, x=place, y=BOTTOM + 15.0, class_="tick mid")


def _described(curve: Curve, quantity: Quantity) -> str:
    """The picture in a sentence or two, for those who do not see it."""
    if not curve.buckets:
        return "No readings of this immersion are kept any more."
    unit = f" {quantity.shown_unit}".rstrip()
    digits = quantity.digits + 1

    def said(value: float) -> str:
        return f"{quantity.show(value, digits=digits)}{unit}"

    begun = curve.buckets[0].mean
    text = f"It began at {said(begun)} and came to {said(curve.value)}. "
    if curve.settled_s is not None:
        text += f"From {duration(curve.settled_s)} on it was settled. "
    else:
        text += "It was not settled when the probe left. "
    text += (
        f"Captured at {duration(curve.taken_s)}. "
        if curve.taken_s is not None
        else "Not captured. "
    )
    return text + (
        f"The band is {said(curve.value)} ± {quantity.show(curve.half, digits=digits)}; the probe "
        f"was in this water for {duration(curve.end_s)}."
    )
