"""The learnt risk: how likely a record of now would be wrong, from its signs.

Regression trees whose sum is the logarithm of the odds (gradient boosting; Friedman, Annals of
Statistics 29, 2001), grown on seeded immersions by tests/benchmarks/settling/learn.py and kept in
settle_risk.json. A tree is written from its root down, the lower branch first: the number of a sign
and its limit, or -1 and what the leaf adds.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from functools import cache
from math import exp
from pathlib import Path
from typing import TypeAlias

from acquire.errors import ConfigError
from acquire.settle_signs import SIGNS

__all__ = ["load", "risk_of"]

Node: TypeAlias = "float | tuple[int, float, Node, Node]"
"""What a leaf adds, or: the number of a sign, its limit, the branch up to it, the one beyond."""

_LEAF = -1
_EXP_MOST = 700.0


def risk_of(found: Sequence[float]) -> float:
    """Give the probability (0 to 1) that a value recorded now is false, from its `SIGNS`."""
    total, trees = load()
    for tree in trees:
        at = tree
        while not isinstance(at, float):
            at = at[2] if found[at[0]] <= at[1] else at[3]
        total += at
    return 1.0 / (1.0 + exp(min(-total, _EXP_MOST)))


@cache
def load() -> tuple[float, tuple[Node, ...]]:
    """Read the trees, once; ConfigError when they are not of these signs."""
    path = Path(__file__).with_name("settle_risk.json")
    kept = json.loads(path.read_text(encoding="utf-8"))
    if tuple(kept["signs"]) != SIGNS:
        raise ConfigError("learnt from other signs than these", file=path.name, key="signs")
    return kept["base"], tuple(_node(iter(tree)) for tree in kept["trees"])


def _node(written: Iterator[float]) -> Node:
    sign, number = int(next(written)), next(written)
    if sign == _LEAF:
        return float(number)
    low = _node(written)
    return sign, number, low, _node(written)
