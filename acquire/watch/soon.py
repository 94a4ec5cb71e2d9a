"""Whether a filter will be due soon: by the forecast, or by what it is rated for. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from acquire.watch.forecast import Forecast
from acquire.watch.judge import Change

__all__ = ["KIND", "Left", "Notice", "ends_soon"]

KIND = "ends_soon"
_CLEAR = 1.5
"""The alert ends once so many times the warning is left: a forecast moves from day to day."""


@dataclass(frozen=True, slots=True)
class Notice:
    """How early a person wants to know."""

    days: float
    litres: float | None = None


@dataclass(frozen=True, slots=True)
class Left:
    """What is left by one account; None: that account does not say."""

    why: str
    days: float | None
    litres: float | None


def ends_soon(said: Forecast, rated: Left, warning: Notice, litres_a_day: float | None) -> Change:
    """Tell whether it is due within the warning, by whichever account says so first.

    `litres_a_day` turns the days of a forecast into litres; None where the use is not known.
    """
    litres = None if said.days is None or litres_a_day is None else said.days * litres_a_day
    accounts = [
        Left(
            "by the trend of its passage"
            if said.low_days is None or said.high_days is None
            else f"by the trend of its passage, {said.low_days:.0f} to {said.high_days:.0f} days "
            "(nine in ten)",
            said.days,
            litres,
        ),
        rated,
    ]
    shares = [
        (share, one)
        for one in accounts
        for share in (
            None if one.days is None else one.days / warning.days,
            None if one.litres is None or not warning.litres else one.litres / warning.litres,
        )
        if share is not None
    ]
    if not shares:
        return Change(KIND, is_on=False, text="")  # nobody knows: the caller leaves it as it is
    least, first = min(shares, key=lambda pair: pair[0])
    if least <= 1.0:
        return Change(KIND, is_on=True, text=f"{_amount(first)} left {first.why}")
    text = f"{_amount(first)} left {first.why}" if least > _CLEAR else ""
    return Change(KIND, is_on=False, text=text)


def _amount(left: Left) -> str:
    parts = [] if left.days is None else [f"about {max(0.0, left.days):.0f} days"]
    if left.litres is not None:
        parts.append(f"{max(0.0, left.litres):.0f} L")
    return " or ".join(parts)
