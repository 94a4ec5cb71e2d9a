"""Membranes and scale."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.equilibrium import log_k2
from acquire.water.membrane import (
    flow_at_25,
    flow_factor,
    log_mean_factor,
    passage_percent,
    rated_flow_at,
    rejection_percent,
    temperature_correction,
)
from acquire.water.scaling import langelier_index, langelier_index_short, log_k_calcite


@given(st.floats(1, 2000), st.floats(0, 2000))
def test_rejection_and_passage_make_a_hundred(feed, product):
    total = rejection_percent(feed, product) + passage_percent(feed, product)
    assert total == pytest.approx(100)


def test_a_product_saltier_than_its_feed_is_a_negative_rejection():
    assert rejection_percent(20, 21) == pytest.approx(-5)


@given(st.floats(0.1, 100), st.floats(5, 35), st.sampled_from(["thin-film", "astm"]))
def test_normalising_undoes_what_temperature_did(flow, temp, model):
    cold = rated_flow_at(flow, temp, model=model).value
    assert flow_at_25(cold, temp, model=model).value == pytest.approx(flow)


def test_the_two_models_differ_by_6_percent_at_15_degrees():
    ratio = flow_factor(15, model="astm").value / flow_factor(15).value
    assert ratio == pytest.approx(1.06, abs=0.005)


def test_the_correction_is_continuous_and_one_at_25():
    assert temperature_correction(25).value == 1.0
    assert temperature_correction(25.001).value == pytest.approx(1, abs=1e-4)
    assert temperature_correction(3).extrapolated


def test_no_recovery_leaves_the_feed_as_it_is():
    assert log_mean_factor(0.0) == 1.0
    assert log_mean_factor(1e-6) == pytest.approx(1.0, abs=1e-5)
    with pytest.raises(WaterError, match="recovery"):
        log_mean_factor(1.0)
    with pytest.raises(WaterError, match="thin-film or astm"):
        flow_factor(20, model="ours")


def test_the_short_langelier_formula_gives_the_worked_example_of_the_trade():
    # Common practice, no source: pH 7.5, 25 °C, TDS 320, calcium 150 and alkalinity 34 as CaCO3.
    water = {"calcium_mg_l": 150, "alkalinity_mg_l": 34, "tds_mg_l": 320}
    assert langelier_index_short(7.5, 25, **water).value == pytest.approx(-0.7, abs=0.05)


@given(
    st.floats(6.5, 9), st.floats(5, 40), st.floats(20, 400), st.floats(20, 400), st.floats(50, 1000)
)
def test_the_full_index_and_the_short_formula_stay_within_0_4(ph, temp, calcium, alkalinity, tds):
    water = {"calcium_mg_l": calcium, "alkalinity_mg_l": alkalinity, "tds_mg_l": tds}
    full = langelier_index(ph, temp, **water).value
    assert full == pytest.approx(langelier_index_short(ph, temp, **water).value, abs=0.4)


def test_the_index_is_the_saturation_of_calcite_phreeqc_gives(phreeqc):
    for temp in (5, 15, 25, 40):
        water = phreeqc.add_solution(
            {
                "units": "mg/kgw",
                "temp": temp,
                "pH": 7.8,
                "Ca": 40,
                "Alkalinity": "100 as Ca0.5(CO3)0.5",
                "Cl": 20,
                "Na": 13,
            }
        )
        found = langelier_index(7.8, temp, calcium_mg_l=100, alkalinity_mg_l=100, tds_mg_l=190)
        assert found.value == pytest.approx(water.si("Calcite"), abs=0.06)


def test_constants_of_calcite_are_those_in_print():
    # Plummer & Busenberg 1982: log K 8.48 at 25 °C.
    assert log_k_calcite(25) == pytest.approx(-8.48, abs=0.005)
    assert log_k_calcite(25) > log_k2(25)


def test_a_ph_where_alkalinity_is_not_bicarbonate_is_marked_or_refused():
    water = {"calcium_mg_l": 150, "alkalinity_mg_l": 34, "tds_mg_l": 320}
    assert langelier_index(5.5, 25, **water).extrapolated
    with pytest.raises(WaterError, match="the pH"):
        langelier_index(11, 25, **water)
