"""The watch at work on readings and a real store, and what the commands say of it."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest

from acquire.asking import ask, asked
from acquire.cli import main
from acquire.installation import WatchConfig
from acquire.outlets.watch_words import plotted
from acquire.readings import (
    Capture,
    CaptureState,
    Channel,
    Event,
    Flag,
    Reading,
    SettledValue,
    Stamp,
)
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.rows import capture_rows, event_row
from acquire.watch.kept import Alert, Cleared, KeptDraw, Replaced
from acquire.watch.side_by_side import agreement
from acquire.watching import Point, ec25_of, resumed

START_MS = 1_790_000_000_000
CHANNELS = (Channel("conductivity", 0.1, reference_c=25.0), Channel("temperature", 0.1))
CONFIG = WatchConfig(
    product="product", feed="feed", least_rejection_percent=80.0, litres_a_day=12.0
)


def readings(draw: int, product: float, feed: float = 400.0) -> Iterator[Reading]:
    """A draw every four hours, seen by two probes, no flow meter."""
    start = draw * 4 * 3600
    for s in range(-60, 150, 5):
        stamp = Stamp(START_MS + (start + s) * 1000, (start + s + 100) * 10**9)
        ec = product * (2.5 if s < 0 else 1 + 2 * math.exp(-s / 10))
        temp = 20.0 if s < 0 else 14.0
        yield Reading("feed", stamp, {"conductivity": feed, "temperature": temp})
        yield Reading("product", stamp, {"conductivity": round(ec, 1), "temperature": temp})


def point(config: WatchConfig = CONFIG) -> Point:
    numbers = count(1)
    made = Point("sink", config, new_id=lambda: f"alert{next(numbers)}", check_every_days=30)
    made.meet("product", CHANNELS, {})
    made.meet("feed", CHANNELS, {})
    return made


class Kept:
    """Keeps what the watch says as the daemon does."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.said: list[object] = []

    def __call__(self, news: list[object]) -> None:
        self.said += news

    def write(self) -> None:
        ledger = Ledger(self.path, Stamp(START_MS, 1))
        rows = [event_row(one) if isinstance(one, Event) else one for one in self.said]
        assert ledger.commit([], rows) == [None] * len(rows)  # type: ignore[arg-type]
        ledger.close(Stamp(START_MS, 1))
        self.said.clear()


def run(watch: Point, kept: Kept, first: int, many: int, level: float) -> None:
    chance = random.Random(first)
    for draw in range(first, first + many):
        for reading in readings(draw, level * math.exp(chance.gauss(0, 0.02))):
            kept(list(watch.update(reading)))


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    return Kept(tmp_path / "ouzel.db")


def alerts(kept: Kept) -> list[str]:
    return [one.kind for one in kept.said if isinstance(one, Alert)]


def test_draws_of_two_probes_become_performance(kept: Kept) -> None:
    run(point(), kept, 0, 5, 20.0)
    draws = [one for one in kept.said if isinstance(one, KeptDraw)]
    assert len(draws) == 5
    assert draws[-1].passage == pytest.approx(0.05, rel=0.1)
    assert draws[-1].feed == 400.0
    assert draws[-1].draw.peak is not None


def test_an_alert_is_kept_before_its_event_and_survives_a_restart_without_being_raised_again(
    kept: Kept,
) -> None:
    watch = point()
    run(watch, kept, 0, 50, 20.0)
    assert alerts(kept) == []
    run(watch, kept, 50, 5, 45.0)
    assert alerts(kept) == ["breakthrough"]
    order = [type(one) for one in kept.said if isinstance(one, Alert | Event)]
    assert order[order.index(Alert) + 1] is Event
    kept.write()

    again = point()
    with Records.open(kept.path) as records:
        again.resume(records)
    run(again, kept, 55, 4, 45.0)
    assert alerts(kept) == []
    assert set(again.open) >= {"breakthrough"}
    run(again, kept, 59, 8, 20.0)
    assert [type(one) for one in kept.said if isinstance(one, Cleared)] == [Cleared]
    kept.write()
    with Records.open(kept.path) as records:
        (alert,) = records.alerts()
        assert not alert.is_open
        kinds = [event.kind for event in records.events()]
    assert kinds == ["watch_summary", "alert_raised", "alert_cleared"]


def test_a_restart_changes_nothing_about_what_is_known(kept: Kept) -> None:
    watch = point()
    run(watch, kept, 0, 60, 20.0)
    kept.write()
    with Records.open(kept.path) as records:
        (again,) = resumed({"sink": CONFIG}, records, new_id=str, trusted_days=lambda _: 30)
    assert again.judge.standing() == watch.judge.standing()
    assert again.draws == watch.draws


def test_a_changed_cartridge_ends_the_alerts_and_begins_a_baseline(kept: Kept) -> None:
    watch = point()
    run(watch, kept, 0, 50, 20.0)
    run(watch, kept, 50, 5, 45.0)
    news = watch.change("cartridge", Stamp(START_MS + 10**9, 1))
    kept(list(news))
    assert any(isinstance(one, Replaced) for one in news)
    assert sum(isinstance(one, Cleared) for one in news) == len({"breakthrough"})
    assert watch.judge.standing().draws == 0
    kept.write()
    with Records.open(kept.path) as records:
        assert [one.part for one in records.replaced("sink")] == ["cartridge"]
        (again,) = resumed({"sink": CONFIG}, records, new_id=str, trusted_days=lambda _: 30)
    assert again.changed_ms == START_MS + 10**9


def test_litres_days_and_checks_that_are_due_are_told_once(kept: Kept) -> None:
    config = CONFIG.model_copy(update={"capacity_litres": 60.0})
    run(point(config), kept, 0, 200, 20.0)  # 33 days
    assert sorted(alerts(kept)) == ["capacity", "check_overdue", "ends_soon"]


def test_once_a_week_a_paragraph_is_said_that_promises_nothing(kept: Kept) -> None:
    run(point(), kept, 0, 6 * 22, 20.0)
    texts = [one.text for one in kept.said if isinstance(one, Event)]
    weekly = [text for text in texts if "this week" in text]
    assert len(weekly) == 3
    assert "95" in weekly[0]
    assert all("never shows that the water is safe" in text for text in weekly)


def capture(meter: str, value: float, at_ms: int = START_MS, water: str = "tap") -> Capture:
    settled = SettledValue("conductivity", value, 0.02 * value, "settled", 0.0, 30.0)
    stamp = Stamp(at_ms, 1)
    values = {"conductivity": settled}
    return Capture("c", meter, CaptureState.FINAL, stamp, stamp, values, water)


def test_with_one_probe_the_feed_is_what_a_round_found_last(kept: Kept) -> None:
    config = WatchConfig(product="product", feed_water="tap", most_product_us_cm=100.0)
    watch = point(config)
    run(watch, kept, 0, 1, 20.0)
    assert isinstance(kept.said[0], KeptDraw)
    assert kept.said[0].passage is None  # nothing is invented for a feed nobody measured
    assert watch.see(capture("bench", 500.0))
    assert not watch.see(capture("bench", 50.0, water="bottle"))
    run(watch, kept, 1, 1, 20.0)
    (last,) = [one for one in kept.said if isinstance(one, KeptDraw)][1:]
    assert last.passage is not None
    assert last.passage == pytest.approx(0.04, rel=0.1)
    assert last.feed_ms == START_MS
    assert last.passage_u is not None
    assert last.passage_u > 0.05 * last.passage


def test_a_meter_without_compensation_is_carried_to_25_and_nonsense_makes_no_number() -> None:
    raw = {one.quantity: one for one in (Channel("conductivity", 1.0), CHANNELS[1])}
    at = Stamp(START_MS, 1)
    # ISO 7888 table: f25 at 15.0 °C is 1.254.
    value, _ = ec25_of(Reading("m", at, {"conductivity": 400.0, "temperature": 15.0}), raw, {})
    assert value == pytest.approx(400 * 1.254, rel=2e-3)
    flagged = Reading("m", at, {"temperature": 15.0}, {"conductivity": Flag.OVER_RANGE})
    assert ec25_of(flagged, raw, {}) == (None, 15.0)
    assert ec25_of(Reading("m", at, {"conductivity": 9.0}), raw, {}) == (None, None)


def test_two_probes_are_compared_in_one_water_and_nothing_is_applied() -> None:
    mine, others = capture("product", 200.0), [capture("feed", 210.0, START_MS + 3_600_000)]
    found = agreement([mine], others)
    assert found is not None
    assert found.gain == pytest.approx(1.05)
    assert found.u == pytest.approx(1.05 * math.hypot(0.01, 0.01))
    assert found.differs
    assert agreement([mine], [replace(others[0], water="other")]) is None
    assert agreement([mine], [capture("feed", 210.0, START_MS + 3 * 86_400_000)]) is None


# -- the commands ---------------------------------------------------------------------------


@pytest.fixture
def home(kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    watch = point()
    run(watch, kept, 0, 100, 20.0)
    run(watch, kept, 100, 4, 45.0)
    kept.write()
    ledger = Ledger(kept.path, Stamp(START_MS, 1))
    ledger.commit([], [capture_rows(replace(capture(m, 200.0), id=m)) for m in ("product", "feed")])
    ledger.close(Stamp(START_MS, 1))
    meter = '[meters.{}]\nprofile = "labelled"\nport = "/dev/null"\n'
    (tmp_path / "ouzel.toml").write_text(
        '[store]\npath = "ouzel.db"\n'
        + meter.format("product")
        + meter.format("feed")
        + '[watch.sink]\nproduct = "product"\nfeed = "feed"\nleast_rejection_percent = 80\n',
        encoding="utf-8",
    )
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_status_fits_80_columns_and_says_what_to_do(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["watch", "status"]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert "far more than before" in text
    assert "change the cartridge" in text
    assert "never show that a water is safe" in text
    assert main(["watch", "status", "sink", "--json"]) == 0
    (said,) = json.loads(capsys.readouterr().out)
    assert said["alerts"][0]["kind"] == "breakthrough"
    assert said["rejection_percent"] == pytest.approx(88.75, abs=1)


def test_an_alert_is_acknowledged_and_a_change_said(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Records.open(home / "ouzel.db") as records:
        (alert,) = records.alerts()
    assert main(["watch", "acknowledge", alert.id]) == 0
    with Records.open(home / "ouzel.db") as records:
        (alert,) = records.alerts()
    assert alert.acknowledged_ms is not None
    assert alert.is_open
    assert main(["watch", "changed", "sink", "cartridge"]) == 0
    with Records.open(home / "ouzel.db") as records:
        (alert,) = records.alerts()
    assert alert.cleared_text == "the cartridge was changed"
    capsys.readouterr()
    assert main(["watch", "acknowledge", "nothing"]) == 2
    assert "none holds" in capsys.readouterr().err
    assert main(["watch", "changed", "cellar", "cartridge"]) == 2


def test_a_curve_is_drawn_with_its_ends(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["watch", "plot", "sink"]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert "•" in text
    assert main(["watch", "plot", "sink", "--what", "peak", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["points"]) == 104
    assert main(["watch", "compare", "sink"]) == 0
    assert "change nothing" in capsys.readouterr().out


def test_a_gap_in_a_curve_stays_empty() -> None:
    points = [(n * 1000, 1.0 + n % 3) for n in range(100) if not 40 <= n < 60]
    columns = [line[11:] for line in plotted(points, "x").splitlines()[1:-2]]
    width = max(map(len, columns))
    filled = {n for line in columns for n, letter in enumerate(line) if letter == "•"}
    assert not filled & set(range(int(width * 0.43), int(width * 0.57)))


def test_while_another_writes_the_wish_is_left_beside_the_store(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = Ledger(home / "ouzel.db", Stamp(START_MS, 1))
    from acquire.cli import watch

    monkeypatch.setattr(watch, "_PATIENCE_S", 0.02)
    assert main(["watch", "changed", "sink", "cartridge"]) == 5
    assert "does not take requests" in capsys.readouterr().err
    assert asked(home / "ouzel.db") == []
    ledger.close(Stamp(START_MS, 1))


def test_a_request_is_read_back_and_what_is_none_is_deleted(tmp_path: Path) -> None:
    store = tmp_path / "a[b]*.db"
    note = ask(store, {"watch": "sink", "part": "cartridge"})
    for n, text in enumerate(("{", "[]", '{"a": 1}', "[" * 100_000, "\x00")):
        store.with_name(f"{store.name}.ask-{n:016x}").write_text(text)
    assert asked(store) == [(note, {"watch": "sink", "part": "cartridge"})]
    assert sorted(tmp_path.iterdir()) == [note]
