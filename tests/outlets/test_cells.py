"""How wide texts stand: wide characters must neither overflow a line nor shift a column."""

from __future__ import annotations

from unicodedata import east_asian_width

from hypothesis import given
from hypothesis import strategies as st

from acquire.bench.comparison import compare
from acquire.outlets.cells import cut, padded, wide, wrap
from acquire.outlets.comparison_words import comparison_lines
from acquire.outlets.words import tidy
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp

WIDE = "東京の台所の水道水 🚰 로마 자"
SIGNS = st.text(st.sampled_from("a bé東京水🚰한,. "), max_size=120)


def a_capture(name, water, ph):
    at = Stamp(1_790_000_000_000, 10**9)
    said = {"ph": SettledValue("ph", ph, 0.02, "settled", 0.0, 40.0, budget={"noise": 0.01})}
    return Capture(name, "kitchen", CaptureState.FINAL, at, at, said, water, Role.SUBJECT)


def test_columns_are_those_of_unicode():
    """Unicode Standard Annex 11, East Asian Width: W and F take two; as Python's tables have it."""
    for text in ("tap", "Rhône", "東京", "🚰", "한국", WIDE):
        assert wide(text) == sum(1 + (east_asian_width(c) in {"W", "F"}) for c in text)


@given(SIGNS, st.integers(4, 60))
def test_what_is_cut_fits_and_what_fits_is_whole(text, most):
    found = cut(text, most)
    assert wide(found) <= most
    assert found == text if wide(text) <= most else found.endswith("…")
    assert wide(padded(found, most)) == wide(padded(found, most, right=True)) == most


@given(SIGNS, st.integers(12, 80))
def test_wrapped_lines_fit_and_lose_nothing(text, columns):
    lines = wrap(text, columns, "  - ", then="    ")
    assert all(wide(line) <= columns for line in lines)
    kept = "".join("".join(line[4:] for line in lines).split())
    assert kept == "".join(text.split())


def test_a_comparison_of_waters_with_wide_names_keeps_its_columns():
    here, there = a_capture("a", WIDE * 2, 7.0), a_capture("b", WIDE, 7.5)
    channels = {"kitchen": {"ph": Channel("ph", 0.01, accuracy=0.05)}}
    lines = list(comparison_lines(compare(here, there, channels), BUILT_IN))
    assert max(map(wide, lines)) <= 80
    head = next(line for line in lines if line.endswith("differs?"))
    row = lines[lines.index(head) + 1]
    assert wide(head) - len("differs?") == wide(row) - len("yes")


def test_a_name_is_tidied_by_its_columns():
    assert tidy("東京の台所", 6) == "東京…"
    assert wide(tidy(WIDE * 9)) <= 80
