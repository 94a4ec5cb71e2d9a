"""What may be written about a sensor, what a mistake is answered with, and the words it may use."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import BaseModel, ValidationError

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Tolerance
from acquire.validation import from_pydantic
from drivers import sdi12_profile
from drivers.measures import Measures
from drivers.profile import find_profile, shipped_profiles
from drivers.sdi12_profile import Sdi12Profile, assemble
from drivers.sdi12_settings import Sdi12Settings
from drivers.sdi12_words import _NAMES, _UNITS, quantity_called, unit_called

GUIDE = (Path(__file__).parents[2] / "docs" / "sdi12.md").read_text(encoding="utf-8")
PH = "[quantities.ph]\nunit = 'pH'\nresolution = 0.01\n"


def written(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text("driver = 'sdi12'\n" + text, encoding="utf-8")
    return path


def test_the_shipped_profiles_are_good() -> None:
    assert shipped_profiles("sdi12") == ["described", "described_8n1", "seven_values"]
    for name in shipped_profiles("sdi12"):
        meter = assemble(find_profile(name, driver="sdi12"))
        assert meter.profile.description


def test_the_wire_is_that_of_the_standard_unless_said_otherwise(tmp_path: Path) -> None:
    path = written(tmp_path, "[serial]\nbaudrate = 9600\n")
    settings = Sdi12Settings.model_validate(
        {"port": "/dev/x", "profile": str(path), "serial": {"stop_bits": 2}}
    )
    wire = settings.wire
    assert (wire.baudrate, wire.data_bits, wire.parity, wire.stop_bits) == (9600, 7, "even", 2)
    plain = Sdi12Settings.model_validate({"port": "/dev/x"})
    assert (plain.wire.baudrate, plain.address, plain.profile) == (1200, "?", "described")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (PH + "place = 0\n", "quantities.ph.place: out of range, found 0; allowed: >= 1"),
        (PH + "measurement = 1\n", "quantities.ph.measurement: a measurement that is not made, found 1; allowed: 0 (measure.measurements)"),
        ("[measure]\ndescribe = false\n", "measure.describe: nothing names the values"),
        ("[measure]\ndescribe = false\n" + PH, "quantities.ph.place: a key is missing; allowed: 1 to 99"),
        (PH + "place = 1\n" + PH.replace("ph", "orp").replace("'pH'", "'mV'") + "place = 1\n", "quantities.orp.place: the place of ph, found 1"),
        ("[measure]\nover_range = [-9999]\n", "measure.over_range: a number cannot mean both"),
        ("[measure]\ncommands = ['M', 'MM']\n", "measure.commands[1]: not one of the choices"),
        ("[measure]\ncommands = []\n", "measure.commands: "),
        ("[adapter]\nbreak_s = 0.01\n", "adapter.break_s: out of range, found 0.01; allowed: >= 0.012"),
        ("[adapter]\nbreaks = 1\n", "adapter.breaks: unknown key, did you mean break_s?"),
        (PH.replace("'pH'", "'mV'"), "quantities.ph.unit: unknown unit for ph, found 'mV'"),
        (PH.replace("[quantities.ph]", "[quantities.acid]"), "quantities.acid: unknown quantity"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_profile_names_file_key_and_what_is_allowed(
    tmp_path: Path, text: str, says: str
) -> None:
    path = written(tmp_path, text)
    with pytest.raises(ConfigError) as caught:
        assemble(path)
    assert str(caught.value).startswith(f"{path}: {says}")


def complaint(**table: object) -> str:
    with pytest.raises(ValidationError) as caught:
        Sdi12Settings.model_validate({"port": "/dev/x", **table})
    return str(from_pydantic(caught.value, model=Sdi12Settings))


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"port": "ttyUSB0"}, "port: not a port"),
        ({"address": "10"}, "address: not an SDI-12 address, found '10'; allowed: one of 0-9, A-Z"),
        ({"address": "\u0661"}, "address: not an SDI-12 address"),
        ({"profile": "labelled"}, "profile: no such profile, found 'labelled'; allowed: described"),
        ({"silence": 3}, "silence: unknown key; allowed: driver, profile, port, serial, address"),
    ],
)
def test_a_mistake_in_the_settings_says_what_is_allowed(
    table: dict[str, object], says: str
) -> None:
    assert complaint(**table).startswith(says)


def test_parity_is_not_made_twice(tmp_path: Path) -> None:
    path = written(tmp_path, "[adapter]\nparity = 'software'\n")
    table = {"port": "/dev/x", "profile": str(path)}
    with pytest.raises(ConfigError, match=r"adapter.parity: parity in software needs a port"):
        Sdi12Settings.model_validate(table)
    serial = {"data_bits": 8, "parity": "none"}
    assert Sdi12Settings.model_validate({**table, "serial": serial}).wire.data_bits == 8


# Words.


@pytest.mark.parametrize(
    ("said", "quantity"),
    [
        ("WP", "ph"), ("pH", "ph"), ("WC", "conductivity"), ("Conductivity", "conductivity"),
        ("TW", "temperature"), (" water  temperature ", "temperature"), ("WS", "salinity"),
        ("ORP", "orp"), ("Redox", "orp"), ("TDS", "tds"), ("specific gravity", "specific_gravity"),
    ],
)  # fmt: skip
def test_a_name_is_known_by_code_or_by_our_own_words(said: str, quantity: str) -> None:
    found = quantity_called(said, BUILT_IN)
    assert found is not None
    assert found.name == quantity


@pytest.mark.parametrize("said", ["", "TA", "PR", "CU", "W", "WPX", "WT", "WO", "air temperature"])
def test_an_unknown_name_is_never_guessed(said: str) -> None:
    assert quantity_called(said, BUILT_IN) is None


def test_a_quantity_of_the_configuration_is_known_by_its_name_label_and_code() -> None:
    oxygen = replace(
        BUILT_IN["tds"],
        name="dissolved_oxygen",
        label="Oxygen",
        tolerance=Tolerance(0.1),
    )
    table = {**BUILT_IN, "dissolved_oxygen": oxygen}
    for said in ("WO", "DO", "oxygen", "dissolved oxygen", "dissolved_oxygen"):
        assert quantity_called(said, table) is oxygen


def test_every_code_and_unit_of_the_table_leads_somewhere() -> None:
    known = {*BUILT_IN, "dissolved_oxygen", "turbidity"}
    assert set(_NAMES.values()) <= known
    for word in _UNITS:
        assert any(unit_called(word, quantity) for quantity in BUILT_IN.values()), word


@pytest.mark.parametrize(
    ("quantity", "said", "unit"),
    [
        ("temperature", "degrees C", "Cel"), ("temperature", "DEG  C", "Cel"), ("temperature", "C", "C"),
        ("conductivity", "uS/cm", "uS/cm"), ("conductivity", "umho/cm", "uS/cm"), ("conductivity", "dS/m", "mS/cm"),
        ("ph", "", ""), ("ph", "pH units", "pH"), ("orp", "mV", "mV"), ("specific_gravity", "", ""),
        ("orp", "", None), ("conductivity", "", None), ("temperature", "mV", None), ("ph", "x", None),
    ],
)  # fmt: skip
def test_units_are_known_in_their_usual_spellings(
    quantity: str, said: str, unit: str | None
) -> None:
    assert unit_called(said, BUILT_IN[quantity]) == unit


# The guide.


def tables() -> list[type[BaseModel]]:
    return [
        one
        for one in vars(sdi12_profile).values()
        if isinstance(one, type)
        and issubclass(one, BaseModel)
        and one.__module__ == sdi12_profile.__name__
    ]


KEYS = {key for one in tables() for key in one.model_fields} | {*Sdi12Settings.model_fields}


@pytest.mark.parametrize("key", sorted(KEYS))
def test_every_key_is_described(key: str) -> None:
    own = {f"`{key}`", f"`[{key}]`", f"`[{key}.NAME]`"}
    inherited = key in Measures.model_fields or key in {"flow", "stop_bits"}
    assert inherited or any(form in GUIDE for form in own)


@pytest.mark.parametrize(
    ("table", "key"),
    [
        (sdi12_profile.Sdi12Serial, "baudrate"),
        (sdi12_profile.Sdi12Serial, "data_bits"),
        (sdi12_profile.Adapter, "break_s"),
        (sdi12_profile.Measure, "interval_s"),
        (sdi12_profile.Measure, "missed_answers"),
    ],
)
def test_the_defaults_in_the_guide_are_those_of_the_program(
    table: type[BaseModel], key: str
) -> None:
    assert f"| `{key}` | {table.model_fields[key].default} |" in GUIDE


def test_every_profile_in_the_guide_is_a_good_one(tmp_path: Path) -> None:
    blocks = re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)
    assert len(blocks) >= 3
    for number, block in enumerate(blocks):
        path = tmp_path / f"{number}.toml"
        path.write_text(block, encoding="utf-8")
        assert isinstance(assemble(path).profile, Sdi12Profile)


def test_the_meters_of_the_guide_are_accepted(tmp_path: Path) -> None:
    block = re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)[0]
    (tmp_path / "my-sensor.toml").write_text(block, encoding="utf-8")
    for text in re.findall(r"```ini\n(.*?)```", GUIDE, re.DOTALL):
        for table in tomllib.loads(text)["meters"].values():
            rest = {key: value for key, value in table.items() if key != "silence_s"}
            Sdi12Settings.model_validate(rest, context={"base": tmp_path})
