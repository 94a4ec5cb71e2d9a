"""Quantities of a person's own: what a table may say, and what is said when it may not."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from acquire.errors import ConfigError
from acquire.own_quantities import QuantityConfig, own_quantity, shown_quantity

TABLE = {
    "label": "Oxygen", "unit": "mg/L", "digits": 2, "low": 0.0, "high": 20.0, "tolerance": 0.05,
    "senml_unit": "kg/m3", "senml_factor": 0.001,
}  # fmt: skip


def made(name="oxygen", **more):
    return own_quantity(name, QuantityConfig.model_validate(TABLE | more), Path("ouzel.toml"))


def test_a_bare_number_is_the_absolute_part_of_a_tolerance():
    assert made().tolerance.at(100.0) == made(tolerance={"absolute": 0.05}).tolerance.at(100.0)
    assert made(tolerance={"relative": 0.01}).tolerance.at(10.0) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("name", "more", "key", "said"),
    [
        ("ph", {}, "quantities.ph", "cannot be redefined"),
        ("Oxygen", {}, "quantities.Oxygen", "a small letter"),
        ("a/b", {}, "quantities.a/b", "a small letter"),
        ("oxygen", {"low": 20.0}, "quantities.oxygen.high", "> 20 (low)"),
        ("oxygen", {"tolerance": 0}, "quantities.oxygen.tolerance", ""),
    ],
)
def test_what_cannot_be_names_file_key_and_what_is_allowed(name, more, key, said):
    with pytest.raises(ConfigError) as caught:
        made(name, **more)
    assert said in str(caught.value)
    assert key in str(caught.value)
    assert "ouzel.toml" in str(caught.value)


@pytest.mark.parametrize(
    "more",
    [{"label": "a\x1b[2J"}, {"label": " padded "}, {"unit": "a\nb"}, {"digits": 7}, {"low": "inf"},
     {"senml_factor": 0}, {"tolerance": True}, {"colour": "red"}],
)  # fmt: skip
def test_what_would_spoil_a_screen_or_a_file_is_refused(more):
    with pytest.raises(ValidationError):
        QuantityConfig.model_validate(TABLE | more)


@given(
    st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(0, 6), st.floats(1e-6, 10),
    st.floats(0, 0.9),
)  # fmt: skip
def test_a_quantity_read_again_from_what_is_shown_is_the_same(low, width, digits, absolute, part):
    tolerance = {"absolute": absolute, "relative": part}
    first = made(low=low, high=low + width, digits=digits, tolerance=tolerance)
    again = QuantityConfig.model_validate(shown_quantity(first))
    assert own_quantity("oxygen", again, None) == first
