"""Bad input: a typed error that says what is needed, for every formula."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest

from acquire.errors import WaterError
from acquire.water import (
    buffers,
    conductivity,
    consistency,
    density,
    dissolved_solids,
    electrode,
    ions,
    kitchen,
    membrane,
    microscope,
    potassium_chloride,
    pure,
    redox,
    salinity,
    scaling,
)
from acquire.water.inputs import Derived, Domain, finite, positive

LINEAR = conductivity.Compensation("linear", 25.0, 0.02)
OF_TEMPERATURE = {
    "iso 7888": conductivity.iso7888_factor,
    "linear": lambda t: conductivity.linear_factor(t, alpha=0.02),
    "compensate": lambda t: conductivity.to_reference(500, t, LINEAR),
    "undo": lambda t: conductivity.to_raw(500, t, conductivity.NATURAL_25),
    "kcl molal": lambda t: potassium_chloride.molal(0.01, t),
    "kcl demal": lambda t: potassium_chloride.demal(0.01, t),
    "kcl epa": potassium_chloride.epa_molar,
    "kcl molar": lambda t: potassium_chloride.standard_methods_molar(0.01, t),
    "ions": lambda t: ions.conductivity_of_ions({"Na": 10, "Cl": 15}, t),
    "pss-78": lambda t: salinity.practical_salinity(500, t),
    "pss-78 inverted": lambda t: salinity.conductivity_of_salinity(0.5, t),
    "bath ratio": lambda t: salinity.salinity_of_bath_ratio(0.9, t),
    "pure water": pure.water_density,
    "viscosity": pure.water_viscosity,
    "permittivity": pure.dielectric_constant,
    "sea water": lambda t: density.seawater_density(0.5, t),
    "salt": lambda t: density.salt_density("NaCl", 500, t),
    "gravity": lambda t: density.specific_gravity(998.0, reference_temp_c=t),
    "allowed gravity": lambda t: density.expected_gravity(500, t, reference_temp_c=20),
    "nernst": electrode.nernst_slope,
    "electrode": lambda t: electrode.evaluate_electrode(
        [electrode.BufferReading(7.0, 0.0)], temp_c=t
    ),
    "buffer": lambda t: buffers.buffer_ph("primary", "phosphate", t),
    "technical buffer": lambda t: buffers.buffer_ph("technical", "7.00", t),
    "vinegar": lambda t: kitchen.vinegar(5, temp_c=t),
    "baking soda": lambda t: kitchen.baking_soda(10, temp_c=t),
    "air water": lambda t: kitchen.air_water(temp_c=t),
    "neutral": kitchen.pure_water_ph,
    "zobell": redox.zobell,
    "light": redox.light,
    "quinhydrone": lambda t: redox.quinhydrone(4.0, t),
    "reference": lambda t: redox.reference_potential("ag-agcl-3m", t),
    "eh": lambda t: redox.eh_of(200, "ag-agcl-saturated", t),
    "agcl": redox.silver_chloride_standard,
    "membrane": membrane.temperature_correction,
    "membrane flow": lambda t: membrane.flow_at_25(1.0, t),
    "langelier": lambda t: scaling.langelier_index(
        7.5, t, calcium_mg_l=150, alkalinity_mg_l=100, tds_mg_l=300
    ),
    "gravity finding": lambda t: consistency.gravity_agrees(1.0, 300, t),
}
OF_AMOUNT = {
    "compensate": lambda x: conductivity.to_reference(x, 20, LINEAR),
    "recompensate": lambda x: conductivity.recompensate(x, 20, said=LINEAR, wanted=LINEAR),
    "kcl": potassium_chloride.standard_methods_molar,
    "ions": lambda x: ions.conductivity_of_ions({"Na": x, "Cl": 15}),
    "salts": lambda x: ions.salt_to_ions({"NaCl": x}),
    "pss-78": lambda x: salinity.practical_salinity(x, 20),
    "tds": lambda x: dissolved_solids.tds_of(x, dissolved_solids.NACL_FACTOR),
    "factor": lambda x: dissolved_solids.factor_from_residue(x, 500),
    "nacl": dissolved_solids.conductivity_of_nacl,
    "nacl equivalent": dissolved_solids.nacl_of_conductivity,
    "salt density": lambda x: density.salt_density("NaCl", x, 20),
    "gravity": lambda x: density.specific_gravity(x, reference_temp_c=20),
    "display": density.displayed_gravity,
    "vinegar": kitchen.vinegar,
    "dilution": lambda x: kitchen.vinegar(5, dilution=x),
    "baking soda": kitchen.baking_soda,
    "co2": lambda x: kitchen.air_water(co2_ppm=x),
    "feed": lambda x: membrane.rejection_percent(x, 10),
    "product": lambda x: membrane.rejection_percent(100, x),
    "recovery": membrane.log_mean_factor,
    "field": lambda x: microscope.field_diameter(x, 40),
    "film": lambda x: microscope.film_depth(x, (22, 22)),
    "count": lambda x: microscope.concentration_in_film(x, fields=1, area_mm2=1, depth_mm=1),
    "tds finding": lambda x: consistency.tds_agrees(x, 500, tds_step=1, ec_step=1),
    "ph finding": consistency.low_conductivity_ph,
}


@pytest.mark.parametrize("bad", [None, math.nan, math.inf, -300.0, 1000.0, "warm"])
@pytest.mark.parametrize("formula", OF_TEMPERATURE)
def test_an_unusable_temperature_is_refused_by_every_formula(formula, bad):
    with pytest.raises(WaterError) as caught:
        OF_TEMPERATURE[formula](bad)
    assert "temperature" in str(caught.value) or "°C" in str(caught.value)


def test_a_missing_temperature_says_so_and_names_the_unit():
    with pytest.raises(WaterError, match=r"the water temperature is missing: give it in °C"):
        conductivity.iso7888_factor(None)


@pytest.mark.parametrize("bad", [None, math.nan, -math.inf, -1.0, "much"])
@pytest.mark.parametrize("formula", OF_AMOUNT)
def test_an_unusable_amount_is_refused_by_every_formula(formula, bad):
    with pytest.raises(WaterError):
        OF_AMOUNT[formula](bad)


def test_a_domain_refuses_beyond_its_stretch_and_marks_within_it():
    domain = Domain("the thing", "K", 0.0, 10.0, -5.0, 20.0)
    assert not domain.is_outside(0.0)
    assert not domain.is_outside(10.0)
    assert domain.is_outside(10.1)
    assert domain.is_outside(-5.0)
    with pytest.raises(WaterError, match=r"the thing 20\.5 K .* needed -5 to 20 K"):
        domain.is_outside(20.5)


def test_zero_is_positive_only_where_it_may_be():
    assert positive(0.0, "x", zero=True) == 0.0
    with pytest.raises(WaterError, match="x must be above zero, found 0 mg"):
        positive(0.0, "x", "mg")


def test_text_from_outside_is_cut_short_in_a_message():
    with pytest.raises(WaterError) as caught:
        finite("9" * 5000 + "x", "the ORP")
    assert len(str(caught.value)) < 200


def test_a_derived_value_is_frozen():
    with pytest.raises(AttributeError):
        Derived(1.0, "1", "m").value = 2.0


def test_no_module_of_water_or_stats_loads_anything_heavy():
    code = (
        "import importlib, pkgutil, sys, acquire.stats, acquire.water\n"
        "for package in (acquire.water, acquire.stats):\n"
        "    for found in pkgutil.iter_modules(package.__path__):\n"
        "        importlib.import_module(f'{package.__name__}.{found.name}')\n"
        "heavy = {'pydantic', 'numpy', 'scipy', 'asyncio', 'rich'} & set(sys.modules)\n"
        "print(sorted(heavy))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
