"""The package, held against its own table schemas by an independent library (frictionless)."""

from __future__ import annotations

import csv
import hashlib
import json
import warnings
from dataclasses import replace

import pytest

from acquire.errors import ConfigError, StoreError
from acquire.report.package import LICENCES, licence_of, write_package
from acquire.report.redact import OPEN, redaction_of
from acquire.report.tables import Source, tables_of
from acquire.store.export import CAPTURE_COLUMNS, READING_COLUMNS
from acquire.store.readback import read_csv


@pytest.fixture
def source(records, settings):
    return Source(records, OPEN, settings.quantities, records.rounds(), records.counts())


def written(source, folder, **more):
    rows = write_package(source, folder, title="The record", now_ms=1_790_000_000_000, **more)
    assert [path.name for path in folder.parent.iterdir()] == [folder.name]
    return rows, json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))


def validated(folder):
    """What frictionless has against the package; nothing when all holds."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own
        import frictionless
        from frictionless import system

        with system.use_context(trusted=True):
            report = frictionless.validate(str(folder / "datapackage.json"))
    return report.flatten(["rowNumber", "fieldNumber", "type", "message"]), report


def table(folder, name):
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_package_is_valid_by_its_own_schemas(source, tmp_path):
    rows, package = written(source, tmp_path / "out", licence="cc-by-4.0")
    problems, report = validated(tmp_path / "out")
    assert problems == []
    assert report.valid
    assert {task.name for task in report.tasks} == set(rows)
    assert package["licenses"] == [{"name": "CC-BY-4.0", "path": LICENCES["CC-BY-4.0"]}]
    assert "never show that a water is safe" in package["description"]


def test_the_validator_would_notice_a_wrong_cell(source, tmp_path):
    folder = tmp_path / "out"
    written(source, folder, with_readings=False)
    path = folder / "captures.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",settled,", ",settled,oops"), "utf-8")
    assert validated(folder)[0]


def test_files_are_rfc_4180_with_the_hash_the_package_says(source, tmp_path):
    folder = tmp_path / "out"
    rows, package = written(source, folder)
    for resource in package["resources"]:
        data = (folder / resource["path"]).read_bytes()
        assert resource["bytes"] == len(data)
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        assert data.count(b"\r\n") == data.count(b"\n") == rows[resource["name"]] + 1
        assert data.decode("utf-8").split("\r\n")[0] == ",".join(
            field["name"] for field in resource["schema"]["fields"]
        )
    numbers = {f["name"]: f for r in package["resources"] for f in r["schema"]["fields"]}
    assert numbers["settled_after_s"]["unit"] == "s"
    assert numbers["temp_c"]["unit"] == "Cel"
    assert {row["unit"] for row in table(folder, "captures") if row["quantity"] == "orp"} == {"mV"}


def test_columns_are_those_of_export_csv_so_that_readings_can_be_replayed(source, tmp_path):
    tables = tables_of(source)
    assert tables["captures"].names == CAPTURE_COLUMNS
    assert tables["readings"].names == READING_COLUMNS
    written(source, tmp_path / "out")
    back = list(read_csv(tmp_path / "out" / "readings.csv"))
    stored = list(source.records.readings())
    assert [(r.stamp.at_ms, r.values, r.flags) for r in back] == [
        (r.stamp.at_ms, r.values, r.flags) for r in stored
    ]


def test_a_name_that_begins_a_formula_stays_text(source, tmp_path):
    folder = tmp_path / "out"
    written(source, folder, with_readings=False)
    assert "'=carbon filter" in {row["water"] for row in table(folder, "waters")}
    for resource in ("captures", "counts", "rounds", "visits"):
        for row in table(folder, resource):
            for name, text in row.items():
                number = name in {"value", "drift_per_min"}
                assert number or not text.lstrip().startswith(("=", "+", "-", "@")), (name, text)
    assert not (folder / "readings.csv").exists()


def test_redaction_leaves_no_place_and_no_note_and_keeps_every_number(source, records, tmp_path):
    rows, _ = written(source, tmp_path / "a" / "open")
    hidden = redaction_of(records, hide_places=True, number_waters=False)
    folder = tmp_path / "b" / "shared"
    again, _ = written(replace(source, redaction=hidden), folder)
    assert again == rows
    text = "".join(path.read_text(encoding="utf-8") for path in folder.iterdir())
    for secret in ("secret", "SN-4711", "Sunday", ",kitchen,"):
        assert secret not in text
    assert "kitchen <tap> & jug" in text  # the name of a water is only hidden when asked
    for name in ("captures", "readings"):
        mine, theirs = (table(tmp_path / p, name) for p in ("a/open", "b/shared"))
        assert [row["value"] for row in mine] == [row["value"] for row in theirs]
    numbered = redaction_of(records, hide_places=True, number_waters=True)
    written(replace(source, redaction=numbered), tmp_path / "c" / "shared")
    text = "".join(p.read_text(encoding="utf-8") for p in (tmp_path / "c" / "shared").iterdir())
    for secret in ("kitchen", "carbon filter", "jug", "reverse osmosis"):
        assert secret not in text


def test_a_package_is_replaced_whole_and_nothing_else_is_ever_written_over(source, tmp_path):
    folder = tmp_path / "out"
    written(source, folder)
    (folder / "notes.txt").write_text("mine")
    written(source, folder, with_readings=False)
    assert (folder / "notes.txt").read_text() == "mine"
    assert not (folder / "readings.csv").exists()  # it was of the earlier package
    other = tmp_path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("mine")
    with pytest.raises(ConfigError, match="something else"):
        write_package(source, other, title="t", now_ms=0)
    with pytest.raises(ConfigError, match="something else"):
        write_package(source, other / "letter.txt", title="t", now_ms=0)
    assert [p.name for p in other.iterdir()] == ["letter.txt"]
    with pytest.raises(StoreError):
        write_package(source, other / "letter.txt" / "in", title="t", now_ms=0)


def test_stopped_in_the_middle_it_leaves_nothing(source, tmp_path):
    def stop(_what, _rows):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_package(source, tmp_path / "out", title="t", now_ms=0, progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_licence_names_the_known_ones(source, tmp_path):
    with pytest.raises(ConfigError, match=r"ODbL-1\.0"):
        write_package(source, tmp_path / "out", title="t", now_ms=0, licence="mine")
    assert licence_of("")["name"] == "notspecified"
    assert list(tmp_path.iterdir()) == []


def test_a_span_bounds_every_table(source, tmp_path):
    since_ms = source.rounds[-1].began_ms
    written(replace(source, since_ms=since_ms), tmp_path / "out")
    for name, column in (("readings", "time"), ("captures", "taken"), ("checks", "time")):
        rows = table(tmp_path / "out", name)
        assert rows
        assert min(row[column] for row in rows) >= "2026-11-20"
    assert [row["id"] for row in table(tmp_path / "out", "rounds")] == ["r3"]
    assert validated(tmp_path / "out")[0] == []
