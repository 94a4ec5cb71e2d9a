from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import FrameError
from acquire.quantities import BUILT_IN
from drivers.codecs.typed import TypedField

FIELDS = {
    "ph": TypedField(BUILT_IN["ph"], "pH", 0.01),
    "orp": TypedField(BUILT_IN["orp"], "mV", 1),
    "conductivity": TypedField(BUILT_IN["conductivity"], "uS/cm", 1),
    "salinity": TypedField(BUILT_IN["salinity"], "%", 0.01),
    "specific_gravity": TypedField(BUILT_IN["specific_gravity"], "1", 0.001),
    "temperature": TypedField(BUILT_IN["temperature"], "C", 0.1),
}


@pytest.mark.parametrize(
    ("quantity", "text", "value", "step"),
    [
        ("ph", "7.01", 7.01, 0.01),
        ("ph", " 7,01 pH ", 7.01, 0.01),
        ("ph", "7", 7.0, 0.01),  # trailing zeros left out
        ("ph", "7.012", 7.012, 0.001),  # a finer display than was described
        ("ph", ".5", 0.5, 0.01),
        ("ph", "7.", 7.0, 0.01),
        ("orp", "\u2212215mV", -215, 1),  # a real minus sign
        ("orp", "+215", 215, 1),
        ("orp", "0,215 V", 215, 1),
        ("conductivity", "1,41 mS/cm", 1410, 10),  # the range was switched: steps of 10
        ("conductivity", "1.413mS", 1413, 1),
        ("conductivity", "512 µS/cm", 512, 1),
        ("conductivity", "512,0", 512, 0.1),
        ("conductivity", "1,234 uS", 1.234, 0.001),  # with its unit it is no thousands mark
        ("salinity", "0,03", 0.3, 0.1),
        ("salinity", "0.3 ppt", 0.3, 0.1),
        ("specific_gravity", "1,001", 1.001, 0.001),
        ("temperature", "21,4 °C", 21.4, 0.1),
        ("temperature", "70.5\u00a0F", (70.5 - 32) * 5 / 9, 0.1 * 5 / 9),
    ],
)
def test_a_number_is_read_as_people_write_it(quantity, text, value, step):
    typed = FIELDS[quantity].read(text)
    assert typed.value == pytest.approx(value)
    assert typed.step == pytest.approx(step)
    assert typed.quantity == quantity


@pytest.mark.parametrize(
    ("quantity", "text", "said"),
    [
        ("ph", "", "no number; type it as the display shows it, such as 7.01"),
        ("ph", "seven", "no number"),
        ("ph", "---", "no number"),
        ("ph", ".", "no number"),
        ("ph", "OR", "no number"),
        ("ph", "nan", "no number"),
        ("ph", "7e0", "unknown unit 'e0'"),
        ("ph", "٧", "no number"),  # digits of another script
        ("ph", "7.0.1", "more than one mark"),
        ("ph", "7 01", "more than one mark or a blank"),
        ("ph", "70.1", "out of range: pH lies between 0 and 14, this is 70.1"),
        ("ph", "7.01 mV", "unknown unit 'mV'"),
        ("conductivity", "1,234", "is that 1234 or 1.234?"),
        ("conductivity", "1.234", "is that 1234 or 1.234?"),
        ("conductivity", "1,234.5", "more than one mark"),
        ("conductivity", "1'234", "more than one mark"),
        ("conductivity", "9" * 30, "no number"),
        ("temperature", "21.4 \x1b[31mC", "unknown unit"),
    ],
)
def test_nonsense_is_refused_with_a_word_that_helps(quantity, text, said):
    with pytest.raises(FrameError) as error:
        FIELDS[quantity].read(text)
    assert said in str(error.value)
    assert str(error.value).isprintable()


@given(st.text(max_size=60), st.sampled_from(sorted(FIELDS)))
def test_whatever_is_typed_gives_a_plausible_number_or_a_refusal(text, quantity):
    with contextlib.suppress(FrameError):
        typed = FIELDS[quantity].read(text)
        assert BUILT_IN[quantity].is_plausible(typed.value)
        assert typed.step > 0
