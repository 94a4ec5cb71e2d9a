"""What the draws since the last change come to: days for the forecast, words for the person."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from acquire.watch.forecast import Day, Forecast, forecast
from acquire.watch.judge import Standing
from acquire.watch.kept import Alert, KeptDraw

__all__ = ["ADVICE", "TITLES", "WatchState", "days_of", "litres_of", "paragraph", "state_of"]

_DAY_MS = 86_400_000
_RINSED = 2  # days a new cartridge is not forecast from

TITLES = {
    "breakthrough": "the filter lets through far more than before",
    "exhausted": "the filter has reached its limit",
    "capacity": "the cartridge has done its rated work",
    "ends_soon": "the filter will be due soon",
    "open_circuit": "the probe is not connected",
    "air": "air in the probe's cell",
    "stuck": "the probe is stuck",
    "temperature": "the probe's thermometer talks nonsense",
    "fouling": "the probe drifts, it is probably fouled",
    "check_overdue": "the probe should be checked",
}
ADVICE = {
    "breakthrough": "Look at seals and connections, then change the cartridge or membrane.",
    "exhausted": "Change the cartridge or membrane, then say `ouzel watch changed`.",
    "capacity": "Change it as its maker says, then say `ouzel watch changed`.",
    "ends_soon": "Have the next cartridge or membrane at hand.",
    "open_circuit": "Look at cable and plug. This says nothing about the water.",
    "air": "Let the tap run and tilt the cell: air leaves. This says nothing about the water.",
    "stuck": "Unplug the probe and plug it in again. This says nothing about the water.",
    "temperature": "Check the thermometer in a glass of water. Conductivities are wrong meanwhile.",
    "fouling": "Clean the probe, check it in a solution; until then nobody can judge the filter.",
    "check_overdue": "`ouzel check` with a conductivity solution.",
}


@dataclass(frozen=True, slots=True)
class WatchState:
    """How a watch stands."""

    watch: str
    changed_ms: int | None
    """When the last part was changed; None when nobody said."""
    draws: int
    settled: int
    litres: float | None
    """Since the change; None where neither flow nor use is known."""
    last: KeptDraw | None
    """The last draw whose performance can be trusted."""
    first_peak: float | None
    """Median of what the first water of a draw holds over its settled value, last week: a ratio."""
    standing: Standing
    forecast: Forecast
    alerts: tuple[Alert, ...]
    """Those that hold."""


def litres_of(draws: Iterable[KeptDraw], litres_a_day: float | None, days: float) -> float | None:
    """Give the litres drawn: measured, else as the house is said to draw."""
    measured = [one.draw.litres for one in draws if one.draw.litres is not None]
    if measured:
        return math.fsum(measured)
    return None if litres_a_day is None else litres_a_day * days


def days_of(draws: Sequence[KeptDraw], since_ms: int) -> list[Day]:
    """Give each day's median draw, the first days of a new cartridge left out."""
    found: dict[int, list[KeptDraw]] = {}
    litres, upto = 0.0, {}
    is_measured = any(one.draw.litres is not None for one in draws)
    for one in draws:
        day = (one.draw.started_ms - since_ms) // _DAY_MS
        litres += one.draw.litres or 0.0
        upto[day] = litres
        if one.margin is not None and day >= _RINSED:
            found.setdefault(day, []).append(one)
    return [
        Day(
            day + 0.5,
            max(upto[day], 0.001) if is_measured else day + 0.5,
            median(one.margin for one in said if one.margin is not None),
            median([one.draw.temp_c for one in said if one.draw.temp_c is not None] or [25.0]),
        )
        for day, said in sorted(found.items())
    ]


def state_of(
    watch: str,
    draws: Sequence[KeptDraw],
    standing: Standing,
    alerts: Sequence[Alert],
    *,
    changed_ms: int | None,
    litres_a_day: float | None = None,
) -> WatchState:
    """Put it together from the draws since the last change, oldest first."""
    since = changed_ms if changed_ms is not None else (draws[0].draw.started_ms if draws else 0)
    now = draws[-1].draw.ended_ms if draws else since
    trusted = [one for one in draws if one.passage is not None]
    peaks = [
        one.draw.peak / one.draw.value
        for one in trusted
        if one.draw.peak and one.draw.value and one.draw.started_ms > now - 7 * _DAY_MS
    ]
    hindering = [alert.kind for alert in alerts if alert.kind in {"breakthrough", "fouling"}]
    return WatchState(
        watch,
        changed_ms,
        len(draws),
        len(trusted),
        litres_of(draws, litres_a_day, (now - since) / _DAY_MS),
        trusted[-1] if trusted else None,
        median(peaks) if peaks else None,
        standing,
        Forecast(refusal=f"not while this holds: {TITLES[hindering[0]]}")
        if hindering
        else forecast(days_of(draws, since)),
        tuple(alerts),
    )


def paragraph(state: WatchState, draws: Sequence[KeptDraw]) -> str:
    """Say the last week in one paragraph."""
    week = [one for one in draws if one.draw.started_ms > draws[-1].draw.ended_ms - 7 * _DAY_MS]
    trusted = [one for one in week if one.passage is not None]
    said = [f"{state.watch}: {len(week)} draws this week, {len(trusted)} came to rest."]
    if trusted:
        passages = [one.passage for one in trusted if one.passage is not None]
        said.append(
            f"Rejection by conductivity {100 * (1 - median(passages)):.1f} % "
            f"(from {100 * (1 - max(passages)):.1f} to {100 * (1 - min(passages)):.1f} %)."
        )
    if state.first_peak is not None:
        said.append(f"The first water of a draw held {state.first_peak:.1f} times the settled.")
    said.append(_foretold(state.forecast))
    said += [f"{TITLES[alert.kind].capitalize()}. {ADVICE[alert.kind]}" for alert in state.alerts]
    said.append("This never shows that the water is safe to drink.")
    return " ".join(said)


def _foretold(said: Forecast) -> str:
    if said.days is None or said.low_days is None or said.high_days is None:
        return f"No forecast: {said.refusal}."
    return (
        f"The limit is {said.low_days:.0f} to {said.high_days:.0f} days away "
        f"(nine in ten; most likely {said.days:.0f})."
    )
