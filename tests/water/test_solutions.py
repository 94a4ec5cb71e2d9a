"""Known solutions: what a right meter shows, and a catalogue that people may write."""

from __future__ import annotations

import pytest

from acquire.errors import ConfigError, WaterError
from acquire.water.conductivity import NATURAL_25, Compensation
from acquire.water.solutions import (
    built_in_solutions,
    expected_reading,
    find_solution,
    load_solutions,
)

METER = Compensation("linear", 25.0, 0.02)
GOOD = """
[[solution]]
name = "mine"
label = "My solution"
source = "the bottle"
opened_days = 30
[[solution.expects]]
quantity = "ph"
formula = "buffer"
given = { family = "technical", name = "7.00" }
tolerance = 0.02
"""


def write(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("name", built_in_solutions())
def test_every_solution_gives_a_value_at_25_degrees_with_source_cautions_and_shelf_life(name):
    solution = find_solution(name)
    assert solution.source
    assert solution.cautions
    assert solution.opened_days
    for one in solution.expects:
        found = expected_reading(
            solution, one.quantity, 25.0, compensation=METER, reference="ag-agcl-3m"
        )
        assert found.tolerance > 0
        assert found.method
        assert not found.extrapolated


def test_a_right_meter_shows_what_its_own_compensation_makes_of_the_standard():
    standard = find_solution("kcl-1413")
    raw = expected_reading(standard, "conductivity", 20.0)
    linear = expected_reading(standard, "conductivity", 20.0, compensation=METER)
    natural = expected_reading(standard, "conductivity", 20.0, compensation=NATURAL_25)
    assert raw.value == pytest.approx(1278)
    assert linear.value == pytest.approx(1420)
    assert natural.value == pytest.approx(1426, abs=1)  # common practice, no source
    assert linear.tolerance == pytest.approx(14.2)


def test_the_standard_is_compared_at_its_own_temperature_between_the_lines():
    standard = find_solution("kcl-84")
    values = [expected_reading(standard, "conductivity", t).value for t in (15, 18, 22, 25, 28)]
    assert values == sorted(values)
    assert values[0] == pytest.approx(67.61)
    assert values[3] == pytest.approx(84.0)


def test_beyond_the_table_a_standard_is_carried_on_and_marked():
    found = expected_reading(find_solution("kcl-500"), "conductivity", 35.0)
    assert found.extrapolated
    assert found.value == pytest.approx(500 * 1.2, rel=0.01)


def test_an_orp_solution_needs_the_reference_electrode():
    zobell = find_solution("zobell")
    with pytest.raises(WaterError, match="reference electrode"):
        expected_reading(zobell, "orp", 25.0)
    assert expected_reading(zobell, "orp", 25.0, reference="she").value == 428
    assert expected_reading(zobell, "orp", 25.0, reference="ag-agcl-3m").value == 221


def test_a_missing_temperature_or_a_wrong_quantity_is_refused_in_words():
    with pytest.raises(WaterError, match="temperature of the solution is missing"):
        expected_reading(find_solution("vinegar"), "ph", None)
    with pytest.raises(WaterError, match="says nothing of orp: it is for ph"):
        expected_reading(find_solution("vinegar"), "orp", 25.0)


def test_dangerous_solutions_say_so():
    assert "cyanide" in " ".join(find_solution("zobell").cautions)
    assert "sulfuric acid" in " ".join(find_solution("light").cautions)


def test_a_misspelt_name_is_answered_with_the_nearest():
    with pytest.raises(ConfigError, match=r"did you mean kcl-1413\?"):
        find_solution("kcl1413")


def test_a_persons_own_solution_is_read_and_comes_before_the_built_in(tmp_path):
    own = load_solutions(write(tmp_path, GOOD))
    assert find_solution("mine", own).label == "My solution"
    renamed = load_solutions(write(tmp_path, GOOD.replace('"mine"', '"vinegar"')))
    assert find_solution("vinegar", renamed).label == "My solution"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('"ph"', '"taste"'), "expects[0].quantity: unknown quantity, found 'taste'"),
        (('"buffer"', '"magic"'), "expects[0].formula: unknown formula, found 'magic'"),
        (('"7.00"', '"8.00"'), "no technical buffer '8.00'"),
        (('name = "7.00"', 'nmae = "7.00"'), "allowed: family, name"),
        (("tolerance = 0.02", "tolerance = 0.0"), "tolerance: a tolerance is needed"),
        (("tolerance = 0.02", ""), "tolerance: a tolerance is needed"),
        (("tolerance = 0.02", "tolerence = 0.02"), "tolerence: unknown key"),
        (("opened_days = 30", "opened_days = 0"), "opened_days: out of range"),
        (("opened_days = 30", 'opened_days = "long"'), "opened_days"),
        (('source = "the bottle"', ""), "source"),
        (("[[solution]]", "[[solution"), "not TOML"),
    ],
)  # fmt: skip
def test_a_mistake_names_file_key_found_and_allowed(tmp_path, change, says):
    path = write(tmp_path, GOOD.replace(*change))
    with pytest.raises(ConfigError) as caught:
        load_solutions(path)
    assert says in str(caught.value)
    assert "mine.toml" in str(caught.value)


def test_points_out_of_order_and_names_given_twice_are_refused(tmp_path):
    table = GOOD.replace('"ph"', '"conductivity"').replace('"buffer"', '"kcl-table"')
    table = table.replace(
        'given = { family = "technical", name = "7.00" }', "points = [[25.0, 500.0], [15.0, 400.0]]"
    )
    with pytest.raises(ConfigError, match="must rise in temperature"):
        load_solutions(write(tmp_path, table))
    with pytest.raises(ConfigError, match="given twice"):
        load_solutions(write(tmp_path, GOOD + GOOD))


def test_a_file_that_is_missing_or_no_text_is_one_clear_line(tmp_path):
    with pytest.raises(ConfigError, match="cannot be read"):
        load_solutions(tmp_path / "none.toml")
    path = tmp_path / "bytes.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="not UTF-8 text"):
        load_solutions(path)
