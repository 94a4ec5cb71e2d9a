"""The history of a water, from a real store: what moved, and whether it was the water."""

from __future__ import annotations

import asyncio
import json
import random
from dataclasses import replace

import pytest

from acquire.bench.beside_meter import drift_beside
from acquire.bench.chosen import compare_stored
from acquire.bench.history import history
from acquire.bench.meter_state import drift_of
from acquire.bench.movement import Point, trend_of
from acquire.checks import Check
from acquire.clock import SystemClock
from acquire.errors import ConfigError
from acquire.outlets.comparison_json import comparison_json
from acquire.outlets.comparison_words import comparison_lines
from acquire.outlets.history_json import history_json
from acquire.outlets.history_words import history_lines
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp
from acquire.rounds import Round, Stop, Visit
from acquire.stats.trend import LATEST
from acquire.store.records import Records
from acquire.store.writer import StoreWriter

DAY = 86_400_000
START = 1_770_000_000_000
CHANNELS = (
    Channel("ph", 0.01, accuracy=0.05),
    Channel("conductivity", 1.0, accuracy_relative=0.02, reference_c=25.0, coefficient=0.02),
    Channel("tds", 1.0, accuracy_relative=0.02, follows="conductivity"),
)


def capture(name, day, water="tap", role=Role.SUBJECT, source="meter", minutes=0, **values):
    stamp = Stamp(START + day * DAY + minutes * 60_000, 1_000_000)
    said = {
        q: SettledValue(q, v, 0.02 if q == "ph" else 1.0, "settled", 0.0, 40.0, source,
                        budget={"noise": 0.01 if q == "ph" else 0.5})
        for q, v in values.items()
    }  # fmt: skip
    return Capture(name, "kitchen", CaptureState.FINAL, stamp, stamp, said, water, role)


def check(name, day, bias, *, quantity="ph", expected=7.0, verdict="pass", u=0.02):
    return Check(
        capture_id=name, meter="kitchen", quantity=quantity, at_ms=START + day * DAY + 3_600_000,
        solution=f"s-{expected}", label=f"solution {expected}", source="", method="", temp_c=21.0,
        temp_from="meter", said=expected + bias, said_u=u, expected=expected, expected_u=u,
        allowed=0.05, allowed_by="", verdict=verdict, reason="",
    )  # fmt: skip


@pytest.fixture
def store(tmp_path):
    def fill(*items):
        async def main():
            async with await StoreWriter.open(tmp_path / "w.db", clock=SystemClock()) as writer:
                await writer.describe("kitchen", driver="text_lines", channels=CHANNELS)
                known = set()
                for item in items:
                    if isinstance(item, Check) and item.capture_id not in known:
                        day = (item.at_ms - START) // DAY
                        await writer.keep(
                            capture(item.capture_id, day, "buffer", Role.SOLUTION, ph=item.said)
                        )
                        known.add(item.capture_id)
                    await writer.keep(item)

        asyncio.run(main())
        return Records.open(tmp_path / "w.db")

    return fill


def of(found, quantity):
    return next(one for one in found.quantities if one.quantity == quantity)


def test_a_filter_that_ages_is_seen_and_charted(store):
    draw = random.Random(2)
    items = [
        capture(f"c{n}", 30 * n, conductivity=20 + 4 * n + draw.gauss(0, 0.4)) for n in range(12)
    ]
    checks = [
        check(f"k{n}", 60 * n, draw.gauss(0, 3), quantity="conductivity", expected=1413.0, u=8.0)
        for n in range(6)
    ]
    with store(*items, *checks) as records:
        found = of(history(records, "tap"), "conductivity")
    assert found.trend.verdict == "rising"
    assert found.trend.low <= 4.0 <= found.trend.high
    assert found.trend.drift.checks == 6
    assert len(found.points) == 12
    # The last point has no check on its day, so its change holds the meter's whole accuracy.
    assert (found.change.verdict, found.change.by_checks) == ("yes", False)


def test_a_drift_of_the_meter_is_not_read_as_a_change_of_the_water(store):
    """The same water for a year, a pH electrode that drifts 0.03 a month, checked each time."""
    draw = random.Random(4)
    drift = [0.03 * n for n in range(12)]
    items = [capture(f"c{n}", 30 * n, ph=7.4 + drift[n] + draw.gauss(0, 0.01)) for n in range(12)]
    checks = [check(f"k{n}", 30 * n, drift[n] + draw.gauss(0, 0.005)) for n in range(12)]
    with store(*items, *checks) as records:
        found = of(history(records, "tap"), "ph")
    assert found.trend.low > 0
    assert found.trend.verdict == "cannot tell"
    assert "meter" in found.trend.why
    assert found.change.by_checks
    assert found.change.verdict != "yes"
    assert abs(found.change.budget.value) < 0.03  # 0.03 of drift are taken off
    assert len(found.checks) == 12


def test_without_checks_a_small_trend_is_nobodys(store):
    items = [capture(f"c{n}", 30 * n, ph=7.4 + 0.005 * n) for n in range(8)]
    with store(*items) as records:
        found = of(history(records, "tap"), "ph")
    assert found.trend.verdict == "cannot tell"
    assert "three checks" in found.trend.why


@pytest.mark.parametrize(
    ("odd", "word"), [({"meter": "travel"}, "meter"), ({"is_imported": True}, "imported")]
)
def test_a_slope_over_two_meters_or_imported_values_is_nobodys(odd, word):
    """A new meter that is off by 0.4 against the old one was read as a rising water."""
    channels = {"kitchen": {c.quantity: c for c in CHANNELS}}
    points = [
        Point(START + 30 * n * DAY, 7.0 + 0.01 * n + (0.4 if n >= 6 else 0.0), 0.1, (f"c{n}",), "",
              "kitchen", False, ())
        for n in range(12)
    ]  # fmt: skip
    assert trend_of(BUILT_IN["ph"], points, [], channels, []).verdict == "rising"
    mixed = [replace(point, **odd) if n < 6 else point for n, point in enumerate(points)]
    found = trend_of(BUILT_IN["ph"], mixed, [], channels, [])
    assert found.verdict == "cannot tell"
    assert word in found.why


def test_an_interval_without_an_end_says_nothing():
    """Three values bound no slope: that was called `no trend`."""
    channels = {"kitchen": {c.quantity: c for c in CHANNELS}}
    points = [
        Point(START + 30 * n * DAY, 7.0 + 0.5 * n, 0.1, (f"c{n}",), "", "kitchen", False, ())
        for n in range(3)
    ]
    assert trend_of(BUILT_IN["ph"], points, [], channels, []).verdict == "cannot tell"


def test_the_change_covers_the_truth_with_checks_beside_it():
    """Monte Carlo, no store: meters that drift at random, checks that err as they say."""
    from acquire.bench.movement import Point, change_of
    from acquire.bench.sides import measured

    draw = random.Random(9)
    channels = {"kitchen": {one.quantity: one for one in CHANNELS}}
    inside, trials = 0, 600
    for _ in range(trials):
        true = draw.uniform(-0.3, 0.3)
        offsets = [draw.gauss(0, 0.1), draw.gauss(0, 0.1)]
        pair, points, checks = [], [], []
        for n, level in enumerate((7.4, 7.4 + true)):
            said = level + offsets[n] + draw.gauss(0, 0.01) + draw.uniform(-0.005, 0.005)
            one = capture(f"c{n}", 40 * n, ph=said)
            pair.append(measured("ph", [one], channels, [], sources={one.id: f"kitchen {n}"}))
            points.append(Point(one.taken.at_ms, said, 0.1, (one.id,), "", "kitchen", False, ()))
            checks.append(check(f"k{n}", 40 * n, offsets[n] + draw.gauss(0, 0.0141)))
        found = change_of(BUILT_IN["ph"], tuple(pair), points, checks, [])
        inside += abs(found.budget.value - true) <= found.budget.expanded()
    assert 0.93 <= inside / trials <= 0.97


def rounds():
    stops = (
        Stop("water", "ro", Role.REFERENCE),
        Stop("water", "tap", Role.SUBJECT, repeats=2),
    )
    items = []
    for n in range(3):
        day, name = 30 * n, f"round{n}abc"
        items += [
            Round(name, "kitchen", "", "kitchen", START + day * DAY, stops, "done"),
            capture(f"r{n}", day, "ro", Role.REFERENCE, minutes=1, ph=6.2, conductivity=12.0),
            capture(f"s{n}", day, "tap", minutes=9, ph=7.60, conductivity=500.0),
            capture(f"t{n}", day, "tap", minutes=19, ph=7.64, conductivity=502.0),
            capture(f"u{n}", day, "tap", minutes=14, ph=9.99, conductivity=1.0),
            Visit(name, 0, 1, "taken", START + day * DAY + 60_000, f"r{n}"),
            Visit(name, 1, 1, "taken", START + day * DAY + 540_000, f"s{n}"),
            Visit(name, 1, 2, "set aside", START + day * DAY + 840_000, f"u{n}"),
            Visit(name, 1, 2, "taken", START + day * DAY + 1_140_000, f"t{n}",
                  flags=("carry-over: towards ro",) if n == 1 else ()),
        ]  # fmt: skip
    return items


def test_rounds_repeats_and_what_was_set_aside(store):
    with store(*rounds()) as records:
        found = of(history(records, "tap"), "ph")
        # Of the second round one repeat is in doubt, and the other stands for the water.
        assert [p.value for p in found.points] == pytest.approx([7.62, 7.60, 7.62])
        assert (found.points[1].captures, found.points[1].flags) == (("s1",), ())
        assert found.points[0].captures == ("s0", "t0")
        (last,) = compare_stored(records, "round2")
        assert [c.id for c in last.subject] == ["s2", "t2"]
        assert [c.id for c in last.reference] == ["r2"]
        assert next(r for r in last.rows if r.quantity == "ph").verdict == "yes"
        assert compare_stored(records, "last") == [last]
        (odd,) = compare_stored(records, "round1")  # t1 is doubted, s1 stands for it
        assert {r.verdict for r in odd.rows} == {"yes"}
        assert {r.subject.captures for r in odd.rows} == {("s1",)}
        both = compare_stored(records, "round0", "round2")
        assert [(c.reference_water, c.reference[0].id[-1]) for c in both] == [
            ("ro", "0"),
            ("tap", "0"),
        ]
        (named,) = compare_stored(records, "ro", "tap@round0")
        assert ([c.id for c in named.reference], [c.id for c in named.subject]) == (
            ["r2"], ["s0", "t0"],
        )  # fmt: skip
        (words,) = compare_stored(records, "ro", "tap")
        assert [c.id for c in words.subject] == ["s2", "t2"]
        with pytest.raises(ConfigError, match="ro, tap"):
            compare_stored(records, "ro", "nowhere")
        with pytest.raises(ConfigError, match="two waters"):
            compare_stored(records, "tap")
        for same in (("tap", "tap"), ("round2", "round2"), ("s2", "tap@round2")):
            with pytest.raises(ConfigError, match="with itself"):
                compare_stored(records, *same)


def test_a_point_in_doubt_is_shown_but_no_chart_and_no_trend_rests_on_it(store):
    items = rounds()
    flag = "perhaps another water: it reads like ro"
    items += [
        Round("doubted", "kitchen", "", "kitchen", START + 90 * DAY, items[0].stops, "done"),
        capture("x", 90, "tap", minutes=9, ph=3.0, conductivity=12.0),
        Visit("doubted", 1, 1, "taken", START + 90 * DAY + 540_000, "x", flags=(flag,)),
        capture("y", 120, "tap", ph=7.61, conductivity=501.0),
    ]
    with store(*items) as records:
        history_ = history(records, "tap")
        found = of(history_, "ph")
    assert [p.is_doubted for p in found.points] == [False, False, False, True, False]
    assert len(found.sound) == 4
    assert found.chart.mean == pytest.approx(7.6125)
    assert found.chart.outside == ()
    assert (found.change.verdict, found.change.why) == ("cannot tell", flag)
    text = "\n".join(history_lines(history_, BUILT_IN))
    marked = next(line for line in text.splitlines() if "×" in line)
    assert not marked.lstrip().startswith("3.0")  # it does not set the scale
    assert "of 4 values" in text
    said = history_json(history_, BUILT_IN)["quantities"][0]["points"]
    assert [one["is_doubted"] for one in said] == [False, False, False, True, False]


def test_what_lies_outside_the_chart_is_named_by_its_place_among_all_points(store):
    doubt = ("perhaps another water: it reads like ro",)
    stops = (Stop("water", "tap", Role.SUBJECT),)
    items = [
        Round("r", "kitchen", "", "kitchen", START, stops, "done"),
        capture("odd", 0, minutes=1, ph=3.0),
        Visit("r", 0, 1, "taken", START + 60_000, "odd", flags=doubt),
        *(capture(f"c{n}", 10 * n, ph=7.0 + 0.01 * (n % 2)) for n in range(1, 9)),
        capture("high", 90, ph=7.4),
    ]
    with store(*items) as records:
        found = of(history(records, "tap"), "ph")
    assert found.chart.outside == (9,)


def test_the_latest_visits_are_read_and_no_more(store):
    with store(*rounds()) as records:
        whole, part = history(records, "tap"), history(records, "tap", latest=2)
        exact = history(records, "tap", latest=3)
    assert of(part, "ph").points == of(whole, "ph").points[1:]
    assert part.notes == ("The latest 2 visits; `ouzel history` has all.",)
    assert (exact.notes, whole.notes) == ((), ())


def test_a_meter_checked_every_day_for_years_still_tells_its_drift(store):
    """More than 1500 checks were more than a trend takes, and the history was lost for it."""
    draw = random.Random(3)
    checks = [check(f"k{n}", n, draw.gauss(0.0, 0.01)) for n in range(1600)]
    assert drift_beside("ph", checks, 7.4, []).checks == LATEST
    assert abs(drift_of(checks).per_month) < 0.01


def test_a_closing_check_that_failed_speaks_against_the_round(store):
    failed = check("k9", 60, 0.4, verdict="fail")
    with store(*rounds(), failed) as records:
        (last,) = compare_stored(records, "round2")
        (first,) = compare_stored(records, "round0")
    row = next(r for r in last.rows if r.quantity == "ph")
    assert (row.verdict, "k9" in row.why) == ("cannot tell", True)
    assert next(r for r in first.rows if r.quantity == "ph").verdict == "yes"
    assert next(r for r in last.rows if r.quantity == "conductivity").verdict == "yes"


def test_it_fits_80_columns_and_is_json(store):
    with store(*rounds(), *[check(f"k{n}", 30 * n, 0.01) for n in range(3)]) as records:
        found = history(records, "tap")
        (compared,) = compare_stored(records, "round2")
    lines = [*history_lines(found, BUILT_IN), *comparison_lines(compared, BUILT_IN)]
    assert max(map(len, lines)) <= 80
    text = " ".join(" ".join(lines).split())
    for word in ("certified laboratory", "local authority", "no medical and no legal advice"):
        assert word in text
    said = json.loads(json.dumps(history_json(found, BUILT_IN), allow_nan=False))
    assert said["quantities"][0]["checks"]
    json.dumps(comparison_json(compared, BUILT_IN), allow_nan=False)


def test_an_unknown_water_names_those_there_are(store):
    with store(capture("c", 0, ph=7.0)) as records, pytest.raises(ConfigError, match="tap"):
        history(records, "tab")


def test_a_capture_named_by_its_id_is_that_one_if_it_is_final(store):
    import dataclasses

    kept = capture("aaa1", 0, ph=7.0, conductivity=500.0)
    open_ = dataclasses.replace(capture("bbb2", 1, ph=7.4), state=CaptureState.WITHDRAWN)
    later = capture("ccc3", 1, ph=7.4, conductivity=500.0)
    with store(kept, open_, later) as records:
        (found,) = compare_stored(records, "aaa1", "ccc3")
        assert [c.id for c in (*found.reference, *found.subject)] == ["aaa1", "ccc3"]
        with pytest.raises(ConfigError, match="not final"):
            compare_stored(records, "aaa1", "bbb2")


def test_outside_a_round_captures_of_one_hour_and_one_role_are_repeats(store):
    items = [
        capture("old", 0, ph=7.0),
        capture("two", 1, minutes=10, ph=7.1),
        capture("one", 1, minutes=0, ph=7.1),
        capture("ref", 1, minutes=5, role=Role.REFERENCE, ph=7.1),
        capture("rinse", 1, minutes=20, role=Role.RINSE, ph=7.1),
        capture("jug", 1, "jug", ph=7.9),
    ]
    with store(*items) as records:
        (found,) = compare_stored(records, "jug", "tap")
    assert [c.id for c in found.subject] == ["one", "two"]


def test_a_round_that_has_no_pair_and_rounds_without_a_water_in_common_say_so(store):
    only = (Stop("water", "ro", Role.REFERENCE),)
    jug = (Stop("water", "jug", Role.SUBJECT), Stop("water", "ro", Role.REFERENCE))
    items = [
        Round("first1", "kitchen", "", "kitchen", START, only, "done"),
        capture("r1", 0, "ro", Role.REFERENCE, minutes=1, ph=6.2),
        Visit("first1", 0, 1, "taken", START + 60_000, "r1"),
        Round("second", "kitchen", "", "kitchen", START + DAY, jug, "done"),
        capture("j1", 1, "jug", minutes=1, ph=7.2),
        Visit("second", 0, 1, "taken", START + DAY + 60_000, "j1"),
        Visit("second", 1, 1, "skipped", START + DAY + 90_000),
    ]
    with store(*items) as records:
        with pytest.raises(ConfigError, match="no captures of a reference and of a subject"):
            compare_stored(records, "first1")
        with pytest.raises(ConfigError, match="no water in common"):
            compare_stored(records, "first1", "second")
        with pytest.raises(ConfigError, match="no final capture"):
            compare_stored(records, "ro@second", "jug")


def test_rinses_and_what_never_settled_are_no_points_of_a_history(store):
    import dataclasses

    moving = capture("m", 3, ph=7.4, conductivity=500.0)
    values = {**moving.values, "ph": dataclasses.replace(moving.values["ph"], phase="moving")}
    items = [
        capture("a", 0, ph=7.0, conductivity=500.0),
        capture("r", 1, role=Role.RINSE, ph=9.0),
        dataclasses.replace(moving, values=values),
    ]
    with store(*items) as records:
        found = history(records, "tap")
        alone = history(records, "tap", since_ms=START + 2 * DAY)
    assert [p.captures for p in of(found, "ph").points] == [("a",)]
    assert [p.captures for p in of(found, "conductivity").points] == [("a",), ("m",)]
    assert of(alone, "conductivity").change is None


def test_a_day_after_which_nothing_was_kept_is_told_from_a_water_nobody_knows(store):
    with store(capture("c", 0, ph=7.0)) as records:
        with pytest.raises(ConfigError, match="since that day"):
            history(records, "tap", since_ms=START + 100 * DAY)
        with pytest.raises(ConfigError, match="nothing is kept of such a water"):
            history(records, "tab", since_ms=START + 100 * DAY)


def test_what_was_kept_in_another_unit_is_left_out_of_the_line_and_said(store):
    """500 of a thousandth beside 0.5 of a whole would be a trend of its own."""
    table = {**BUILT_IN, "conductivity": replace(BUILT_IN["conductivity"], unit="mS/cm")}
    items = [capture("us", 0, ph=7.0, conductivity=500.0), capture("only", 1, ph=7.1)]
    with store(*items) as records:
        found = history(records, "tap", quantities=table)
        usual = history(records, "tap")
    assert [p.captures for p in of(found, "ph").points] == [("only",)]
    assert [one.quantity for one in found.quantities] == ["ph"]
    assert found.notes == ("Capture us is left out: conductivity in another unit.",)
    assert [p.captures for p in of(usual, "ph").points] == [("us",), ("only",)]
    assert usual.notes == ()


def test_a_stop_that_was_skipped_is_no_point_and_hides_none(store):
    stops = (Stop("water", "tap", Role.SUBJECT), Stop("water", "jug", Role.SUBJECT))
    items = [
        Round("round1", "kitchen", "", "kitchen", START, stops, "done"),
        capture("c", 0, ph=7.0),
        Visit("round1", 0, 1, "taken", START, "c", flags=("a flag",)),
        Visit("round1", 1, 1, "skipped", START + 60_000),
    ]
    with store(*items) as records:
        (point,) = of(history(records, "tap"), "ph").points
        with pytest.raises(ConfigError, match="nothing is kept of such a water"):
            history(records, "jug")
    assert point.captures == ("c",)
