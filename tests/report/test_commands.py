"""`ouzel report` and `ouzel export` as a person calls them."""

from __future__ import annotations

import csv
import io
import json
import sys

import pytest

from acquire.cli import main
from acquire.cli.progress import progress


@pytest.fixture
def run(filled, tmp_path, monkeypatch, capsys):
    """Run a command on the store in an empty folder; gives code, output and errors."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))

    def call(*words):
        code = main([*words, "--store", str(filled.path)])
        said = capsys.readouterr()
        return code, said.out, said.err

    return call


def test_a_report_lands_in_a_file_named_after_its_round(run, tmp_path):
    code, out, _ = run("report")
    assert (code, out) == (0, "round-r3.html\n")
    assert [path.name for path in tmp_path.iterdir()] == ["round-r3.html"]
    assert (tmp_path / "round-r3.html").read_text(encoding="utf-8").endswith("</html>\n")


def test_a_report_to_standard_output_is_the_page_and_nothing_else(run, tmp_path):
    code, out, err = run("report", "r1", "--out", "-", "--redact", "--number-waters")
    assert (code, err) == (0, "")
    assert out.startswith("<!DOCTYPE html>")
    assert "kitchen" not in out
    assert list(tmp_path.iterdir()) == []


def test_programs_are_told_what_was_written_where(run, tmp_path):
    code, out, err = run("report", "r1", "--json")
    assert (code, err) == (0, "")
    assert json.loads(out) == {"is": "report", "round": "r1", "file": "round-r1.html"}
    assert run("report", "--json", "--out", "-")[0] == 2
    pytest.importorskip("xlsxwriter")
    for words, file in (
        (("--xlsx", "w.xlsx"), "w.xlsx"),
        (("--package", "p"), "p"),
        (("csv", "captures", "--out", "c.csv"), "c.csv"),
    ):
        code, out, _ = run("export", *words, "--json")
        said = json.loads(out)
        assert (code, said["is"], said["file"]) == (0, "export", file)
        assert said["rows"]["captures"] > 0
        assert (tmp_path / file).exists()
    code, out, err = run("export", "csv", "captures", "--json")
    assert (code, out) == (2, "")
    assert "--json with --out FILE" in err


def test_open_shows_the_file_in_the_browser_and_says_when_there_is_none(run, monkeypatch, tmp_path):
    import webbrowser

    shown = []
    monkeypatch.setattr(webbrowser, "open", lambda address: shown.append(address) or False)
    code, _, err = run("report", "r1", "--open", "--out", "a b.html")
    assert code == 0
    assert shown == [(tmp_path / "a b.html").as_uri()]
    assert "no browser could be started" in err
    assert run("report", "--open", "--out", "-")[0] == 2


def test_mistakes_are_told_and_write_nothing(run, tmp_path):
    for words, hint in (
        (("report", "zzz"), "r3, r2, r1"),
        (("export",), "--xlsx FILE, --package FOLDER"),
        (("export", "--xlsx", "a.xlsx", "--licence", "CC0-1.0"), "goes with --package"),
        (("export", "--package", "p", "--licence", "mine"), "CC-BY-4.0"),
        (("export", "--xlsx", "a.xlsx", "--since", "yesterday"), "ISO 8601"),
    ):
        code, _, err = run(*words)
        assert code == 2, words
        assert hint in err
    assert run("export", "--xlsx", "no/such/a.xlsx")[0] == 5
    assert run("report", "--out", "no/such/a.html")[0] == 5
    assert list(tmp_path.iterdir()) == []


def test_without_the_library_it_says_what_to_install(run, monkeypatch):
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)
    code, _, err = run("export", "--xlsx", "a.xlsx")
    assert code == 2
    assert "ouzel[xlsx]" in err
    assert "--package" in err


def test_exports_say_what_they_wrote(run, tmp_path):
    code, _, err = run("export", "--xlsx", "a.xlsx", "--no-readings")
    assert code == 0
    assert "a.xlsx: " in err
    assert " captures, " in err
    code, _, err = run("export", "--package", "shared", "--no-readings", "--redact")
    assert code == 0
    assert " waters, " in err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.xlsx", "shared"]


def test_what_is_said_before_csv_holds_behind_it(run, records):
    _, whole, _ = run("export", "csv", "captures")
    _, part, _ = run("export", "--since", "2026-11-20", "csv", "captures")
    rows = [list(csv.DictReader(io.StringIO(text))) for text in (whole, part)]
    assert 0 < len(rows[1]) < len(rows[0])
    assert min(row["taken"] for row in rows[1]) >= "2026-11-20"
    code, _, err = run("export", "--redact", "csv", "captures")
    assert code == 2
    assert "which also redact" in err


def test_progress_is_shown_on_a_terminal_only_and_wiped_at_the_end(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    seen = Terminal()
    monkeypatch.setattr(sys, "stderr", seen)
    with progress() as show:
        show("Readings: 1,000 rows")
    assert "Readings: 1,000 rows" in seen.getvalue()
    assert seen.getvalue().endswith("\r")
    unseen = io.StringIO()
    monkeypatch.setattr(sys, "stderr", unseen)
    with progress() as show:
        show("x")
    assert unseen.getvalue() == ""
