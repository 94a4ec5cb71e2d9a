"""Learn the risk of a record from seeded immersions, and write acquire/settle_risk.json.

    pip install scikit-learn                          # for this alone
    python tests/benchmarks/settling/learn.py         # some half hour on two cores

Only training seeds of the main family are asked, never those of the proof. The detector itself
follows every channel, kept from ever settling; as its stay within the tolerance grows the signs are
written down, and whether a record at that moment would be false. One immersion in four is asked for
more than it was made for, down to a quarter of the tolerance: displays coarser than the tolerance
and noise as large as it belong to what must be known.

What it does not see: the second rest of a value that was recorded and has moved on.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from functools import partial
from math import floor
from multiprocessing import Pool
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[3]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from immersions import QUANTITIES, Channel, Immersion, immersions  # noqa: E402
from judge import Outcome  # noqa: E402

from acquire.presets import find_preset  # noqa: E402
from acquire.settle import Settler, Tolerance  # noqa: E402
from acquire.settle_risk import risk_of  # noqa: E402
from acquire.settle_signs import DECIMALS, SIGNS  # noqa: E402
from acquire.settle_view import View  # noqa: E402

SEEDS = range(22, 47)
GRID = 10**DECIMALS
LOOKS_S = (10, 12, 14, 16, 18, 20, 22, 24, 25, 27, 29, 31.5, 34.5, 38, 42, 46, 50, 55, 62, 72, 85)
LOOKS_S += (100, 130)
"""Seconds within the tolerance: from each of them on, one look."""
SHARES = (1, 1, 1, 0.5, 1, 1, 1, 0.25)
"""Of the tolerance a channel was made for, by the number of the immersion."""
GROWS: dict[str, Any] = {
    "max_iter": 80,
    "learning_rate": 0.12,
    "max_leaf_nodes": 63,
    "min_samples_leaf": 300,
    "l2_regularization": 5.0,
    "early_stopping": False,
}
PROVED_ON = frozenset({101, 102, 977, 9001, 9002})
"""Seeds of the proof and of the tests: never learnt from."""


class Watched(Settler):
    """A detector that never settles; `looks` has the signs of the last look until it is taken."""

    __slots__ = ("looks", "reached", "seen")

    def __init__(self, channel: Channel) -> None:
        super().__init__(
            Tolerance(channel.absolute, channel.relative),
            resolution=channel.resolution,
            quantity=channel.quantity,
            preset=replace(find_preset("bench"), dwell_s=LOOKS_S[0]),
        )
        self.looks: list[list[float]] = []
        self.seen: list[float] = []
        self.reached = 0.0

    def _pause(self, *_: object) -> float:
        return 0.0

    def _risk(self, seen: list[float]) -> float:
        self.seen = seen
        return 1.0

    def _tell(self, t: float, value: float, view: View) -> None:
        super()._tell(t, value, view)
        if view.dwell < 0.5 * self.reached:  # it left, and is there anew
            self.reached = view.dwell
        if view.risk is None or view.dwell <= self.reached:
            return
        if any(self.reached < s <= view.dwell for s in LOOKS_S):
            self.looks.append(self.seen)
        self.reached = view.dwell


def looks_of(immersion: Immersion, quantity: str) -> list[tuple[list[float], bool]]:
    """Give the signs of every look, and whether a record then would be false."""
    channel = immersion.channels[quantity]
    share = SHARES[immersion.number % len(SHARES)]
    absolute = max(share * channel.absolute, 0.5 * channel.resolution)
    channel = replace(channel, absolute=absolute, relative=share * channel.relative)
    rule = Watched(channel)
    outcome = Outcome(immersion, channel)
    warm = None
    if immersion.gives_temperature and quantity != "temperature":
        warm = immersion.channels["temperature"].value
    found = []
    for i, (t, value) in enumerate(zip(immersion.t, channel.value, strict=True)):
        state = rule.update(t, value, None if warm is None else warm[i])
        if rule.looks:
            outcome.record_s, outcome.value = t, state.value
            found.append((rule.looks.pop(), outcome.is_false))
    return found


def _looks_of_seed(count: int, seed: int) -> list[tuple[list[float], bool]]:
    material = immersions(seed, count)
    return [look for one in material for quantity in QUANTITIES for look in looks_of(one, quantity)]


def written(grower: Any) -> dict[str, Any]:
    """Give the trees as acquire/settle_risk.py reads them."""
    trees = [_branch(one[0].nodes, 0) for one in grower._predictors]
    base = round(float(grower._baseline_prediction.item()), 4)
    return {"signs": SIGNS, "base": base, "trees": trees}


def _branch(nodes: Any, at: int) -> list[float]:
    node = nodes[at]
    if node["is_leaf"]:
        return [-1, round(float(node["value"]), 4)]
    # Signs stand on a grid, and so may a limit: it is put behind the last value it lets through.
    last = floor(float(node["num_threshold"]) * GRID + 1e-6)
    limit = round((last + 0.5) / GRID, DECIMALS + 1)
    lower, upper = _branch(nodes, node["left"]), _branch(nodes, node["right"])
    return [int(node["feature_idx"]), limit, *lower, *upper]


def write(path: Path, kept: dict[str, Any]) -> None:
    """Write one tree to a line."""
    lines = ",\n".join(json.dumps(tree, separators=(",", ":")) for tree in kept["trees"])
    head = json.dumps({key: value for key, value in kept.items() if key != "trees"})
    path.write_text(f'{head[:-1]}, "trees": [\n{lines}\n]}}\n', encoding="utf-8")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--immersions", type=int, default=600, help="of each seed, times 4 quantities")
    ask.add_argument("--seeds", type=int, nargs="*", default=list(SEEDS))
    ask.add_argument("--looks", type=Path, help="keep the looks here, or take them from here")
    ask.add_argument("--to", type=Path, default=ROOT / "acquire" / "settle_risk.json")
    asked = ask.parse_args()
    if PROVED_ON & set(asked.seeds):
        ask.error("these seeds are for the proof")
    import numpy as np
    import sklearn
    from sklearn.ensemble import HistGradientBoostingClassifier

    if asked.looks is not None and asked.looks.exists():
        with np.load(asked.looks) as kept:
            signs, is_false = kept["signs"], kept["is_false"]
    else:
        signs, is_false = _looks(asked.seeds, asked.immersions)
        if asked.looks is not None:
            np.savez_compressed(asked.looks, signs=signs, is_false=is_false)
    grower = HistGradientBoostingClassifier(**GROWS, random_state=1).fit(signs, is_false)
    about = {
        "seeds": asked.seeds,
        "looks": len(is_false),
        "grown by": f"scikit-learn {sklearn.__version__}",
    }
    write(asked.to, about | written(grower))
    _compare(grower, signs[:: max(1, len(signs) // 2000)])


def _looks(seeds: list[int], count: int) -> tuple[Any, Any]:
    import numpy as np

    signs, is_false = [], []
    with Pool() as pool:
        for looks in pool.imap(partial(_looks_of_seed, count), seeds):
            signs.append(np.array([look for look, _ in looks]))
            is_false += [flag for _, flag in looks]
            print(f"{len(signs)} of {len(seeds)} seeds, {len(is_false)} looks", flush=True)
    return np.concatenate(signs), np.array(is_false)


def _compare(grower: Any, signs: Any) -> None:
    """Say how far the trees as the program walks them are from those that were grown."""
    ours = [risk_of(seen) for seen in signs.tolist()]
    theirs = grower.predict_proba(signs)[:, 1]
    print(f"largest difference of {len(ours)} risks: {max(abs(theirs - ours)):.1e}")


if __name__ == "__main__":
    main()
