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


def test_a_check_is_trusted_for_as_long_as_its_meter_says_else_for_thirty_days(tmp_path):
    sink = '[meters.sink]\nprofile = "labelled"\nport = "/dev/null"\ncheck_every_days = 90\n'
    loaded = load(tmp_path, GOOD + sink)
    asked = ("sink", "kitchen", "one that was sold")
    assert [loaded.trusted_days(name) for name in asked] == [90, 30, 30]


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
        (("tolerance.ph", "tolerance.pH"), "bench.tolerance", "did you mean ph?"),
        (('role = "rinse"', 'role = "solutoin"'), "bench.stops[0].role", "mean solution?"),
        (("timeout_s = 600", 'preset = "benhc"'), "bench.preset", "did you mean bench?"),
        (("silence_s = 15", 'required = ["pH"]'), "meters.kitchen.required", "did you mean ph?"),
        (('port = "/dev/null"', 'port = "probe"'), "meters.kitchen.port", "write ./probe"),
        (('port = "/dev/null"', 'port = ""'), "meters.kitchen.port", "should not be empty"),
        (("[meters.kitchen]", "[meters.Kitchen 1]"), "not TOML", "[meters.kitchen-1]"),
        (("digits = 2", "digits = 2\nhigh.x = "), "not TOML", "line"),
        (("low = 0", "low = nan"), "quantities.turbidity.low", "finite"),
        (("high = 1000", "high = inf"), "quantities.turbidity.high", "finite"),
        (("high = 1000", "high = 0"), "quantities.turbidity.high", "> 0 (low)"),
        (('senml_unit = "/"', 'senml_unit = "/"\nsenml_factor = 0'), "senml_factor", "> 0"),
        (('senml_unit = "/"', 'senml_unit = ""'), "turbidity.senml_unit", "not be empty"),
        (("[quantities.turbidity]", "[quantities.Turbidity]"), "quantities.Turbidity", "a-z"),
        (("[quantities.turbidity]", "[quantities.tur-bidity]"), "quantities.tur-bidity", "a-z"),
        (('label = "Turbidity"', 'label = ""'), "turbidity.label", "should not be empty"),
        (('label = "Turbidity"', 'label = "T\\u001b]0;x"'), "turbidity.label", "printable"),
        (('label = "Turbidity"', f'label = "{"T" * 41}"'), "turbidity.label", "40"),
        (('unit = "[NTU]"', 'unit = " "'), "turbidity.unit", "printable"),
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


@pytest.mark.parametrize("depth", [60, 300, 900, 5000])
def test_lists_in_lists_in_lists_are_one_clear_error(tmp_path, depth):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, f"[store]\npath = {'[' * depth}{']' * depth}\n")
    assert "ouzel.toml: " in str(caught.value)
    assert len(str(caught.value)) < 1000


def test_a_number_of_thousands_of_digits_is_one_clear_error(tmp_path):
    with pytest.raises(ConfigError, match=r"ouzel\.toml: cannot be read"):
        load(tmp_path, f"a = {'9' * 5000}")


def slow(tmp_path, silence="", top="", poll=""):
    """A configuration with a meter of a profile of its own."""
    (tmp_path / "slow.toml").write_text(
        f"{top}\n{poll}\n[fields]\nstyle = 'labels'\n"
        "[quantities.ph]\nlabel = 'pH'\nunit = 'pH'\nresolution = 0.01\n",
        encoding="utf-8",
    )
    text = f'[meters.k]\nprofile = "slow.toml"\nport = "/dev/null"\n{silence}\n'
    return load(tmp_path, text).meters["k"]


POLL = "[poll]\ncommand = 'R'\ninterval_s = 60\ntimeout_s = 2"


def test_a_meter_that_speaks_rarely_is_given_the_time_it_needs(tmp_path):
    assert slow(tmp_path, poll=POLL).silence_s == 3 * 62
    assert slow(tmp_path, top="interval_s = 600").silence_s == 1800
    assert slow(tmp_path, poll=POLL, silence="silence_s = 124").silence_s == 124
    assert slow(tmp_path, poll="[poll]\ncommand = 'R'").silence_s == 30
    assert slow(tmp_path, poll="[poll]\ncommand = 'R'", silence="silence_s = 3").silence_s == 3


@pytest.mark.parametrize("rhythm", [{"poll": POLL}, {"top": "interval_s = 62"}])
def test_a_silence_shorter_than_the_rhythm_of_the_meter_is_refused_naming_both(tmp_path, rhythm):
    with pytest.raises(ConfigError) as caught:
        slow(tmp_path, silence="silence_s = 30", **rhythm)
    message = str(caught.value)
    assert "meters.k.silence_s" in message
    assert "interval_s" in message
    assert "62 s" in message
    assert "allowed: >= 124" in message


def test_a_polled_meter_has_one_rhythm(tmp_path):
    with pytest.raises(ConfigError, match=r"poll\.interval_s"):
        slow(tmp_path, top="interval_s = 60", poll=POLL)


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
