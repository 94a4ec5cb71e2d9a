"""What a profile says of a quantity whatever the wire: the reference electrode of ORP."""

from __future__ import annotations

import pytest

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN
from acquire.readings import REFERENCE_ELECTRODES
from drivers.measures import Measures, channel_of, scale_of


@pytest.mark.parametrize("electrode", [None, *REFERENCE_ELECTRODES])
def test_the_channel_of_orp_says_what_it_is_measured_against(electrode: str | None) -> None:
    measures = Measures(unit="mV", resolution=1.0, reference_electrode=electrode)
    scale_of("orp", {"orp": measures}, BUILT_IN)
    assert channel_of(BUILT_IN["orp"], measures).reference_electrode == electrode


@pytest.mark.parametrize(
    ("quantity", "unit", "electrode", "allowed"),
    [("orp", "mV", "silver", "calomel-saturated"), ("ph", "pH", "ag-agcl-3m", "with orp only")],
)
def test_an_electrode_nobody_knows_is_one_clear_error(
    quantity: str, unit: str, electrode: str, allowed: str
) -> None:
    measures = Measures(unit=unit, resolution=1.0, reference_electrode=electrode)
    with pytest.raises(ConfigError) as error:
        scale_of(quantity, {quantity: measures}, BUILT_IN)
    assert error.value.key == f"quantities.{quantity}.reference_electrode"
    assert allowed in error.value.allowed
