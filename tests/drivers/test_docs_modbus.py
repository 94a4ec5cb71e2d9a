"""The guide to Modbus: its example works as it says, every key is in it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from acquire.readings import Flag
from drivers import modbus_profile
from drivers.codecs.registers import Layout, Order, plan
from drivers.measures import Measures
from drivers.modbus_profile import assemble
from drivers.modbus_settings import ModbusSettings
from simulators.modbus_registers import REGISTER_MAPS

GUIDE = (Path(__file__).parents[2] / "docs" / "modbus.md").read_text(encoding="utf-8")
((PROFILE, RESULTS),) = re.findall(r"```toml\n(desc.*?)```\n\n```json\n(.*?)```", GUIDE, re.DOTALL)


@pytest.mark.parametrize("line", RESULTS.splitlines())
def test_the_example_gives_what_the_guide_says(tmp_path: Path, line: str) -> None:
    (tmp_path / "mine.toml").write_text(PROFILE, encoding="utf-8")
    meter = assemble(tmp_path / "mine.toml")
    example = json.loads(line)
    said: dict[str, object] = {}
    for block in plan(meter.places):
        held = example["registers"][str(block.function)]
        addresses = range(block.address, block.address + block.count)
        words = [int(held[str(address)], 16) for address in addresses]
        for place in block.places:
            number = place.read(block.words(place, words))
            scale = meter.scales[place.name]
            said[place.name] = number if isinstance(number, Flag) else scale(number)[0]
    numbers = {name: one for name, one in example["gives"].items() if not isinstance(one, str)}
    assert {name: said[name] for name in numbers} == pytest.approx(numbers)
    assert {name: said[name] for name in said if name not in numbers} == {
        name: one for name, one in example["gives"].items() if name not in numbers
    }


def test_the_orders_of_the_table_are_those_of_the_program() -> None:
    rows: list[tuple[Order, str, str]] = re.findall(
        r'^\| `"([A-D]{4})"` \| (\w{4}) \| (\w{4}) \|', GUIDE, re.MULTILINE
    )
    assert len(rows) == 4
    for order, first, second in rows:
        assert Layout("float32", order).decode([int(first, 16), int(second, 16)]) == 7.0


def tables() -> list[type[BaseModel]]:
    found = [one for one in vars(modbus_profile).values() if isinstance(one, type)]
    return [
        one
        for one in found
        if issubclass(one, BaseModel) and one.__module__ == modbus_profile.__name__
    ]


def keys() -> list[str]:
    """Those that every driver's quantities have are described in the guide to profiles."""
    return sorted({key for one in tables() for key in one.model_fields} - {*Measures.model_fields})


@pytest.mark.parametrize("key", keys())
def test_every_key_is_described(key: str) -> None:
    section = GUIDE.partition("## Every key")[2]
    assert f"`{key}`" in section or f"`[{key}]`" in section or f"`[{key}.NAME]`" in section


@pytest.mark.parametrize("key", ModbusSettings.model_fields)
def test_every_key_of_the_meter_is_shown(key: str) -> None:
    assert f"\n{key} = " in GUIDE


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ("ModbusPoll", "interval_s"),
        ("ModbusPoll", "timeout_s"),
        ("ModbusPoll", "missed_answers"),
        ("Requests", "most_registers"),
        ("Requests", "most_gap"),
        ("RegisterDefaults", "function"),
    ],
)
def test_the_defaults_in_the_guide_are_those_of_the_program(table: str, key: str) -> None:
    default = getattr(modbus_profile, table).model_fields[key].default
    assert f"| `{key}` | {default} |" in GUIDE


def test_the_shipped_profiles_are_those_of_the_simulated_meters() -> None:
    for name in REGISTER_MAPS:
        assert f'profile = "{name}"' in GUIDE
