"""What a count of particles says."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from acquire.bench.particles import compare_counts, particle_result
from acquire.errors import WaterError
from acquire.rounds import ParticleCount

COUNT = ParticleCount(
    "c1", 1_790_000_000_000, "tap", (3, 0, 2, 1, 4, 2), {"fibre": 8, "fragment": 4},
    field_mm=1.8, drop_ul=50.0, slip_mm2=324.0,
)  # fmt: skip


def test_per_field_and_per_ml():
    found = particle_result(COUNT)
    assert (found.total, found.per_field) == (12, 2.0)
    # Garwood's interval of 12 is 6.201 to 20.962 (his table, 95 %).
    assert found.per_field_low * 6 == pytest.approx(6.201, abs=0.001)
    assert found.per_field_high * 6 == pytest.approx(20.962, abs=0.001)
    # By hand: 6 fields of pi 0.9² mm² in a film of 50/324 mm.
    assert found.volume_ml == pytest.approx(6 * math.pi * 0.81 * 50 / 324 / 1000)
    assert found.per_ml == pytest.approx(12 / found.volume_ml)
    assert found.per_ml_low < found.per_field_low * 6 / found.volume_ml
    assert found.per_ml_high > found.per_field_high * 6 / found.volume_ml


def test_the_interval_per_ml_covers_what_a_simulation_puts_into_the_drop():
    """Drop and field drawn first, as real ones vary, then the particles: numpy, not our model."""
    draw = np.random.default_rng(4)
    truth, inside, trials = 2000.0, 0, 400
    cache: dict[int, bool] = {}
    for _ in range(trials):
        drop = 50 * draw.uniform(0.8, 1.2)
        field = 1.8 * draw.uniform(0.95, 1.05)
        volume = 6 * math.pi * field**2 / 4 * drop / 324 / 1000
        seen = int(draw.poisson(truth * volume))
        if seen not in cache:
            fields = tuple(seen // 6 + (i < seen % 6) for i in range(6))
            found = particle_result(replace(COUNT, fields=fields, shapes={}))
            cache[seen] = found.per_ml_low <= truth <= found.per_ml_high
        inside += cache[seen]
    assert 0.93 <= inside / trials <= 0.99


def test_none_seen_is_an_upper_bound():
    found = particle_result(replace(COUNT, fields=(0,) * 10, shapes={}))
    assert found.is_none_seen
    assert found.upper_per_field == pytest.approx(0.2996, abs=1e-3)
    assert found.upper_per_ml > 2.996 / found.volume_ml


def test_a_measured_drop_is_surer_than_one_from_a_pipette():
    rough, fine = particle_result(COUNT), particle_result(replace(COUNT, drop_ul_u=0.5))
    assert fine.volume_u < rough.volume_u
    assert "as stated" in " ".join(fine.how)


def test_without_the_drop_there_is_no_result_per_ml():
    found = particle_result(replace(COUNT, drop_ul=0.0))
    assert (found.per_ml, found.volume_ml) == (None, None)
    assert any("Per mL needs" in text for text in found.warnings)


def test_clumped_particles_are_told():
    found = particle_result(replace(COUNT, fields=(0, 0, 30, 0, 0, 1), shapes={}))
    assert found.p_even < 0.001
    assert any("clump" in text for text in found.warnings)


def test_two_waters():
    clean = replace(COUNT, id="c2", water="ro", fields=(0, 1, 0, 0, 0, 0), shapes={})
    dirty = replace(COUNT, fields=(9, 7, 8, 10, 6, 8), shapes={})
    assert compare_counts(clean, dirty).verdict == "yes"
    assert compare_counts(clean, replace(clean, water="b")).verdict == "cannot tell"
    many = replace(COUNT, fields=(90,) * 6, shapes={}, drop_ul_u=1.0)
    assert compare_counts(many, replace(many, id="x")).verdict == "no"
    nothing = replace(clean, fields=(0, 0))
    assert compare_counts(nothing, nothing).why == "none was seen in either"


def test_unequal_exposure_is_taken_into_account():
    few = replace(COUNT, fields=(5, 5), shapes={})
    more = replace(COUNT, fields=(5,) * 12, shapes={})
    found = compare_counts(few, more)
    assert found.ratio.value == pytest.approx(1.0)
    assert found.exposure == "volume looked at"
    bare = compare_counts(replace(few, field_mm=0.0), replace(more, field_mm=0.0))
    assert bare.exposure.startswith("fields")


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"fields": ()}, "at least one field"),
        ({"fields": (-1, 2)}, "whole numbers"),
        ({"shapes": {"fibre": 99}}, "add up"),
        ({"shapes": {"plastic": 12}}, "unknown shape"),
        ({"drop_ul": math.nan}, "drop_ul"),
    ],
)
def test_what_cannot_be_is_refused(change, word):
    with pytest.raises(WaterError, match=word):
        particle_result(replace(COUNT, **change))


def test_what_is_stated_of_field_drop_and_slip_replaces_common_practice():
    stated = replace(COUNT, field_mm_u=0.018, drop_ul_u=0.5, slip_mm2_u=3.24)
    usual, sure = particle_result(COUNT), particle_result(stated)
    assert sure.per_ml == usual.per_ml
    assert sure.per_ml_high - sure.per_ml_low < usual.per_ml_high - usual.per_ml_low
    how = "; ".join(sure.how)
    # GUM 5.1.6: 1 % of a diameter is 2 % of an area.
    assert "area of the field: 2.0 %, as stated" in how
    assert "drop: 1.0 % as stated" in how
    assert "cover slip: 1.0 % as stated" in how


def test_without_drops_of_known_volume_areas_are_compared():
    dry = replace(COUNT, drop_ul=0.0, slip_mm2=0.0)
    wider = replace(dry, id="c2", field_mm=2 * 1.8, fields=(12, 8, 10, 9, 11, 10), shapes={})
    found = compare_counts(dry, wider)
    assert found.exposure == "area looked at, films taken as equally deep"
    # 60 in four times the area of 12.
    assert found.ratio.value == pytest.approx(60 / 12 / 4)
    assert found.verdict != "yes"
    unknown = replace(wider, field_mm=0.0)
    assert compare_counts(dry, unknown).ratio.value == pytest.approx(60 / 12)


def test_fields_that_differ_more_than_chance_tell_nothing():
    clumped = replace(COUNT, id="c2", fields=(60, 0, 0, 0, 0, 0), shapes={})
    found = compare_counts(COUNT, clumped)
    assert found.verdict == "cannot tell"
    assert "more than chance" in found.why
    assert any("clump" in text for text in found.subject.warnings)


@pytest.mark.parametrize("known", [{"field_mm": 1.8}, {"optics": "objective 40x"}])
def test_a_field_that_may_be_another_tells_nothing(known):
    """At four times the magnification a field shows a sixteenth: fewer in it say nothing."""
    dry = ParticleCount("a", 0, "tap", (10,) * 8)
    few = ParticleCount("b", 0, "ro", (1,) * 8)
    assert compare_counts(dry, few).verdict == "yes"
    for pair in ((replace(dry, **known), few), (dry, replace(few, **known))):
        found = compare_counts(*pair)
        assert found.verdict == "cannot tell"
        assert "field of one" in found.why


@pytest.mark.parametrize("drop", [1e-320, 1e-300, 1e300])
def test_a_volume_that_cannot_be_is_refused(drop):
    with pytest.raises(WaterError, match="volume"):
        particle_result(replace(COUNT, drop_ul=drop, drop_ul_u=0.0))
