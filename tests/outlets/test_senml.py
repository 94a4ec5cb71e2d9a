"""SenML against RFC 8428's own examples, resolved by the RFC's own rules (section 4.6).

The examples stand here as remembered from RFC 8428 sections 5.1.1, 5.1.2, 5.1.4 and 6; the CBOR one
decodes to the JSON one bit for bit, which a wrong memory would not. cbor2 is the independent
implementation of CBOR (RFC 8949).
"""

from __future__ import annotations

import json

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.outlets.senml import CBOR, JSON, Record, encode, fit, measured, pack
from acquire.quantities import BUILT_IN

LABELS = ["bs", "bv", "bu", "bt", "bn", "bver", "n", "u", "v", "vs", "vb", "s", "t", "ut", "vd"]


def resolve(rows, now=0.0):
    """RFC 8428 section 4.6: what each record means by itself."""
    base = {}
    found = []
    for row in rows:
        base.update({k: v for k, v in row.items() if k.startswith("b")})
        one = {"n": base.get("bn", "") + row.get("n", "")}
        unit = row.get("u", base.get("bu"))
        if unit is not None:
            one["u"] = unit
        time = base.get("bt", 0) + row.get("t", 0)
        one["t"] = time if time >= 2**28 else now + time
        if "v" in row or "bv" in base:
            one["v"] = base.get("bv", 0) + row.get("v", 0)
        for key in ("vs", "vb", "vd"):
            if key in row:
                one[key] = row[key]
        found.append(one)
    return found


def from_cbor(data):
    """RFC 8428 table 4, written out anew."""
    labels = dict(zip(range(-6, 9), LABELS, strict=True))
    return [{labels[key]: value for key, value in row.items()} for row in cbor2.loads(data)]


# RFC 8428 section 5.1.2, "Multiple Datapoints".
MULTIPLE = """[
  {"bn":"urn:dev:ow:10e2073a01080063:","bt":1.276020076001e+09,
   "bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""
# RFC 8428 section 6, figure 1: the same in CBOR.
MULTIPLE_CBOR = bytes.fromhex(
    "87a721781c75726e3a6465763a6f773a3130653230373361303130383030363"
    "33a22fb41d303a15b00106223614120050067766f6c7461676501615602fb40"
    "5e066666666666a3006763757272656e74062402fb3ff3333333333333a3006"
    "763757272656e74062302fb3ff4cccccccccccda3006763757272656e740622"
    "02fb3ff6666666666666a3006763757272656e74062102f93e00a3006763757"
    "272656e74062002fb3ff999999999999aa3006763757272656e74060002fb3f"
    "fb333333333333"
)


def test_the_resolver_of_these_tests_reads_the_examples_of_the_rfc():
    rows = json.loads(MULTIPLE)
    found = resolve(rows)
    assert found[0]["n"] == "urn:dev:ow:10e2073a01080063:voltage"
    assert [one["v"] for one in found] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert found[1]["t"] == pytest.approx(1276020071.001)
    assert {one["u"] for one in found[1:]} == {"A"}
    read = from_cbor(MULTIPLE_CBOR)
    assert resolve(read) == found


def test_our_cbor_labels_are_those_of_the_rfc():
    rows = json.loads(MULTIPLE)
    assert from_cbor(encode(rows, CBOR)) == rows


def test_the_smallest_example_of_the_rfc_comes_out_of_our_encoder():
    # RFC 8428 section 5.1.1, "Single Datapoint": no time, one record.
    rows = [{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}]
    assert encode(rows) == b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'


@pytest.mark.parametrize(
    ("quantity", "value", "unit", "said"),
    [
        # RFC 8428 section 12.1: S/m, V, Cel, pH, "/"; RFC 8798 section 3: kg/m3.
        ("ph", 7.01, "pH", 7.01),
        ("orp", -212.4, "V", -0.2124),
        ("conductivity", 489.0, "S/m", 0.0489),
        ("tds", 244.0, "kg/m3", 0.244),
        ("salinity", 0.2, "/", 0.0002),
        ("specific_gravity", 1.0, "/", 1.0),
        ("temperature", 20.5, "Cel", 20.5),
    ],
)
def test_values_go_out_in_primary_units(quantity, value, unit, said):
    record = measured(BUILT_IN[quantity], value)
    assert (record.unit, record.value) == (unit, said)


def test_a_value_that_is_none_is_left_out():
    assert measured(BUILT_IN["ph"], float("nan")) is None
    assert measured(BUILT_IN["ph"], float("inf")) is None


@given(
    at_ms=st.integers(2**28 * 1000, 4_102_444_800_000),
    values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=7),
    form=st.sampled_from([JSON, CBOR]),
)
def test_what_goes_out_means_the_same_to_an_independent_reader(at_ms, values, form):
    records = [Record(f"q{n}", value, "V") for n, value in enumerate(values)]
    records.append(Record("state", "final"))
    data = encode(pack("urn:dev:ops:1-2:", at_ms, records), form)
    found = resolve(json.loads(data) if form == JSON else from_cbor(data))
    assert [one["n"] for one in found[:-1]] == [f"urn:dev:ops:1-2:q{n}" for n in range(len(values))]
    assert [one["v"] for one in found[:-1]] == values
    assert found[-1]["vs"] == "final"
    assert all(round(one["t"] * 1000) == at_ms for one in found)


def test_a_time_that_would_be_read_as_relative_is_refused():
    with pytest.raises(ValueError, match="set the clock"):
        pack("a:", 1000 * (2**28 - 1), [Record("ph", 7.0)])


@pytest.mark.parametrize("base", ["", ":", "_x:", "a b:", "ä:", "a\n:"])
def test_names_the_rfc_does_not_allow_are_refused(base):
    with pytest.raises(ValueError, match="not a name"):
        pack(base, 1_790_000_000_000, [Record("ph" if base else "-ph", 7.0)])


@given(st.text())
def test_any_text_can_be_made_fit_for_a_name(text):
    pack("a:", 1_790_000_000_000, [Record(fit(text), 1.0)])


def test_a_claim_is_a_boolean_and_text_a_string():
    # RFC 8428 section 4.2: "vb" boolean, "vs" string; Python's True is an int and must not be "v".
    rows = pack("a:", 1_790_000_000_000, [Record("on", value=True), Record("state", "final")])
    assert [sorted(set(row) - {"bn", "bt", "n"}) for row in rows] == [["vb"], ["vs"]]
    assert json.loads(encode(rows))[0]["vb"] is True
    assert pack("a:", 1_790_000_000_000, []) == []
