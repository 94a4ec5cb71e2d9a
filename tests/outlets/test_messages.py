"""Messages as a subscriber reads them: topics, lifetimes, and packs taken apart by RFC 8428's rules."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.checks import Check
from acquire.outlets.messages import Messages, message_id
from acquire.readings import (
    Capture,
    CaptureState,
    Event,
    Flag,
    Reading,
    Role,
    SettledValue,
    Stamp,
)
from acquire.store.outbox import RolledUp

AT_MS = 1_790_000_000_000
AT = Stamp(AT_MS, 5)


def said(message):
    """RFC 8428 section 4.6 for one instant: full name to value, and the one time."""
    rows = json.loads(message.payload)
    base = rows[0]["bn"]
    assert rows[0]["bt"] == AT_MS / 1000
    return {
        (base + row["n"]).removeprefix("ouzel:kitchen:"): row.get("v", row.get("vs"))
        for row in rows
    }


def reading(flags=None, **values):
    return Reading("kitchen", AT, values, flags or {})


def settled(quantity, value, **more):
    return SettledValue(quantity, value, 0.02, "settled", 0.0, 40.0, **more)


def test_live_values_expire_and_only_the_latest_are_retained():
    live = Messages().live(reading(ph=7.01, orp=212.0))
    latest = Messages().live(reading(ph=7.01), retained=True)
    assert (live.topic, live.retain, live.qos, live.expiry_s) == (
        "ouzel/kitchen/live", False, 0, 180,
    )  # fmt: skip
    assert (latest.topic, latest.retain, latest.qos) == ("ouzel/kitchen/latest", True, 1)
    assert live.content_type == "application/senml+json"  # RFC 8428 section 12.3
    assert said(live) == {"ph": 7.01, "orp": 0.212}


def test_a_reading_without_a_known_number_is_no_message():
    assert Messages().live(reading()) is None
    assert Messages().live(reading(flow=1.0)) is None
    assert Messages().live(reading(ph=math.nan)) is None


def test_a_flag_goes_beside_the_value_and_silences_the_bare_number():
    odd = reading({"ph": Flag.IMPLAUSIBLE}, ph=15.0, orp=212.0, flow=3.0)
    assert said(Messages().live(odd))["ph/flag"] == "implausible"
    plain = Messages().plain(odd)
    assert [(m.topic, m.payload) for m in plain] == [("ouzel/kitchen/orp", b"212")]
    large = Messages().plain(reading(conductivity=1_234_567.0))
    assert large[0].payload == b"1234567"  # no exponent: not every hub reads one


def test_a_compensated_value_is_named_by_its_temperature():
    messages = Messages()
    messages.compensated[("kitchen", "conductivity")] = 25.0
    assert said(messages.live(reading(conductivity=500.0))) == {"conductivity_25": 0.05}
    kept = said(messages.kept(rolled("conductivity", "uS/cm"), 0))
    assert kept["conductivity_25"] == 0.05
    value = settled("conductivity", 500.0)
    taken = said(messages.kept(capture(conductivity=value), 1))
    assert taken["conductivity_25"] == 0.05
    assert "conductivity" not in taken


def test_how_the_program_and_a_meter_stand_is_retained():
    assert [(m.topic, m.payload, m.retain) for m in
            (Messages().state("ready"), Messages("home", "x").state("lost", "a b"))] == [
        ("ouzel/state", b"ready", True), ("home/a_b/state", b"lost", True),
    ]  # fmt: skip


def capture(**values):
    return Capture(
        "c1", "kitchen", CaptureState.FINAL, AT, AT, values, "tap", Role.SUBJECT, "because"
    )


def rolled(quantity="ph", unit="[pH]", low=6.9):
    return RolledUp("kitchen", quantity, unit, "1 min", AT_MS, 60, low, 7.1, 500.0)


def check(**more):
    return Check(
        **{
            "capture_id": "c1", "meter": "kitchen", "quantity": "ph", "at_ms": AT_MS,
            "solution": "buffer-7.00", "label": "", "source": "", "method": "", "temp_c": 21.0,
            "temp_from": "meter", "said": 7.05, "said_u": 0.02, "expected": 7.02,
            "expected_u": 0.01, "allowed": 0.05, "allowed_by": "", "verdict": "pass", "reason": "",
        } | more
    )  # fmt: skip


def test_a_capture_says_what_it_is_and_what_was_made_of_it():
    made = settled("conductivity", 510.0, source="derived", method="at 25 °C (ISO 7888)")
    one = replace(
        capture(ph=settled("ph", 7.0), flow=settled("flow", 1.0)), derived={"conductivity": made}
    )
    message = Messages().kept(one, 3)
    assert (message.topic, message.retain, message.qos) == ("ouzel/kitchen/capture", False, 1)
    assert message.properties == (("id", "c1.3"),)
    assert said(message) == {
        "id": "c1", "state": "final", "state/number": 3.0, "water": "tap", "role": "subject",
        "reason": "because", "ph": 7.0, "ph/u": 0.02, "ph/phase": "settled",
        "derived/conductivity_25": 0.051, "derived/conductivity_25/u": 2e-06,
        "derived/conductivity_25/phase": "settled",
        "derived/conductivity_25/method": "at 25 °C (ISO 7888)",
    }  # fmt: skip


def test_what_waited_says_that_it_is_late():
    assert ("late", "true") in Messages().kept(capture(), 1, late=True).properties


def test_a_check_goes_with_both_values_and_the_temperature():
    found = said(Messages().kept(check(reason="near"), 0))
    assert (found["ph"], found["ph/expected"], found["at"]) == (7.05, 7.02, 21.0)
    assert (found["verdict"], found["reason"]) == ("pass", "near")
    assert "ph/u" not in said(Messages().kept(check(said_u=math.inf), 0))
    assert "flow" not in said(Messages().kept(check(quantity="flow"), 0))


def test_a_roll_up_in_a_unit_that_is_no_longer_the_quantitys_is_refused():
    assert said(Messages().kept(rolled(), 0))["ph/n"] == 60.0
    assert "ph/low" not in said(Messages().kept(rolled(low=-math.inf), 0))
    for odd in (rolled(unit="mV"), rolled("flow", "L/min")):
        with pytest.raises(ValueError, match="not its present unit"):
            Messages().kept(odd, 0)


def test_an_event_keeps_its_data_but_what_is_no_number():
    data = {"count": 3.0, "why": "cable", "empty": "", "bad": math.nan, "far": math.inf, "a b": 1.0}
    message = Messages().kept(Event("bad_frames", AT, "kitchen", "text", data), 0)
    assert message.topic == "ouzel/kitchen/event"
    assert said(message) == {
        "kind": "bad_frames", "text": "text", "data/count": 3.0, "data/why": "cable",
        "data/a_b": 1.0,
    }  # fmt: skip
    for kind in ("alert_raised", "watch_summary"):
        assert Messages().topic_of(Event(kind, AT, "kitchen")) == "ouzel/kitchen/watch"
    assert Messages().topic_of(Event("clock_step", AT)) == "ouzel/event"


def test_no_two_things_share_an_id_and_a_duplicate_has_the_same():
    things = [
        (capture(), 1), (capture(), 2), (check(), 0), (check(quantity="orp"), 0), (rolled(), 0),
        (rolled("orp", "mV"), 0), (Event("a", AT, "kitchen"), 0), (Event("b", AT, "kitchen"), 0),
    ]  # fmt: skip
    ids = [message_id(thing, number) for thing, number in things]
    assert len(set(ids)) == len(ids)
    assert ids == [message_id(thing, number) for thing, number in things]


@given(st.text(max_size=20).map(lambda s: s.replace("/", "")), st.text(), st.text())
def test_no_name_breaks_a_topic_or_a_pack(meter, quantity, text):
    messages = Messages()
    event = messages.kept(Event("note", AT, meter, text, {quantity: text}), 0)
    live = messages.live(Reading(meter, AT, {quantity: 1.0, "ph": 7.0}, {quantity: Flag.ERROR}))
    for message in (event, live):
        assert not set("+#\x00") & set(message.topic)
        assert message.topic.count("/") == (2 if meter else 1)
        json.loads(message.payload)
