"""A probe in a hand: seeded trips through air and waters, with the truth beside the readings.

Independent of the product's simulator: own response models on a grid of 0.1 or 0.2 s, own faults. The
constants are judgement, wide on purpose: conductivity exchanges within a second with a tail of
seconds, a thermometer takes 5 to 10 s (open data of sheathed thermometers: 6 to 9 s), a glass
electrode seconds with a tail of a minute and more in pure water, a lifted probe keeps a film.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field

from acquire.readings import Channel, Flag

__all__ = ["FULL", "Leg", "Meter", "Sample", "Trip", "Water", "air", "swim", "take_trip"]

Sample = tuple[float, dict[str, float], dict[str, Flag]]

_RESOLUTION = {"ph": 0.01, "orp": 1.0, "conductivity": 1.0, "tds": 1.0, "temperature": 0.1}
FULL = ("ph", "orp", "conductivity", "temperature")


@dataclass(frozen=True, slots=True)
class Water:
    ec: float
    ph: float
    orp: float
    c: float


@dataclass(frozen=True, slots=True)
class Leg:
    """Part of a trip: in a water, or in air when `water` is None."""

    seconds: float
    water: Water | None
    again: bool = False
    """The same immersion as the water before the lift that came before."""
    bubble: tuple[float, float, float] | None = None
    """From, for how long, which part of the conductivity it takes."""
    stir: tuple[float, float, float] | None = None
    """From, for how long, how strong (1 is a strong stir)."""
    warm: float = 0.0
    """°C a minute that the water changes by."""
    mute: tuple[float, float] | None = None
    """From, for how long, the meter says nothing at all."""
    drift_ph: float = 0.0
    """pH a minute the water itself goes (carbon dioxide taken up)."""


def air(seconds: float) -> Leg:
    return Leg(seconds, None)


def swim(seconds: float, water: Water, **more: object) -> Leg:
    return Leg(seconds, water, **more)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Meter:
    quantities: tuple[str, ...] = FULL
    period: Callable[[random.Random], float] = lambda _rng: 1.0
    in_air: str = "live"
    """live, blank, blank but for the temperature, hold, silent."""
    spikes: float = 0.0
    """Chance that a value of a reading is a spike."""
    drops: float = 0.0
    """Chance that a reading is lost."""
    doubles: float = 0.0
    """Chance that a reading comes twice, or late."""
    room: float | None = None
    floats: bool = True
    """The electrodes wander in air; otherwise the film holds them."""
    grid_s: float = 0.2
    """Step of the simulation."""
    top: float = math.inf
    """µS/cm from which the display shows over range."""


@dataclass(slots=True)
class Trip:
    channels: list[Channel]
    samples: list[Sample] = field(default_factory=list)
    immersions: list[tuple[float, float]] = field(default_factory=list)
    """Start and end of each true immersion."""
    airs: list[tuple[float, float]] = field(default_factory=list)


class _Noise:
    """Coloured, now and then large."""

    def __init__(self, rng: random.Random, sd: float, grid: float) -> None:
        self.rng, self.sd, self.value = rng, sd, 0.0
        self.keep = math.exp(-grid / rng.uniform(0.3, 2.0))

    def step(self) -> float:
        kick = self.rng.gauss(0.0, self.sd) * (3.0 if self.rng.random() < 0.02 else 1.0)
        self.value = self.keep * self.value + math.sqrt(1.0 - self.keep**2) * kick
        return self.value


class _Electrode:
    """Two time constants in water; in air first held by the film, then adrift."""

    def __init__(self, rng, grid, start, sd, fast, slow, share, walk, floats):
        self.rng, self.grid = rng, grid
        self.fast = self.slow = start
        self.noise = _Noise(rng, sd, grid)
        self.tau, self.tail, self.share = fast, slow, share
        self.walk, self.floats = walk, floats
        self.held_s = 0.0
        self.adrift = 0.0
        self.pull = 0.0

    def water(self, target: float, sluggish: float) -> float:
        self.adrift = 0.0
        self.held_s = self.rng.uniform(0.3, 5.0)
        self.pull = self.rng.gauss(0.0, 1.0)
        self.fast += (target - self.fast) * self.grid / (self.tau * sluggish)
        self.slow += (target - self.slow) * self.grid / (self.tail * sluggish)
        return (1.0 - self.share) * self.fast + self.share * self.slow + self.noise.step()

    def air(self) -> float:
        self.held_s -= self.grid
        if self.held_s > 0.0 or not self.floats:
            self.adrift += self.pull * self.walk * 0.03 * self.grid
        else:
            self.adrift += self.rng.gauss(0.0, self.walk * math.sqrt(self.grid))
            self.adrift -= self.adrift * self.grid / 30.0
        now = (1.0 - self.share) * self.fast + self.share * self.slow + self.adrift
        self.fast += (now - self.fast) * self.grid / 3.0 if self.floats else 0.0
        return now + self.noise.step()


def take_trip(rng: random.Random, legs: list[Leg], meter: Meter) -> Trip:
    """Let a probe of random traits go through the legs; give readings and truth."""
    channels = [Channel(q, _RESOLUTION[q]) for q in meter.quantities]
    trip = Trip(channels)
    room = rng.uniform(18.0, 25.0) if meter.room is None else meter.room
    grid = meter.grid_s
    ph = _Electrode(
        rng,
        grid,
        rng.uniform(6, 8),
        rng.uniform(0.002, 0.01),
        rng.uniform(2, 8),
        rng.uniform(20, 80),
        rng.uniform(0.05, 0.3),
        rng.uniform(0.08, 0.4),
        meter.floats,
    )
    orp = _Electrode(
        rng,
        grid,
        rng.uniform(150, 300),
        rng.uniform(0.2, 1.0),
        rng.uniform(2, 10),
        rng.uniform(40, 200),
        rng.uniform(0.1, 0.4),
        rng.uniform(5, 25),
        meter.floats,
    )
    thermo, thermo_tau = room, rng.uniform(5.0, 10.0)
    thermo_noise, ec_noise = (
        _Noise(rng, rng.uniform(0.01, 0.04), grid),
        _Noise(rng, rng.uniform(5e-4, 2e-3), grid),
    )
    cell = rng.uniform(0.3, 1.2)
    holdup, holdup_tau = rng.uniform(0.01, 0.08), rng.uniform(4.0, 20.0)
    ec_fast = ec_slow = 0.0
    film, film_tau = 0.0, rng.uniform(8.0, 60.0)
    average = rng.uniform(0.5, 3.0)
    shown = {"ph": ph.fast, "orp": orp.fast, "conductivity": 0.0, "temperature": thermo}
    held: dict[str, float] = {}
    t0 = rng.uniform(0.0, 1e5)
    t = 0.0
    next_t = rng.uniform(0.0, 1.0)
    for leg in legs:
        start, water = t, leg.water
        if water is None:
            trip.airs.append((t0 + t, t0 + t + leg.seconds))
            film = ec_fast * rng.uniform(0.002, 0.04)
            wet_room = room - rng.uniform(0.0, 2.0)
            air_tau = rng.uniform(30.0, 90.0)
        elif leg.again and trip.immersions:
            trip.immersions[-1] = (trip.immersions[-1][0], t0 + t + leg.seconds)
        else:
            trip.immersions.append((t0 + t, t0 + t + leg.seconds))
        while t < start + leg.seconds:
            t += grid
            inside = t - start
            if water is None:
                if rng.random() < 0.1 * grid:
                    film *= rng.uniform(0.5, 0.95)  # a drop falls
                film -= film * grid / film_tau
                ec_fast += (film - ec_fast) * grid / 0.5
                ec_slow = ec_fast
                ec = ec_fast if film > 0.3 else 0.0
                thermo += (wet_room - thermo) * grid / air_tau
                now_ph, now_orp = ph.air(), orp.air()
            else:
                here_c = water.c + leg.warm * inside / 60.0
                sluggish = 3.0 if water.ec < 50 else 1.0
                ec_fast += (water.ec - ec_fast) * grid / cell
                ec_slow += (water.ec - ec_slow) * grid / holdup_tau
                ec = ((1.0 - holdup) * ec_fast + holdup * ec_slow) * (1.0 + ec_noise.step())
                ec *= 1.0 + 0.02 * (here_c - thermo)
                thermo += (here_c - thermo) * grid / thermo_tau
                target_ph = water.ph + leg.drift_ph * inside / 60.0
                target_orp = water.orp
                if leg.bubble and leg.bubble[0] <= inside < leg.bubble[0] + leg.bubble[1]:
                    ec *= 1.0 - leg.bubble[2]
                if leg.stir and leg.stir[0] <= inside < leg.stir[0] + leg.stir[1]:
                    strong = leg.stir[2]
                    target_ph += (
                        strong * (0.08 if water.ec < 50 else 0.04) * (1 + math.sin(7 * inside))
                    )
                    target_orp -= strong * 4.0
                    thermo += strong * rng.gauss(0.0, 0.03)
                    ec *= 1.0 + strong * rng.gauss(0.0, 0.004)
                now_ph, now_orp = ph.water(target_ph, sluggish), orp.water(target_orp, sluggish)
            share = grid / (average + grid)
            for name, now in (("ph", now_ph), ("orp", now_orp), ("conductivity", ec)):
                shown[name] += (now - shown[name]) * share
            if water is None and film <= 0.3 and shown["conductivity"] < 0.5:
                shown["conductivity"] = 0.0
            shown["temperature"] = thermo + thermo_noise.step()
            if t < next_t:
                continue
            next_t = t + meter.period(rng)
            if rng.random() < meter.drops:
                continue
            if leg.mute and leg.mute[0] <= inside < leg.mute[0] + leg.mute[1]:
                continue
            _read(rng, trip, t0 + t, shown, held, meter, wet=water is not None)
    return trip


def _read(rng, trip, t, shown, held, meter, *, wet):
    values: dict[str, float] = {}
    flags: dict[str, Flag] = {}
    for name in meter.quantities:
        source = "conductivity" if name == "tds" else name
        x = shown[source] * (0.5 if name == "tds" else 1.0)
        if rng.random() < meter.spikes:
            x += rng.choice((-1, 1)) * {"ph": 1.0, "orp": 80.0, "temperature": 4.0}.get(name, 300.0)
        step = _RESOLUTION[name]
        if name in {"conductivity", "tds"}:
            x = max(x, 0.0)
            step = 10.0 if x >= 2000.0 else step
            if x > meter.top:
                flags[name] = Flag.OVER_RANGE
                continue
        values[name] = round(round(x / step) * step, 4)
    if not wet and meter.in_air != "live":
        if meter.in_air == "silent":
            return
        if meter.in_air == "hold" and held:
            values = dict(held)
        if meter.in_air == "blank":
            values = {}
        if meter.in_air == "blank but warm":
            values = {k: v for k, v in values.items() if k == "temperature"}
        flags = {}
    else:
        held.clear()
        held.update(values)
    trip.samples.append((t, values, flags))
    if rng.random() < meter.doubles:
        trip.samples.append((t, values, flags))
    if rng.random() < meter.doubles:
        trip.samples.append(
            (t - rng.uniform(0.0, 3.0), {k: v * 0.5 for k, v in values.items()}, {})
        )
