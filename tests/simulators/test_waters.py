"""The household's waters, against the tables their values are said to come from."""

from __future__ import annotations

import math

import pytest

from acquire.errors import ConfigError
from simulators.decays import Decays
from simulators.waters import HOUSEHOLD, Water, load_waters

WATERS = load_waters()


def ph_at(water, temperature_c):
    return water.ph(Decays(temperature_c), 0.0)(0.0)


# US EPA method 120.1 (rev. 1982), section 7.1: 0.01 mol/L KCl, 0.7456 g/L.
@pytest.mark.parametrize(("t_c", "ec"), [(21, 1305), (23, 1359), (25, 1413), (26, 1441)])
def test_the_conductivity_solution_follows_epa_120_1(t_c, ec):
    # A straight line cannot follow the table's curve; it keeps within 0.1 %.
    assert WATERS["kcl_1413"].conductivity(t_c) == pytest.approx(ec, rel=1e-3)


def test_the_conductivity_solution_is_not_the_one_of_oiml():
    # OIML R 56 (1981): 0.745263 g KCl per kg of solution has 1408.3 µS/cm at 25 °C.
    assert WATERS["kcl_1413"].conductivity(25) - 1408.3 > 4


# Technical (US) buffer table, as instrument manuals print it (seen second-hand).
@pytest.mark.parametrize(
    ("t_c", "ph"),
    [(0, 7.12), (5, 7.09), (15, 7.04), (25, 7.00), (30, 6.99), (40, 6.97)],
)
def test_the_ph_7_solution_follows_the_technical_buffer_table(t_c, ph):
    assert ph_at(WATERS["buffer_7"], t_c) == pytest.approx(ph, abs=0.01)


# NIST/IUPAC potassium hydrogen phthalate; three decimals from memory, two agree with JIS Z 8802.
@pytest.mark.parametrize(
    ("t_c", "ph"),
    [(0, 4.000), (10, 3.997), (20, 4.000), (25, 4.005), (35, 4.018), (40, 4.027)],
)
def test_the_ph_4_solution_follows_the_phthalate_table(t_c, ph):
    assert ph_at(WATERS["buffer_4"], t_c) == pytest.approx(ph, abs=0.01)


def test_the_ph_7_solution_is_not_the_nist_phosphate_buffer():
    # NIST phosphate: 6.865 at 25 °C (IUPAC 2002 recommendations).
    assert ph_at(WATERS["buffer_7"], 25) - 6.865 == pytest.approx(0.135, abs=0.002)


def test_distilled_water_comes_to_the_ph_of_air_on_standing():
    # Pure water with 425 ppm carbon dioxide at 25 °C: 5.60 (PHREEQC with phreeqc.dat).
    course = WATERS["distilled"].ph(Decays(25.0), 0.0)
    assert course(0.0) > 6.0
    assert course(math.inf) == pytest.approx(5.60, abs=0.02)
    assert ph_at(WATERS["distilled"], 25.0) == course(0.0)


def test_vinegar_has_the_ph_computed_for_five_per_cent_acetic_acid():
    # PHREEQC with phreeqc.dat, and by hand from pKa 4.756: 2.41.
    assert ph_at(WATERS["vinegar"], 25.0) == pytest.approx(2.41, abs=0.02)


def test_ageing_goes_on_where_it_was_when_the_probe_comes_back():
    distilled = WATERS["distilled"]
    course = distilled.ph(Decays(21.0), 0.0)
    assert distilled.ph(Decays(21.0), 600.0)(60.0) == pytest.approx(course(660.0), abs=1e-12)


def test_a_flowing_water_does_not_stand_in_air():
    distilled = WATERS["distilled"]
    assert distilled.ph(Decays(25.0), 1e6, standing=False)(math.inf) == distilled.ph_25


def test_thin_waters_are_weakly_buffered_and_poorly_poised():
    for name in ("reverse_osmosis", "distilled", "line_product"):
        water = WATERS[name]
        assert water.ec_25_us_cm < 50
        assert water.buffer_mmol_l < 0.3
        assert water.poise < 0.3


GOOD = HOUSEHOLD.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "water"),
        ("[water.tap", "not TOML"),
        (GOOD.replace("ph_25 = 2.41", "ph_25 = 24.1"), "water.vinegar.ph_25"),
        (GOOD.replace("ph_25 = 2.41", "ph_25 = nan"), "water.vinegar.ph_25"),
        (GOOD.replace("ph_25 = 2.41", "ph_52 = 2.41"), "ph_52"),
        (GOOD.replace("poise = 0.8", "poise = 0.0"), "poise"),
        (GOOD.replace("ec_25_us_cm = 6100.0", "ec_25_us_cm = -1"), "water.buffer_7.ec_25_us_cm"),
        (GOOD.replace("ec_25_us_cm = 6100.0", 'ec_25_us_cm = "many"'), "ec_25_us_cm"),
        (GOOD.replace("[water.tap]", '[water."../tap"]'), "water"),
    ],
)
def test_a_bad_file_is_an_error_that_names_file_and_key(tmp_path, text, said):
    path = tmp_path / "waters.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_waters(path)
    assert str(path) in str(caught.value)
    assert said in str(caught.value)


def test_a_missing_or_binary_file_is_a_clear_error(tmp_path):
    with pytest.raises(ConfigError, match="cannot be read"):
        load_waters(tmp_path / "none.toml")
    path = tmp_path / "waters.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="not UTF-8"):
        load_waters(path)


def test_waters_are_frozen():
    with pytest.raises(Exception, match="frozen"):
        WATERS["tap"].ph_25 = 1.0
    assert isinstance(WATERS["tap"], Water)
    with pytest.raises(TypeError):
        WATERS["tap"] = WATERS["vinegar"]
