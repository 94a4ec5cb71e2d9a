"""Figures as inline SVG, drawn by hand: every one has a title, a description and no colour to read.

One size, 340 wide: two stand beside each other on a screen or on paper, one fills a phone. Looks
are classes of the page's own style; nothing here is a link, a script or a font.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from acquire.quantities import Quantity
from acquire.report.curves import Curve
from acquire.report.markup import Markup, join, tag

__all__ = ["HEIGHT", "WIDTH", "curve_figure", "duration", "figure", "ticks"]

WIDTH, HEIGHT = 340, 164
_LEFT, _RIGHT, _TOP, _BOTTOM = 52.0, 332.0, 30.0, 136.0
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
        return _LEFT + (_RIGHT - _LEFT) * min(max(t_s / end_s, 0.0), 1.0)

    def y(value: float) -> float:
        part = (top - value) / (top - bottom)
        return _TOP + (_BOTTOM - _TOP) * min(max(part, -0.5), 1.5)

    low, high = curve.value - curve.half, curve.value + curve.half
    clip = f"{name}-c"
    inside = join(
        tag("rect", x=_LEFT, y=y(high), width=_RIGHT - _LEFT, height=y(low) - y(high), class_="band"),
        _shade(curve, x, y),
        *(tag("line", x1=_LEFT, x2=_RIGHT, y1=y(edge), y2=y(edge), class_="edge") for edge in (low, high)),
        tag("path", d=_spread(curve, x, y), class_="spread"),
        tag("polyline", points=_points((x(b.t_s), y(b.mean)) for b in curve.buckets), class_="trace"),
    )  # fmt: skip
    return figure(
        name,
        f"{quantity.label}: {shown}",
        _described(curve, quantity),
        tag("clipPath", tag("rect", x=_LEFT, y=_TOP, width=_RIGHT - _LEFT, height=_BOTTOM - _TOP), id=clip),
        tag("text", quantity.label, x=0.0, y=13.0, class_="head"),
        tag("text", shown, x=_RIGHT, y=13.0, class_="head end"),
        tag("g", inside, clip_path=f"url(#{clip})"),
        *_far(curve, x, bottom, top),
        *_values(quantity, y, (low, curve.value, high)),
        *_flag(curve, x),
        tag("line", x1=_LEFT, x2=_RIGHT, y1=_BOTTOM, y2=_BOTTOM, class_="axis"),
        *_seconds(end_s, x),
    )  # fmt: skip


def _range(curve: Curve) -> tuple[float, float]:
    """Give bottom and top: the band, and all of the second half of the way."""
    late = [b for b in curve.buckets if b.t_s >= 0.5 * curve.end_s]
    away = [abs(side - curve.value) for b in late for side in (b.least, b.most)]
    away.sort()
    seen = away[int(0.98 * (len(away) - 1))] if away else 0.0
    reach = max(_FAR * curve.half, 1.25 * seen, 1e-9)
    return curve.value - reach, curve.value + reach


def _points(pairs: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in pairs)


def _spread(curve: Curve, x: Callable[[float], float], y: Callable[[float], float]) -> str:
    """From least to most of each stretch, where several readings are drawn as one."""
    return "".join(
        f"M{x(b.t_s):.1f} {y(b.least):.1f}V{y(b.most):.1f}" for b in curve.buckets if b.most > b.least
    )  # fmt: skip


def _shade(curve: Curve, x: Callable[[float], float], y: Callable[[float], float]) -> Markup:
    over = [(x(e.t_s), y(e.value + e.expanded_u)) for e in curve.estimates]
    under = [(x(e.t_s), y(e.value - e.expanded_u)) for e in reversed(curve.estimates)]
    return tag("polygon", points=_points([*over, *under]), class_="shade")


def _far(curve: Curve, x: Callable[[float], float], bottom: float, top: float) -> Iterable[Markup]:
    """A small wedge at the edge where readings lie beyond it, a few pixels apart."""
    last = -math.inf
    for bucket in curve.buckets:
        at = x(bucket.t_s)
        if at - last < 7 or bottom <= bucket.mean <= top:
            continue
        last = at
        edge, tip = (_TOP, _TOP - 4.0) if bucket.mean > top else (_BOTTOM, _BOTTOM - 4.0)
        if bucket.mean > top:
            edge, tip = _TOP + 4.0, _TOP
        else:
            edge, tip = _BOTTOM - 4.0, _BOTTOM
        yield tag(
            "path", d=f"M{at - 2.5:.1f} {edge:.1f}H{at + 2.5:.1f}L{at:.1f} {tip:.1f}Z", class_="far"
        )


def _values(
    quantity: Quantity, y: Callable[[float], float], values: Sequence[float]
) -> Iterable[Markup]:
    """The edges of the band and its middle, with one digit more than the display."""
    half = (values[2] - values[0]) / 2.0
    digits = max(quantity.digits, 1 - math.floor(math.log10(half))) if half > 0 else quantity.digits
    if half >= 1.0 and digits <= 1:
        digits = 0 if half >= 3 else 1
    for value in values:
        text = quantity.show(
            value, digits=max(0, digits - 1) if digits > quantity.digits else digits
        )
        yield tag("text", text, x=_LEFT - 6.0, y=y(value) + 3.5, class_="tick end")


def _flag(curve: Curve, x: Callable[[float], float]) -> Iterable[Markup]:
    if curve.taken_s is None:
        yield tag("text", "never at rest", x=_RIGHT, y=_TOP - 4.0, class_="tick end")
        return
    at = x(curve.taken_s)
    yield tag("line", x1=at, x2=at, y1=_TOP - 2.0, y2=_BOTTOM, class_="moment")
    yield tag(
        "path", d=f"M{at - 4:.1f} {_TOP - 7:.1f}H{at + 4:.1f}L{at:.1f} {_TOP:.1f}Z", class_="flag"
    )
    side = -1.0 if at > (_LEFT + _RIGHT) / 2 else 1.0
    yield tag(
        "text",
        f"captured at {duration(curve.taken_s)}",
        x=at + 7.0 * side,
        y=_TOP - 1.5,
        class_="tick end" if side < 0 else "tick",
    )


def _seconds(end_s: float, x: Callable[[float], float]) -> Iterable[Markup]:
    unit, word = (60.0, "min") if end_s >= 180 else (1.0, "s")
    for at in ticks(0.0, end_s / unit, 5):
        place = x(at * unit)
        yield tag("line", x1=place, x2=place, y1=_BOTTOM, y2=_BOTTOM + 3.0, class_="axis")
        text = f"{at:g}" + (f" {word}" if at == 0 else "")
        yield tag("text", text, x=place, y=_BOTTOM + 15.0, class_="tick mid")


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
