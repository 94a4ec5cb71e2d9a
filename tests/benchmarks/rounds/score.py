"""Random rounds, scored: wrong or moving waters unflagged, intervals, verdicts on equal waters.

python tests/benchmarks/rounds/score.py [--rounds 200] [--first 0] [--equal 1]     # some minutes
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from statistics import fmean

sys.path[:0] = [str(Path(__file__).parents[3]), str(Path(__file__).parent)]

from kitchen import EQUAL  # noqa: E402
from play import CHANNELS, Played, play  # noqa: E402
from told import told, truth_meant  # noqa: E402

from acquire.bench.flagged import is_grave  # noqa: E402
from acquire.bench.sides import Measured  # noqa: E402
from acquire.quantities import BUILT_IN  # noqa: E402
from acquire.readings import Capture  # noqa: E402
from acquire.rounds import Visit  # noqa: E402

__all__ = ["Score", "score"]

METER = {"kitchen": {channel.quantity: channel for channel in CHANNELS}}


@dataclass
class Score:
    """Counts over rounds."""

    rounds: int = 0
    over: int = 0
    visits: int = 0
    wrong: int = 0
    wrong_unflagged: list[str] = field(default_factory=list)
    wrong_alike: int = 0
    """In the wrong glass, which holds the same to within twice the tolerances: nobody can see it."""
    moving_unflagged: list[str] = field(default_factory=list)
    off: Counter[str] = field(default_factory=Counter)
    """Settled values farther from the truth than their tolerance, unflagged, by quantity."""
    settled: Counter[str] = field(default_factory=Counter)
    intervals: Counter[str] = field(default_factory=Counter)
    covered: Counter[str] = field(default_factory=Counter)
    withheld: Counter[str] = field(default_factory=Counter)
    """Rows of which the product says that they cannot be told, for a flag: no interval to rest on."""
    withheld_covered: Counter[str] = field(default_factory=Counter)
    equal: Counter[str] = field(default_factory=Counter)
    equal_differs: Counter[str] = field(default_factory=Counter)
    unequal: Counter[str] = field(default_factory=Counter)
    unequal_differs: Counter[str] = field(default_factory=Counter)
    flagged_right: int = 0
    """Visits of the right, resting water that carry a flag that speaks against them."""
    asked: Counter[str] = field(default_factory=Counter)
    """Questions: where the probe was in another glass, in the right one, in one of two alike."""
    mistakes: Counter[str] = field(default_factory=Counter)

    @property
    def coverage(self) -> float:
        return self.covered.total() / max(1, self.intervals.total())

    @property
    def differs_on_equal(self) -> float:
        return self.equal_differs.total() / max(1, self.equal.total())


def score(seeds: Iterable[int], equal: float = EQUAL) -> Score:
    total = Score()
    for seed in seeds:
        _count(total, play(seed, equal), seed)
    return total


def _count(total: Score, played: Played, seed: int) -> None:
    total.rounds += 1
    total.over += played.is_over
    total.mistakes.update(vars(played.mistakes))
    for water, glass in played.asked:
        others = (name for name in played.kitchen.glasses if name != water)
        is_alike = any(played.is_alike(name, water) for name in others)
        word = "in another glass" if glass != water else "in the right one"
        total.asked[f"{word}, two are alike" if is_alike else word] += 1
    for visit, capture in played.visits():
        if played.round.stops[visit.position].kind != "rinse":
            _count_visit(total, played, visit, capture, seed)
    _count_differences(total, played)


def _count_visit(total: Score, played: Played, visit: Visit, capture: Capture, seed: int) -> None:
    total.visits += 1
    water, glass = played.round.stops[visit.position].water, played.glass_of(capture)
    name = f"round {seed} {capture.id}: {water} in {glass}"
    if glass is None:
        if not visit.flags:
            total.moving_unflagged.append(name)
        return
    if glass != water:
        if played.is_alike(glass, water):
            total.wrong_alike += 1
            return
        total.wrong += 1
        if not is_grave(visit.flags):
            total.wrong_unflagged.append(name)
        return
    total.flagged_right += is_grave(visit.flags)
    for quantity, value in capture.values.items():
        if value.phase == "settled" and not visit.flags:
            total.settled[quantity] += 1
            limit = max(
                BUILT_IN[quantity].tolerance.at(value.value), METER["kitchen"][quantity].resolution
            )
            # The instrument's own error is none of the settling's.
            meant = played.meant[capture.id][quantity]
            total.off[quantity] += abs(value.value - meant) > limit


def _count_differences(total: Score, played: Played) -> None:
    """Hold what the product says of the round against the truth of the waters that were meant."""
    found = told(played)
    if found is None:
        return
    for row in found.rows:
        if row.reference is None or row.subject is None or row.quantity not in METER["kitchen"]:
            continue
        if row.budget is None:
            continue
        true = _mean_truth(played, row.subject, found.subject_water)
        true -= _mean_truth(played, row.reference, found.reference_water)
        is_covered = abs(row.budget.value - true) <= row.budget.expanded()
        if row.is_withheld:
            total.withheld[row.quantity] += 1
            total.withheld_covered[row.quantity] += is_covered
            continue
        total.intervals[row.quantity] += 1
        total.covered[row.quantity] += is_covered
        if row.quantity == "temperature":
            continue
        # One water in two glasses is no longer one where drops, warmth or standing changed it by a
        # step of the display: then it differs, and to say so is right.
        is_equal = (
            played.kitchen.are_equal and abs(true) < METER["kitchen"][row.quantity].resolution
        )
        if is_equal:
            total.equal[row.quantity] += 1
            total.equal_differs[row.quantity] += row.verdict == "yes"
        elif not played.kitchen.are_equal:
            total.unequal[row.quantity] += 1
            total.unequal_differs[row.quantity] += row.verdict == "yes"


def _mean_truth(played: Played, side: Measured, water: str) -> float:
    """Of the captures that the product made this number of, as the water that was meant."""
    return fmean(truth_meant(played, name, water)[side.quantity] for name in side.captures)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--rounds", type=int, default=200)
    ask.add_argument("--first", type=int, default=0, help="the first seed")
    ask.add_argument(
        "--equal", type=float, default=EQUAL, help="share of rounds with one water in both glasses"
    )
    asked = ask.parse_args()
    found = score(range(asked.first, asked.first + asked.rounds), asked.equal)
    print(f"{found.rounds} rounds, {found.over} walked to their end; {found.visits} visits")
    print(f"mistakes by hand: {dict(found.mistakes)}")
    print(f"in a wrong water: {found.wrong}, not flagged: {len(found.wrong_unflagged)}")
    for name in found.wrong_unflagged:
        print(f"    {name}")
    print(f"in a wrong glass of a water that is the same: {found.wrong_alike}")
    print(f"begun in one place, taken in another, not flagged: {len(found.moving_unflagged)}")
    for name in found.moving_unflagged:
        print(f"    {name}")
    print(f"in the right water, yet doubted: {found.flagged_right}")
    print(f"questions, the probe then: {dict(found.asked)}")
    for title, part, whole in (
        ("farther off than the tolerance", found.off, found.settled),
        ("95 % intervals of differences that cover the truth", found.covered, found.intervals),
        ("intervals told to be none, that yet cover", found.withheld_covered, found.withheld),
        ("'yes' on equal waters", found.equal_differs, found.equal),
        ("'yes' on unequal waters", found.unequal_differs, found.unequal),
    ):
        low, high = _between(part.total(), whole.total())
        print(
            f"{title}: {part.total()} of {whole.total()}, {_percent(part.total(), whole.total())}"
            f" (95 %: {100 * low:.1f} to {100 * high:.1f})"
        )
        for quantity in whole:
            share = _percent(part[quantity], whole[quantity])
            print(f"    {quantity:<13} {part[quantity]} of {whole[quantity]}, {share}")


def _between(part: int, whole: int) -> tuple[float, float]:
    """Wilson's score interval, J. Am. Stat. Assoc. 22 (1927) 209; rows of one round go together."""
    if not whole:
        return 0.0, 1.0
    z, share = 1.96, part / whole
    middle, reach = (
        share + z * z / (2 * whole),
        z * math.sqrt(share * (1 - share) / whole + z * z / (4 * whole * whole)),
    )
    size = 1 + z * z / whole
    return (middle - reach) / size, (middle + reach) / size


def _percent(part: int, whole: int) -> str:
    return f"{100.0 * part / max(1, whole):.1f} %"


if __name__ == "__main__":
    main()
