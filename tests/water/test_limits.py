"""Limits and classes: whose, at which temperature, for which water."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import ConfigError, WaterError
from acquire.water.limits import (
    NOT_A_SAFETY_TEST,
    built_in_limits,
    find_classes,
    find_limit,
    load_limits,
)


def test_every_entry_names_authority_source_and_date():
    catalogue = built_in_limits()
    for one in (*catalogue.limits.values(), *catalogue.classes.values()):
        assert one.authority
        assert one.source
        assert one.as_of


def test_the_european_limit_is_2500_at_20_and_2790_at_25_degrees():
    # Directive 98/83/EC at 20 °C; the German transposition states 2790 at 25 °C.
    limit = find_limit("eu-conductivity")
    assert limit.at_reference(20.0).upper == 2500
    assert limit.at_reference(25.0).upper == pytest.approx(2790, abs=0.5)
    with pytest.raises(WaterError, match="stated at 20 °C"):
        limit.at_reference(None)


def test_a_limit_without_a_temperature_is_the_same_at_every_reference():
    assert find_limit("eu-ph").at_reference(25.0) == find_limit("eu-ph")


def test_the_orp_rule_is_for_chlorinated_water_only():
    assert find_limit("orp-chlorinated").applies_to == "chlorinated"


def test_the_boundaries_of_the_taste_classes_fall_where_they_are_printed():
    # WHO: less than 300 excellent, 300 to 600 good, ..., above 1200 unacceptable.
    taste = find_classes("who-taste")
    assert [taste.label(x) for x in (299.9, 300, 600, 600.1, 1200, 1200.1)] == [
        "excellent", "good", "good", "fair", "poor", "unacceptable",
    ]  # fmt: skip


@given(st.floats(0, 2000), st.floats(0, 300))
def test_an_uncertain_value_is_given_every_class_it_may_be_in(value, reach):
    taste = find_classes("who-taste")
    labels = taste.labels(value, reach)
    assert taste.label(value) in labels
    assert len(labels) == 1 or reach > 0


def test_the_caution_speaks_of_what_these_readings_cannot_see():
    for word in ("microbes", "lead", "laboratory", "never"):
        assert word in NOT_A_SAFETY_TEST


LIMIT = """
[[limit]]
name = "mine"
authority = "me"
quantity = "ph"
unit = "[pH]"
kind = "taste"
source = "my tongue"
as_of = "2026"
upper = 8.0
"""
CLASSES = """
[[classes]]
name = "mine"
authority = "me"
quantity = "tds"
unit = "mg/L"
kind = "taste"
source = "my tongue"
as_of = "2026"
steps = [{ label = "low", up_to = 10.0 }, { label = "high" }]
"""


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (LIMIT.replace("upper = 8.0", ""), "needs lower, upper or both"),
        (LIMIT + "lower = 9.0\n", "lower is above upper"),
        (LIMIT.replace('"taste"', '"legal"'), "kind"),
        (LIMIT + LIMIT, "given twice"),
        (LIMIT.replace("8.0", '"eight"'), "upper"),
        (CLASSES.replace(", up_to = 10.0", ""), "every step but the last"),
        (CLASSES.replace('label = "high"', 'label = "high", up_to = 5.0'), "every step but the last"),
        (CLASSES.replace('"high"', '"low"'), "label of its own"),
        (CLASSES.replace("up_to = 10.0", "up_to = 10.0, below = 9.0"), "not both"),
        (CLASSES.replace('steps = [{ label = "low", up_to = 10.0 }, { label = "high" }]', "steps = []"), "at least one step"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_catalogue_is_named(tmp_path, text, says):
    path = tmp_path / "limits.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_limits(path)
    assert says in str(caught.value)


def test_an_unknown_limit_or_class_names_the_known_ones():
    with pytest.raises(ConfigError, match="eu-ph"):
        find_limit("moon-ph")
    with pytest.raises(ConfigError, match="who-taste"):
        find_classes("moon")
