"""A cell is what its writer meant, or the reason why nobody can tell."""
# ruff: noqa: DTZ001, DTZ007

from __future__ import annotations

import calendar
import datetime as dt
import random
import time

import pytest

from acquire.importing.cells import decimals_in, is_blank, moment, number
from acquire.importing.orders import order_of

FORMATS = {  # as strptime of POSIX reads them, and in which order day and month stand
    "%Y-%m-%d": "ymd",
    "%Y/%m/%d": "ymd",
    "%d.%m.%Y": "dmy",
    "%d.%m.%y": "dmy",
    "%d/%m/%Y": "dmy",
    "%m/%d/%Y": "mdy",
    "%m/%d/%y": "mdy",
    "%d %B %Y": "ymd",
    "%b %d, %Y": "ymd",
    "%B %d %Y": "ymd",
}


@pytest.mark.parametrize(("form", "order"), FORMATS.items(), ids=list(FORMATS))
def test_a_date_is_read_as_strptime_reads_it(form, order):
    """Held against the library's own reader, over the years two digits can mean."""
    draw = random.Random(form)
    for _ in range(200):
        day = dt.date(1969, 1, 1) + dt.timedelta(days=draw.randrange(36_500))
        text = day.strftime(form)
        wanted = dt.datetime.strptime(text, form)
        assert moment(text, None, order) == (wanted.replace(hour=12), False), text


@pytest.mark.parametrize("form", ["%H:%M", "%H:%M:%S", "%I:%M %p", "%I:%M:%S %p"])
def test_a_time_of_day_is_read_as_strptime_reads_it(form):
    for minutes in range(0, 24 * 60, 7):
        hour = dt.time(minutes // 60, minutes % 60)
        text = hour.strftime(form)
        found = (dt.datetime.combine(dt.date(2025, 4, 3), hour), True)
        assert moment("2025-04-03", text, "ymd") == found
        assert moment(f"3.4.2025 {text}", None, "dmy") == found


def test_two_digits_of_a_year_are_those_of_the_library():
    for year in range(100):
        text = f"3.4.{year:02}"
        assert moment(text, None, "dmy")[0].year == time.strptime(text, "%d.%m.%y").tm_year


def test_a_workbook_gives_days_and_hours_of_its_own_kinds():
    day, hour = dt.datetime(2025, 4, 3), dt.time(8, 30)
    at = (dt.datetime(2025, 4, 3, 8, 30), True)
    assert moment(day, hour, "unclear") == at
    assert moment(day.date(), hour, "unclear") == at
    assert (
        moment(day, dt.datetime(1899, 12, 30, 8, 30), "unclear") == at
    )  # a cell with a time alone
    assert moment(dt.datetime(2025, 4, 3, 8, 30), None, "unclear") == at
    assert moment(day, None, "unclear") == (dt.datetime(2025, 4, 3, 12), False)
    assert moment(day.date(), "8:30", "unclear") == at
    assert moment("2025-04-03 08:30", None, "unclear") == at


@pytest.mark.parametrize(
    ("day", "hour", "order", "why"),
    [
        ("03/04/2025", None, "unclear", "day or month first"),
        ("30.2.2025", None, "dmy", "day is out of range"),
        ("13/13/2025", None, "dmy", "month"),
        ("April 2025", None, "ymd", "no date"),
        ("3 April May 2025", None, "ymd", "no date"),
        ("yesterday", None, "ymd", "no date"),
        ("2025-04-03", "soon", "ymd", "no time of day"),
        ("2025-04-03", "8:30 or so", "ymd", "no time of day"),
        ("2025-04-03", "25:00", "ymd", "hour"),
        ("2025-04-03", "8:75", "ymd", "minute"),
    ],
)
def test_what_is_no_moment_says_why(day, hour, order, why):
    with pytest.raises(ValueError, match=why):
        moment(day, hour, order)


def test_leap_days_are_those_of_the_calendar():
    for year in (1999, 2000, 2023, 2024, 2100):
        text = f"29.2.{year}"
        if calendar.isleap(year):
            assert moment(text, None, "dmy")[0].day == 29
        else:
            with pytest.raises(ValueError, match="day"):
                moment(text, None, "dmy")


def test_numbers_of_a_workbook_are_taken_as_they_are():
    assert number(512, "comma") == 512.0
    assert number(7.21, "comma") == 7.21
    for odd in (10**16, float("nan"), float("inf"), True, "1" * 400):
        with pytest.raises(ValueError, match="number"):
            number(odd, "point")


@pytest.mark.parametrize(
    ("cell", "decimal", "count"),
    [
        ("7,21", "comma", 2),
        ("7.210", "point", 3),
        ("1,234", "point", 0),
        ("512", "point", 0),
        ("7.", "point", 0),
        ("0.12345678", "point", 6),
        (7.25, "point", 2),
        (512.0, "point", 0),
        (512, "point", 0),
        (0.1 + 0.2, "point", 1),  # what a workbook computed has no seventeen decimals
        (None, "point", 0),
    ],
)
def test_how_finely_a_number_was_written(cell, decimal, count):
    assert decimals_in(cell, decimal) == count


def test_what_stands_for_nothing_is_nothing():
    assert all(map(is_blank, (None, "", "  ", "-", "N/A", "NaN", "–", "?")))
    assert not any(map(is_blank, (0, 0.0, "0", "7.2", "tap")))


def test_cells_that_are_no_dates_say_nothing_of_the_order():
    assert order_of([None, dt.datetime(2025, 4, 13), "2025-13-40", "tap", 45_750]) == "ymd"
    assert order_of(["4/4/2025"]) == "ymd"  # the same either way
