"""What a stretch of time is boiled down to: count, ends, sums. Pure, and exact.

Sums are kept as whole numbers over a power of two, which every double is: adding such numbers
rounds nothing, so it does not matter in what order, in how many parts and how late the readings
came. Only what is shown is rounded, once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

__all__ = ["COLUMNS", "Exact", "Tally", "rounded"]

Exact = tuple[int, int]
"""(m, s) is m / 2**s, with s >= 0."""

COLUMNS = "n, low, high, first_ms, first, last_ms, last, total, squares, exact"
"""Of a roll-up's row, in the order of `Tally.row`."""


def _plus(a: Exact, m: int, s: int) -> Exact:
    if a[1] == s:
        return a[0] + m, s
    if a[1] < s:
        return (a[0] << (s - a[1])) + m, s
    return a[0] + (m << (a[1] - s)), a[1]


def rounded(exact: Exact) -> float | None:
    """Give the nearest double (ties to even); None beyond the largest."""
    try:
        return exact[0] / (1 << exact[1])
    except OverflowError:
        return None


def _packed(exact: Exact) -> bytes:
    """Write in the one shortest way: shift, length, number."""
    m, s = exact
    spare = min(s, (m & -m).bit_length() - 1) if m else s
    m, s = m >> spare, s - spare
    number = m.to_bytes(m.bit_length() // 8 + 1, "big", signed=True)
    return s.to_bytes(2, "big") + len(number).to_bytes(2, "big") + number


def _unpacked(blob: bytes) -> tuple[Exact, bytes]:
    end = 4 + int.from_bytes(blob[2:4], "big")
    return (int.from_bytes(blob[4:end], "big", signed=True), int.from_bytes(blob[:2], "big")), blob[
        end:
    ]


@dataclass(slots=True)
class Tally:
    """The values of one series in one stretch of time."""

    n: int = 0
    low: float = 0.0
    high: float = 0.0
    first_ms: int = 0
    first: float = 0.0
    last_ms: int = 0
    last: float = 0.0
    total: Exact = (0, 0)
    squares: Exact = (0, 0)

    def add(self, at_ms: int, value: float) -> None:
        """Count one finite value; no two of a series share an instant."""
        m, d = value.as_integer_ratio()
        s = d.bit_length() - 1
        self.total = _plus(self.total, m, s)
        self.squares = _plus(self.squares, m * m, 2 * s)
        self._take_ends(value, value, (at_ms, value), (at_ms, value))
        self.n += 1

    def merge(self, other: Tally) -> None:
        """Count what another stretch holds; none of it may be counted here already."""
        if not other.n:
            return
        self.total = _plus(self.total, *other.total)
        self.squares = _plus(self.squares, *other.squares)
        self._take_ends(
            other.low, other.high, (other.first_ms, other.first), (other.last_ms, other.last)
        )
        self.n += other.n

    def _take_ends(
        self, low: float, high: float, first: tuple[int, float], last: tuple[int, float]
    ) -> None:
        is_new = not self.n
        if is_new or low < self.low:
            self.low = low
        if is_new or high > self.high:
            self.high = high
        if is_new or first[0] < self.first_ms:
            self.first_ms, self.first = first
        if is_new or last[0] > self.last_ms:
            self.last_ms, self.last = last

    def row(self) -> tuple[Any, ...]:
        """Give the row's values, as COLUMNS names them."""
        return (
            self.n,
            self.low,
            self.high,
            self.first_ms,
            self.first,
            self.last_ms,
            self.last,
            rounded(self.total),
            rounded(self.squares),
            _packed(self.total) + _packed(self.squares),
        )

    @classmethod
    def of(cls, row: tuple[Any, ...]) -> Self:
        """Read a row back."""
        n, low, high, first_ms, first, last_ms, last, _, _, exact = row
        total, rest = _unpacked(exact)
        squares, _ = _unpacked(rest)
        return cls(n, low, high, first_ms, first, last_ms, last, total, squares)
