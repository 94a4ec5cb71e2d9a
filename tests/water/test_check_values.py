"""Every published check value, put through the function it belongs to.

The values stand in tests/data/check_values.json with source and provenance. What is quoted from
memory alone warns when it is missed; everything else fails.
"""

from __future__ import annotations

import json
import math
import warnings
from pathlib import Path

import pytest

from acquire.quantities import BUILT_IN, conversion
from acquire.stats import budget, charts, compare, conformity, counts
from acquire.water import (
    buffers,
    conductivity,
    corrections,
    density,
    dissolved_solids,
    electrode,
    ions,
    kitchen,
    limits,
    membrane,
    microscope,
    potassium_chloride,
    pure,
    redox,
    salinity,
    solutions,
)

VALUES = json.loads(
    (Path(__file__).parents[1] / "data" / "check_values.json").read_text(encoding="utf-8")
)
ELSEWHERE = {"stabilisation"}  # criteria of settling: held by the tests of the settler
OURS = [value for value in VALUES if value["topic"] not in ELSEWHERE]
NATURAL = {"Ca": 60, "Mg": 10, "Na": 15, "K": 2, "HCO3": 190, "SO4": 40, "Cl": 20.3}
SODIUM_MIX = {"Na2SO4": 0.4, "NaHCO3": 0.4, "NaCl": 0.2}


class UnconfirmedValue(UserWarning):
    """A value quoted from memory, and missed."""


def is_from_memory(value):
    """Tell whether nothing but memory stands behind a value."""
    said = value["provenance"]
    confirmed = any(word in said for word in ("seen", "computed", "agree"))
    return said.startswith("from memory") and not confirmed


def conductivity_value(name, i):
    if name.startswith("kcl-nist"):
        return potassium_chloride.kcl_standard("molal", i["molality"], i["t_c"]).value
    if name.startswith("kcl-oiml"):
        molality = potassium_chloride.molality_of(i["g_per_kg_solution"])
        strength = {0.001: 0.001, 0.01: 0.01, 0.1: 0.1}[round(molality, 3)]
        return potassium_chloride.kcl_standard("demal", strength, i["t_c"]).value
    if name.startswith("kcl-epa"):
        return potassium_chloride.kcl_standard("epa", i["molarity"], i["t_c"]).value
    if name.startswith("kcl-sm2510"):
        return potassium_chloride.standard_methods_molar(i["molarity"], i["t_c"]).value
    if name.startswith("ecstd"):
        solution = solutions.find_solution(f"kcl-{i['standard_us_cm_25c']}")
        return solutions.expected_reading(solution, "conductivity", i["t_c"]).value
    if name.startswith(("f25", "f20")):
        return conductivity.iso7888_factor(i["t_c"], reference_c=i["reference_c"]).value
    if name.startswith("ec-lin"):
        wanted = conductivity.Compensation("linear", i["reference_c"], i["alpha"])
        return conductivity.to_reference(i["ec_us_cm"], i["t_c"], wanted).value
    if name.startswith("ec-iso"):
        wanted = conductivity.Compensation("iso7888", i["reference_c"])
        return conductivity.to_reference(i["ec_us_cm"], i["t_c"], wanted).value
    if name.startswith("alpha"):
        return 100 * conductivity.alpha_between(i["ec25"], i["ec_t"], i["t_c"])
    if name.startswith("cellconst"):
        return conductivity.cell_constant(
            i["cell_constant_old"],
            standard_us_cm=i["standard_us_cm"],
            reading_us_cm=i["reading_us_cm"],
        )
    if name.startswith("ec-units"):
        assert i["to"] == "uS/cm"
        return conversion(BUILT_IN["conductivity"], i["from"])(i["value"])
    if name == "ec-natural-ratio-10":
        at_25 = ions.conductivity_of_ions(NATURAL, 25.0).value
        return at_25 / ions.conductivity_of_ions(NATURAL, i["t_c"]).value
    assert name.startswith("ec-precision"), name
    return list(conductivity.interlaboratory(i["level_us_cm"])[:2])


def salts_of(i):
    salt, amount = i["salt"], i["mg_per_l"]
    if salt.startswith("40/40/20"):
        return {name: share * amount for name, share in SODIUM_MIX.items()}
    return {salt: amount}


def tds_value(name, i):
    if name.startswith("tds-factor-range"):
        which = "usual" if "Methods" in i["source"] else "all natural waters"
        found = dissolved_solids.USUAL_FACTORS[which]
        return [found.low, found.high]
    if name.startswith("tds-mult"):
        factor = dissolved_solids.TdsFactor(i["factor"])
        return dissolved_solids.tds_of(i["ec25_us_cm"], factor).value
    if name.startswith("nacl-ec"):
        return dissolved_solids.conductivity_of_nacl(i["mg_per_l"]).value
    if name.startswith("tds-k"):
        found = ions.conductivity_of_ions(ions.salt_to_ions(salts_of(i)), i["t_c"])
        return dissolved_solids.factor_from_residue(i["mg_per_l"], found.value)[0].k
    if name == "tds-natural-ec25":
        return ions.conductivity_of_ions(NATURAL, i["t_c"]).value
    if name == "tds-natural-sum":
        return ions.sum_of_ions(NATURAL)
    assert name == "tds-hco3-residue-factor", name
    return ions.residue_of_ions({"HCO3": 100.0}) / 100.0


def salinity_value(name, i):
    if name.startswith("pss78-unesco"):
        return salinity.salinity_of_ratio(i["R"], i["t68_c"], i["p_dbar"])
    if name.startswith(("pss78-inverse", "c3515")):
        wanted = i.get("S", i.get("SP"))
        found = salinity.conductivity_of_salinity(wanted, i["t68_c"] / 1.00024, i["p_dbar"])
        scale = 1.0 if name == "c3515" else salinity.C_35_15_0_MS_CM
        return found.value / 1000.0 / scale
    if name.startswith("gsw-doc"):
        return salinity.practical_salinity(1000 * i["C_ms_cm"], i["t90_c"], i["p_dbar"]).value
    if name.startswith("gsw-salinometer"):
        return salinity.salinity_of_bath_ratio(i["Rt"], i["t90_c"])
    level = i.get("ec_us_cm", i.get("ec_raw_us_cm"))
    extension = i.get("extension") != "none"
    return salinity.practical_salinity(level, i["t90_c"], extension=extension).value


def density_value(name, i):
    if name.startswith(("rho-tanaka", "rho-iapws")):
        return pure.water_density(i["t_c"]).value
    if name.startswith("eos80"):
        return density.seawater_density(i["S"], i["t68_c"], i["p_dbar"]).value
    if name.startswith("sg-pure"):
        water = pure.water_density(i["t_c"]).value
        return density.specific_gravity(water, reference_temp_c=i["reference_t_c"]).value
    if name.startswith("sg-seawater"):
        found = density.seawater_density(i["SP"], salinity.t68(i["t_c"]))
        return density.specific_gravity(found.value, reference_temp_c=i["t_c"]).value
    if name.startswith("sg-display"):
        found = density.salt_density("NaCl", i["tds_mg_per_l"], 20.0).value
        gravity = density.specific_gravity(found, reference_temp_c=20.0).value
        return density.displayed_gravity(gravity, resolution=10.0 ** -i["display_decimals"])
    found = density.salt_density(i["salt"], i["mg_per_l"], i["t_c"])
    return density.specific_gravity(found.value, reference_temp_c=i["t_c"]).value


def ph_value(name, i):
    if name.startswith("nernst"):
        return electrode.nernst_slope(i["t_c"])
    if name.startswith("buffer-technical"):
        return [buffers.buffer_ph("technical", which, i["t_c"]).value for which in i["buffers"]]
    if i.get("fit") == "Hetzer 1977":
        return buffers.buffer_ph("primary", "phthalate-1977", i["t_c"]).value
    if name.startswith("buffer"):
        return buffers.buffer_ph("primary", i["buffer"], i["t_c"]).value
    if name == "ph-slope-accept-general":
        window = electrode.SLOPE_WINDOWS["usable"]
        return [window.low, window.high]
    if name == "ph-offset-accept-general":
        return electrode.OFFSET_WINDOWS["usable"].high
    if name.startswith(("ph-slope", "ph-offset")):
        readings = [electrode.BufferReading(i[f"ph{n}"], i[f"mv{n}"]) for n in (1, 2)]
        found = electrode.evaluate_electrode(readings, temp_c=i.get("t_c", 25.0))
        return found.slope_percent if name.startswith("ph-slope") else found.offset_mv
    if name.startswith("vinegar"):
        dilution = i.get("dilution", 1.0)
        acid = i["acetic_acid_percent_w_v"]
        return kitchen.vinegar(acid, dilution=dilution, temp_c=i["t_c"]).value
    if name.startswith("bicarb"):
        air = 420.0 if "420 ppm" in i["system"] else None
        found = kitchen.baking_soda(i["NaHCO3_g_per_kg_water"], temp_c=i["t_c"], co2_ppm=air)
        return found.value
    if name.startswith("co2-water"):
        return kitchen.air_water(co2_ppm=i["co2_ppm"], temp_c=i["t_c"]).value
    assert name == "ph-iso10523-sd", name
    return electrode.ATTAINABLE_SD


ELECTRODES = {
    "Ag/AgCl 3 M KCl": "ag-agcl-3m",
    "Ag/AgCl sat. KCl": "ag-agcl-saturated",
    "Ag/AgCl 4 M KCl": "ag-agcl-4m",
    "Ag/AgCl 1 M KCl": "ag-agcl-1m",
    "Ag/AgCl 0.1 M KCl": "ag-agcl-0.1m",
    "calomel sat. KCl": "calomel-saturated",
    "SHE": "she",
}


def orp_value(name, i):
    if name.startswith("zobell"):
        table = "nordstrom" if "nordstrom" in name else "standard-methods"
        eh = redox.zobell(i["t_c"], table=table).value
        return redox.orp_of(eh, ELECTRODES[i["reference"]], i["t_c"]).value
    if name.startswith("light"):
        return redox.light(i["t_c"]).value
    if name.startswith("ref-"):
        return redox.reference_potential(ELECTRODES[i["reference"]], i["t_c"]).value
    if name.startswith("agagcl-E0"):
        return redox.silver_chloride_standard(i["t_c"])
    if name.startswith("eh-"):
        reference = ELECTRODES[i["reference"].split(":")[0]]
        return redox.eh_of(i["emf_mv"], reference, i["t_c"]).value
    if name.startswith("quinhydrone-she"):
        return redox.quinhydrone(i["ph"], i["t_c"]).value
    assert name.startswith("quinhydrone-diff"), name
    return redox.quinhydrone_span(i["t_c"])


def check_value(name, i):
    if "standard_us_cm" in i:
        return corrections.acceptance_standard(i["criterion"], i["standard_us_cm"])
    if "ph" in i["parameter"]:
        return corrections.acceptance_ph(i["criterion"])
    assert name == "check-usgs-cellconst", name
    return corrections.CELL_CONSTANT_CHANGE_PERCENT


def guideline_value(name, i):
    if name.startswith("us-ph-in"):
        found = limits.find_limit("us-secondary-ph")
        place = conformity.conformity(i["ph"], 0.0, lower=found.lower, upper=found.upper).place
        return place == "inside"
    if name == "orp-650":
        return limits.find_limit("orp-chlorinated").lower
    classes = {"who-tds": "who-taste", "eu-mineral": "eu-mineral-water"}
    classes["fda-mineral"] = "us-mineral-water"
    for start, which in classes.items():
        if name.startswith(start):
            return limits.find_classes(which).label(next(iter(i.values())))
    start = {"US EPA secondary": "us-secondary", "EU": "eu"}[i["authority"]]
    found = limits.find_limit(f"{start}-{i['parameter']}").at_reference(i.get("reference_c"))
    return found.upper if found.lower is None else [found.lower, found.upper]


def membrane_value(name, i):
    if name.startswith("rejection"):
        return membrane.rejection_percent(i["feed"], i["permeate"])
    if name.startswith("passage"):
        return membrane.passage_percent(i["feed"], i["permeate"])
    if name == "nsf58-tds":
        return [
            membrane.CHALLENGE_TDS_MG_L,
            membrane.PRODUCT_TDS_MG_L,
            membrane.LEAST_REDUCTION_PERCENT,
        ]
    if name == "nsf58-pressure":
        return membrane.CHALLENGE_PRESSURE_PSI
    if name.startswith("ro-tcf-astm"):
        return membrane.flow_factor(i["t_c"], model="astm").value
    if name.startswith("ro-tcf"):
        return membrane.temperature_correction(i["t_c"]).value
    if name.startswith("ro-flow"):
        return membrane.rated_flow_at(i["rated_flow"], i["t_c"]).value
    assert name.startswith("ro-logmean"), name
    return membrane.log_mean_factor(i["recovery"])


def microscope_value(name, i):
    if name.startswith("fov-scale"):
        return microscope.scaled_diameter(
            i["diameter_mm"], magnification=i["total_mag"], new_magnification=i["new_total_mag"]
        )
    if name.startswith("fov"):
        diameter = microscope.field_diameter(i["field_number_mm"], i["objective"])
        return microscope.field_area(diameter) if "area" in name else diameter
    if name == "film-depth":
        return microscope.film_depth(i["drop_ml"], tuple(i["coverslip_mm"]))
    if name.startswith("garwood"):
        return list(counts.poisson_interval(i["count"], level=i["level"]))
    if name == "zero-onesided":
        return counts.poisson_upper(i["count"], level=i["level"])
    if name.startswith("currie"):
        blank = i["blank_count"]
        return [counts.critical_level(blank), counts.detection_limit(blank)]
    assert name.startswith("hemocytometer"), name
    return microscope.concentration_in_chamber(
        i["count"], squares=i["squares"], square_mm2=i["square_mm2"], depth_mm=i["depth_mm"]
    )


def quality_value(name, i):
    if name.startswith("rpd"):
        return compare.rpd_percent(i["a"], i["b"])
    if name == "duplicate-sd":
        return compare.duplicate_sd(i["a"], i["b"])
    if name.startswith("quant"):
        return budget.resolution_u(i["resolution"])
    if name.startswith("rect"):
        return budget.rectangular_u(i["half_width"])
    if name.startswith("eurachem"):
        return eurachem_a1(i).value
    if name == "expanded-k2":
        return i["k"] * budget.Budget(0.0, (budget.Component("all", i["u"]),)).u
    if name.startswith("fieller"):
        found = compare.fieller(i["a"], i["u_a"], i["b"], i["u_b"], z=i["z"])
        return [found.low, found.high]
    return chart_value(name, i)


def eurachem_a1(i):
    """EURACHEM/CITAC QUAM example A1: c = 1000 m P / V."""
    return budget.product(
        budget.Factor("mass", i["m_mg"], 0.05),
        budget.Factor("purity", i["P"], 0.000058),
        budget.Factor("volume", i["V_ml"], 0.07, -1.0),
        constant=1000.0,
    )


def chart_value(name, i):
    if name.startswith("shewhart"):
        found = charts.shewhart_constants(i["n"])
        return [found.d2, found.d3, found.c4, found.a2, found.d4]
    if name == "nist-individuals":
        found = charts.individuals(i["x"])
        return [found.mean, found.mean_range, found.upper, found.lower]
    if name == "nist-ewma-limits":
        low, high = charts.ewma_limits(
            centre=i["ewma0"], sigma=i["sigma"], weight=i["lambda"], width=i["L"]
        )
        return [high, low]
    if "ewma" in name:
        start = i.get("ewma0", i.get("mean"))
        averages = charts.ewma(i["x"], weight=i["lambda"], start=start)
        return averages[-1] if name.endswith("last") else averages
    target = i.get("target", i.get("mean"))
    slack = i.get("K", i.get("k", 0) * i.get("sigma", 1))
    decision = i.get("H", i["h"] * i["sigma"] if "h" in i else None)
    found = charts.cusum(i["x"], target=target, slack=slack, decision=decision)
    match name:
        case "mr-cusum-hi":
            return list(found.high)
        case "mr-cusum-lo":
            return list(found.low)
        case "mr-cusum-signal":
            return found.signals
    assert name == "montgomery-cusum-first", name
    assert found.first_signal is not None
    return found.first_signal + 1  # the book counts from 1


BY_TOPIC = {
    "conductivity": conductivity_value,
    "tds": tds_value,
    "salinity": salinity_value,
    "density": density_value,
    "ph": ph_value,
    "orp": orp_value,
    "meter-check": check_value,
    "guideline": guideline_value,
    "ro": membrane_value,
    "microscopy": microscope_value,
    "quality": quality_value,
}


def misses(found, value):
    """Give what is wrong in words, or nothing."""
    expected, tolerance = value["expected"], value["tolerance"]
    if isinstance(expected, (str, bool)):
        return "" if found == expected else f"found {found!r}, expected {expected!r}"
    due = expected if isinstance(expected, list) else [expected]
    got = found if isinstance(found, list) else [found]
    if len(due) != len(got):
        return f"found {len(got)} values, expected {len(due)}"
    # One part in 10^9 for the arithmetic, so that a tolerance of zero means equal.
    far = [
        (a, b) for a, b in zip(got, due, strict=True) if not abs(a - b) <= tolerance + 1e-9 * abs(b)
    ]
    return f"found and expected {far[:3]}, tolerance {tolerance}" if far else ""


@pytest.mark.filterwarnings("default::UserWarning")
@pytest.mark.parametrize(
    "value",
    [pytest.param(value, id=value["id"]) for value in OURS],
)
def test_a_published_value_is_met(value):
    found = BY_TOPIC[value["topic"]](value["id"], value["inputs"])

    problem = misses(found, value)
    if problem and is_from_memory(value):
        warnings.warn(f"{value['id']}: {problem} (from memory)", UnconfirmedValue, stacklevel=1)
        return
    assert not problem, f"{problem}; {value['source']} [{value['provenance']}]"


def test_every_value_names_its_source_and_how_it_is_known():
    assert len(VALUES) == 325
    assert all(value["source"] and value["provenance"] for value in VALUES)
    assert len({value["id"] for value in VALUES}) == len(VALUES)


def test_every_topic_but_settling_is_held_here():
    assert {value["topic"] for value in OURS} == set(BY_TOPIC)
    assert len(OURS) == 298


def test_few_values_rest_on_memory_alone():
    from_memory = [value["id"] for value in OURS if is_from_memory(value)]
    assert len(from_memory) <= 8, from_memory


def test_the_comparison_itself_notices_a_wrong_value():
    value = {"expected": [1.0, 2.0], "tolerance": 0.1}
    assert misses([1.05, 2.0], value) == ""
    assert misses([1.2, 2.0], value)
    assert misses([1.0], value)
    assert misses(math.nan, {"expected": 1.0, "tolerance": 5.0})
    assert misses("good", {"expected": "fair", "tolerance": 0})
