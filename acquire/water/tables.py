"""Published tables against temperature, read between their lines."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from acquire.errors import WaterError
from acquire.water.inputs import Derived, finite

__all__ = ["Table", "lagrange"]


def lagrange(xs: Sequence[float], ys: Sequence[float], x: float, *, points: int = 4) -> float:
    """Interpolate through the nearest `points` nodes of ascending `xs` (Lagrange's polynomial).

    At a node it gives the node's own value. Outside the nodes it continues the end polynomial.
    """
    count = min(points, len(xs))
    start = bisect_right(xs, x) - (count + 1) // 2
    start = max(0, min(start, len(xs) - count))
    near = range(start, start + count)
    total = 0.0
    for i in near:
        weight = 1.0
        for j in near:
            if j != i:
                weight *= (x - xs[j]) / (xs[i] - xs[j])
        total += weight * ys[i]
    return total


@dataclass(frozen=True, slots=True)
class Table:
    """A published table of one value against temperature in °C."""

    what: str
    unit: str
    source: str
    temps_c: tuple[float, ...]
    """Ascending, in °C."""
    values: tuple[float, ...]
    points: int = 4
    """Nodes used between lines: 2 is a straight line, 4 a cubic."""
    stretch_c: float = 0.0
    """How many °C beyond its ends the table may be continued, marked as extrapolated."""

    def at(self, temp_c: float | None) -> Derived:
        """Give the value at a temperature; WaterError when it is missing or outside the table."""
        number = finite(temp_c, f"the temperature for {self.what}", "°C")
        low, high = self.temps_c[0], self.temps_c[-1]
        if not low - self.stretch_c <= number <= high + self.stretch_c:
            raise WaterError(
                f"{self.what}: the table ({self.source}) runs from {low:g} to {high:g} °C, "
                f"found {number:g} °C"
            )
        value = lagrange(self.temps_c, self.values, number, points=self.points)
        return Derived(value, self.unit, self.source, not low <= number <= high)
