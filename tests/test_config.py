from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import config
from acquire.errors import ConfigError, OuzelError

GOOD = """
[store]
path = "water.db"
commit_every_s = 20

[bench]
timeout_s = 600
tolerance.ph = { absolute = 0.05 }
stops = [{ water = "rinse", role = "rinse" }, { water = "tap" }]

[quantities.turbidity]
label = "Turbidity"
unit = "[NTU]"
digits = 2
low = 0
high = 1000
tolerance = { absolute = 0.1, relative = 0.05 }
senml_unit = "/"

[meters.kitchen]
profile = "labelled"
port = "/dev/null"
silence_s = 15
"""


def load(tmp_path, text):
    file = tmp_path / "ouzel.toml"
    file.write_text(text, encoding="utf-8")
    return config.load(file)


def test_a_good_file_is_read_with_its_defaults(tmp_path):
    loaded = load(tmp_path, GOOD)
    assert loaded.store.path == tmp_path / "water.db"
    assert loaded.meters["kitchen"].silence_s == 15
    assert loaded.meters["kitchen"].driver == "text_lines"
    assert loaded.tolerance("ph").at(7.0) == 0.05
    assert loaded.tolerance("orp").at(200.0) == 5.0
    assert loaded.quantities["turbidity"].unit == "[NTU]"
    assert [stop.role for stop in loaded.bench.stops] == ["rinse", "subject"]


def test_without_a_file_everything_has_its_default():
    loaded = config.load(None)
    assert not loaded.meters
    assert loaded.store.path.name == "ouzel.db"


@pytest.mark.parametrize(
    ("change", "key", "words"),
    [
        (("commit_every_s", "comit_every_s"), "store.comit_every_s", "commit_every_s"),
        (("commit_every_s = 20", "commit_every_s = 0"), "store.commit_every_s", "1"),
        (("timeout_s = 600", 'timeout_s = "long"'), "bench.timeout_s", "number"),
        (("tolerance.ph", "tolerance.hp"), "bench.tolerance", "conductivity"),
        (("absolute = 0.05", "absolute = 0.0"), "bench.tolerance.ph", "above zero"),
        (('role = "rinse"', 'role = "washing"'), "bench.stops[0].role", "subject"),
        (("[quantities.turbidity]", "[quantities.ph]"), "quantities.ph", "built-in"),
        (("[meters.kitchen]", '[meters."Küche 1"]'), "meters.Küche 1", "a-z"),
        (('profile = "labelled"', 'driver = "telepathy"'), "meters.kitchen.driver", "text_lines"),
        (('port = "/dev/null"', ""), "meters.kitchen.port", "missing"),
        (("silence_s = 15", "silence_s = -1"), "meters.kitchen.silence_s", "0"),
        (("silence_s = 15", "silence = 15"), "meters.kitchen.silence", "unknown key"),
        (('[store]\npath = "water.db"', "[stroe]"), "stroe", "store"),
        (("timeout_s = 600", 'preset = "hasty"'), "bench.preset", "careful"),
    ],
)
def test_what_cannot_be_used_is_one_line_with_file_key_and_what_is_allowed(
    tmp_path, change, key, words
):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, GOOD.replace(*change))
    message = str(caught.value)
    assert "\n" not in message
    assert "ouzel.toml" in message
    assert key in message
    assert words in message
    assert caught.value.exit_code == 2


def test_broken_toml_and_bytes_that_are_no_text_name_the_file(tmp_path):
    with pytest.raises(ConfigError, match=r"ouzel\.toml: not TOML"):
        load(tmp_path, "meters = {")
    file = tmp_path / "ouzel.toml"
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="not UTF-8"):
        config.load(file)


def test_a_named_file_that_is_not_there_is_an_error_and_an_unnamed_one_is_not(
    tmp_path, monkeypatch
):
    with pytest.raises(ConfigError, match=r"no such configuration file"):
        config.find_file(str(tmp_path / "none.toml"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "xdg"))
    assert config.find_file(None) is None


def nobody_has_a_home(monkeypatch):
    import pwd

    def nobody(_uid):
        raise KeyError("uid not found")

    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(pwd, "getpwuid", nobody)


def test_without_a_home_folder_a_file_that_names_its_store_is_enough(tmp_path, monkeypatch):
    nobody_has_a_home(monkeypatch)
    monkeypatch.chdir(tmp_path)
    assert config.find_file(None) is None
    with pytest.raises(ConfigError, match=r"store\.path: there is no home folder"):
        config.load(None)
    assert load(tmp_path, GOOD).store.path == tmp_path / "water.db"


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (('path = "water.db"', 'path = "~nosuchuser/water.db"'), "store.path"),
        (('path = "water.db"', 'path = "water\\u0000.db"'), "store.path"),
        (('profile = "labelled"', 'profile = "~nosuchuser/p.toml"'), "meters.kitchen.profile"),
        (('profile = "labelled"', 'profile = "p\\u0000.toml"'), "meters.kitchen.profile"),
        (("timeout_s = 600", 'solutions = "~nosuchuser/s.toml"'), "bench.solutions"),
    ],
)
def test_a_path_that_no_file_can_have_is_one_clear_error(tmp_path, change, key):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, GOOD.replace(*change))
    assert f"ouzel.toml: {key}: " in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "\0" not in str(caught.value)


@given(
    st.recursive(
        st.one_of(st.booleans(), st.integers(), st.floats(), st.text(max_size=20), st.none()),
        lambda inner: st.one_of(
            st.lists(inner, max_size=3),
            st.dictionaries(
                st.sampled_from(
                    ["store", "bench", "meters", "quantities", "path", "tolerance", "stops", "ph"]
                )
                | st.text(max_size=8),
                inner,
                max_size=4,
            ),
        ),
        max_leaves=12,
    )
)
def test_any_table_is_either_valid_or_one_clear_error(table):
    meter = table if isinstance(table, dict) else {"x": table}
    try:
        config.meter("m", meter)
    except OuzelError as error:
        assert "\n" not in str(error)  # noqa: PT017
