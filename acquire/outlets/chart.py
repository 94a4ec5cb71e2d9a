"""A control chart in plain characters: readable without colour, in any terminal or mail."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from acquire.stats.charts import Individuals

__all__ = ["control_chart"]


def control_chart(
    values: Sequence[float], chart: Individuals, *, digits: int, width: int = 64, rows: int = 9
) -> Iterator[str]:
    """Draw the last values in order, one column each: `o` inside the limits, `X` outside.

    The middle and the limits are dashed lines with their numbers. `rows` is odd, 5 or more.
    """
    top, bottom = max(chart.upper, *values), min(chart.lower, *values)
    if top == bottom:
        top, bottom = top + 1.0, bottom - 1.0
    first = max(0, len(values) - width)
    columns = min(width, max(len(values), 20))

    def row_of(value: float) -> int:
        return round((top - value) / (top - bottom) * (rows - 1))

    lines = [[" "] * columns for _ in range(rows)]
    labels = [""] * rows
    for value, name in ((chart.upper, "upper"), (chart.lower, "lower"), (chart.mean, "mean")):
        row = row_of(value)
        lines[row] = list("- " * columns)[:columns]
        labels[row] = f"{value:+.{digits}f} {name}"
    outside = set(chart.outside)
    for column, index in enumerate(range(first, len(values))):
        lines[row_of(values[index])][column] = "X" if index in outside else "o"
    margin = max(map(len, labels))
    for label, line in zip(labels, lines, strict=True):
        yield f"{label:>{margin}} |{''.join(line).rstrip()}"
