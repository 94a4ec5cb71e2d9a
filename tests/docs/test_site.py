"""The documentation as a site: built with every warning an error; what programs make is of today."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def beside(name):
    """Load a file of this folder that is no test."""
    spec = spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


figures, schema_page = beside("figures"), beside("schema_page")


def test_the_site_is_built_without_a_warning(tmp_path):
    done = subprocess.run(
        [
            sys.executable,
            "-W",
            "ignore",
            "-m",
            "mkdocs",
            "build",
            "--strict",
            "-d",
            tmp_path / "site",
        ],
        cwd=ROOT,
        env={**os.environ, "NO_MKDOCS_2_WARNING": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "site/tutorial.html").exists()
    # Nothing is fetched from anywhere when somebody reads it.
    for page in (tmp_path / "site").glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert not re.findall(r'<(?:script|link|img)[^>]+(?:src|href)="https?://', text), page.name


def test_every_page_is_led_to():
    named = re.findall(
        r"[\w-]+\.md", yaml.safe_dump(yaml.safe_load((ROOT / "mkdocs.yml").read_text()))
    )
    pages = {page.name for page in DOCS.glob("*.md")}
    assert sorted(named) == sorted(pages), "put it into nav of mkdocs.yml"


@pytest.mark.parametrize("name", figures.FIGURES)
def test_a_figure_is_what_the_program_draws_today(name):
    kept, drawn = (DOCS / f"figures/{name}.svg").read_text("utf-8"), figures.FIGURES[name]()
    again = "run scripts/redraw, look at the figure, and at the text around it"
    assert NUMBER.sub("#", kept) == NUMBER.sub("#", drawn), again
    pairs = zip(NUMBER.findall(kept), NUMBER.findall(drawn), strict=True)
    assert all(abs(float(a) - float(b)) <= 0.15 for a, b in pairs), again


def test_every_figure_is_used_and_has_words_for_who_cannot_see_it():
    text = "".join(page.read_text("utf-8") for page in DOCS.glob("*.md"))
    for name in figures.FIGURES:
        assert re.search(rf"!\[[^\]]{{30,}}\]\(figures/{name}\.svg\)", text), name


def test_the_tables_of_the_store_are_described_as_they_are():
    kept = (DOCS / "schema.md").read_text("utf-8")
    assert kept == schema_page.page(), "run scripts/redraw"
    lacking = re.findall(r"^## `(\w+)`\n\n\|", kept, re.MULTILINE)
    assert not lacking, f"no comment says what these tables are: {lacking}"


def test_the_container_file_copies_what_is_there_and_what_is_built_from():
    text = (DOCS / "deploy/Containerfile").read_text("utf-8")
    copied = [
        source
        for line in re.findall(r"^COPY (?!--)(.*)$", text, re.MULTILINE)
        for source in line.split()[:-1]
    ]
    assert copied
    assert not [source for source in copied if not (ROOT / source).exists()]
    project = (ROOT / "pyproject.toml").read_text("utf-8")
    packages = ast.literal_eval(re.search(r"^packages = (\[.*\])$", project, re.MULTILINE)[1])
    assert set(packages) <= set(copied)
    assert "USER 0" not in text
    assert re.search(r"^USER \d{4,}:\d{4,}$", text, re.MULTILINE)


def test_the_udev_rules_have_the_form_of_rules():
    # udev(7): comma-separated KEY OPERATOR "value"; matches are == and !=, assignments = += := -=.
    part = re.compile(r'([A-Z]+)(?:\{[\w./]+\})?(==|!=|=|\+=|-=|:=)"[^"]*"')
    matches = {"SUBSYSTEM", "ATTRS", "KERNELS", "KERNEL", "DRIVERS"}
    rules = [
        line
        for line in (DOCS / "deploy/70-ouzel.rules").read_text("utf-8").splitlines()
        if line and not line.startswith("#")
    ]
    assert rules
    for rule in rules:
        found = [part.fullmatch(piece) for piece in rule.split(", ")]
        assert all(found), rule
        assert {m[1] for m in found if m[2] in {"==", "!="}} <= matches, rule
        assert any(m[2] not in {"==", "!="} for m in found), f"changes nothing: {rule}"
