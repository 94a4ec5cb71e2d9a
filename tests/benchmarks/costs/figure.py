"""One measured figure, and what was measured beside it in the same run."""

from __future__ import annotations

from dataclasses import dataclass
from math import log


@dataclass(frozen=True, slots=True)
class Figure:
    """`ratio` is what is compared from run to run: both sides shared the machine as it was."""

    name: str
    value: float
    unit: str
    against: str
    other: float
    """The same of what it is held against, in the same unit."""
    budget: float | None = None
    """What `value` (or, with `is_ratio_budget`, the ratio) shall not exceed."""
    is_ratio_budget: bool = False
    is_compared: bool = True
    """False for the rare cases of a run, which two runs on a shared machine do not have alike."""
    measured: str = ""
    """When, and on what kind of machine."""

    @property
    def ratio(self) -> float:
        return self.value / self.other if self.other else float("nan")

    @property
    def is_within(self) -> bool | None:
        if self.budget is None:
            return None
        return (self.ratio if self.is_ratio_budget else self.value) <= self.budget


def exponent(sizes: list[float], costs: list[float]) -> float:
    """The slope of log cost over log size by least squares."""
    x, y = [log(s) for s in sizes], [log(c) for c in costs]
    mx, my = sum(x) / len(x), sum(y) / len(y)
    return sum((a - mx) * (b - my) for a, b in zip(x, y, strict=True)) / sum(
        (a - mx) ** 2 for a in x
    )
