from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import ConfigError
from simulators.hand import SCRIPTS, Redip, Script, Stop, find_script, load_script
from simulators.waters import load_waters

TWO = (
    Stop(water="buffer_7", in_air_s=5, dwell_s=60),
    Stop(water="tap", in_air_s=0, dwell_s=100, redip=Redip(after_s=20, out_s=3)),
)
STOPS = st.lists(
    st.builds(
        Stop,
        water=st.sampled_from(["tap", "distilled"]),
        dwell_s=st.floats(0.5, 4000),
        in_air_s=st.one_of(st.just(0.0), st.floats(0.1, 60)),
    ),
    min_size=1,
    max_size=5,
).map(tuple)


def test_the_probe_is_where_the_script_says():
    script = Script(TWO)
    seen = [(t, script.where(t).name) for t in (-1, 0, 4.9, 5, 64.9, 65, 84.9, 85, 87.9, 88, 165)]
    assert seen == [
        (-1, "air"),
        (0, "air"),
        (4.9, "air"),
        (5, "buffer_7"),
        (64.9, "buffer_7"),
        (65, "tap"),
        (84.9, "tap"),
        (85, "air"),
        (87.9, "air"),
        (88, "tap"),
        (165, "air"),
    ]
    assert script.where(1e9).stop is None


def test_a_redip_goes_back_into_the_same_glass():
    script = Script(TWO)
    assert script.where(70).poured_s == script.where(90).poured_s == 65
    assert script.where(90).since_s == 88


def test_a_looped_script_pours_a_fresh_glass_every_pass():
    script = Script(TWO, loop=True)
    assert script.where(165 + 5).name == "buffer_7"
    assert script.where(165 * 1000 + 70).poured_s == pytest.approx(165 * 1000 + 65)


@given(STOPS, st.booleans(), st.lists(st.floats(0, 60_000), min_size=1, max_size=8))
def test_moves_are_the_same_however_often_one_looks(stops, loop, looks):
    script = Script(stops, loop=loop)
    end_s = min(max(looks), 60 * script.length_s)
    at_once = list(script.moves(-1.0, end_s))
    piecemeal, done_s = [], -1.0
    for look in sorted(min(look, end_s) for look in looks):
        piecemeal += script.moves(done_s, look)
        done_s = look
    assert piecemeal == at_once
    starts = [place.since_s for place in at_once]
    assert starts == sorted(set(starts))
    passes = math.floor(end_s / script.length_s) + 1 if loop else 1
    assert len(at_once) <= passes * (2 * len(stops) + 1) + 2


@given(STOPS, st.integers(0, 100_000))
def test_the_next_move_of_a_loop_always_lies_ahead(stops, number):
    script = Script(stops, loop=True)
    t_s = number * script.length_s / 7
    for _ in range(4):
        following = script.next_move(t_s)
        assert following > t_s
        t_s = following


@given(STOPS, st.booleans(), st.integers(0, 30), st.floats(-3e-6, 3e-6))
def test_a_look_a_hair_before_or_after_a_move_neither_misses_nor_repeats_it(
    stops, loop, number, off_s
):
    script = Script(stops, loop=loop)
    every = list(script.moves(-1.0, 20 * script.length_s))
    at_s = every[min(number, len(every) - 1)].since_s + off_s
    before, after = script.moves(-1.0, at_s), script.moves(max(at_s, -1.0), 20 * script.length_s)
    assert [*before, *after] == every


def test_one_water_is_never_left():
    script = Script.still("tap")
    assert [place.name for place in script.moves(-1, 1e12)] == ["tap"]
    assert script.next_move(0.0) is None
    assert math.isinf(script.length_s)


def test_the_household_script_goes_from_check_to_subject_at_a_persons_pace():
    script = find_script("household")
    assert [stop.water for stop in script.stops] == [
        "buffer_7",
        "distilled",
        "reverse_osmosis",
        "tap",
    ]
    for stop in script.stops:
        assert 180 <= stop.dwell_s <= 480 or stop.water == "distilled"


def test_the_tap_under_the_sink_is_opened_six_times_a_day_its_first_water_apart():
    script = find_script("under_sink")
    assert script.length_s == 86_400
    places = list(script.moves(86_400 - 1, 2 * 86_400 - 1))
    assert [place.name for place in places] == ["line_first", "line_product", "line_product"] * 6
    assert [place.flowing for place in places] == [True, True, False] * 6


@pytest.mark.parametrize("name", SCRIPTS)
def test_every_shipped_script_uses_waters_of_the_household(name):
    assert {stop.water for stop in find_script(name).stops} <= set(load_waters())


STOP = '[[stop]]\nwater = "tap"\ndwell_s = 60\n'


@pytest.mark.parametrize(
    ("text", "key", "said"),
    [
        ("", "stop", "missing"),
        ("stop = []", "stop", ""),
        (STOP.replace("tap", "tep"), "stop[0].water", "buffer_7"),
        (STOP.replace("60", "0"), "stop[0].dwell_s", "0.1"),
        (STOP.replace("60", "inf"), "stop[0].dwell_s", "finite"),
        (STOP.replace("60", '"long"'), "stop[0].dwell_s", "a number"),
        (STOP.replace("dwell_s", "dwel_s"), "stop[0].dwel_s", "dwell_s"),
        (STOP + "in_air_s = -1\n", "stop[0].in_air_s", ">= 0"),
        (STOP + "redip = { after_s = 58, out_s = 3 }\n", "stop[0]", "dwell_s (60 s)"),
        ("speed = 2\n" + STOP, "speed", "unknown key"),
        ('loop = "now and then"\n' + STOP, "loop", "true or false"),
    ],
)
def test_a_bad_script_is_an_error_that_names_file_and_key(tmp_path, text, key, said):
    path = tmp_path / "script.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_script(path)
    assert str(caught.value).startswith(f"{path}: {key}")
    assert said in str(caught.value)


def test_an_unknown_script_names_those_there_are(tmp_path):
    with pytest.raises(ConfigError, match="household, two_checks, under_sink"):
        find_script("holiday")
    path = tmp_path / "mine.toml"
    path.write_text(STOP, encoding="utf-8")
    assert find_script(path).length_s == 68.0
