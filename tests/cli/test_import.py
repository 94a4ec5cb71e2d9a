"""Taking over a spreadsheet: columns, units, decimals, dates; twice; bad rows."""
# ruff: noqa: DTZ001, DTZ006

from __future__ import annotations

import csv
import datetime as dt
import json
import os
import pty
import subprocess
import sys
import zipfile

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import ConfigError
from acquire.importing.captures import Taking, plan_import, questions
from acquire.importing.cells import decimal_of, moment, number
from acquire.importing.columns import column_said, find_header, with_said
from acquire.importing.orders import asked_of, order_of
from acquire.importing.sheets import read_sheet
from acquire.quantities import BUILT_IN
from acquire.readings import utc_text
from acquire.store.records import Records

NOW_MS = 1_790_000_000_000  # 2026-09-21

GERMAN = """\
Wasserwerte Küche
Datum;Uhrzeit;Wasser;pH-Wert;Leitfähigkeit (mS/cm);Temperatur °C;Bemerkung
3.4.2025;08:30;Küche;7,21;0,512;18,5;=HYPERLINK("x")
14.4.2025;;Küche;7,3;0,52;19;
15.4.2025;;;7,3;0,52;19;
30.2.2025;;Küche;7,3;0,52;19;
16.4.2025;;Küche;71;0,52;19;
17.4.2025;;Küche;7.x;0,52;19;
14.4.2025;;Küche;7,30;0,520;19,0;noch einmal
"""


def plan(path, said=(), taking=None, sheet=None):
    table = read_sheet(path, sheet=sheet)
    header = with_said(find_header(table, BUILT_IN), [column_said(s) for s in said], BUILT_IN)
    taking = taking or Taking()

    def make():
        return plan_import(table, header, taking, BUILT_IN, now_ms=NOW_MS)

    return questions(table, header, taking), make


def written(tmp_path, text, name="t.csv", encoding="utf-8"):
    file = tmp_path / name
    file.write_bytes(text.encode(encoding))
    return file


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_a_german_table_with_decimal_commas(tmp_path, encoding):
    asked, make = plan(written(tmp_path, GERMAN, encoding=encoding))
    assert asked == []
    found = make()
    (line, first), (_, second) = found.captures
    assert line == 3
    values = {name: value.value for name, value in first.values.items()}
    assert values == {"ph": 7.21, "conductivity": 512.0, "temperature": 18.5}
    assert first.water == "Küche"
    assert {v.source for v in first.values.values()} == {"imported"}
    # 0.001 mS/cm are 1 µS/cm: u = 1/sqrt(12), GUM F.2.2.1.
    assert first.values["conductivity"].budget["resolution"] == pytest.approx(0.288675, abs=1e-5)
    local = dt.datetime.fromtimestamp(first.taken.at_ms / 1000)
    assert (local.month, local.day, local.hour, local.minute) == (4, 3, 8, 30)
    assert dt.datetime.fromtimestamp(second.taken.at_ms / 1000).hour == 12
    assert {bad.line: bad.why for bad in found.bad} == {
        5: "no water",
        6: "day is out of range for month",
        7: "pH-Wert: 71 is outside 0 to 14",
        8: "pH-Wert: '7.x' is no number",
    }
    assert found.doubles == ((9, 4),)  # the same numbers, written with other zeros
    assert found.without_time == 1


def test_what_is_unclear_is_asked_with_the_option_that_answers(tmp_path):
    file = written(tmp_path, 'Day,EC,pH\n03/04/2025,"1,234",7\n')
    asked, _ = plan(file)
    text = " ".join(asked)
    for word in ("--column", "uS/cm", "--water", "--dates", "--decimal"):
        assert word in text
    asked, make = plan(file, ["EC=conductivity:uS/cm"], Taking("tap", decimal="point", order="mdy"))
    assert asked == []
    ((_, one),) = make().captures
    assert one.values["conductivity"].value == 1234.0
    assert utc_text(one.taken.at_ms).startswith("2025-03-0")
    asked, make = plan(file, ["EC=-"], Taking("tap", order="dmy"))
    assert asked == []
    assert list(make().captures[0][1].values) == ["ph"]


def test_dates_of_two_orders_in_one_column_are_asked_about_by_their_rows(tmp_path):
    """The first that told decided for all, and 04/25 was then no date, or 04/05 another day."""
    rows = ["13/04/2025,7", "04/05/2025,7", "04/25/2025,7", "14/04/2025,7"]
    file = written(tmp_path, "\n".join(["Date,pH", *rows]))
    (asked,), _ = plan(file, taking=Taking("tap"))
    assert "day stands first in line 2 (13/04/2025), line 5 (14/04/2025)" in asked
    assert "month in line 4 (04/25/2025)" in asked
    asked, make = plan(file, taking=Taking("tap", order="dmy"))
    found = make()
    assert asked == []
    assert [line for line, _ in found.captures] == [2, 3, 5]
    assert [bad.line for bad in found.bad] == [4]


def test_date_cells_and_texts_in_one_column_are_asked_about(tmp_path):
    """A workbook that took 03/04 for March leaves 13/04 as text: the cells may be turned round."""
    book = openpyxl.Workbook()
    for row in (["Date", "pH"], [dt.datetime(2025, 3, 4), 7.1], ["13/04/2025", 7.2]):
        book.active.append(row)
    book.save(tmp_path / "w.xlsx")
    (asked,), _ = plan(tmp_path / "w.xlsx", taking=Taking("tap"))
    assert "date cells (line 2)" in asked
    assert "text (line 3 (13/04/2025))" in asked
    asked, make = plan(tmp_path / "w.xlsx", taking=Taking("tap", order="dmy"))
    assert asked == []
    assert len(make().captures) == 2


def test_of_many_rows_the_first_are_named_and_none_speaks_to_the_terminal():
    said = asked_of([(n, "03/04/2025") for n in range(2, 12)])
    assert said.startswith("is line 2 (03/04/2025), line 3 (03/04/2025), line 4 (03/04/2025) and 7")
    assert asked_of([(2, "2025-04-03"), (3, "3.4.2025"), (4, None), (5, "soon")]) == ""
    assert "\x1b" not in asked_of([(2, "13/04/2025\x1b[2J"), (3, "04/13/2025 \x1b")])


@pytest.mark.parametrize("day", ["2026-09-23", "2062-05-01"])
def test_a_day_to_come_is_not_taken_and_named(tmp_path, day):
    file = written(tmp_path, f"Date,Water,pH\n2026-09-20,tap,7\n{day},tap,7.1\n")
    found = plan(file)[1]()
    assert [line for line, _ in found.captures] == [2]
    ((bad),) = found.bad
    assert (bad.line, f"{day} is still to come" in bad.why) == (3, True)


def test_today_is_taken_though_its_noon_is_to_come(tmp_path):
    today = f"{dt.datetime.fromtimestamp(NOW_MS / 1000):%Y-%m-%d}"
    file = written(tmp_path, f"Date,Water,pH\n{today},tap,7\n")
    table = read_sheet(file, sheet=None)
    header = find_header(table, BUILT_IN)
    midnight = dt.datetime.fromisoformat(today).timestamp()
    found = plan_import(table, header, Taking(), BUILT_IN, now_ms=round(1000 * midnight) + 60_000)
    assert (len(found.captures), found.bad) == (1, ())


def test_a_column_that_cannot_be_is_refused_with_what_is_allowed(tmp_path):
    file = written(tmp_path, "Date,pH\n2025-01-01,7\n")
    for said, word in (("X=ph", "Date, pH"), ("pH=acid", "temperature"), ("pH", "not a column")):
        with pytest.raises(ConfigError, match=word):
            plan(file, [said])
    with pytest.raises(ConfigError, match="unknown unit"):
        plan(file, ["pH=conductivity:furlong"])


def test_a_workbook_keeps_real_dates_and_numbers(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["Date", "Sample", "TDS (ppm)", "ORP [mV]", "Colour"])
    book.active.append([dt.datetime(2025, 4, 3, 7, 5), "tap", 251, 560.0, "none"])
    book.active.append([dt.date(2025, 4, 4), "tap", 249.5, None, None])
    book.create_sheet("old").append(["nothing"])
    book.save(tmp_path / "w.xlsx")
    asked, make = plan(tmp_path / "w.xlsx")
    assert asked == []
    (_, first), (_, second) = make().captures
    assert {q: v.value for q, v in first.values.items()} == {"tds": 251.0, "orp": 560.0}
    assert {q: v.value for q, v in second.values.items()} == {"tds": 249.5}
    assert "not read: old" in " ".join(read_sheet(tmp_path / "w.xlsx").notes)
    with pytest.raises(ConfigError, match="Sheet, old"):
        read_sheet(tmp_path / "w.xlsx", sheet="new")
    with pytest.raises(ConfigError, match="no line names a quantity"):
        plan(tmp_path / "w.xlsx", sheet="old")


def test_a_bomb_is_not_unpacked(tmp_path):
    with zipfile.ZipFile(tmp_path / "b.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        for n in range(4):
            packed.writestr(f"xl/{n}.xml", bytes(100_000_000))
    with pytest.raises(ConfigError, match="unpack"):
        read_sheet(tmp_path / "b.xlsx")


def test_entities_that_expand_without_end_are_refused(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["pH"])
    book.save(tmp_path / "w.xlsx")
    inner = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 20}">' for n in range(1, 9))
    bomb = f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e0 "ha">{inner}]>'
    bomb += (
        '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
    )
    bomb += (
        '<row r="1"><c r="A1" t="inlineStr"><is><t>&e8;</t></is></c></row></sheetData></worksheet>'
    )
    with (
        zipfile.ZipFile(tmp_path / "w.xlsx") as old,
        zipfile.ZipFile(tmp_path / "e.xlsx", "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for part in old.namelist():
            new.writestr(part, bomb if part.endswith("sheet1.xml") else old.read(part))
    with pytest.raises(ConfigError):
        read_sheet(tmp_path / "e.xlsx")


@given(st.binary(max_size=300))
def test_any_bytes_are_a_table_or_a_clear_error(tmp_path_factory, raw):
    folder = tmp_path_factory.mktemp("x")
    for name in ("t.csv", "t.xlsx"):
        (folder / name).write_bytes(raw)
        try:
            asked, make = plan(folder / name, taking=Taking("w", decimal="point", order="dmy"))
            if not asked:
                make()
        except ConfigError:
            pass


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [("7,21", "comma", 7.21), ("1.234,5", "comma", 1234.5), ("1,234.5", "point", 1234.5),
     ("1 234", "point", 1234.0), ("−3", "point", -3.0), ("2'500", "point", 2500.0)],
)  # fmt: skip
def test_numbers_as_people_write_them(text, decimal, value):
    assert number(text, decimal) == value


def test_the_sign_before_decimals_is_told_by_the_other_cells():
    assert decimal_of(["1,234", "7,5"]) == "comma"
    assert decimal_of(["1,234", "1,234.5"]) == "point"
    assert decimal_of(["1,234", "12"]) == "unclear"
    assert decimal_of(["0,512"]) == "comma"
    assert decimal_of(["7.5", 3, None]) == "point"
    assert decimal_of(["7.5", "1,234"]) == "point"
    # A thousand in one country, one and a bit in another: nothing is made up.
    assert decimal_of(["1.234", "2.310"]) == "unclear"
    assert decimal_of(["1.234", "0.512"]) == "point"
    assert decimal_of(["1.234", "7,2"]) == "comma"
    assert decimal_of(["1,234,567"]) == "point"
    assert decimal_of(["1.234.567"]) == "comma"


@pytest.mark.parametrize(
    ("text", "decimal"),
    [("12,5", "point"), ("12.5", "comma"), ("1,234.5", "comma"), ("12 13", "point"),
     ("1,2,3", "point"), ("12,34,567", "point"), ("1'2", "point"), (10**400, "point")],
)  # fmt: skip
def test_a_number_written_otherwise_than_the_table_is_no_other_number(text, decimal):
    """12,5 among decimal points was read as 125."""
    with pytest.raises(ValueError, match="number"):
        number(text, decimal)


def test_a_row_with_the_other_decimal_sign_is_named_and_not_taken(tmp_path):
    text = "Date;Water;pH;EC (µS/cm)\n2025-01-01;tap;7,21;512,5\n2025-02-01;tap;7,3;51.5\n"
    asked, make = plan(written(tmp_path, text))
    assert asked == []
    found = make()
    assert [line for line, _ in found.captures] == [2]
    assert found.bad[0].line == 3
    assert "decimal sign" in found.bad[0].why


def test_years_of_two_digits_are_of_the_century_that_was_meant():
    # POSIX.1-2017, strptime %y: 69 to 99 are 1969 to 1999.
    assert moment("3.4.99", None, "dmy")[0].year == 1999
    assert moment("3.4.25", None, "dmy")[0].year == 2025


def test_names_that_look_alike_are_one(tmp_path):
    """A name with a NUL or a change of direction in it was another water that looked the same."""
    names = ("tap", "ta\0p", "\u202etap", "tap\x1b", " tap\u200b ")
    text = "Date,Water,pH\n" + "".join(f"2025-01-0{n},{s},7\n" for n, s in enumerate(names, 1))
    _, make = plan(written(tmp_path, text))
    assert {one.water for _, one in make().captures} == {"tap"}
    assert make().captures[0][1].reason.endswith("line 2")


def test_a_field_of_many_letters_is_a_clear_error(tmp_path):
    file = written(tmp_path, "Date,Water,pH\n2025-01-01," + "x" * 200_000 + ",7\n")
    # Python's own limit, which holds for the whole process: a library another test uses raises it.
    raised = csv.field_size_limit(131_072)
    try:
        with pytest.raises(ConfigError, match="not a table"):
            read_sheet(file)
    finally:
        csv.field_size_limit(raised)


@pytest.mark.parametrize(
    ("text", "order", "day"),
    [("2025-04-03", "ymd", (4, 3)), ("3.4.25", "unclear", (4, 3)), ("3/4/2025", "dmy", (4, 3)),
     ("4/3/2025", "mdy", (4, 3)), ("3 April 2025", "ymd", (4, 3)), ("Apr 3rd, 2025", "ymd", (4, 3)),
     ("2025/4/3", "ymd", (4, 3))],
)  # fmt: skip
def test_dates_as_people_write_them(text, order, day):
    found, known = moment(text, None, order)
    assert (found.month, found.day, found.year, known) == (*day, 2025, False)


def test_the_order_of_a_date_is_told_by_the_other_cells():
    assert order_of(["03/04/2025", "13/04/2025"]) == "dmy"
    assert order_of(["03/04/2025", "04/13/2025"]) == "mdy"
    assert order_of(["03/04/2025"]) == "unclear"
    assert order_of(["3.4.2025"]) == "dmy"
    assert order_of(["2025-04-03", "03/03/2025"]) == "ymd"
    assert order_of(["13/04/2025", "04/13/2025"]) == "unclear"
    assert order_of(["3.4.2025", "03/04/2025"]) == "unclear"  # a point tells nothing of the others
    assert moment("3/4/2025 2:05 pm", None, "dmy")[0] == dt.datetime(2025, 4, 3, 14, 5)
    assert moment("2025-04-03T08:30:00+02:00", None, "ymd")[0].utcoffset() == dt.timedelta(hours=2)


def test_dry_run_then_taken_then_nothing_twice(ouzel):
    written(ouzel.folder, GERMAN)
    store = ("--store", "w.db")
    dry = ouzel.run("import", "t.csv", *store)
    assert "! line 7: pH-Wert: 71 is outside 0 to 14" in dry.stdout
    assert "Nothing was kept" in dry.stdout
    assert not (ouzel.folder / "w.db").exists()
    assert "2 captures taken" in ouzel.run("import", "t.csv", "--write", *store).stdout
    again = ouzel.run("import", "t.csv", "--write", *store)
    assert "0 new, 2 already kept" in again.stdout
    (ouzel.folder / "t.csv").write_text(GERMAN.replace("7.x", "7,4"), encoding="utf-8")
    said = json.loads(ouzel.run("import", "t.csv", "--write", "--json", *store).stdout)
    assert [one["is_known"] for one in said["captures"]] == [True, True, False]
    with Records.open(ouzel.folder / "w.db") as records:
        kept = list(records.captures())
        assert len(kept) == 3
        assert all(v.source == "imported" for one in kept for v in one.values.values())
    shown = ouzel.run("history", "Küche", *store).stdout
    assert "imported" in shown
    assert max(map(len, shown.splitlines())) <= 80


def test_asked_on_a_terminal(ouzel):
    written(ouzel.folder, 'Date,EC,pH\n03/04/2025,"1,234",7\n')
    main, side = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "acquire", "import", "t.csv", "--store", "w.db"],
        cwd=ouzel.folder, env=ouzel.environment, stdin=side, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    os.close(side)
    os.write(main, b"furlong\nuS/cm\ntap\nyes\nyes\nyes\n")
    out, err = child.communicate(timeout=60)
    os.close(main)
    assert child.returncode == 0, err
    assert "1 captures taken" in out
    with Records.open(ouzel.folder / "w.db") as records:
        (one,) = records.captures(water="tap")
    assert one.values["conductivity"].value == 1234.0


def test_without_a_terminal_it_says_what_to_say(ouzel):
    written(ouzel.folder, "Date,EC\n2025-04-03,500\n")
    done = ouzel.run("import", "t.csv", "--store", "w.db", "--write", code=2)
    assert "--column" in done.stderr
    assert "no such file" in ouzel.run("import", "no.csv", code=2).stderr.lower()
