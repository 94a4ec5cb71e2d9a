"""Scenarios of a probe in a hand, scored: which immersions were missed, which were never there.

python tests/benchmarks/immersion/score.py [--seeds 200] [--first 10000]
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from handling import Leg, Meter, Trip, Water, air, swim, take_trip

from acquire.immersion import Immersion, Place

__all__ = ["SCENARIOS", "Score", "follow", "score"]

Scenario = Callable[[random.Random], tuple[list[Leg], Meter]]
SCENARIOS: dict[str, Scenario] = {}


def _scenario(make: Scenario) -> Scenario:
    SCENARIOS[make.__name__.strip("_")] = make
    return make


def _tap(rng: random.Random) -> Water:
    return Water(
        rng.uniform(120, 900), rng.uniform(6.8, 8.4), rng.uniform(150, 700), rng.uniform(8, 26)
    )


def _pure(rng: random.Random, low: float = 1.0, high: float = 30.0) -> Water:
    return Water(
        rng.uniform(low, high), rng.uniform(5.5, 7.0), rng.uniform(150, 400), rng.uniform(17, 25)
    )


def _standard(rng: random.Random) -> Water:
    return Water(
        rng.choice((84.0, 1413.0, 12880.0)),
        rng.choice((4.01, 6.86, 7.0, 9.18)),
        rng.choice((220.0, 250.0)),
        rng.uniform(19, 24),
    )


def _other(rng: random.Random, water: Water) -> Water:
    """Another water of nearly the same conductivity; pH, ORP and warmth tell it apart."""
    return Water(
        water.ec * rng.uniform(0.9, 1.1),
        water.ph + rng.choice((-1, 1)) * rng.uniform(0.3, 1.2),
        water.orp + rng.choice((-1, 1)) * rng.uniform(25, 150),
        water.c + rng.choice((-1, 1)) * rng.uniform(0.8, 6),
    )


def _round(rng: random.Random) -> list[Leg]:
    def pause() -> Leg:
        return air(rng.uniform(8, 30))

    return [
        air(rng.uniform(10, 40)),
        swim(rng.uniform(60, 150), _standard(rng)),
        pause(),
        swim(rng.uniform(10, 25), _tap(rng)),
        pause(),
        swim(rng.uniform(90, 240), _pure(rng, 3)),
        pause(),
        swim(rng.uniform(90, 180), _tap(rng)),
        air(rng.uniform(15, 40)),
    ]


@_scenario
def round_full(rng):
    return _round(rng), Meter()


@_scenario
def round_tds_only_ionic(rng):
    return _round(rng), Meter(("ph", "tds", "temperature"))


@_scenario
def round_conductivity_temperature(rng):
    return _round(rng), Meter(("conductivity", "temperature"))


@_scenario
def round_electrodes_still_in_air(rng):
    return _round(rng), Meter(floats=False)


@_scenario
def without_conductivity(rng):
    legs = [air(rng.uniform(15, 40))]
    for _ in range(3):
        legs += [swim(rng.uniform(60, 180), _tap(rng)), air(rng.uniform(15, 40))]
    return legs, Meter(("ph", "orp", "temperature"))


@_scenario
def ph_and_temperature(rng):
    return without_conductivity(rng)[0], Meter(("ph", "temperature"))


@_scenario
def distilled_1_to_5(rng):
    legs = [air(rng.uniform(15, 40))]
    for _ in range(3):
        legs += [swim(rng.uniform(90, 200), _pure(rng, 1.2, 5)), air(rng.uniform(20, 60))]
    return legs, Meter()


@_scenario
def flicker_0_1(rng):
    legs = [air(rng.uniform(15, 40))]
    for _ in range(2):
        pure = _pure(rng, 0.6, 1.0)
        legs += [swim(rng.uniform(120, 240), pure), air(rng.uniform(40, 80))]
    return legs, Meter()


@_scenario
def tap_then_distilled(rng):
    return [
        air(15),
        swim(90, _tap(rng)),
        air(rng.uniform(4, 20)),
        swim(rng.uniform(120, 240), _pure(rng, 1.5, 8)),
        air(rng.uniform(20, 60)),
        swim(90, _tap(rng)),
        air(20),
    ], Meter()


def _different(rng: random.Random, waters: list[Water]) -> Water:
    """A water that differs from the last one: the same again cannot be told from one stay."""
    while True:
        water = rng.choice((_tap, _standard))(rng)
        if not waters or abs(water.ec / waters[-1].ec - 1.0) > 0.15:
            waters.append(water)
            return water


def _blanking(rng, how):
    legs, waters = [air(rng.uniform(15, 40))], []
    for _ in range(3):
        legs += [swim(rng.uniform(60, 150), _different(rng, waters)), air(rng.uniform(8, 40))]
    return legs, Meter(in_air=how)


@_scenario
def meter_blanks(rng):
    return _blanking(rng, "blank")


@_scenario
def meter_blanks_but_temperature(rng):
    return _blanking(rng, "blank but warm")


@_scenario
def meter_holds(rng):
    legs, meter = _blanking(rng, "hold")
    return legs[1:], meter


@_scenario
def meter_silent(rng):
    return _blanking(rng, "silent")


@_scenario
def swung_similar(rng):
    legs, water = [air(20)], _tap(rng)
    for _ in range(3):
        legs += [swim(rng.uniform(60, 150), water), air(rng.uniform(0.3, 3.0))]
        water = _other(rng, water)
    return [*legs[:-1], air(20)], Meter()


@_scenario
def swung_similar_fast_stream(rng):
    return swung_similar(rng)[0], Meter(period=lambda r: r.uniform(0.1, 0.4), grid_s=0.1)


@_scenario
def swung_similar_without_conductivity(rng):
    return swung_similar(rng)[0], Meter(("ph", "orp", "temperature"))


@_scenario
def swung_different(rng):
    legs, waters = [air(20)], []
    for _ in range(3):
        legs += [swim(rng.uniform(40, 120), _different(rng, waters)), air(rng.uniform(0.3, 3.0))]
    return [*legs[:-1], air(20)], Meter()


@_scenario
def settles_slowly(rng):
    water = rng.choice((_tap, _pure))(rng)
    return [
        air(20),
        swim(600, water, drift_ph=rng.uniform(-0.03, 0.03), warm=rng.uniform(-0.4, 0.4)),
        air(20),
    ], Meter()


@_scenario
def settles_slowly_without_conductivity(rng):
    return settles_slowly(rng)[0], Meter(("ph", "orp", "temperature"))


@_scenario
def stirred(rng):
    water = rng.choice((_tap, _pure))(rng)
    return [
        air(20),
        swim(120, water, stir=(rng.uniform(20, 80), rng.uniform(3, 30), rng.uniform(0.5, 1.2))),
        swim(
            120,
            water,
            again=True,
            stir=(rng.uniform(20, 80), rng.uniform(3, 30), rng.uniform(0.5, 1.2)),
        ),
        air(20),
    ], Meter()


@_scenario
def stirred_without_conductivity(rng):
    return stirred(rng)[0], Meter(("ph", "orp", "temperature"))


@_scenario
def tap_then_through_carbon(rng):
    """Only ORP tells them apart, and the moment in air."""
    tap = _tap(rng)
    tap = Water(tap.ec, tap.ph, rng.uniform(450, 700), tap.c)
    after = Water(
        tap.ec * rng.uniform(0.95, 1.0),
        tap.ph + rng.uniform(-0.1, 0.1),
        rng.uniform(180, 300),
        tap.c + rng.uniform(-0.3, 0.3),
    )
    pause = air(rng.uniform(0.8, 4.0))
    return [air(20), swim(rng.uniform(90, 200), tap), pause, swim(120, after), air(20)], Meter()


@_scenario
def bubble(rng):
    return [
        air(20),
        swim(
            300,
            _tap(rng),
            bubble=(rng.uniform(15, 100), rng.uniform(2, 120), rng.uniform(0.03, 0.3)),
        ),
        air(20),
    ], Meter()


@_scenario
def spikes(rng):
    return _round(rng), Meter(spikes=0.01)


@_scenario
def spikes_without_conductivity(rng):
    return without_conductivity(rng)[0], Meter(("ph", "orp", "temperature"), spikes=0.01)


@_scenario
def brief_lift(rng):
    water = _tap(rng)
    return [
        air(20),
        swim(rng.uniform(30, 90), water),
        air(rng.uniform(1, 3.5)),
        swim(90, water, again=True),
        air(20),
    ], Meter()


@_scenario
def dipped_twice(rng):
    water = _tap(rng)
    return [
        air(20),
        swim(rng.uniform(30, 90), water),
        air(rng.uniform(10, 25)),
        swim(90, water),
        air(20),
    ], Meter()


@_scenario
def film_dries(rng):
    return [air(20), swim(60, _standard(rng)), air(rng.uniform(120, 240))], Meter()


@_scenario
def range_changes(rng):
    near = Water(rng.uniform(1960, 2040), 7.0, 250, 21)
    return [
        air(20),
        swim(240, near, warm=rng.uniform(-1, 1)),
        air(15),
        swim(120, Water(30000, 7, 250, 21)),
        air(15),
        swim(90, near),
        air(20),
    ], Meter(top=20000.0)


@_scenario
def slow_stream(rng):
    legs = [air(120)]
    for _ in range(3):
        legs += [
            swim(rng.uniform(200, 400), rng.choice((_tap, _standard))(rng)),
            air(rng.uniform(60, 120)),
        ]
    return legs, Meter(period=lambda r: r.uniform(15, 22))


@_scenario
def fast_stream(rng):
    return _round(rng), Meter(period=lambda r: 0.1, grid_s=0.1)


@_scenario
def ragged_stream(rng):
    return _round(rng), Meter(
        period=lambda r: r.choice((0.2, 0.5, 1.0, 2.0, 4.0)), drops=0.1, doubles=0.05
    )


@_scenario
def gap_in_water(rng):
    return [
        air(20),
        swim(240, _tap(rng), mute=(rng.uniform(60, 120), rng.uniform(12, 60))),
        air(20),
    ], Meter()


@_scenario
def temperature_only(rng):
    a = Water(300, 7, 250, rng.uniform(8, 14))
    b = Water(300, 7, 250, rng.uniform(22, 28))
    return [swim(120, a), swim(120, b), swim(120, a)], Meter(("temperature",))


def follow(trip: Trip) -> list[tuple[float, Place]]:
    """Give every changed or disturbed place with the time it was said at."""
    follower = Immersion(trip.channels)
    said = []
    for t, values, flags in trip.samples:
        place = follower.update(t, values, flags)
        if place.changed or place.disturbed:
            said.append((t, place))
    return said


@dataclass
class Score:
    trips: int = 0
    wrong_trips: list[int] = field(default_factory=list)
    immersions: int = 0
    missed: int = 0
    extra: int = 0
    still_wet: int = 0
    """Stays in air of at least 12 s that were never called air, where the meter can tell."""
    airs: int = 0
    disturbed: int = 0
    since: list[float] = field(default_factory=list)
    late: list[float] = field(default_factory=list)


def score(name: str, seeds: range) -> Score:
    """Count over the seeds; an immersion is found once, before it ends."""
    result = Score()
    for seed in seeds:
        rng = random.Random(f"{name} {seed}")
        trip = take_trip(rng, *SCENARIOS[name](rng))
        said = follow(trip)
        entered = [(t, p) for t, p in said if p.changed and p.medium != "air"]
        left = [p.since_s for _, p in said if p.changed and p.medium == "air"]
        missed = 0
        used = 0
        for start, end in trip.immersions:
            found = [(t, p) for t, p in entered if start - 5.0 <= p.since_s < end and t < end + 3.0]
            used += bool(found)
            missed += not found
            if found:
                result.since.append(found[0][1].since_s - start)
                result.late.append(found[0][0] - start)
        extra = len(entered) - used
        result.disturbed += sum(p.disturbed for _, p in said)
        for start, end in trip.airs:
            if end - start >= 12.0 and start > trip.immersions[0][0]:
                result.airs += 1
                result.still_wet += not any(start - 5.0 <= x <= end for x in left)
        result.trips += 1
        result.immersions += len(trip.immersions)
        result.missed += missed
        result.extra += extra
        if missed or extra:
            result.wrong_trips.append(seed)
    return result


def _at(values: list[float], part: float) -> float:
    return sorted(values)[min(len(values) - 1, int(part * len(values)))] if values else float("nan")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("names", nargs="*")
    asked = parser.parse_args()
    print(
        f"{'scenario':36} trips immers. missed extra  wet-in-air disturbed  since: p5 p50 p95 s   said after: p50 p95 s"
    )
    for name in asked.names or SCENARIOS:
        s = score(name, range(asked.first, asked.first + asked.seeds))
        print(
            f"{name:36} {s.trips:5} {s.immersions:6} {s.missed:6} {s.extra:5}  {s.still_wet:4}/{s.airs:<5} {s.disturbed:6}      "
            f"{_at(s.since, 0.05):7.1f}{_at(s.since, 0.5):6.1f}{_at(s.since, 0.95):6.1f}       "
            f"{_at(s.late, 0.5):8.1f}{_at(s.late, 0.95):6.1f}   {s.wrong_trips[:6]}",
            flush=True,
        )


if __name__ == "__main__":
    main()
