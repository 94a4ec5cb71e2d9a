from __future__ import annotations

import pytest

from acquire.errors import FrameError
from acquire.quantities import BUILT_IN
from acquire.readings import Flag
from drivers.codecs.columns import Columns
from drivers.codecs.fields import Field, Numerals

FIELDS = {
    "ph": Field(BUILT_IN["ph"], "pH"),
    "conductivity": Field(BUILT_IN["conductivity"], "uS/cm", unit_from="range"),
}


def reader(separator: str = ";") -> Columns:
    return Columns(
        FIELDS,
        Numerals(decimal="," if separator == ";" else "."),
        separator=separator,
        columns=["", "ph", "conductivity", "range"],
    )


def test_columns_are_found_by_their_place_and_unnamed_ones_ignored() -> None:
    said = reader().read("17;7,01; 1,41 ;mS/cm")
    assert said.values == {"ph": 7.01, "conductivity": pytest.approx(1410.0)}
    assert said.flags == {}


@pytest.mark.parametrize("text", ["17;7,01;512", "17;7,01;512;uS/cm;", "7,01", "17;7,01;512;uS;3"])
def test_another_number_of_columns_is_no_line_of_this_meter(text: str) -> None:
    with pytest.raises(FrameError, match="columns instead of 4"):
        reader().read(text)


def test_a_bad_cell_costs_only_itself() -> None:
    said = reader().read("17;7.01;512;uS/cm")
    assert said.values == {"conductivity": 512.0}
    assert said.flags == {"ph": Flag.ERROR}
    assert said.bad == 1


def test_a_number_in_an_unknown_unit_is_no_value() -> None:
    said = reader().read("17;7,01;512;furlongs")
    assert said.values == {"ph": 7.01}
    assert said.flags == {"conductivity": Flag.ERROR}


def test_empty_cells_are_no_values_and_a_line_of_them_is_no_line() -> None:
    assert reader().read("17;7,01;;uS/cm").flags == {"conductivity": Flag.ERROR}
    with pytest.raises(FrameError):
        reader().read(";;;")


def test_a_blank_as_separator_stands_for_any_run_of_blanks() -> None:
    assert reader(" ").read("17  7.01 \t 512 uS/cm").values == {"ph": 7.01, "conductivity": 512.0}
