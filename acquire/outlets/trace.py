"""Draws how one quantity came to rest, in plain characters: trace, tolerance band, capture.

7.62 ┤            ╷
     ┤            ╷      ....
7.60 ┤┄┄┄┄┄┄┄┄┄┄┄┄╷┄•••••••••••••••   ┄ the band: value ± tolerance
     ┤         ••••••
7.58 ┤┄┄┄┄┄•••┄┄┄┄╷┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄   ╷ the moment of capture
     ┤   ••
     └────────────────────────────────
      0 s                        180 s
"""

from __future__ import annotations

import math
from collections.abc import Sequence

__all__ = ["draw"]

LABEL = 10


def draw(
    points: Sequence[tuple[float, float]],
    *,
    low: float,
    high: float,
    moments: Sequence[float] = (),
    digits: int,
    width: int = 78,
    height: int = 7,
) -> list[str]:
    """Give the lines of the picture.

    `points` are (seconds, value) in order of time, `low` and `high` the edges of the band,
    `moments` the seconds at which a capture was taken. The picture is scaled so that the band fills
    about a third of it, since the way to rest matters less than the rest; what lies farther off is
    marked ▴ or ▾ at the edge.
    """
    if not points:
        return ["(no readings)"]
    columns = max(10, width - LABEL - 1)
    begin, end = points[0][0], points[-1][0]
    span = max(end - begin, 1e-9)
    middle, half = (low + high) / 2, max((high - low) / 2, 1e-12)
    bottom, top = middle - 3.0 * half, middle + 3.0 * half

    def column(t_s: float) -> int:
        return min(columns - 1, max(0, int((t_s - begin) / span * columns)))

    def line(value: float) -> int:
        part = (top - value) / (top - bottom)
        return min(height - 1, max(0, int(part * height)))

    grid = [[" "] * columns for _ in range(height)]
    for edge in (low, high):
        for x in range(columns):
            grid[line(edge)][x] = "┄"
    for moment in moments:
        if begin <= moment <= end:
            for row in grid:
                row[column(moment)] = "╷"
    for t_s, value in points:
        if math.isfinite(value):
            mark = "▴" if value > top else "▾" if value < bottom else "•"
            grid[line(value)][column(t_s)] = mark
    rows = []
    labelled = {line(high): high, line(middle): middle, line(low): low}
    for y, row in enumerate(grid):
        label = f"{labelled[y]:.{digits}f}" if y in labelled else ""
        rows.append(f"{label:>{LABEL - 1}} ┤{''.join(row).rstrip()}")
    rows.append(f"{'':>{LABEL}}└{'─' * columns}")
    rows.append(f"{'':>{LABEL}} {'0 s':<{columns - 10}}{span:>8.0f} s")
    return rows
