"""Plans: read with exact complaints, odd ones told, new ones written so that they can be read."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.bench.plan import SHIPPED, find_plan, plan_names, read_plan, read_plan_text
from acquire.bench.plan_advice import Wishes, advice, plan_toml
from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN
from acquire.readings import Role
from acquire.water.solutions import built_in_solutions

SOLUTIONS = built_in_solutions()


def read(text):
    return read_plan_text(text, "mine", SOLUTIONS, tuple(BUILT_IN))


def test_a_plan_becomes_stops_in_order():
    plan = read(
        '[[stop]]\ncheck = "buffer-7.00"\n[[stop]]\nrinse = "ro"\nseconds = 12\n'
        '[[stop]]\nreference = "ro"\nrepeats = 3\nexpect = { conductivity = [0, 60] }\n'
        '[[stop]]\nsubject = "tap"\n[[stop]]\ncheck = "buffer-7.00"\n[[stop]]\ncount = "tap"\n'
    )
    kinds = [(s.kind, s.role, s.repeats, s.is_closing) for s in plan.stops]
    assert kinds == [
        ("check", Role.SOLUTION, 1, False),
        ("rinse", Role.RINSE, 1, False),
        ("water", Role.REFERENCE, 3, False),
        ("water", Role.SUBJECT, 1, False),
        ("check", Role.SOLUTION, 1, True),
        ("count", None, 1, False),
    ]
    assert plan.stops[1].least_s == 12.0
    assert plan.expected == {"ro": {"conductivity": (0.0, 60.0)}}


@pytest.mark.parametrize(
    ("text", "key", "said"),
    [
        ('[[stop]]\ncheck = "buffer-7"\n', "stop[0].check", "did you mean buffer-7.00"),
        ('[[stop]]\nreferense = "x"\n', "stop[0].referense", "unknown key"),
        ('[[stop]]\nwater = "x"\nrinse = "y"\n', "stop[0]", "exactly one thing"),
        ('[[stop]]\nnote = "x"\n', "stop[0]", "exactly one thing"),
        ('[[stop]]\ncheck = "buffer-7.00"\nseconds = 9\n', "stop[0]", "a check has no `seconds`"),
        ('[[stop]]\nwater = "x"\nrepeats = 0\n', "stop[0].repeats", ""),
        ('[[stop]]\nwater = "a\\u0007b"\n', "stop[0].water", "one line"),
        ('[[stop]]\nwater = "x"\nexpect = { ec = [1, 2] }\n', "stop[0].expect", "unknown quantity"),
        ('[[stop]]\nwater = "x"\nexpect = { ph = [8, 2] }\n', "stop[0]", "lower end comes first"),
        ("", "stop", ""),
        ("[[stop", "", "not TOML"),
    ],
)
def test_what_cannot_be_used_names_the_key(text, key, said):
    with pytest.raises(ConfigError) as caught:
        read(text)
    assert said in str(caught.value)
    assert key in str(caught.value)


def test_what_is_odd_is_told():
    odd = "\n".join(
        advice(read('[[stop]]\ncheck = "vinegar"\n[[stop]]\nsubject = "tap"\n'), SOLUTIONS)
    )
    for text in ("no reference", "no closing check", "no rinse after White vinegar", "no repeats"):
        assert text in odd
    assert "within 2 °C" in odd


def test_the_shipped_plans_can_be_used_and_lack_nothing():
    found = dict(plan_names([]))
    assert set(found) == {"two-waters", "before-and-after"}
    for path in found.values():
        told = advice(read_plan(path, SOLUTIONS, tuple(BUILT_IN)), SOLUTIONS)
        assert not [text for text in told if text.startswith(("no ", "stop "))]


def test_a_name_from_elsewhere_opens_no_file(tmp_path):
    (tmp_path / "own.toml").write_text('[[stop]]\nwater = "x"\n', encoding="utf-8")
    assert find_plan("own", [tmp_path], is_name=True) == tmp_path / "own.toml"
    assert find_plan("two-waters", [tmp_path]) == SHIPPED / "two-waters.toml"
    assert find_plan(str(tmp_path / "own.toml"), []) == tmp_path / "own.toml"
    with pytest.raises(ConfigError, match="no such plan"):
        find_plan(str(tmp_path / "own.toml"), [], is_name=True)
    with pytest.raises(ConfigError, match="no such plan"):
        find_plan("../own", [tmp_path], is_name=True)


@given(st.text(min_size=1, max_size=30), st.integers(1, 5))
def test_whatever_the_title_a_new_plan_is_toml(title, repeats):
    wishes = Wishes(title, "ro", ("tap", "jug"), ("buffer-7.00",), "distilled", repeats, True)
    text = plan_toml(wishes)
    assert tomllib.loads(text)["title"] == title
    plan = read(text)
    assert [s.water for s in plan.stops if s.kind == "water"] == ["ro", "tap", "jug"]
    assert plan.stops[-4].is_closing


STOP = "[[stop]]\n"
PAIR = STOP + 'reference = "ro"\nrepeats = 3\n' + STOP + 'subject = "tap"\n'
CHECKED = STOP + 'check = "buffer-7.00"\n'
RINSED = STOP + 'rinse = "distilled"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (STOP + 'reference = "ro"\n', "no subject"),
        (PAIR, "no check: "),
        (PAIR + CHECKED, "no opening check"),
        (RINSED + RINSED + PAIR, "stop 2: a second rinse in a row"),
        (STOP + 'rinse = "ro"\nseconds = 2\n' + PAIR, "stop 1: a rinse of 2 s is short"),
        (STOP + 'reference = "tap"\n' + STOP + 'subject = "tap"\n', "tap is both"),
        (PAIR + STOP + 'count = "jug"\n', "particles of jug are counted, but"),
    ],
)
def test_each_oddity_has_its_sentence_and_its_remedy_silences_it(text, said):
    assert said in "\n".join(advice(read(text), SOLUTIONS))
    whole = CHECKED + RINSED + PAIR + RINSED + CHECKED + STOP + 'count = "tap"\n'
    assert said not in "\n".join(advice(read(whole), SOLUTIONS))


def test_a_plan_of_rinses_alone_is_told_nothing_about_temperatures():
    assert "within 2 °C" not in "\n".join(advice(read(RINSED), SOLUTIONS))


def test_a_plain_wish_is_a_plain_plan():
    plan = read(plan_toml(Wishes("t", "ro", ("tap",), (), "distilled", repeats=1)))
    assert [(s.kind, s.water, s.repeats) for s in plan.stops] == [
        ("water", "ro", 1),
        ("rinse", "distilled", 1),
        ("water", "tap", 1),
    ]


def test_a_plan_of_ones_own_goes_before_one_of_the_same_name(tmp_path):
    for folder in ("first", "second"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "mine.toml").write_text(RINSED, encoding="utf-8")
    found = dict(plan_names([tmp_path / "none", tmp_path / "first", tmp_path / "second"]))
    assert found["mine"] == tmp_path / "first" / "mine.toml"
    assert set(found) == {"mine", "two-waters", "before-and-after"}
