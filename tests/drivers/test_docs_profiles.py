"""The guide to profiles: every example works as it says, every key is in it."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from acquire.errors import FrameError
from drivers import profile
from drivers.assembly import assemble
from drivers.text_settings import TextLinesSettings

GUIDE = (Path(__file__).parents[2] / "docs" / "profiles.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(
    r"```toml\n(.*?)```\n\n```text\n(.*?)```\n\n```json\n(.*?)```", GUIDE, re.DOTALL
)


def test_there_is_an_example_of_every_style() -> None:
    assert GUIDE.count("```toml") == len(EXAMPLES)
    assert [re.search(r'style = "(\w+)"', e[0])[1] for e in EXAMPLES] == [  # type: ignore[index]
        "labels",
        "columns",
        "pattern",
    ]


@pytest.mark.parametrize(("table", "lines", "results"), EXAMPLES, ids=["1", "2", "3"])
def test_an_example_gives_what_the_guide_says(
    tmp_path: Path, table: str, lines: str, results: str
) -> None:
    (tmp_path / "mine.toml").write_text(table, encoding="utf-8")
    meter = assemble(tmp_path / "mine.toml")
    pairs = zip(lines.splitlines(), results.splitlines(), strict=True)
    for line, result in pairs:
        framer = meter.framer()
        try:
            _, frame = framer.decode(line.encode() + meter.profile.framing.terminator)
            assert frame is not None
            said = meter.reader.read(frame.text)
        except FrameError:
            assert json.loads(result) == "bad line"
            continue
        expected = json.loads(result)
        numbers = {n: v for n, v in expected.items() if not isinstance(v, str)}
        assert said.values == pytest.approx(numbers)
        assert said.flags == {n: v for n, v in expected.items() if isinstance(v, str)}


def test_the_meter_of_the_guide_is_accepted_with_its_profile_beside_it(tmp_path: Path) -> None:
    (tmp_path / "my-meter.toml").write_text(EXAMPLES[0][0], encoding="utf-8")
    (block,) = re.findall(r"```ini\n(.*?)```", GUIDE, re.DOTALL)
    table = tomllib.loads(block)["meters"]["kitchen"]
    settings = TextLinesSettings.model_validate(table, context={"base": tmp_path})
    assert settings.wire.baudrate == 19200


def tables() -> list[type[BaseModel]]:
    found = [one for one in vars(profile).values() if isinstance(one, type)]
    return [
        one for one in found if issubclass(one, BaseModel) and one.__module__ == profile.__name__
    ]


@pytest.mark.parametrize("key", sorted({key for one in tables() for key in one.model_fields}))
def test_every_key_is_described(key: str) -> None:
    section = GUIDE.partition("## Every key")[2]
    assert f"`{key}`" in section or f"`[{key}]`" in section or f"`[{key}.NAME]`" in section


@pytest.mark.parametrize(
    ("key", "default"),
    [("baudrate", 9600), ("max_length", 256), ("interval_s", 1.0), ("timeout_s", 0.5)],
)
def test_the_defaults_in_the_guide_are_those_of_the_program(key: str, default: float) -> None:
    (table,) = [
        one
        for one in tables()
        if key in one.model_fields and one not in {profile.SerialOverrides, profile.Profile}
    ]
    assert table.model_fields[key].default == default
    assert f"| `{key}` | {default} |" in GUIDE
