"""The story of an immersion, told with the real follower and a settler that can be read at sight."""

from __future__ import annotations

import itertools
import math
from collections import deque
from dataclasses import dataclass

import pytest

from acquire.bench.desk import Desk
from acquire.bench.taker import GRACE_S, CaptureTaker
from acquire.checks import Anchor, StandingCorrection
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Channel, Event, Flag, Reading, Role, Stamp
from acquire.water.corrections import Correction

CHANNELS = (
    Channel("ph", 0.01),
    Channel("conductivity", 1.0),
    Channel("temperature", 0.1),
    Channel("tds", 1.0, follows="conductivity"),
)


@dataclass
class Seen:
    phase: str
    value: float
    expanded_u: float = 0.02
    drift_per_min: float = 0.0
    eta_s: float | None = None
    reason: str = ""


class QuietSettler:
    """Settled while the last eight values lie within a two-thousandth of their size."""

    def __init__(self):
        self.values = deque(maxlen=8)

    def update(self, t_s, value, temperature=None):
        self.values.append(value)
        spread = max(self.values) - min(self.values)
        if len(self.values) == 8 and spread <= 0.0005 * abs(value):
            return Seen("settled", value)
        return Seen("moving", value, reason=f"moves by {spread:.3g}")

    def budget(self):
        return {"noise": 0.01}

    def explain(self):
        return [("spread", f"{max(self.values) - min(self.values):.3g}")]


AIR = {"ph": 6.0, "conductivity": 0.0, "temperature": 21.0, "tds": 0.0}


def water(ph, conductivity, temperature=20.0):
    return {"ph": ph, "conductivity": conductivity, "temperature": temperature}


class Story:
    """Feeds a taker one reading a second and keeps what it says."""

    def __init__(self, stops=(), timeout_s=600.0, required=()):
        ids = itertools.count(1)
        self.taker = CaptureTaker(
            "kitchen",
            CHANNELS,
            lambda _channel: QuietSettler(),
            lambda quantity: BUILT_IN[quantity].tolerance,
            new_id=lambda: f"c{next(ids)}",
            timeout_s=timeout_s,
            stops=stops,
            required=required,
        )
        self.t_s = 1000.0
        self.said = []
        self.now = dict(AIR)

    def read(self, values, flags=None, step_s=1.0):
        self.t_s += step_s
        stamp = Stamp(round(1.79e12 + self.t_s * 1000), round(self.t_s * 1e9))
        news = self.taker.update(Reading("kitchen", stamp, values, flags or {}))
        self.said += news
        return news

    def air(self, seconds):
        for second in range(seconds):
            self.now = dict(AIR, ph=6.0 + 0.9 * math.sin(second))
            self.read(self.now)

    def dip(self, target, seconds, tau_s=8.0, spoil=lambda second, values: None):
        start = {k: self.now.get(k, target[k]) for k in target}
        for second in range(seconds):
            left = math.exp(-second / tau_s)
            self.now = {
                k: target[k] + (start[k] - target[k]) * (0.0 if k == "conductivity" else left)
                for k in target
            }
            self.now["tds"] = self.now["conductivity"] / 2
            values = dict(self.now)
            self.read(values, spoil(second, values))

    def captures(self, state=None):
        found = [item for item in self.said if isinstance(item, Capture)]
        return [item for item in found if state is None or item.state is state]


def test_one_immersion_gives_one_provisional_capture_that_becomes_final_when_the_probe_leaves():
    story = Story(stops=[("tap", Role.SUBJECT)])
    story.air(20)
    story.dip(water(7.6, 480), 120)
    assert [c.state for c in story.captures()] == [CaptureState.PROVISIONAL]
    story.air(20)
    provisional, final = story.captures()
    assert final.state is CaptureState.FINAL
    assert final.id == provisional.id
    assert (final.water, final.role) == ("tap", Role.SUBJECT)
    assert final.values["ph"].value == pytest.approx(7.6, abs=0.01)
    assert final.values["conductivity"].value == 480
    assert final.values["ph"].settled_after_s > final.values["conductivity"].settled_after_s


def test_the_final_values_are_those_of_the_water_not_of_the_lifting():
    story = Story()
    story.air(20)
    story.dip(water(7.6, 480), 120)
    story.air(20)
    (final,) = story.captures(CaptureState.FINAL)
    assert all(value.phase == "settled" for value in final.values.values())


def test_two_immersions_give_two_captures_and_none_of_the_transition():
    story = Story(stops=[("first", Role.REFERENCE), ("second", Role.SUBJECT)])
    story.air(20)
    story.dip(water(6.2, 15), 150)
    story.air(12)
    story.dip(water(7.6, 480), 150)
    story.air(20)
    finals = story.captures(CaptureState.FINAL)
    assert [c.water for c in finals] == ["first", "second"]
    assert [round(c.values["conductivity"].value) for c in finals] == [15, 480]
    assert len({c.id for c in story.captures()}) == 2


def test_a_probe_swung_straight_into_another_water_gives_a_capture_of_each():
    story = Story()
    story.air(20)
    story.dip(water(6.2, 15), 150)
    story.dip(water(7.6, 480), 150)
    story.air(20)
    finals = story.captures(CaptureState.FINAL)
    assert [round(c.values["conductivity"].value) for c in finals] == [15, 480]
    assert finals[0].values["ph"].value == pytest.approx(6.2, abs=0.01)
    assert not story.captures(CaptureState.WITHDRAWN)


def test_a_value_that_moves_on_by_itself_withdraws_the_capture_and_settles_anew():
    story = Story(stops=[("tap", None), ("never reached", None)])

    def bubble(second, values):
        if second < 60:
            values["ph"] = 7.3

    story.air(20)
    story.dip(water(7.6, 480), 200, spoil=bubble)
    story.air(20)
    states = [c.state for c in story.captures()]
    assert states == [
        CaptureState.PROVISIONAL,
        CaptureState.WITHDRAWN,
        CaptureState.PROVISIONAL,
        CaptureState.FINAL,
    ]
    first, withdrawn, second, final = story.captures()
    assert withdrawn.id == first.id != second.id == final.id
    assert "ph" in withdrawn.reason
    assert final.water == "tap"
    assert final.values["ph"].value == pytest.approx(7.6, abs=0.01)


def test_a_short_disturbance_withdraws_nothing():
    story = Story()

    def stir(second, values):
        if 80 <= second < 80 + GRACE_S / 3:
            values["ph"] += 0.1

    story.air(20)
    story.dip(water(7.6, 480), 150, spoil=stir)
    story.air(20)
    assert not story.captures(CaptureState.WITHDRAWN)
    assert len(story.captures(CaptureState.FINAL)) == 1


def test_what_never_settles_is_recorded_as_unsettled_with_the_reason():
    story = Story(timeout_s=120)

    def creep(second, values):
        values["ph"] += 0.01 * second

    story.air(20)
    story.dip(water(6.0, 480), 200, spoil=creep)
    story.air(20)
    (unsettled,) = story.captures()
    assert unsettled.state is CaptureState.UNSETTLED
    assert "ph moves" in unsettled.reason
    assert "conductivity" not in unsettled.reason
    assert unsettled.values["ph"].phase == "moving"


def test_a_quantity_without_a_number_keeps_the_capture_waiting_and_is_named():
    story = Story(timeout_s=120)

    def no_ph(second, values):
        del values["ph"]
        return {"ph": Flag.OVER_RANGE}

    story.air(20)
    story.dip(water(7.6, 480), 130, spoil=no_ph)
    (unsettled,) = story.captures()
    assert "ph shows no usable number (over_range)" in unsettled.reason
    assert "ph" not in unsettled.values


def test_what_follows_another_quantity_is_not_waited_for():
    story = Story()

    def no_tds(second, values):
        del values["tds"]

    story.air(20)
    story.dip(water(7.6, 480), 100, spoil=no_tds)
    (capture,) = story.captures()
    assert capture.state is CaptureState.PROVISIONAL
    assert "tds" not in capture.values


def test_a_probe_lifted_early_gives_no_capture_but_says_so():
    story = Story()
    story.air(20)
    story.dip(water(7.6, 480), 14)
    story.air(20)
    assert not story.captures()
    (event,) = [item for item in story.said if isinstance(item, Event)]
    assert event.kind == "left_unsettled"


def test_losing_the_meter_makes_the_capture_final_with_what_was_settled():
    story = Story()
    story.air(20)
    story.dip(water(7.6, 480), 120)
    story.said.clear()
    story.said += story.taker.interrupt(Stamp(0, round(story.t_s * 1e9)), "the meter was lost")
    (final,) = story.captures()
    assert final.state is CaptureState.FINAL
    assert final.reason == "the meter was lost"
    assert final.values["ph"].value == pytest.approx(7.6, abs=0.01)


def test_duplicates_and_readings_out_of_order_change_nothing():
    plain, noisy = Story(), Story()
    for story in (plain, noisy):
        story.air(20)
        story.dip(water(7.6, 480), 60)
        if story is noisy:
            for back_s in (0.0, -5.0, -50.0):
                story.t_s += back_s
                story.read(dict(AIR), step_s=0.0)
                story.t_s -= back_s
        story.dip(water(7.6, 480), 60)
        story.air(20)
    assert [c.state for c in noisy.captures()] == [c.state for c in plain.captures()]


def test_status_says_where_the_probe_is_and_what_is_expected_next():
    story = Story(stops=[("rinse", Role.RINSE), ("tap", Role.SUBJECT)])
    assert story.taker.status() is None
    story.air(20)
    assert story.taker.status().medium == "air"
    assert story.taker.status().water == "rinse"
    story.dip(water(7.6, 480), 100)
    status = story.taker.status()
    assert status.medium == "water"
    assert status.capture.water == "rinse"
    assert {row.quantity for row in status.rows} == {c.quantity for c in CHANNELS}
    story.air(20)
    assert story.taker.status().water == "tap"


def test_a_capture_survives_being_lifted_for_two_seconds_when_nothing_has_moved():
    story = Story()
    story.air(20)
    story.dip(water(7.6, 480), 120)
    story.read(dict(AIR))
    story.read(dict(AIR))
    story.now = {**water(7.6, 480), "tds": 240.0}
    story.dip(water(7.6, 480), 120)
    story.air(20)
    assert not story.captures(CaptureState.WITHDRAWN)
    assert len(story.captures(CaptureState.FINAL)) == 1


def test_a_quantity_the_meter_never_gives_is_named_once_and_not_waited_for():
    story = Story()

    def no_ph(second, values):
        del values["ph"]

    for _ in range(20):
        story.read({k: v for k, v in AIR.items() if k != "ph"})
    story.dip(water(7.6, 480), 100, spoil=no_ph)
    (event,) = [item for item in story.said if isinstance(item, Event)]
    assert event.kind == "quantity_missing"
    assert "ph" in event.text
    assert [c.state for c in story.captures()] == [CaptureState.PROVISIONAL]


def test_what_the_person_requires_is_waited_for_and_nothing_else():
    story = Story(required=["conductivity"])

    def creep(second, values):
        values["ph"] += 0.01 * second

    story.air(20)
    story.dip(water(6.0, 480), 100, spoil=creep)
    story.air(20)
    (final,) = story.captures(CaptureState.FINAL)
    assert final.values["conductivity"].phase == "settled"
    assert final.values["ph"].phase == "moving"


def test_a_probe_lifted_after_minutes_without_rest_leaves_an_unsettled_record():
    story = Story(stops=[("tap", Role.SUBJECT), ("next", None)])

    def creep(second, values):
        values["ph"] += 0.01 * second

    story.air(20)
    story.dip(water(6.0, 480), 100, spoil=creep)
    story.air(20)
    (record,) = story.captures()
    assert record.state is CaptureState.UNSETTLED
    assert record.water == "tap"
    assert record.values["conductivity"].phase == "settled"
    assert "lifted after" in record.reason
    assert story.taker.status().water == "next"


def test_a_person_is_told_how_long_a_capture_should_still_be_left():
    story = Story()
    story.air(20)
    story.dip(water(7.6, 480), 70)
    waits = []
    for _ in range(60):
        story.dip(water(7.6, 480), 1)
        waits.append(story.taker.status().unconfirmed_s)
    assert waits[0] > 0
    assert waits[-1] == 0
    assert waits == sorted(waits, reverse=True)


@pytest.mark.parametrize("stirred_after_s", [10, 40])
def test_what_moves_for_a_moment_takes_back_no_word(stirred_after_s):
    """Before the probe may be lifted and after it: the wait never grows while the capture stands."""
    story = Story()
    story.air(20)
    waits, moved = [], set()
    taken = None
    for second in range(160):
        at = None if taken is None else second - taken
        story.read(water(7.65 if at == stirred_after_s else 7.6, 480))
        status = story.taker.status()
        taken = second if taken is None and status.capture else taken
        if taken is not None:
            waits.append(status.unconfirmed_s)
            moved |= {row.settling.phase for row in status.rows if row.is_required}
    assert not story.captures(CaptureState.WITHDRAWN)
    assert "moving" in moved
    assert waits == sorted(waits, reverse=True)
    assert (waits[0], waits[-1]) == (30.0, 0.0)


def test_a_capture_that_comes_to_rest_elsewhere_has_to_stand_anew():
    story = Story()
    story.air(20)
    story.dip(water(7.6, 480), 120)
    assert story.taker.status().unconfirmed_s == 0
    deadline_s = story.t_s + 60.0
    while len(story.captures(CaptureState.PROVISIONAL)) < 2 and story.t_s < deadline_s:
        story.read(water(7.9, 480))
    assert story.taker.status().unconfirmed_s == 30


def test_another_capture_of_the_same_water_is_taken_when_it_is_asked_for():
    story = Story(stops=[("tap", Role.SUBJECT), ("spring", None)])

    def again():
        return story.taker.again(Stamp(round(1.79e12 + story.t_s * 1000), round(story.t_s * 1e9)))

    with pytest.raises(ValueError, match="in no water"):
        again()
    story.air(10)
    story.dip(water(7.6, 486.0), 120)
    (first,) = story.captures(CaptureState.PROVISIONAL)
    (ended,) = again()
    assert (ended.id, ended.state) == (first.id, CaptureState.FINAL)
    story.dip(water(7.6, 486.0), 5)
    assert again() == []  # not settled yet: begun anew without a word
    asked_s = story.t_s
    story.dip(water(7.6, 486.0), 60)
    story.air(20)
    (second,) = [one for one in story.captures(CaptureState.FINAL) if one.id != first.id]
    assert (second.water, second.role) == ("tap", Role.SUBJECT)
    assert second.started.t_s == asked_s
    story.dip(water(7.2, 300.0), 120)
    assert story.captures(CaptureState.PROVISIONAL)[-1].water == "spring"


def test_what_comes_next_may_be_named_left_out_or_left_open():
    story = Story(stops=[("tap", Role.SUBJECT), ("spring", None)])
    story.taker.expect("well", Role.REFERENCE)
    story.air(10)
    assert story.taker.status().water == "well"
    assert story.taker.skip() == "well"
    assert story.taker.skip() == "spring"
    assert story.taker.skip() == ""
    story.taker.expect("jug")
    story.taker.expect_nothing()
    story.dip(water(7.6, 480), 120)
    story.air(20)
    assert [c.water for c in story.captures(CaptureState.FINAL)] == [""]


def test_a_required_quantity_the_meter_never_gives_is_waited_for_and_told_as_required():
    story = Story(required=["ph", "orp"])
    story.air(40)
    story.dip(water(7.6, 480), 100)
    (event,) = [item for item in story.said if isinstance(item, Event)]
    assert event.kind == "quantity_missing"
    assert "does not give orp, which the configuration requires" in event.text


def test_a_quantity_of_which_no_number_came_in_the_water_is_named_as_never_read():
    story = Story()

    def no_ph(second, values):
        del values["ph"]

    story.air(20)
    story.dip(water(7.6, 480), 100, spoil=no_ph)
    story.air(20)
    (record,) = story.captures()
    assert record.state is CaptureState.UNSETTLED
    assert "ph was never read" in record.reason
    assert "ph" not in record.values


def test_a_flagged_temperature_is_not_used_to_judge_the_others():
    heard = []

    class Listening(QuietSettler):
        def update(self, t_s, value, temperature=None):
            heard.append(temperature)
            return super().update(t_s, value, temperature)

    story = Story()
    story.taker = CaptureTaker(
        "kitchen",
        CHANNELS,
        lambda _channel: Listening(),
        lambda quantity: BUILT_IN[quantity].tolerance,
        new_id=lambda: "c1",
        timeout_s=600.0,
        required=["ph"],
    )
    story.air(20)
    for _ in range(30):
        story.read(water(7.6, 480, 85.0), {"temperature": Flag.IMPLAUSIBLE})
    assert heard
    assert 85.0 not in heard


def test_a_desk_tells_events_as_they_are_and_captures_with_what_follows_from_them():
    story = Story(stops=[("tap", Role.SUBJECT)])
    desk = Desk("kitchen", CHANNELS, story.taker)
    assert desk.plan is story.taker
    line = StandingCorrection("kitchen", "ph", Correction(-0.1), (Anchor(7.1, 7.0, 0.01, "k"),), 0)
    said = []

    def read(values, seconds):
        for _ in range(seconds):
            story.t_s += 1.0
            at = Stamp(round(1.79e12 + story.t_s * 1000), round(story.t_s * 1e9))
            said.extend(desk.update(Reading("kitchen", at, values)))
        return at

    assert desk.status() is None
    read({k: v for k, v in AIR.items() if k != "ph"}, 30)
    assert [item.kind for item in said if isinstance(item, Event)] == ["quantity_missing"]
    desk.correct({"ph": line})
    at = read({**water(7.6, 480), "tds": 240.0}, 60)
    (first,) = [item for item in said if isinstance(item, Capture)]
    assert desk.explain(first).corrections == {"ph": line}
    assert first.derived["ph"].method.startswith("corrected by -0.1 (check k)")
    (ended,) = [item for item in desk.again(at) if isinstance(item, Capture)]
    assert (ended.id, ended.state) == (first.id, CaptureState.FINAL)
    assert ended.derived["ph"].value == pytest.approx(7.5, abs=0.01)


def restless(story, times, each_s):
    """One water whose pH comes to rest, and moves on, so many times."""
    begun = len(story.said)
    for n in range(times):
        story.dip(water(7.6 + 0.3 * n, 480.0), each_s)
    return story.said[begun:]


def test_after_two_withdrawals_the_next_capture_is_announced_only_when_it_stands():
    story = Story()
    story.air(10)
    restless(story, 3, each_s=80)
    assert len(story.captures(CaptureState.WITHDRAWN)) == 2
    assert len(story.captures(CaptureState.PROVISIONAL)) == 2  # the third would be told too early
    story.dip(water(8.2, 480.0), 60)
    third = story.captures(CaptureState.PROVISIONAL)[2:]
    assert [round(c.values["ph"].value, 1) for c in third] == [8.2]
    story.air(20)
    assert story.captures(CaptureState.FINAL)[0].id == third[0].id


def test_lifted_while_it_is_waited_for_a_third_time_it_is_kept_as_it_stood():
    story = Story()
    story.air(10)
    restless(story, 3, each_s=80)
    story.air(20)
    (kept,) = story.captures(CaptureState.FINAL)
    assert kept.reason == "it had moved on 2 times before"
    assert round(kept.values["ph"].value, 1) == 8.2
    story.dip(water(7.0, 300.0), 60)  # another water is met with patience anew
    story.air(20)
    assert len(story.captures(CaptureState.FINAL)) == 2


def test_lifted_while_it_moves_for_the_third_time_it_is_kept_as_not_at_rest():
    story = Story()
    story.air(10)
    restless(story, 2, each_s=80)
    story.dip(water(8.2, 480.0), 25)
    story.dip(water(8.6, 480.0), 25)
    story.air(20)
    (kept,) = story.captures(CaptureState.UNSETTLED)
    assert "moved on 2 times after it had come to rest" in kept.reason


def test_a_stop_waits_only_for_what_it_is_taken_for():
    def unquiet(second, values):
        values["ph"] = 5.8 + 0.01 * second

    for judged, count in (((), 0), (("conductivity", "temperature"), 1)):
        story = Story()
        story.taker.expect("kcl", Role.SOLUTION, judged)
        story.air(10)
        story.dip(water(5.8, 1413.0), 120, spoil=unquiet)
        rows = {row.quantity: row.is_required for row in story.taker.status().rows}
        assert rows["ph"] is not bool(judged)
        story.air(20)
        assert len(story.captures(CaptureState.FINAL)) == count
    story.taker.expect("tap")
    assert {r.quantity for r in story.taker.status().rows if r.is_required} == {
        "ph", "conductivity", "temperature",
    }  # fmt: skip
