"""How well the watch tells filters from probes: scored on simulated years.

    python tests/benchmarks/watch/scored.py [--years 60] [--first 2000] [--each]

Every reading goes through the same code as in the program: draws are cut, judged, forecast. The
years `--first` to `--first` + `--years` are other ones than those the thresholds were set with
(0 to 99).
"""

from __future__ import annotations

import argparse
import math
import random
from collections import Counter
from dataclasses import dataclass, field
from statistics import median

from filters import LIFE_DAYS, START_MS, Life, Year

from acquire.watch.draws import Draw, DrawFollower, Moment
from acquire.watch.forecast import Day, forecast
from acquire.watch.judge import PROBE_KINDS, WATER_KINDS, Judge, Limits
from acquire.watch.soon import KIND, Left, Notice, ends_soon

WARN_DAYS = 14.0
"""As `warn_days` is by default; nothing is rated, so that the forecast alone decides."""
_NOT_SOON = 2.0
"""An alert that the end is near is false where it is more than so many times the warning away."""

_SHOWS = {
    "stuck": "stuck",
    "air": "air",
    "open": "open_circuit",
    "fouling": "fouling",
    "temperature": "temperature",
}


@dataclass
class Score:
    """Counts over all years."""

    years: int = 0
    draws: int = 0
    settled: int = 0
    breakthroughs: int = 0
    found: int = 0
    exhaustions: int = 0
    in_time: int = 0
    late_by: list[float] = field(default_factory=list)
    false: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)
    miscalled: int = 0
    forecasts: int = 0
    covered: int = 0
    by_life: list[tuple[int, int]] = field(default_factory=list)
    sides: Counter[str] = field(default_factory=Counter)
    widths: list[float] = field(default_factory=list)
    ends: int = 0
    """Exhaustions that reach the limit."""
    ahead_by: list[float] = field(default_factory=list)
    """Days from the last `ends_soon` before the limit to the limit, of each exhaustion told of."""
    soon_off: list[float] = field(default_factory=list)
    """Days that were left in truth, of each `ends_soon`."""


class Follow:
    """One life of a cartridge, followed."""

    def __init__(self, year: Year, life: Life, score: Score, each: bool) -> None:
        self.year, self.life, self.score, self.each = year, life, score, each
        self.judge = Judge(Limits(passage=life.limit_passage))
        self.raised: list[tuple[float, str, int]] = []
        self.days: dict[int, list[tuple[float, float]]] = {}
        self.litres = 0.0
        self.litres_of: dict[int, float] = {}
        self.long_draws = 0
        self.since_event = 0
        self.next_forecast = 20.0
        self.inside: list[int] = []
        self.foretold_day = -1
        self.soon: list[float] = []
        self.is_soon = False

    def draw(self, draw: Draw, feed: float, day: float) -> None:
        self.score.draws += 1
        self.score.settled += draw.value is not None
        if day >= self.life.event_day and draw.ended_ms - draw.started_ms >= 25_000:
            self.since_event += 1
        judged = self.judge.update(draw, feed, 0.01 * feed)
        self.litres += draw.litres if draw.litres is not None else 1.0
        if judged.margin is not None and judged.performance is not None:
            whole = int(day - self.life.first_day)
            temp = draw.temp_c if draw.temp_c is not None else 15.0
            self.days.setdefault(whole, []).append((judged.margin, temp))
            self.litres_of[whole] = self.litres
        for change in judged.changes:
            if change.is_on:
                self.raised.append((day, change.kind, self.since_event))
        self._forecast(day)
        self._ahead(day)

    def _ahead(self, day: float) -> None:
        """Ask once a day what will be due soon, as acquire/watching.py does."""
        if int(day) == self.foretold_day:
            return
        self.foretold_day = int(day)
        if {"breakthrough", "fouling"} & set(self.judge.on):
            return
        change = ends_soon(forecast(self._medians()), Left("", None, None), Notice(WARN_DAYS), None)
        if not change.text or (change.is_on and "exhausted" in self.judge.on):
            return
        if change.is_on and not self.is_soon:
            self.soon.append(day)
        self.is_soon = change.is_on

    def _medians(self) -> list[Day]:
        return [
            Day(
                k + 0.5,
                self.litres_of[k] if self.year.has_flow else k + 0.5,
                median(m for m, _ in said),
                median(t for _, t in said),
            )
            for k, said in sorted(self.days.items())
            if k >= 2
        ]

    def _forecast(self, day: float) -> None:
        if self.life.fate != "exhaustion" or day >= self.life.event_day:
            return
        since = day - self.life.first_day
        if since < self.next_forecast or "exhausted" in self.judge.on:
            return
        self.next_forecast = since + 7
        found = forecast(self._medians())
        if found.low_days is None or found.high_days is None or found.days is None:
            return
        left = self.life.event_day - day
        is_in = found.low_days <= left <= found.high_days
        self.inside.append(is_in)
        self.score.forecasts += 1
        self.score.covered += is_in
        self.score.widths.append((found.high_days - found.low_days) / left)
        if not is_in:
            self.score.sides["early" if left > found.high_days else "late"] += 1

    def end(self) -> None:
        life, score = self.life, self.score
        true_at = lambda day: life.margin(day, self.year.temperature(day))  # noqa: E731
        bad = None
        if life.fate == "breakthrough":
            score.breakthroughs += 1
            hit = [n for day, kind, n in self.raised if kind == "breakthrough" and n > 0]
            is_found = bool(hit) and min(hit) <= 3
            score.found += is_found
            if not is_found:
                bad = f"breakthrough found after {min(hit) if hit else 'never'}"
        if life.fate == "exhaustion":
            crossing = next(
                (
                    d / 10
                    for d in range(int(life.first_day * 10), int(10 * (life.first_day + LIFE_DAYS)))
                    if true_at(d / 10) >= math.log(1.1)
                ),
                None,
            )
            if crossing is not None:
                score.exhaustions += 1
                when = [day for day, kind, _ in self.raised if kind == "exhausted"]
                over = true_at(min(when)) if when else math.inf
                score.in_time += bool(when) and over <= math.log(1.1)
                if when:
                    score.late_by.append(math.expm1(over))
                else:
                    bad = "exhaustion never told"
            if self.inside:
                score.by_life.append((sum(self.inside), len(self.inside)))
        if life.fate in _SHOWS:
            score.faults[life.fate] += 1
            kinds = {kind for day, kind, n in self.raised if n > 0}
            score.named[life.fate] += _SHOWS[life.fate] in kinds
            called = kinds & set(WATER_KINDS)
            score.miscalled += bool(called)
            if _SHOWS[life.fate] not in kinds or called:
                bad = f"fault {life.fate}: told {sorted(kinds)}"
        self._score_soon()
        for day, kind, n in self.raised:
            wrong = (
                (kind == "breakthrough" and not (life.fate == "breakthrough" and n > 0))
                or (kind == "exhausted" and true_at(day) < math.log(0.9))
                or (kind in PROBE_KINDS and not (life.fate in _SHOWS and n > 0))
            )
            if wrong and not (life.fate in _SHOWS and n > 0):
                score.false[kind] += 1
                bad = f"false {kind} on day {day - life.first_day:.0f} (true {true_at(day):+.2f})"
            if wrong and self.each:
                print(f"   wrong: {kind} day {day - life.first_day:.1f}")
        if self.each and bad:
            print(f"year {self.year.seed} life {life.number} {life.fate}: {bad}", flush=True)

    def _score_soon(self) -> None:
        """Hold each `ends_soon` against the day on which the limit is truly reached."""
        life, score = self.life, self.score
        reached = [
            d / 10
            for d in range(int(life.first_day * 10), int(10 * (life.first_day + LIFE_DAYS)))
            if life.margin(d / 10, self.year.temperature(d / 10)) >= 0
        ]
        for day in self.soon:
            left = max(0.0, next((one for one in reached if one >= day), math.inf) - day)
            score.soon_off.append(left)
            if left > _NOT_SOON * WARN_DAYS:
                score.false[KIND] += 1
                if self.each:
                    print(
                        f"year {self.year.seed} life {life.number} {life.fate}: "
                        f"{KIND} on day {day - life.first_day:.0f}, {left:.0f} days too far"
                    )
        if life.fate == "exhaustion" and reached:
            score.ends += 1
            before = [reached[0] - day for day in self.soon if day < reached[0]]
            if before:
                score.ahead_by.append(before[-1])


def run(seed: int, score: Score, each: bool = False) -> None:
    year = Year(seed)
    score.years += 1
    follower = DrawFollower(resolution=year.resolution, has_flow=year.has_flow)
    follow = Follow(year, year.lives[0], score, each)
    for tap in year.taps():
        life = year.life_at(tap.day)
        if life is not follow.life:
            follow.end()
            follow = Follow(year, life, score, each)
        for said in tap.readings:
            ended = follower.update(
                Moment(
                    said.t_s,
                    START_MS + round(said.t_s * 1000),
                    said.ec25,
                    said.temp_c,
                    said.flow,
                )
            )
            if ended is not None:
                follow.draw(ended, said.feed or year.feed0, tap.day)
    follow.end()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=int, default=60)
    parser.add_argument("--first", type=int, default=2000)
    parser.add_argument("--each", action="store_true", help="print what went wrong")
    args = parser.parse_args()
    random.seed(0)
    score = Score()
    for seed in range(args.first, args.first + args.years):
        run(seed, score, args.each)
    share = lambda a, b: f"{a} of {b} ({a / b:.1%})" if b else "none"  # noqa: E731
    wrong = sum(score.false.values())
    print(f"{score.years} filter years, {score.draws} draws, {score.settled} settled")
    print(f"breakthrough within 3 draws   {share(score.found, score.breakthroughs)}")
    print(f"exhaustion within 10 % of it  {share(score.in_time, score.exhaustions)}")
    if score.late_by:
        ordered = sorted(score.late_by)
        print(
            f"  passage over the limit when told: median {median(ordered):+.1%}, "
            f"from {ordered[0]:+.1%} to {ordered[-1]:+.1%}"
        )
    print(
        f"false alarms                  {wrong} in {score.years} years "
        f"({5 * wrong / score.years:.2f} in 5) {dict(score.false)}"
    )
    ahead = sorted(score.ahead_by)
    print(f"end told ahead ({KIND})    {share(len(ahead), score.ends)}")
    if ahead:
        print(
            f"  days before the limit: median {median(ahead):.0f}, {ahead[0]:.0f} to {ahead[-1]:.0f}"
        )
    left = [f"{days:.0f}" for days in sorted(score.soon_off)]
    print(f"  told {len(left)} times; days that were left: {' '.join(left)}")
    total = sum(score.faults.values())
    print(f"probe faults called water     {share(score.miscalled, total)}")
    print(
        f"probe faults named            {share(sum(score.named.values()), total)} "
        + ", ".join(f"{k} {score.named[k]}/{n}" for k, n in sorted(score.faults.items()))
    )
    print(
        f"forecast covers (nominal 90 %) {share(score.covered, score.forecasts)}, "
        f"outside {dict(score.sides)}"
    )
    if score.by_life:
        lives = sum(a / b for a, b in score.by_life) / len(score.by_life)
        print(
            f"  each cartridge counting once: {lives:.1%} of {len(score.by_life)}; "
            f"width over what is left: median {median(score.widths):.2f}"
        )


if __name__ == "__main__":
    main()
