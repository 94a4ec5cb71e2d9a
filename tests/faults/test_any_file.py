"""Whatever stands in a configuration or profile: it can be used, or exactly one clear error.

Good files are spoilt: keys lost, misspelt, moved, given what is no value for them; letters struck
out and put in. OUZEL_FILES=100000 makes the long form.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from acquire import config as configuration
from acquire.cli.config import _print_tables
from acquire.cli.outlets import configured_outlets
from acquire.clock import SystemClock
from acquire.daemon import LateOutlet
from acquire.errors import ConfigError
from acquire.registry import driver_class
from tests.faults.toml_text import dumped

FILES = int(os.environ.get("OUZEL_FILES", "250"))
MAIN = Path(__file__).parents[2]
WAYS = {  # what each driver needs beside a profile
    "text_lines": {"port": "/dev/ttyNONE"},
    "modbus": {"port": "/dev/ttyNONE", "device": 1},
    "sdi12": {"port": "/dev/ttyNONE", "address": "0"},
    "gatt": {"address": "C0:FF:EE:00:00:01"},
    "adverts": {"address": "C0:FF:EE:00:00:01"},
    "by_hand": {},
}
PROFILES = [
    ("text_lines" if file.parent.name == "profiles" else file.parent.name, file.read_text("utf-8"))
    for file in sorted((MAIN / "drivers" / "profiles").rglob("*.toml"))
]
CONFIGS = [
    text
    for text in re.findall(
        r"```toml\n(.*?)```", (MAIN / "docs/configuration.md").read_text("utf-8"), re.DOTALL
    )
    if "[meters." in text
]
NAMES = sorted(set(re.findall(r"[a-z_0-9]{2,}", "".join(CONFIGS + [p for _, p in PROFILES]))))

words = (
    st.sampled_from(["", " ", "ph", "kitchen", "a" * 2000, "\x1b[2J", "\n[x]", "=1+1", "../../etc"])
    | st.sampled_from(NAMES)
    | st.text(max_size=8)
)
scalars = (
    st.sampled_from([0, -1, 1, 2**31, 2**63 - 1, -(2**63), 10**40, 0.0, -0.0, 1e-300, 1e308])
    | st.sampled_from([float("inf"), float("-inf"), float("nan"), True, False])
    | st.integers()
    | st.floats()
    | words
    | st.dates()
    | st.datetimes()
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
    max_leaves=6,
)
changes = st.lists(
    st.tuples(
        st.sampled_from(["lose", "set", "set", "set", "misname", "copy", "add"]),
        st.integers(0, 10_000),
        st.integers(0, 10_000),
        words,
        values,
    ),
    min_size=1,
    max_size=4,
)
cuts = st.lists(
    st.tuples(st.integers(0, 10_000), st.integers(0, 12), st.binary(max_size=6)), max_size=3
)


def places(tree: Any) -> list[tuple[Any, Any]]:
    """Every spot in it that holds something."""
    found = []
    for key, inner in list(tree.items() if isinstance(tree, dict) else enumerate(tree)):
        found.append((tree, key))
        if isinstance(inner, dict | list):
            found += places(inner)
    return found


def spoilt(text: str, how: list[tuple[Any, ...]], struck: list[tuple[int, int, bytes]]) -> bytes:
    tree = tomllib.loads(text)
    for kind, where, other, name, value in how:
        spots = places(tree)
        if not spots:
            break
        holder, key = spots[where % len(spots)]
        match kind:
            case "lose":
                del holder[key]
            case "set":
                holder[key] = value
            case "misname" if isinstance(holder, dict):
                holder[name] = holder.pop(key)
            case "copy":
                from_holder, from_key = spots[other % len(spots)]
                copied = from_holder[from_key]
                if not isinstance(copied, dict | list):
                    holder[key] = copied
            case "add" if isinstance(holder, dict):
                holder[name] = value
    content = dumped(tree)
    for at, length, put in struck:
        place = at % (len(content) + 1)
        content = content[:place] + put + content[place + length :]
    return content


def one_clear_error(error: ConfigError) -> None:
    text = str(error)
    assert error.exit_code == 2
    assert error.file
    assert error.file in text, text  # says which file
    assert len(text) <= 1500, text
    assert text.isprintable(), text  # one line, and nothing that a terminal would obey


def in_use(file: Path) -> bool:
    """Go as far as `ouzel serve` does before it opens a port; tell whether it can be used."""
    try:
        found = configuration.load(file)
        clock = SystemClock()
        for one in found.meters.values():
            driver = driver_class(one.driver)(one.settings, meter=one.name, clock=clock)
            for channel in driver.channels:
                found.settler(channel)
        for one in configured_outlets(found, clock):
            if isinstance(one, LateOutlet):
                one.make()
        found.solutions()
    except ConfigError as error:
        one_clear_error(error)
        return False
    json.dumps(found.shown())
    _print_tables("", found.shown())
    return True


MANY = settings(
    max_examples=FILES,
    suppress_health_check=list(HealthCheck),
    derandomize=FILES < 10_000,  # the long form looks for new ones each time
    phases=[Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink],
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("files")
    (made / "broker-password").touch(0o600)
    return made


@pytest.mark.timeout(60 + FILES // 20)
@given(text=st.sampled_from(CONFIGS), how=changes, struck=cuts)
@MANY
def test_any_configuration_can_be_used_or_gives_one_clear_error(folder, capsys, text, how, struck):
    file = folder / "ouzel.toml"
    file.write_bytes(spoilt(text, how, struck))
    in_use(file)
    capsys.readouterr()


@pytest.mark.timeout(60 + FILES // 20)
@given(said=st.sampled_from(PROFILES), how=changes, struck=cuts)
@MANY
def test_any_profile_can_be_used_or_gives_one_clear_error(folder, capsys, said, how, struck):
    driver, text = said
    profile = folder / "mine.toml"
    profile.write_bytes(spoilt(text, how, struck))
    meter = {"driver": driver, "profile": "mine.toml", **WAYS[driver]}
    file = folder / "with_profile.toml"
    file.write_bytes(dumped({"meters": {"bench": meter}}))
    in_use(file)
    capsys.readouterr()


@pytest.mark.parametrize(("driver", "text"), PROFILES)
def test_unspoilt_profiles_pass(folder, driver, text):
    """So that the errors above come from what was spoilt, and good files stay good when written."""
    (folder / "good.toml").write_bytes(spoilt(text, [], []))
    meter = {"driver": driver, "profile": "good.toml", **WAYS[driver]}
    file = folder / "of_good.toml"
    file.write_bytes(dumped({"meters": {"bench": meter}}))
    assert in_use(file)
