"""Judge a settling rule on real recordings: a bath, conductivity probes, and replayed real noise.

The recordings and their licences: tests/data/open. No truth is given with them. For conductivity,
the median of the last third of a standard's stretch stands for it. For the bath, a record is false
when within the next five minutes the bath's own one-minute median leaves the tolerance. Real noise
of a pH electrode is replayed on response curves of which the end is known.
"""

from __future__ import annotations

import csv
import random
from collections.abc import Iterator
from math import exp, inf
from pathlib import Path
from statistics import median

from immersions import Channel, Immersion

__all__ = ["baths", "conductivity_steps", "replayed_noise"]

_OPEN = Path(__file__).parents[2] / "data" / "open"
_MV_PER_PH = 59.16
"""Slope of an ideal electrode at 25 °C, ln 10 R T / F."""


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def conductivity_steps() -> Iterator[Immersion]:
    """Give every stretch in a standard as one immersion, about 20 s a reading."""
    number = 0
    for path in sorted((_OPEN / "immersion").glob("c3po_*_steps.csv")):
        rows = _rows(path.with_name(path.name.replace("_steps", "")))
        t_all = [float(r["elapsed_s"]) for r in rows]
        for step in _rows(path):
            inside = [
                i for i, t in enumerate(t_all) if float(step["from_s"]) <= t <= float(step["to_s"])
            ]
            if len(inside) < 9 or float(step["standard_us_cm"]) == 0:
                continue
            value = [float(rows[i]["conductivity_us_cm"]) for i in inside]
            truth = median(value[-len(value) // 3 :])
            channel = Channel("conductivity", 1.0, 0.01, 1.0, value, truth, kind=path.stem)
            t = [t_all[i] for i in inside]
            channel.oracle_s = _enters(t, value, truth, channel.tolerance)
            warm = Channel(
                "temperature", 0.2, 0.0, 0.01, [float(rows[i]["temperature_c"]) for i in inside]
            )
            yield Immersion(number, t, {"conductivity": channel, "temperature": warm}, True, inf)
            number += 1


def _enters(t: list[float], value: list[float], truth: float, tolerance: float) -> float | None:
    last = None
    for s, v in zip(reversed(t), reversed(value), strict=True):
        if abs(v - truth) > tolerance:
            return last
        last = s
    return last


def baths() -> Iterator[Immersion]:
    """Give each bath, heated to 30 °C and held, as one immersion of the temperature alone."""
    for number, path in enumerate(sorted((_OPEN / "settling").glob("bath_*.csv"))):
        rows = _rows(path)
        t = [float(r["elapsed_s"]) for r in rows]
        value = [float(r["temperature_c"]) for r in rows]
        channel = Channel("temperature", 0.2, 0.0, 0.03, value, 30.0, kind=path.stem)
        channel.oracle_s = _enters(t, [_minute(value, i) for i in range(len(t))], 30.0, 0.2)
        yield Immersion(number, t, {"temperature": channel}, False, inf)


def _minute(value: list[float], i: int) -> float:
    return median(value[max(0, i - 10) : i + 11])


def replayed_noise(seed: int, count: int) -> Iterator[Immersion]:
    """Give pH immersions whose noise is what a real electrode showed at rest, run by run."""
    bank = _noise_bank()
    for number in range(count):
        rng = random.Random(f"replay-{seed}-{number}")
        truth, step = rng.uniform(5, 9), rng.choice((-1, 1)) * 10 ** rng.uniform(-1, 0.6)
        tau, share, slow = 10 ** rng.uniform(0.3, 1.5), rng.uniform(0, 0.15), rng.uniform(30, 90)
        noise: list[float] = []
        t, value = [], []
        at, oracle = 0.0, 0.0
        while at < oracle + 200:
            left = step * ((1 - share) * exp(-at / tau) + share * exp(-at / slow))
            if abs(left) > 0.02:
                oracle = at + 1
            if not noise:
                noise = list(rng.choice(bank))
            t.append(at)
            value.append(round(truth + left + noise.pop(), 2))
            at += 1.0
        channel = Channel("ph", 0.02, 0.0, 0.01, value, truth, oracle, kind="replayed noise")
        yield Immersion(number, t, {"ph": channel}, False, inf)


def _noise_bank() -> list[list[float]]:
    """Runs of pH deviations from their own median, the last readings of each dose."""
    bank = []
    for path in sorted((_OPEN / "settling").glob("titration_*.csv")):
        runs: dict[str, list[float]] = {}
        for row in _rows(path):
            runs.setdefault(row["dose_ml"], []).append(float(row["electrode_mv"]))
        for run in runs.values():
            late = run[-8:]
            if len(run) >= 10:
                middle = median(late)
                bank.append([(v - middle) / _MV_PER_PH for v in late])
    return bank
