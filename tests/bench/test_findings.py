"""After each capture: do the numbers agree; told with the arithmetic, stored as events."""

from __future__ import annotations

import pytest

from acquire.bench.desk import Desk
from acquire.bench.findings import FINDING, Findings
from acquire.bench.taker import CaptureTaker
from acquire.checks import Anchor, StandingCorrection
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Channel, Event, Reading, SettledValue, Stamp
from acquire.water.corrections import Correction

STAMP = Stamp(1_790_000_000_000, 10**12)
EC = Channel("conductivity", 1.0, reference_c=25.0, coefficient=0.02)
CHANNELS = (
    Channel("ph", 0.01),
    Channel("orp", 1.0),
    EC,
    Channel("tds", 1.0, follows="conductivity"),
    Channel("salinity", 0.01, follows="conductivity"),
    Channel("specific_gravity", 0.001, follows="conductivity"),
    Channel("temperature", 0.1),
)
TAP = {"ph": 7.6, "orp": 300, "conductivity": 486.0, "tds": 243.0, "temperature": 20.8}
TAP |= {"salinity": 0.24, "specific_gravity": 1.000}


def capture(phase="settled", **values):
    said = {**TAP, **values}
    kept = {q: SettledValue(q, v, 0.02, phase, 0.0, 60.0) for q, v in said.items() if v is not None}
    return Capture("c1", "kitchen", CaptureState.FINAL, STAMP, STAMP, kept, "tap")


def found(taken, channels=CHANNELS):
    return Findings("kitchen", channels).of(taken, STAMP)


def test_where_all_agrees_nothing_is_said():
    assert found(capture()) == []


def test_tds_that_does_not_fit_is_told_with_the_arithmetic_as_an_event():
    (event,) = found(capture(tds=20.0))
    assert (event.kind, event.meter, event.data["about"]) == (FINDING, "kitchen", "tds")
    assert event.data["kind"] == "disagrees"
    assert event.data["capture"] == "c1"
    assert "20 / 486 = 0.041" in event.text


def test_another_tds_factor_is_a_note_that_comes_once():
    findings = Findings("kitchen", CHANNELS)
    (event,) = findings.of(capture(tds=311.0), STAMP)
    assert (event.data["kind"], event.data["about"]) == ("note", "tds")
    assert "0.64" in event.text
    assert findings.of(capture(tds=311.0), STAMP) == []


def test_ph_in_water_that_holds_too_little_is_flagged_every_time():
    # USGS National Field Manual A6.4 treats waters below 100 µS/cm apart.
    findings = Findings("kitchen", CHANNELS)
    pure = capture(conductivity=14.0, tds=7.0, salinity=0.01)
    for _ in range(2):
        (event,) = findings.of(pure, STAMP)
        assert event.data["about"] == "ph"
        assert "USGS NFM A6.4" in event.text


def test_what_has_not_settled_is_held_against_nothing():
    assert found(capture(phase="moving", tds=20.0)) == []


def test_an_uncompensated_conductivity_is_compared_at_25_degrees_where_that_is_known():
    raw = (CHANNELS[0], Channel("conductivity", 1.0), CHANNELS[3], CHANNELS[-1])
    taken = capture(conductivity=440.0, tds=20.0, salinity=None, specific_gravity=None)
    (note,) = found(taken, raw)
    assert "not compared" in note.text
    at_25 = SettledValue("conductivity", 480.0, 5.0, "settled", 0.0, 60.0, source="derived")
    taken.derived["conductivity"] = at_25
    (event,) = found(taken, raw)
    assert event.data["kind"] == "disagrees"
    assert "480" in event.text


def watch(findings, count, **moves):
    for i in range(count):
        values = {q: TAP[q] for q in ("ph", "orp", "conductivity")}
        values |= {q: step * i for q, step in moves.items()}
        findings.see(Reading("kitchen", STAMP, values))


def test_a_value_that_stands_still_over_two_waters_while_others_move_is_told():
    findings = Findings("kitchen", CHANNELS)
    watch(findings, 40, conductivity=10.0, orp=4.0)
    assert findings.of(capture(), STAMP) == []  # one still water: it may rightly stand still
    watch(findings, 40, conductivity=10.0, orp=4.0)
    findings.see(Reading("kitchen", STAMP, {"ph": 7.6}))  # a reading with holes says nothing
    (event,) = findings.of(capture(), STAMP)
    assert event.data["about"] == "ph"
    assert "may be stuck" in event.text


class Still:
    """Settled from the third reading on."""

    def __init__(self):
        self.seen = 0

    def update(self, t_s, value, temperature=None):
        from acquire.settle import Settling

        self.seen += 1
        return Settling("settled" if self.seen > 2 else "moving", value, 0.02, 0.0, None, "")

    def budget(self):
        return {"noise": 0.01}

    def explain(self):
        return [("spread", "0")]


def test_the_desk_adds_what_follows_to_each_capture_and_its_findings_after_the_final_one():
    channels = (Channel("ph", 0.01), EC, Channel("temperature", 0.1))
    taker = CaptureTaker(
        "kitchen", channels, lambda _: Still(), lambda q: BUILT_IN[q].tolerance,
        new_id=lambda: "c1", timeout_s=600.0,
    )  # fmt: skip
    line = StandingCorrection("kitchen", "ph", Correction(-0.1), (Anchor(7.1, 7.0, 0.01, "k1"),), 0)
    desk = Desk("kitchen", channels, taker, {"ph": line})
    said = []
    for second in range(90):
        t_s = 1000.0 + second
        in_water = second > 15
        values = {"ph": 6.3, "conductivity": 14.0 if in_water else 0.0, "temperature": 20.8}
        reading = Reading("kitchen", Stamp(STAMP.at_ms + 1000 * second, round(t_s * 1e9)), values)
        said += desk.update(reading)
    said += desk.interrupt(Stamp(STAMP.at_ms + 100_000, round(1100e9)), "stopped")
    captures = [item for item in said if isinstance(item, Capture)]
    assert {c.state for c in captures} >= {CaptureState.PROVISIONAL, CaptureState.FINAL}
    final = captures[-1]
    assert final.values["ph"].value == pytest.approx(6.3)
    assert final.derived["ph"].value == pytest.approx(6.2)
    assert final.derived["tds"].value == pytest.approx(7.0)
    assert isinstance(said[-1], Event)  # after the capture it is about
    assert (said[-1].kind, said[-1].data["capture"]) == (FINDING, final.id)
    explanation = desk.explain(final)
    assert explanation.corrections == {"ph": line}
    assert set(explanation.channels) == {"ph", "conductivity", "temperature"}
