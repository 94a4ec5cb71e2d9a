"""What a header means, in the words and units people write."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.errors import ConfigError
from acquire.importing.columns import column_said, find_header, with_said
from acquire.importing.sheets import Sheet
from acquire.quantities import BUILT_IN, conversion


def header(*rows):
    return find_header(Sheet("t", list(enumerate(rows, 1)), separator=","), BUILT_IN)


def only(cell):
    return header(("Date", cell)).columns[1]


@pytest.mark.parametrize(
    ("cell", "what", "one"),
    [
        # SI prefixes: BIPM, The International System of Units, table 7; 1 S/m is 10 mS/cm.
        ("EC (µS/cm)", "conductivity", 1.0),
        ("EC (μS/cm)", "conductivity", 1.0),  # the Greek letter
        ("EC [mS/cm]", "conductivity", 1000.0),
        ("Cond. mS/cm", "conductivity", 1000.0),
        ("Leitfähigkeit (mS/m)", "conductivity", 10.0),
        ("Temp (°C)", "temperature", 1.0),
        ("Temp (ºC)", "temperature", 1.0),  # the masculine ordinal looks like a degree
        ("Temperature (°F)", "temperature", (1.0 - 32) * 5 / 9),
        ("pH", "ph", 1.0),
        ("pH-Wert", "ph", 1.0),
        ("ORP", "orp", 1.0),
    ],
)
def test_a_column_is_known_with_its_unit(cell, what, one):
    found = only(cell)
    assert (found.what, found.question) == (what, "")
    assert found.convert(1.0) == pytest.approx(one)


def test_a_unit_that_is_missing_or_unknown_is_asked_for_and_never_guessed():
    for cell in ("EC", "EC (furlongs)"):
        found = only(cell)
        assert found.what == "conductivity"
        assert found.convert is None
        assert "µS/cm or uS/cm, mS/cm, S/m, mS/m, µS/m or uS/m" in found.question
    assert "furlongs" in only("EC (furlongs)").question


def test_units_are_asked_for_as_the_trade_writes_them():
    """BIPM, The International System of Units, 9th edition, 5.2 (from memory): case has a meaning."""
    assert only("TDS").question.endswith("? mg/L, g/L, µg/L or ug/L")
    assert only("Temp").question.endswith("? °C or C, °F or F, K")


@pytest.mark.parametrize("quantity", BUILT_IN.values(), ids=lambda one: one.name)
def test_a_unit_is_known_however_people_type_its_letters(quantity):
    assert quantity.spoken
    for word in quantity.spoken:
        meant = conversion(quantity, word)
        for typed in (word.lower(), word.upper(), f" {word} ", word.replace("µ", "μ")):
            assert conversion(quantity, typed) == meant, typed


def test_an_unknown_unit_is_answered_with_those_there_are():
    with pytest.raises(ConfigError, match="allowed: µS/cm, uS/cm, µS, uS, mS/cm"):
        conversion(BUILT_IN["conductivity"], "furlongs")


def test_the_header_that_also_names_a_date_is_the_one():
    found = header(("My waters",), ("pH", "of all"), ("Date", "Water", "pH"), ("1", "tap", "7"))
    assert found.line == 3
    assert [column.what for column in found.columns] == ["date", "water", "ph"]
    assert header(("x",), ("pH", "of all"), ("7", "tap")).line == 2  # better than none


def test_a_table_without_a_quantity_says_what_a_header_looks_like():
    with pytest.raises(ConfigError, match="needs a line of headers"):
        header(("Date", "Colour"), ("1", "blue"))


def test_a_person_says_what_a_column_is():
    first = header(("Date", "Leitung", "EC", "pH"))
    said = [column_said(text) for text in ("Leitung=conductivity:mS/cm", "EC=-", "pH = note")]
    assert said == [("Leitung", "conductivity", "mS/cm"), ("EC", "-", ""), ("pH", "note", "")]
    found = with_said(first, said, BUILT_IN)
    assert [column.what for column in found.columns] == ["date", "conductivity", "", "note"]
    assert found.columns[1].convert(0.5) == pytest.approx(500.0)
    assert [column.what for column in first.columns] == ["date", "", "conductivity", "ph"]


@pytest.mark.parametrize("text", ["", "EC", "=conductivity", "EC=", "EC=:mS/cm"])
def test_what_says_no_column_is_refused(text):
    with pytest.raises(ConfigError, match="not a column"):
        column_said(text)


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (("Colour", "ph", ""), "no such column"),
        (("EC", "colour", ""), "a quantity, another thing of a table"),
        (("EC", "conductivity", "furlongs"), "furlongs"),
    ],
)
def test_a_person_who_errs_is_told_what_there_is(said, why):
    with pytest.raises(ConfigError, match=why):
        with_said(header(("Date", "EC")), [said], BUILT_IN)


def test_a_unit_a_person_leaves_out_is_asked_for_where_there_are_several():
    found = with_said(
        header(("Date", "Leitung", "pH")), [("Leitung", "conductivity", "")], BUILT_IN
    )
    assert "in which unit" in found.columns[1].question
    sure = with_said(header(("Date", "Saeure", "EC")), [("Saeure", "ph", "")], BUILT_IN)
    assert (sure.columns[1].question, sure.columns[1].convert(7.0)) == ("", 7.0)


def test_a_quantity_of_the_configuration_is_known_by_its_name_and_its_label():
    own = replace(
        BUILT_IN["orp"], name="free_chlorine", label="Free Cl₂", unit="mg/L", shown_unit="mg/L"
    )
    table = {**BUILT_IN, "free_chlorine": own}
    for cell in ("Free chlorine (mg/L)", "free_chlorine mg/L", "FREE CL₂ (mg/L)"):
        rows = tuple(enumerate([("Date", cell)], 1))
        column = find_header(Sheet("t", rows, separator=","), table).columns[1]
        assert column.what == "free_chlorine", cell
        with pytest.raises(ConfigError, match="no line names a quantity"):
            only(cell)
