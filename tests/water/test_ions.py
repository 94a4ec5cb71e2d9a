"""From an analysis to conductivity and solids, held against PHREEQC."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.ions import (
    charge_balance_percent,
    conductivity_of_ions,
    ionic_strength_of,
    residue_of_ions,
    salt_to_ions,
    sum_of_ions,
)

PHREEQC_NAMES = {"Na": "Na", "K": "K", "Ca": "Ca", "Mg": "Mg", "Cl": "Cl", "SO4": "S(6) as SO4"}


@settings(max_examples=40)
@given(
    st.fixed_dictionaries(
        {
            "NaCl": st.floats(0, 800),
            "CaCl2": st.floats(0, 400),
            "MgSO4": st.floats(0, 400),
            "Na2SO4": st.floats(0, 400),
            "NaHCO3": st.floats(0, 600),
            "KCl": st.floats(0, 200),
        }
    ).filter(lambda salts: sum(salts.values()) > 20),
    st.floats(1, 40),
)
def test_mixtures_conduct_within_2_percent_of_phreeqc(phreeqc, salts, temp):
    masses = {
        "NaCl": 58.443, "CaCl2": 110.984, "MgSO4": 120.365, "Na2SO4": 142.04,
        "NaHCO3": 84.007, "KCl": 74.551,
    }  # fmt: skip
    moles = {name: amount / masses[name] for name, amount in salts.items() if amount > 0}
    water = phreeqc.add_solution_simple(moles, temperature=temp)
    expected = water.sc
    water.forget()

    assert conductivity_of_ions(salt_to_ions(salts), temp).value == pytest.approx(
        expected, rel=0.02
    )


def test_a_known_salt_splits_into_its_ions_by_mass():
    ions = salt_to_ions({"NaCl": 58.443})
    assert ions == pytest.approx({"Na": 22.99, "Cl": 35.453}, rel=1e-4)


def test_pairs_take_sulfate_out_of_the_current():
    paired = conductivity_of_ions(salt_to_ions({"CaSO4": 1000})).value
    unpaired = conductivity_of_ions(salt_to_ions({"CaCl2": 1000 * 110.98 / 136.14})).value
    assert paired < 0.8 * unpaired


def test_bicarbonate_loses_half_of_itself_on_drying():
    # Hem, USGS WSP 2254 (1985): x 0.4917.
    ions = {"Ca": 40.08, "HCO3": 122.03}
    assert sum_of_ions(ions) == pytest.approx(162.11)
    assert residue_of_ions(ions) == pytest.approx(40.08 + 0.4917 * 122.03, abs=0.02)


def test_an_unbalanced_analysis_shows():
    assert charge_balance_percent({"Na": 23, "Cl": 35.45}) == pytest.approx(0, abs=0.1)
    assert charge_balance_percent({"Na": 46, "Cl": 35.45}) == pytest.approx(33.3, abs=0.2)
    with pytest.raises(WaterError, match="no ions"):
        charge_balance_percent({"Na": 0.0})


def test_ionic_strength_counts_charges_squared():
    assert ionic_strength_of(salt_to_ions({"NaCl": 58.443})) == pytest.approx(0.001, rel=1e-3)
    assert ionic_strength_of(salt_to_ions({"CaSO4": 136.14})) == pytest.approx(0.004, rel=1e-3)


def test_unknown_ions_and_salts_name_the_known_ones():
    with pytest.raises(WaterError, match="Na, K, Ca"):
        conductivity_of_ions({"Unobtainium": 5})
    with pytest.raises(WaterError, match="NaCl, KCl"):
        salt_to_ions({"sugar": 5})
    with pytest.raises(WaterError, match="ionic strength"):
        conductivity_of_ions(salt_to_ions({"NaCl": 90_000}))
