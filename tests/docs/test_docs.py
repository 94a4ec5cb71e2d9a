"""What the documents say is true: commands parse, configurations load, nothing is left out."""

from __future__ import annotations

import argparse
import re
import shlex
from pathlib import Path

import pytest

from acquire import config, installation, outward
from acquire.cli import COMMANDS, build_parser
from acquire.errors import OuzelError

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
FENCE = re.compile(r"^ *```(\w*)\n(.*?)^ *```$", re.MULTILINE | re.DOTALL)


def blocks(language):
    return [
        pytest.param(text, id=f"{page.name}-{number}")
        for page in PAGES
        for number, (tag, text) in enumerate(FENCE.findall(page.read_text(encoding="utf-8")))
        if tag == language
    ]


def commands():
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        said = [
            line.strip()
            for tag, block in FENCE.findall(text)
            if tag == "sh"
            for line in block.splitlines()
        ]
        said += re.findall(r"`(ouzel [^`]*)`", FENCE.sub("", text))
        for line in said:
            if line.startswith("ouzel "):
                yield pytest.param(line.split("#")[0].strip(), id=f"{page.name}: {line[:60]}")


@pytest.mark.parametrize("line", list(commands()))
def test_every_command_line_in_the_documents_is_understood(line):
    words = shlex.split(line)[1:]
    if len(words) == 1 or words == ["export", "csv"]:
        words += ["--help"]  # named, not called: it must be there
    try:
        build_parser().parse_args(words)
    except SystemExit as ended:
        if ended.code != 0:
            pytest.fail(line)


def all_options():
    """Every command's own options."""
    parser = build_parser()
    stack = [("", parser)]
    while stack:
        name, parser = stack.pop()
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                stack += [(f"{name} {sub}".strip(), child) for sub, child in action.choices.items()]
            elif action.option_strings and name:
                yield from ((name, option) for option in action.option_strings)


def test_every_command_and_option_is_in_the_reference():
    page = (ROOT / "docs/commands.md").read_text(encoding="utf-8") + (
        ROOT / "docs/simulators.md"
    ).read_text(encoding="utf-8")
    assert not [name for name in COMMANDS if f"## `ouzel {name}" not in page]
    missing = {o for _, o in all_options() if o not in {"-h", "--help"} and o not in page}
    assert not missing


def fields_of(model, prefix=""):
    for name, field in model.model_fields.items():
        yield name
        inner = field.annotation
        if hasattr(inner, "model_fields"):
            yield from fields_of(inner)


def test_every_configuration_key_is_in_the_reference():
    page = (ROOT / "docs/configuration.md").read_text(encoding="utf-8")
    keys = {
        *fields_of(config.StoreConfig),
        *fields_of(config.BenchConfig),
        *fields_of(config.Stop),
        *fields_of(config.QuantityConfig),
        *fields_of(config._MeterTable),
        *fields_of(installation.WatchConfig),
        *fields_of(outward.MqttConfig),
        *fields_of(outward.HomieConfig),
        *fields_of(outward.AnnounceConfig),
        *fields_of(outward.MetricsConfig),
        *fields_of(outward.ProgramsConfig),
        *fields_of(outward.PageConfig),
        "profile",
        "port",
        "serial",
    }
    assert not {key for key in keys if not re.search(rf"\b{key}\b", page)}


@pytest.mark.parametrize("text", [p for p in blocks("toml") if "profiles" not in p.id])
def test_every_configuration_in_the_documents_can_be_used(tmp_path, text):
    if "[meters." not in text:
        pytest.skip("not a configuration")
    file = tmp_path / "ouzel.toml"
    file.write_text(text, encoding="utf-8")
    try:
        assert config.load(file).meters
    except OuzelError as error:
        pytest.fail(str(error))


def test_every_link_between_the_documents_leads_somewhere():
    for page in [*PAGES, ROOT / "DEVELOPERS.md", ROOT / "CHANGELOG.md"]:
        for target in re.findall(r"\]\(([^)#]+)", page.read_text(encoding="utf-8")):
            if not target.startswith("http"):
                assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_the_readme_names_exactly_two_commands_to_begin_with():
    first = FENCE.search((ROOT / "README.md").read_text(encoding="utf-8"))
    lines = [line.split("#")[0].strip() for line in first.group(2).splitlines()]
    assert lines == ["make demo", "make test"]
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    assert all(f"\n{line.split()[1]}:" in makefile for line in lines)
