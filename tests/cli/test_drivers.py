"""Drivers from other packages: really built, really installed, found by a program of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from acquire.errors import ConfigError
from acquire.registry import BUILT_IN_DRIVERS, driver_class

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Where the example driver was installed to, as a separate package."""
    target = tmp_path_factory.mktemp("installed")
    source = tmp_path_factory.mktemp("source")
    for file in (ROOT / "docs/example_driver").glob("*.*"):
        (source / file.name).write_bytes(file.read_bytes())
    quiet = ["--no-deps", "--no-build-isolation", "--no-index", "--disable-pip-version-check", "-q"]
    words = [sys.executable, "-m", "pip", "install", *quiet, "--target", str(target), str(source)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=50)
    assert done.returncode == 0, done.stderr
    return target


def add_package(folder: Path, name: str, points: str, code: str = "") -> None:
    """Put a package into a folder as an installer leaves it."""
    about = folder / f"{name}-0.3.dist-info"
    about.mkdir()
    (about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 0.3\n")
    (about / "entry_points.txt").write_text(f"[ouzel.drivers]\n{points}\n")
    (folder / f"{name}.py").write_text(code)


def listed(ouzel):
    return {d["name"]: d for d in json.loads(ouzel.run("drivers", "--json").stdout)}


def test_built_in_drivers_are_listed_as_such_and_all_load(ouzel):
    found = listed(ouzel)
    assert set(found) >= set(BUILT_IN_DRIVERS)
    for name in BUILT_IN_DRIVERS:
        assert found[name]["origin"] == "built in"
        assert found[name]["about"]
        assert not found[name]["error"]


def test_the_example_driver_is_found_and_reads_once_it_is_installed(ouzel, installed):
    assert "value_file" not in listed(ouzel)
    ouzel.environment["PYTHONPATH"] = str(installed)
    assert listed(ouzel)["value_file"] == {
        "name": "value_file",
        "origin": "ouzel-value-file 1.0",
        "target": "value_file:ValueFile",
        "about": "Reads one quantity from a file that holds one number.",
        "error": "",
    }
    (ouzel.folder / "tank").write_text("21437\n")
    (ouzel.folder / "ouzel.toml").write_text(
        '[meters.tank]\ndriver = "value_file"\nfile = "tank"\nfactor = 0.001\nresolution = 0.1\n'
        "interval_s = 0.1\n"
    )
    lines = ouzel.run("read", "--json", "--for", "1").stdout.splitlines()
    readings = [item for item in map(json.loads, lines) if item["is"] == "reading"]
    assert len(readings) >= 3
    assert readings[0]["values"] == {"temperature": pytest.approx(21.437)}


def test_the_example_driver_is_about_as_short_as_the_guide_promises():
    code = (ROOT / "docs/example_driver/value_file.py").read_text(encoding="utf-8").splitlines()
    assert len([line for line in code if line.strip()]) <= 50


def test_a_broken_driver_is_named_with_its_error_and_harms_no_other(ouzel, installed, tmp_path):
    there = tmp_path / "site"
    there.mkdir()
    add_package(there, "leaky", "leaky = leaky:Leaky", "raise RuntimeError('no \\x1b[31m pump')")
    add_package(there, "quits", "quits = quits:Quits", "raise SystemExit(3)")
    add_package(there, "gone", "gone = gone:Gone\nnothing = gone_as_well")
    add_package(there, "plain", "plain = plain:Plain", "class Plain: pass")
    add_package(there, "proud", "text_lines = proud:Proud", "class Proud: pass")
    ouzel.environment["PYTHONPATH"] = f"{there}:{installed}"
    every = json.loads(ouzel.run("drivers", "--json").stdout)
    errors = {d["name"]: d["error"] for d in every if d["origin"] != "built in"}
    assert "no \\x1b[31m pump" in errors["leaky"]
    assert "SystemExit(3)" in errors["quits"]
    assert "does not load" in errors["gone"]
    assert "does not load" in errors["nothing"] or "lacks" in errors["nothing"]
    assert "lacks Settings and open" in errors["plain"]
    assert "never used" in errors["text_lines"]
    assert errors["value_file"] == ""
    text = ouzel.run("drivers").stdout
    assert "BROKEN" in text
    assert "\x1b" not in text
    assert "leaky 0.3" in text
    ouzel.simulate("--water", "tap")
    ouzel.run("read", "--port", "./probe", "--speed", "60", "--for", "3")
    (ouzel.folder / "ouzel.toml").write_text('[meters.a]\ndriver = "leaky"\n')
    done = ouzel.run("read", code=2)
    assert "leaky" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_unknown_driver_is_answered_with_those_there_are():
    with pytest.raises(ConfigError, match="text_lines"):
        driver_class("telepathy")
