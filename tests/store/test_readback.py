from __future__ import annotations

import csv

import pytest

from acquire.errors import ConfigError
from acquire.readings import Flag, Reading, Stamp
from acquire.store.export import READING_COLUMNS, reading_cells
from acquire.store.readback import channels_of, read_csv


def written(path, readings):
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(READING_COLUMNS)
        writer.writerows(reading_cells((one, {}) for one in readings))
    return path


def reading(second, **values):
    at_ms = 1_790_000_000_000 + second * 1000
    return Reading("kitchen", Stamp(at_ms, at_ms * 1_000_000), values)


def test_what_was_exported_is_read_back(tmp_path):
    there = [reading(n, ph=7.01 + n / 100, conductivity=480.0 + n) for n in range(5)]
    there.append(
        Reading("kitchen", reading(9).stamp, {"ph": 7.0}, {"conductivity": Flag.OVER_RANGE})
    )
    back = list(read_csv(written(tmp_path / "r.csv", there)))
    assert back == there


def test_the_steps_of_the_display_are_seen_in_the_decimals():
    channels = channels_of([reading(0, ph=7.0, orp=231.0, tds=7.0, conductivity=14.0),
                            reading(1, ph=7.01, orp=230.0, tds=7.0, conductivity=14.0)])  # fmt: skip
    assert {c.quantity: c.resolution for c in channels} == {
        "ph": 0.01, "orp": 1.0, "tds": 1.0, "conductivity": 1.0
    }  # fmt: skip
    assert {c.quantity: c.reference_c for c in channels if c.reference_c} == {"conductivity": 25.0}
    assert [c.quantity for c in channels if not c.is_required] == ["tds"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("yesterday,kitchen,ph,7.0,,", "line 2"),
        ("2026-03-01T08:00:00,kitchen,ph,7.0,,", "offset"),
        ("2026-03-01T08:00:00Z,kitchen,ph,seven,,", "seven"),
        ("2026-03-01T08:00:00Z,kitchen,ph,nan,,", "finite"),
        ("2026-03-01T08:00:00Z,kitchen,ph,7.0,,sideways", "sideways"),
    ],
)
def test_a_line_that_is_no_reading_is_named(tmp_path, line, words):
    path = tmp_path / "r.csv"
    path.write_text(",".join(READING_COLUMNS) + "\n" + line + "\n")
    with pytest.raises(ConfigError, match=words) as caught:
        list(read_csv(path))
    assert "r.csv" in str(caught.value)


def test_a_file_that_is_no_export_is_refused_with_the_columns_it_should_have(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(ConfigError, match="quantity"):
        list(read_csv(path))
    with pytest.raises(ConfigError, match="no such file"):
        list(read_csv(tmp_path / "none.csv"))
    path.write_bytes(b"\x00\xff\xfe")
    with pytest.raises(ConfigError):
        list(read_csv(path))
