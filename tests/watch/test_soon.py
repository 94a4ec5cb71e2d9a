"""A filter that will be due soon is told of once, by whichever account says so first."""

from __future__ import annotations

import datetime as dt
import math

import pytest

from acquire.installation import WatchConfig
from acquire.readings import Channel, Reading, Stamp
from acquire.watch.forecast import Forecast
from acquire.watch.kept import Alert, Cleared
from acquire.watch.soon import Left, Notice, ends_soon
from acquire.watching import Point

NOBODY = Left("of what it is rated for", None, None)
DAY_S = 86_400


@pytest.mark.parametrize(
    ("days", "rated", "is_on", "says"),
    [
        (None, NOBODY, False, ""),
        (30.0, NOBODY, False, "30 days"),
        (20.0, NOBODY, False, ""),  # between: as it was
        (13.0, NOBODY, True, "13 days or 156 L left by the trend"),
        (200.0, Left("of what it is rated for", 9.0, None), True, "9 days left of what"),
        (None, Left("of what it is rated for", None, 80.0), True, "80 L left of what"),
        (-2.0, NOBODY, True, "about 0 days"),
    ],
)
def test_the_account_that_ends_first_decides(
    days: float | None, rated: Left, is_on: bool, says: str
) -> None:
    found = ends_soon(Forecast(days=days), rated, Notice(14, 100.0), 12.0)
    assert found.is_on is is_on
    assert says in found.text if says else not found.text


def exhausting(point: Point, days: int, *, a_day: int = 6) -> list[object]:
    """A membrane whose passage doubles in 50 days; drawn six times a day, two litres each."""
    news: list[object] = []
    for draw in range(days * a_day):
        begun = draw * DAY_S // a_day
        level = 20.0 * 2 ** (begun / DAY_S / 50)
        for s in range(-20, 140, 4):
            runs = 0 <= s < 120
            value = level * (1 + 2 * math.exp(-s / 10)) if runs else 3 * level
            stamp = Stamp(round((1_790_000_000 + begun + s) * 1000), (begun + s + 1000) * 10**9)
            said = {"conductivity": round(value, 1), "temperature": 14.0, "flow": 1.0 * runs}
            news += point.update(Reading("product", stamp, said))
    return news


def test_the_end_is_told_once_some_days_before_it_comes_and_over_with_the_change() -> None:
    ids = iter(range(1000))
    config = WatchConfig(
        product="product", feed_us_cm=400.0, flow="flow", most_product_us_cm=60.0, warn_days=14,
        cartridge_installed=dt.date(2026, 9, 21),
    )  # fmt: skip
    point = Point("sink", config, new_id=lambda: str(next(ids)), check_every_days=3000)
    point.meet("product", [Channel("conductivity", 0.1, reference_c=25.0)], {})
    alerts = [one for one in exhausting(point, 90) if isinstance(one, Alert)]
    limit_day = 50 * math.log2(3)
    told = {one.kind: (one.raised_ms / 1000 - 1_790_000_000) / DAY_S for one in alerts}
    assert [one.kind for one in alerts] == ["ends_soon", "exhausted"]
    assert 4 < limit_day - told["ends_soon"] < 28
    assert abs(told["exhausted"] - limit_day) < 5
    ended = point.change("cartridge", Stamp(1_800_000_000_000, 10**18))
    assert sum(isinstance(one, Cleared) for one in ended) == 2


def test_a_rated_cartridge_is_told_of_before_its_days_are_over() -> None:
    config = WatchConfig(
        product="product", feed_us_cm=400.0, most_product_us_cm=300.0, lasts_days=20, warn_days=7,
        cartridge_installed=dt.date(2026, 9, 21),
    )  # fmt: skip
    point = Point("sink", config, new_id=lambda: "x", check_every_days=3000)
    point.meet("product", [Channel("conductivity", 0.1, reference_c=25.0)], {})
    alerts = [one for one in exhausting(point, 18, a_day=4) if isinstance(one, Alert)]
    assert [one.kind for one in alerts] == ["ends_soon"]
    assert "of what it is rated for" in alerts[0].text
