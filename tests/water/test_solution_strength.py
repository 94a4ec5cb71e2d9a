"""What pH solutions conduct at least, against handbook values that the program does not use."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.water.buffers import PRIMARY, TECHNICAL
from acquire.water.solution_strength import CATIONS, least_conductivity
from acquire.water.solutions import built_in_solutions

LAMBDA = {"Na": 50.08, "K": 73.48}
"""S cm²/mol at 25 °C, infinite dilution: CRC Handbook of Chemistry and Physics, from memory."""


def buffer(family, name):
    made = built_in_solutions()["buffer-7.00"]
    (one,) = made.expects
    return replace(made, expects=(replace(one, given={"family": family, "name": name}),))


def test_every_buffer_there_is_has_its_cations():
    known = {("primary", name) for name in PRIMARY} | {("technical", name) for name in TECHNICAL}
    assert set(CATIONS) == known


@pytest.mark.parametrize("key", CATIONS, ids=" ".join)
def test_cations_among_others_conduct_somewhat_less_than_alone(key):
    """Kohlrausch's law bounds it from above; at 0.1 mol/L a salt keeps four fifths and more."""
    alone = 1000.0 * sum(LAMBDA[name] * amount for name, amount in CATIONS[key].items())
    assert 0.8 * alone < least_conductivity(buffer(*key)) < alone


def test_vinegar_conducts_by_its_free_acid():
    """0.833 mol/L acetic acid conducts 1.5 mS/cm: limiting conductivity 390.6, pKa 4.756, by hand."""
    by_hand = 1e3 * 390.6 * (0.8327 * 10**-4.756) ** 0.5
    assert least_conductivity(built_in_solutions()["vinegar"]) == pytest.approx(by_hand, rel=0.05)
    thin = least_conductivity(built_in_solutions()["vinegar-1-in-20"])
    assert thin == pytest.approx(by_hand / 20**0.5, rel=0.05)


def test_baking_soda_conducts_with_all_its_ions():
    """0.119 mol/L at a limiting 94.6 S cm²/mol (Na 50.1, HCO3 44.5, CRC Handbook, from memory)."""
    found = least_conductivity(built_in_solutions()["baking-soda"])
    assert 0.75 * 11_260 < found < 11_260
    made = built_in_solutions()["baking-soda"]
    (one,) = made.expects
    strong = replace(made, expects=(replace(one, given={"g_per_kg_water": 200.0}),))
    assert least_conductivity(strong) is None


@pytest.mark.parametrize("name", ["kcl-1413", "table-salt-1", "zobell"])
def test_of_other_solutions_nothing_is_said(name):
    assert least_conductivity(built_in_solutions()[name]) is None
