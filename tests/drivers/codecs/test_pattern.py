from __future__ import annotations

import time

import pytest

from acquire.errors import ConfigError, FrameError
from acquire.quantities import BUILT_IN
from acquire.readings import Flag
from drivers.codecs.fields import Field, Numerals
from drivers.codecs.pattern import Pattern, compile_pattern

FIELDS = {
    "ph": Field(BUILT_IN["ph"], "pH", group="ph"),
    "conductivity": Field(BUILT_IN["conductivity"], "uS/cm", group="ec", unit_from="unit"),
}
PATTERN = r"#[0-9]+ P(?P<ph>[^ ]+)(?: E(?P<ec>[^ ]+) (?P<unit>[a-zA-Z/]+))?"


def read(text: str):  # type: ignore[no-untyped-def]
    return Pattern(FIELDS, Numerals(), pattern=compile_pattern(PATTERN, 256)).read(text)


def test_named_groups_are_the_fields() -> None:
    assert read("#12 P7.01 E1.41 mS/cm").values == {
        "ph": 7.01,
        "conductivity": pytest.approx(1410.0),
    }


def test_a_group_that_is_not_there_is_no_field() -> None:
    said = read("#12 P7.01")
    assert said.values == {"ph": 7.01}
    assert said.flags == {}


def test_words_and_bad_fields_are_flags() -> None:
    said = read("#12 POR E5x2 mS/cm")
    assert said.values == {}
    assert said.flags == {"ph": Flag.OVER_RANGE, "conductivity": Flag.ERROR}
    assert said.bad == 1


@pytest.mark.parametrize("text", ["#12 P7.01 E512", "12 P7.01", "#12 P7.01 E512 uS/cm tail", ""])
def test_the_pattern_must_fit_the_whole_line(text: str) -> None:
    with pytest.raises(FrameError):
        read(text)


@pytest.mark.parametrize("pattern", ["(", "(?P<ph>", "[a", "*", "(?P<1>a)", "a{3,1}", "[[a]b]"])
def test_a_pattern_that_does_not_compile_says_so(pattern: str) -> None:
    with pytest.raises(ConfigError, match="does not compile"):
        compile_pattern(pattern, 256)


@pytest.mark.parametrize(
    "pattern",
    [
        r"(a+)+$",
        r"(?:a|a)*b",
        r"([0-9]+,?){1,}x",
        r"[]x](a*)*b",
        r"[^]x](a*)*b",
        r"[a[](a+)+b",
        r"\[(a+)+b",
        r"(?P<ph>(\d+)*)x",
    ],
)
def test_a_repeated_group_is_refused_before_it_is_ever_run(pattern: str) -> None:
    with pytest.raises(ConfigError, match="repeats a group"):
        compile_pattern(pattern, 256)


@pytest.mark.parametrize("pattern", [r"(?x) (a+) + b", r"(?#[)(a+)+b", r"(?ix:(a+) +)b"])
def test_nothing_hides_a_repeated_group(pattern: str) -> None:
    with pytest.raises(ConfigError, match="comments and verbose"):
        compile_pattern(pattern, 256)


def test_a_pattern_that_is_slow_on_some_line_is_refused_in_good_time() -> None:
    started = time.perf_counter()
    with pytest.raises(ConfigError, match="takes longer"):
        compile_pattern(r"[0-9]*[0-9]*[0-9]*[0-9]*[0-9]*x", 256)
    assert time.perf_counter() - started < 5.0


@pytest.mark.parametrize(
    "pattern", [r"(?P<ph>[(+)*]+)", r"\((?P<ph>.+)\)+", r"(?P<ph>\d+(?:\.\d+)?) pH", r".*?x.*"]
)
def test_ordinary_patterns_pass(pattern: str) -> None:
    assert compile_pattern(pattern, 1024).pattern == pattern


def test_a_very_long_pattern_is_refused() -> None:
    with pytest.raises(ConfigError, match="too long"):
        compile_pattern("a" * 2001, 256)
