"""The device's description and messages held against the rules of the Homie convention.

Rules as read in the convention's text of version 5 (develop, 17 October 2024) and 4.0, written out
here anew as a validator: ids, required keys, data types, formats, payloads, order of states.
"""

from __future__ import annotations

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.outlets.homie import Homie
from acquire.outward import HomieConfig
from acquire.quantities import BUILT_IN
from acquire.readings import Flag, Reading, Stamp

ID = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?")
FLOAT = re.compile(r"-?\d+(\.\d+)?([eE]-?\d+)?")
RANGE = re.compile(r"(-?\d+(\.\d+)?)?:(-?\d+(\.\d+)?)?(:\d+(\.\d+)?)?")
DATATYPES = {
    *("integer", "float", "boolean", "string", "enum"),
    *("color", "datetime", "duration", "json"),
}


def require_valid_5(document):
    """Rules of version 5 for a device description."""
    assert re.fullmatch(r"5\.\d+", document["homie"])
    assert type(document["version"]) is int
    allowed = {"homie", "version", "nodes", "name", "type", "children", "root", "parent"}
    assert set(document) <= allowed | {"extensions"}
    for node_id, node in document["nodes"].items():
        assert ID.fullmatch(node_id)
        assert set(node) <= {"name", "type", "properties"}
        for property_id, said in node["properties"].items():
            assert ID.fullmatch(property_id)
            assert set(said) <= {"name", "datatype", "format", "settable", "retained", "unit"}
            assert said["datatype"] in DATATYPES
            if said["datatype"] == "float":
                low, high = said["format"].split(":")[:2]
                assert RANGE.fullmatch(said["format"])
                assert float(low) < float(high)
            if said["datatype"] == "enum":
                values = said["format"].split(",")
                assert all(values)
                assert len(set(values)) == len(values)


def said(meter="kitchen", flags=None, **values):
    return Reading(meter, Stamp(1_790_000_000_000, 0), values or {"ph": 7.01}, flags or {})


ALL = {name: (row.low + row.high) / 2 for name, row in BUILT_IN.items()}


def test_the_description_keeps_the_rules_of_version_5():
    homie = Homie(HomieConfig())
    assert homie.meet(said(**ALL))
    assert homie.meet(said("under_sink-2", conductivity=20.0))
    (message,) = homie.introduction(1_790_000_000)
    document = json.loads(message.payload)
    require_valid_5(document)
    assert message.topic == "homie/5/ouzel/$description"
    assert message.retain
    assert set(document["nodes"]) == {"kitchen", "under-sink-2"}
    properties = document["nodes"]["kitchen"]["properties"]
    assert properties["orp"] == {
        "name": "ORP",
        "datatype": "float",
        "format": "-2.000:2.000",
        "unit": "V",
    }
    assert "unit" not in properties["ph"]


def test_two_meters_whose_names_make_one_id_stay_two():
    homie = Homie(HomieConfig())
    homie.meet(said("a_b"))
    homie.meet(said("a-b"))
    document = homie.description(1)
    require_valid_5(document)
    assert len(document["nodes"]) == 2


@given(st.dictionaries(st.sampled_from(sorted(BUILT_IN)), st.floats(0, 1), min_size=1))
def test_every_payload_is_of_its_type_and_inside_its_format(parts):
    values = {
        q: BUILT_IN[q].low + part * (BUILT_IN[q].high - BUILT_IN[q].low)
        for q, part in parts.items()
    }
    homie = Homie(HomieConfig())
    homie.meet(said(**values))
    described = homie.description(1)["nodes"]["kitchen"]["properties"]
    messages = homie.values(said(**values))
    assert len(messages) == len(values)
    for message in messages:
        text = message.payload.decode()
        assert FLOAT.fullmatch(text)
        low, high = described[message.topic.rsplit("/", 1)[1]]["format"].split(":")
        assert float(low) <= float(text) <= float(high)
        assert message.retain
        assert message.qos == 1


def test_a_flagged_value_is_described_but_not_given():
    homie = Homie(HomieConfig())
    reading = said(flags={"ph": Flag.IMPLAUSIBLE, "orp": Flag.OVER_RANGE}, ph=15.0)
    homie.meet(reading)
    assert set(homie.description(1)["nodes"]["kitchen"]["properties"]) == {"ph", "orp", "state"}
    assert homie.values(reading) == []


def test_a_device_changes_only_when_it_learns_something():
    homie = Homie(HomieConfig())
    assert homie.meet(said(ph=7.0))
    assert not homie.meet(said(ph=7.1))
    assert homie.meet(said(orp=300.0))


def test_an_alert_is_kept_until_it_is_over():
    homie = Homie(HomieConfig())
    (raised,) = homie.alert("kitchen", "unplugged")
    (over,) = homie.alert("kitchen", "")
    assert raised.topic == over.topic == "homie/5/ouzel/$alert/kitchen"
    assert (raised.payload, over.payload, over.retain) == (b"unplugged", b"", True)


def test_version_4_says_all_its_required_attributes():
    homie = Homie(HomieConfig(version=4, device="probes"))
    homie.meet(said(ph=7.0, orp=212.0))
    topics = {m.topic: m.payload.decode() for m in homie.introduction(1)}
    root = "homie/probes"
    assert topics[f"{root}/$homie"] == "4.0.0"
    assert {"$name", "$nodes", "$extensions"} <= {t.split("/")[2] for t in topics}
    for node in topics[f"{root}/$nodes"].split(","):
        assert topics[f"{root}/{node}/$name"]
        assert topics[f"{root}/{node}/$type"]
        for one in topics[f"{root}/{node}/$properties"].split(","):
            for key in ("$name", "$datatype", "$settable", "$retained"):
                assert topics[f"{root}/{node}/{one}/{key}"]
    assert topics[f"{root}/kitchen/orp/$format"] == "-2.000:2.000"
    assert all(m.retain for m in homie.introduction(1))


def test_in_version_4_the_whole_device_is_alert_until_every_meter_is_well():
    homie = Homie(HomieConfig(version=4))
    states = [
        homie.alert(meter, text)[0].payload
        for meter, text in [("a", "lost"), ("b", "lost"), ("a", ""), ("b", "")]
    ]
    assert states == [b"alert", b"alert", b"alert", b"ready"]


@pytest.mark.parametrize("device", ["", "-a", "a_b", "Ä", "a-"])
def test_a_device_id_the_convention_does_not_allow_is_refused(device):
    with pytest.raises(ValueError, match="not an id"):
        HomieConfig(device=device)


def test_a_meter_has_a_state_once_it_was_met():
    homie = Homie(HomieConfig())
    assert homie.meter_state("kitchen", "lost") == []
    homie.meet(said())
    (message,) = homie.meter_state("kitchen", "lost")
    assert (message.topic, message.payload, message.retain) == (
        "homie/5/ouzel/kitchen/state",
        b"lost",
        True,
    )
    assert homie.values(said("elsewhere")) == []


def test_only_version_5_has_a_place_for_the_log():
    # Convention 5, device attributes: $log is not retained, its level the last part of the topic.
    (message,) = Homie(HomieConfig()).log("the meter is lost")
    assert (message.topic, message.retain) == ("homie/5/ouzel/$log/warn", False)
    assert Homie(HomieConfig(version=4)).log("the meter is lost") == []
