"""Simulated years of filters under a sink, for scoring the watch; seeded, and nobody's data.

Made apart from `simulators/` and from `acquire.watch`: no law, constant or threshold is shared
with what is being scored. A year is two cartridges of half a year, each with a fate of its own.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

FATES = (
    "breakthrough",
    "exhaustion",
    "stuck",
    "exhaustion",
    "breakthrough",
    "air",
    "exhaustion",
    "fouling",
    "breakthrough",
    "healthy",
    "open",
    "exhaustion",
    "temperature",
    "breakthrough",
    "exhaustion",
    "fouling",
)
LIFE_DAYS = 182
START_MS = 1_790_000_000_000


@dataclass
class Said:
    """What the meters say at one instant."""

    t_s: float
    ec25: float | None
    temp_c: float | None
    flow: float | None
    feed: float | None


@dataclass
class Life:
    """One cartridge: what is true of it."""

    number: int
    fate: str
    first_day: float
    limit_passage: float
    event_day: float
    """Day of the breakthrough, of the crossing, or on which a fault begins."""
    fault_until: float
    margin: Callable[[float, float], float]
    """Noise-free logarithm over the limit at a day, at a temperature."""


@dataclass
class Tap:
    """One simulated draw with the readings around it."""

    day: float
    length_s: float
    readings: list[Said]


class Year:
    """One installation for a year."""

    def __init__(self, seed: int) -> None:
        self.chance = chance = random.Random(f"filters {seed}")
        self.seed = seed
        self.has_flow = seed % 2 == 0
        self.has_feed_probe = seed % 3 != 0
        self.resolution = chance.choice([0.1, 1.0])
        self.amplitude = chance.uniform(3.0, 7.0)
        self.phase = chance.uniform(0, 365)
        self.beta = chance.uniform(0.0, 0.025)
        self.pace = chance.uniform(4.0, 8.0)
        self.feed0 = chance.uniform(250, 700)
        self.feed_phase = chance.uniform(0, 365)
        self.draw_noise = chance.uniform(0.015, 0.05)
        starts = [chance.uniform(20, 150), chance.uniform(200, 330)]
        self.holidays = [(day, day + chance.uniform(6, 17)) for day in starts]
        self.air_temp = 0.0
        self.lives = [
            self._life(n, FATES[(2 * seed + n) % len(FATES)], n * LIFE_DAYS) for n in (0, 1)
        ]

    def temperature(self, day: float) -> float:
        return 13.0 + self.amplitude * math.sin(2 * math.pi * (day - self.phase) / 365)

    def feed(self, day: float) -> float:
        season = 0.08 * math.sin(2 * math.pi * (day - self.feed_phase) / 365)
        return self.feed0 * (1 + season + 0.02 * math.sin(day / 3.1))

    def _life(self, number: int, fate: str, first: float) -> Life:
        chance = self.chance
        p0 = math.exp(chance.uniform(math.log(0.03), math.log(0.12)))
        over = chance.uniform(1.6, 3.0)
        end = chance.uniform(0.45, 0.93) * LIFE_DAYS
        event = chance.uniform(16, LIFE_DAYS - 6)
        while any(a - 1 < first + event < b + 1 for a, b in self.holidays):
            event = chance.uniform(16, LIFE_DAYS - 6)
        if fate == "exhaustion":
            growth = self._law(over, end)
            event = end
        else:
            share = chance.uniform(0.0, 0.2)

            def growth(day: float) -> float:
                return 1.0 + share * day / LIFE_DAYS

            over = max(over, 1.9)  # the season alone must not reach the limit
        jump = chance.uniform(2.0, 2.6) if fate == "breakthrough" else 1.0

        def margin(day: float, temp_c: float) -> float:
            since = day - first
            factor = growth(since) * (jump if since >= event else 1.0)
            return math.log(factor / over) + self.beta * (temp_c - 13.0)

        limit = p0 * over
        lasts = first + LIFE_DAYS
        until = lasts if fate == "fouling" else min(lasts, first + event + chance.uniform(4, 20))
        return Life(number, fate, first, limit, first + event, until, margin)

    def _law(self, over: float, end: float) -> Callable[[float], float]:
        """Growth of the passage with time, that crosses `over` at `end`: four unlike laws."""
        chance = self.chance
        kind = chance.choice(["exponential", "linear", "front", "power"])
        if kind == "exponential":
            return lambda day: over ** (day / end)
        if kind == "linear":
            return lambda day: 1 + (over - 1) * day / end
        if kind == "power":
            p = chance.uniform(1.3, 3.0)
            return lambda day: 1 + (over - 1) * (day / end) ** p
        width = chance.uniform(0.12, 0.3) * end  # a front: slow, then faster, then levels off
        top = (over - 1) * chance.uniform(1.6, 4.0)
        middle = end + width * math.log(top / (over - 1) - 1)
        base = 1 / (1 + math.exp(middle / width))
        return lambda day: 1 + top * (1 / (1 + math.exp((middle - day) / width)) - base)

    def life_at(self, day: float) -> Life:
        return self.lives[min(1, int(day // LIFE_DAYS))]

    def taps(self) -> Iterator[Tap]:
        """Every draw of the year, in order."""
        chance = self.chance
        day, last, weather = 0.02, -0.5, 0.0
        frozen: dict[int, tuple[float, float]] = {}
        while True:
            day += min(chance.expovariate(self.pace), 1.5)
            hour = (day % 1) * 24
            if hour < 6:  # the house sleeps
                day += (6.2 - hour) / 24
            for first, until in self.holidays:
                if first <= day < until:
                    day = until + chance.uniform(0.2, 0.5)
            if day >= 2 * LIFE_DAYS:
                return
            weather = 0.8 * weather + chance.gauss(0, 0.4)
            yield self._tap(day, day - last, weather, frozen)
            last = day

    def _tap(
        self, day: float, stood: float, weather: float, frozen: dict[int, tuple[float, float]]
    ) -> Tap:
        chance = self.chance
        life = self.life_at(day)
        temp = self.temperature(day) + weather
        room = 20.0 + chance.gauss(0, 1)
        feed = self.feed(day) * math.exp(chance.gauss(0, 0.004))
        passage = life.limit_passage * math.exp(life.margin(day, temp))
        settled = feed * passage * math.exp(chance.gauss(0, self.draw_noise))
        stale = 1 - math.exp(-stood * 24 / 4)
        peak = stale * chance.uniform(0.3, 1.6) * (1 + 0.15 * stood)
        tau = chance.uniform(5, 13)
        length = chance.uniform(8, 24) if chance.random() < 0.15 else chance.uniform(50, 240)
        litres_min = chance.uniform(0.9, 1.8)
        start = day * 86_400
        before = 0.0 if self.has_flow else 60.0
        readings = []
        t = -before
        # A household's feed probe, or the value of the last monthly round.
        shown_feed = feed if self.has_feed_probe else self.feed(30 * (day // 30))
        shown_feed *= math.exp(chance.gauss(0, 0.005))
        is_in = life.event_day <= day < life.fault_until
        faulty = is_in and life.fate in {"stuck", "air", "open", "fouling", "temperature"}
        airy = faulty and life.fate == "air" and chance.random() < 0.75
        gain = chance.uniform(0.12, 0.6)
        while t < length + 12:
            runs = 0 <= t < length
            since = max(t, 0.0)
            ec = settled * (1 + peak * math.exp(-since / tau))
            warm = temp + (room - temp) * stale * math.exp(-since / 18)
            if not runs and t < 0:
                ec = settled * (1 + 0.7 * peak)
            shown_temp = warm + chance.gauss(0, 0.03)
            ec *= math.exp(chance.gauss(0, 0.004))
            said: float | None = ec
            if faulty:
                said, shown_temp = self._spoilt(life, day, ec, warm, shown_temp, airy, gain, frozen)
            if said is not None:
                said = round(said / self.resolution) * self.resolution
            readings.append(
                Said(
                    start + t,
                    said,
                    round(shown_temp, 1),
                    (litres_min if runs else 0.0) if self.has_flow else None,
                    round(shown_feed),
                )
            )
            t += 5.0 if runs or t < 0 else 4.0
        return Tap(day, length, readings)

    def _spoilt(
        self,
        life: Life,
        day: float,
        ec: float,
        warm: float,
        shown_temp: float,
        airy: bool,
        gain: float,
        frozen: dict[int, tuple[float, float]],
    ) -> tuple[float | None, float]:
        """What a probe with that fault says instead of EC25 and temperature."""
        style = life.number + self.seed
        if life.fate == "stuck":
            frozen.setdefault(life.number, (ec, shown_temp))
            return frozen[life.number][0], shown_temp
        if life.fate == "air":
            if not airy:
                return ec, shown_temp
            return max(0.0, ec * gain * (1 + self.chance.gauss(0, 0.3))), shown_temp
        if life.fate == "open":
            return (None if style % 2 else 0.0), shown_temp
        if life.fate == "fouling":
            rate = (0.004, 0.007, 0.011)[style % 3]
            return ec * math.exp(-rate * (day - life.event_day)), shown_temp
        wrong = (-40.0, 85.0, warm + 18, warm - 11)[style % 4]
        raw = ec * (1 + 0.02 * (warm - 25))
        return max(0.0, raw / max(0.05, 1 + 0.02 * (wrong - 25))), wrong
