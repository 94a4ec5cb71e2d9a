"""The guide to Bluetooth: every example works as it says, every key is in it."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from acquire.errors import FrameError
from drivers import advert_profile, byte_measures, gatt_profile
from drivers.adverts import _Reader
from drivers.ble_link import Advert
from drivers.ble_settings import AdvertSettings, GattSettings
from drivers.codecs.gatt_formats import uuid_text
from drivers.codecs.numbers import BY_NAME
from drivers.measures import Measures

GUIDE = (Path(__file__).parents[2] / "docs" / "bluetooth.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(
    r"```toml\n((?:(?!```).)*)```\n\n```text\n(.*?)```\n\n```json\n(.*?)```", GUIDE, re.DOTALL
)
ADDRESS = "C0:FF:EE:00:00:01"


def reader_for(path, driver):
    """Give what turns bytes into values, as the driver does."""
    if driver == "gatt":
        layouts = gatt_profile.assemble(path).layouts
        (layout,) = layouts.values()
        return layout.read
    settings = AdvertSettings.model_validate({"profile": str(path), "address": ADDRESS})
    reader = _Reader(settings)

    def read(data):
        advert = Advert(
            ADDRESS, rssi=-60, manufacturer={0xFFFF: data}, service_data={uuid_text(0xFCD2): data}
        )
        return reader.read(advert, 0.0)

    return read


def test_there_is_an_example_of_every_kind() -> None:
    assert [re.search(r'driver = "(\w+)"', e[0])[1] for e in EXAMPLES] == [
        "gatt",
        "adverts",
        "adverts",
    ]


@pytest.mark.parametrize(("table", "lines", "results"), EXAMPLES, ids=["1", "2", "3"])
def test_an_example_gives_what_the_guide_says(tmp_path, table, lines, results) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(table, encoding="utf-8")
    read = reader_for(path, tomllib.loads(table)["driver"])
    for line, result in zip(lines.splitlines(), results.splitlines(), strict=True):
        expected = json.loads(result)
        try:
            said = read(bytes.fromhex(line))
        except FrameError:
            assert expected == "bad frame"
            continue
        numbers = {name: value for name, value in expected.items() if not isinstance(value, str)}
        assert said.values == pytest.approx(numbers)
        assert said.flags == {n: value for n, value in expected.items() if isinstance(value, str)}


def test_the_profile_with_overrides_fits(tmp_path) -> None:
    (table,) = [one for one in re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL) if "overr" in one]
    path = tmp_path / "mine.toml"
    path.write_text(table, encoding="utf-8")
    meter = GattSettings.model_validate({"profile": str(path), "address": ADDRESS}).meter
    assert set(meter.profile.overrides) == {"conductivity", "ph"}


def test_the_encrypted_meter_of_the_guide_is_accepted_with_its_key_beside_it(tmp_path) -> None:
    key = tmp_path / "cellar.key"
    key.write_text("00112233445566778899aabbccddeeff\n")
    key.chmod(0o600)
    (block,) = re.findall(r"```ini\n(.*?)```", GUIDE, re.DOTALL)
    table = tomllib.loads(block)["meters"]["cellar"]
    settings = AdvertSettings.model_validate(table, context={"base": tmp_path})
    assert len(settings.key) == 16


def tables() -> list[type[BaseModel]]:
    modules = (gatt_profile, advert_profile, byte_measures)
    found = [one for module in modules for one in vars(module).values() if isinstance(one, type)]
    names = {module.__name__ for module in modules}
    return [one for one in found if issubclass(one, BaseModel) and one.__module__ in names]


KEYS = {key for one in [*tables(), GattSettings, AdvertSettings] for key in one.model_fields}


@pytest.mark.parametrize("key", sorted(KEYS - {"overrides", "quantities", "characteristics"}))
def test_every_key_is_described(key: str) -> None:
    assert key in Measures.model_fields or re.search(
        rf"`\[?{key}\]?`|^{key} = ", GUIDE, re.MULTILINE
    )


def test_every_type_is_named() -> None:
    assert not [name for name in BY_NAME if f"`{name}`" not in GUIDE]


@pytest.mark.parametrize("key", list(gatt_profile.LinkTable.model_fields))
def test_the_defaults_in_the_guide_are_those_of_the_program(key: str) -> None:
    default = gatt_profile.LinkTable.model_fields[key].default
    assert f"| `{key}` | {'none' if default is None else default} |" in GUIDE
