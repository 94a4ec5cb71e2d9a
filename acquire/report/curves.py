"""How each number of a capture came to rest: its readings, and what the settler made of them. Pure.

The readings of the immersion are taken from the store and put through the same settler again, so
that a picture shows what was decided on and not a likeness of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from acquire.bench.standing import Settles, Settling
from acquire.immersion import Immersion
from acquire.quantities import Tolerance
from acquire.readings import Capture, Channel, Reading

__all__ = ["LEAD_S", "LONGEST_S", "Bucket", "Curve", "Estimate", "curves_of", "window_ms"]

LEAD_S = 60.0
"""Readings before the immersion that show the follower the air it came from."""
LONGEST_S = 3600.0
"""No more of an immersion is drawn."""
_JITTER_S = 0.05
"""The store gives monotonic time back to 20 ms."""


@dataclass(frozen=True, slots=True)
class Bucket:
    """Readings of one stretch of time; seconds of immersion, the quantity's unit."""

    t_s: float
    mean: float
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class Estimate:
    """Where the settler expected the value to come to rest, at one moment."""

    t_s: float
    value: float
    expanded_u: float
    """95 %; finite."""
    is_settled: bool


@dataclass(frozen=True, slots=True)
class Curve:
    """One quantity of one immersion."""

    quantity: str
    buckets: tuple[Bucket, ...]
    """In order of time; empty when no readings are kept."""
    estimates: tuple[Estimate, ...]
    value: float
    """As the capture holds it."""
    half: float
    """Half-width of the tolerance band there."""
    taken_s: float | None
    """When the capture was taken; None of one that never settled."""
    settled_s: float | None
    """When the re-run first calls it settled for good; None when it does not."""
    end_s: float
    """When the probe left, or the last reading there is."""


def window_ms(capture: Capture) -> tuple[int, int]:
    """Give from when to before when (UTC ms) readings are wanted for `curves_of`."""
    begin = capture.started.at_ms
    return begin - round(LEAD_S * 1000), begin + round(LONGEST_S * 1000)


def curves_of(
    capture: Capture,
    readings: Iterable[Reading],
    channels: Mapping[str, Channel],
    make_settler: Callable[[Channel], Settles],
    tolerance: Callable[[str], Tolerance],
    *,
    most: int = 220,
) -> dict[str, Curve]:
    """Give by quantity how the capture's values came to rest, in at most `most` buckets each.

    `readings` are those of the meter in `window_ms`, in order of time; later ones may follow.
    Quantities whose value is no number, and those nobody described, are left out.
    """
    wanted = {
        name: channels[name]
        for name, value in capture.values.items()
        if name in channels and math.isfinite(value.value)
    }
    mine, restarts = _immersion(capture, readings, list(channels.values()))
    began_s = capture.started.t_s
    end_s = mine[-1].stamp.t_s - began_s if mine else 0.0
    taken_s = None
    if capture.state != "unsettled":
        taken_s = capture.taken.t_s - began_s
    found = {}
    for name, channel in wanted.items():
        said = [
            (reading.stamp.t_s - began_s, reading.values[name])
            for reading in mine
            if name in reading.values and name not in reading.flags
        ]
        estimates, settled_s = _settle(channel, mine, restarts, began_s, make_settler)
        value = capture.values[name].value
        found[name] = Curve(
            name,
            tuple(_buckets(said, most)),
            tuple(_thinned(estimates, most)),
            value,
            tolerance(name).at(value),
            taken_s,
            settled_s,
            end_s,
        )
    return found


def _immersion(
    capture: Capture, readings: Iterable[Reading], channels: Sequence[Channel]
) -> tuple[list[Reading], list[float]]:
    """Give the readings of this immersion alone, and when its settlers had to begin anew.

    Where the follower does not see the probe leave, the readings end with the window.
    """
    follower = Immersion(channels)
    begin_s, end_s = capture.started.t_s - _JITTER_S, math.inf
    mine: list[Reading] = []
    restarts: list[float] = []
    number: int | None = None
    for reading in readings:
        t_s = reading.stamp.t_s
        place = follower.update(t_s, reading.values, reading.flags)
        if t_s < begin_s:
            continue
        if t_s - begin_s > LONGEST_S:
            break
        mine.append(reading)
        is_wet = place.medium != "air" and place.number > 0
        if number is None:
            # Which water it is in may be certain only later; the capture says since when.
            number = place.number if is_wet and place.since_s >= begin_s - 1.0 else None
        elif not is_wet or place.number != number:
            end_s = place.since_s
            break
        if place.disturbed:
            restarts.append(t_s)
    return [reading for reading in mine if reading.stamp.t_s < end_s], restarts


def _settle(
    channel: Channel,
    readings: Iterable[Reading],
    restarts: Sequence[float],
    began_s: float,
    make_settler: Callable[[Channel], Settles],
) -> tuple[list[Estimate], float | None]:
    """Put one quantity through its settler again, as the bench does."""
    settler, quantity = make_settler(channel), channel.quantity
    ahead = list(reversed(restarts))
    estimates: list[Estimate] = []
    settled_s: float | None = None
    for reading in readings:
        t_s = reading.stamp.t_s
        if ahead and t_s >= ahead[-1]:
            ahead.pop()
            settler = make_settler(channel)
        if quantity not in reading.values or quantity in reading.flags:
            continue
        temperature = reading.values.get("temperature")
        if "temperature" in reading.flags:
            temperature = None
        now: Settling = settler.update(t_s, reading.values[quantity], temperature)
        is_settled = now.phase == "settled"
        settled_s = None if not is_settled else t_s - began_s if settled_s is None else settled_s
        if math.isfinite(now.value) and math.isfinite(now.expanded_u):
            estimates.append(Estimate(t_s - began_s, now.value, now.expanded_u, is_settled))
    return estimates, settled_s


def _buckets(said: Sequence[tuple[float, float]], most: int) -> Iterable[Bucket]:
    """Thin to at most `most` stretches of one width; what jumps out stays to be seen."""
    if not said:
        return
    begin_s, end_s = said[0][0], said[-1][0]
    width_s = max((end_s - begin_s) / most, 1e-9)
    held: dict[int, list[tuple[float, float]]] = {}
    for t_s, value in said:
        held.setdefault(min(most - 1, int((t_s - begin_s) / width_s)), []).append((t_s, value))
    for some in held.values():
        values = [value for _, value in some]
        yield Bucket(
            math.fsum(t for t, _ in some) / len(some),
            math.fsum(values) / len(values),
            min(values),
            max(values),
        )


def _thinned(estimates: Sequence[Estimate], most: int) -> Iterable[Estimate]:
    step = max(1, math.ceil(len(estimates) / most))
    yield from estimates[::step]
    if estimates and (len(estimates) - 1) % step:
        yield estimates[-1]
