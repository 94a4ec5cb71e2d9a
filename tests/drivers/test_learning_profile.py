"""Lines nobody described become a profile that reads them."""

from __future__ import annotations

import contextlib
import random
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.errors import ConfigError, FrameError
from acquire.quantities import BUILT_IN
from drivers.assembly import put_together
from drivers.codecs.checksum import CHECKSUMS
from drivers.codecs.dialects import encode_columns, encode_labelled, encode_polled
from drivers.learning_profile import toml, understand
from drivers.profile import Profile
from simulators.display import derive, quantise

SEVEN = set(BUILT_IN)


def truths(seed=1, count=12, *, ph=7.6, orp=560.0, ec=489.0, temp=20.5):
    """What a display shows of one water, a little restless."""
    draw = random.Random(seed)
    for _ in range(count):
        yield {
            "ph": ph + draw.gauss(0, 0.01),
            "orp": orp + draw.gauss(0, 1.5),
            "conductivity": max(0.0, ec * (1 + draw.gauss(0, 0.003))),
            "temperature": temp + draw.gauss(0, 0.05),
        }


def learned(data: bytes, tmp_path=None):
    """The profile as it would stand in a file, ready to read, and what was understood."""
    found = understand(data)
    table = tomllib.loads(toml(found.profile, ["a comment"]))
    return put_together(Profile.model_validate(table), tmp_path or __file__), found


def check(data: bytes, line: str, expected: dict[str, float]):
    meter, found = learned(data)
    said = meter.reader.read(line)
    assert said.values == pytest.approx(expected), [
        (one.slot.label, one.quantity, one.unit, one.why) for one in found.proposals
    ]
    return found


WATERS = {
    "tap": {},
    "distilled": {"ph": 5.9, "orp": 310.0, "ec": 3.0, "temp": 19.0},
    "reverse osmosis": {"ph": 6.24, "orp": 237.0, "ec": 13.9, "temp": 20.6},
    "mineral": {"ph": 6.1, "orp": 180.0, "ec": 1890.0, "temp": 12.0},
    "brackish": {"ph": 8.1, "orp": 150.0, "ec": 12_880.0, "temp": 25.0},
    "buffer": {"ph": 4.01, "orp": 270.0, "ec": 5900.0, "temp": 24.9},
    "reduced": {"ph": 7.2, "orp": -120.0, "ec": 700.0, "temp": 15.3},
    "orp like ec": {"ph": 7.2, "orp": 350.0, "ec": 700.0, "temp": 15.3},
    "air": {"ph": 7.3, "orp": 290.0, "ec": 0.0, "temp": 21.7},
}


@pytest.mark.parametrize("water", WATERS)
@pytest.mark.parametrize("encode", [encode_labelled, encode_columns, encode_polled])
def test_the_three_dialects_are_learned_in_every_water(encode, water):
    lines = [encode(quantise(derive(truth))) for truth in truths(**WATERS[water])]
    meter, found = learned(b"".join(lines))
    assert [one.quantity for one in found.proposals] == list(BUILT_IN)
    framer = meter.framer()
    truth = quantise(derive(next(iter(truths(seed=9, **WATERS[water])))))
    _, frame = framer.decode(encode(truth))
    said = meter.reader.read(frame.text)
    for name, value in truth.items():
        # Salinity goes through per cent with two decimals on these displays.
        step = 0.05 if name == "salinity" else 1e-6
        assert said.values[name] == pytest.approx(value, abs=step), name
    computed = {c.quantity for c in meter.channels if not c.is_required}
    assert computed == {"tds", "salinity", "specific_gravity"}
    steps = {c.quantity: c.resolution for c in meter.channels}
    assert (steps["ph"], steps["temperature"]) == (pytest.approx(0.01), pytest.approx(0.1))


def shown(form: str, mark: str = ".", **water) -> bytes:
    """Lines in a form of our own: {ph} {orp} {ec} {ms} {tds} {temp} {f} {n}."""
    lines = []
    for n, truth in enumerate(truths(**water)):
        ec = truth["conductivity"]
        fields = {
            "ph": f"{truth['ph']:.2f}",
            "orp": f"{truth['orp']:.0f}",
            "ec": f"{ec:.0f}",
            "ms": f"{ec / 1000:.2f}",
            "tds": f"{ec * 0.64:.0f}",
            "temp": f"{truth['temperature']:.1f}",
            "f": f"{truth['temperature'] * 1.8 + 32:.1f}",
        }
        said = {key: value.replace(".", mark) for key, value in fields.items()}
        lines.append(form.format(**said, n=n, nnnn=f"{n:04d}"))
    return "".join(lines).encode()


@pytest.mark.parametrize(
    ("form", "mark", "line", "expected"),
    [
        (
            "Temp: {temp}°C | Leitf.: {ec} µS | pH:{ph} | Redox {orp} mV\r\n",
            ",",
            "Temp: 21,4°C | Leitf.: 512 µS | pH:7,01 | Redox -15 mV",
            {"temperature": 21.4, "conductivity": 512, "ph": 7.01, "orp": -15},
        ),
        (
            "t={temp};lf={ms};ph={ph}\n",
            ",",
            "t=21,4;lf=1,41;ph=7,01",
            {"temperature": 21.4, "conductivity": 1410, "ph": 7.01},
        ),
        (
            "{nnnn}\t{f}\t{ec}\t{tds}\t{ph}\n",
            ".",
            "0017\t70.5\t512\t328\t7.01",
            {"temperature": (70.5 - 32) / 1.8, "conductivity": 512, "tds": 328, "ph": 7.01},
        ),
        (
            '{{"ph":{ph},"ec":{ec},"t":{temp}}}\r\n',
            ".",
            '{"ph":7.01,"ec":512,"t":21.4}',
            {"ph": 7.01, "conductivity": 512, "temperature": 21.4},
        ),
        (
            "{ph}pH {orp}mV {ec}uS/cm {temp}C\r",
            ".",
            "7.01pH 215mV 512uS/cm 21.4C",
            {"ph": 7.01, "orp": 215, "conductivity": 512, "temperature": 21.4},
        ),
        (
            "{ph} pH, {orp} mV, {ms} mS/cm, {temp} C\n",
            ".",
            "7.01 pH, 215 mV, 1.41 mS/cm, 21.4 C",
            {"ph": 7.01, "orp": 215, "conductivity": 1410, "temperature": 21.4},
        ),
        (
            "2026-03-01 10:00:{n:02d} BAT 85 % DO 8.2 mg/L PH {ph} TEMP {temp}\r\n",
            ".",
            "2026-03-01 10:01:07 BAT 84 % DO 8.3 mg/L PH 7.01 TEMP 21.4",
            {"ph": 7.01, "temperature": 21.4},
        ),
        (
            "$WQ,{ph},P,{temp},C,{ec},U\r\n",
            ".",
            "$WQ,7.01,P,21.4,C,512,U",
            {"ph": 7.01, "temperature": 21.4, "conductivity": 512},
        ),
        ("{ph}\r\n", ".", "7.01", {"ph": 7.01}),
        (
            "T{temp}C EC{ec}uS PH{ph}\r\n",
            ".",
            "T21.4C EC512uS PH7.01",
            {"temperature": 21.4, "conductivity": 512, "ph": 7.01},
        ),
        (
            "1:{ph} 2:{orp} 3:{ec} 4:{temp}\r\n",
            ".",
            "1:7.01 2:215 3:512 4:21.4",
            {"ph": 7.01, "orp": 215, "conductivity": 512, "temperature": 21.4},
        ),
        (
            "<ph>{ph}</ph><ec>{ec}</ec><t>{temp}</t>\r\n",
            ".",
            "<ph>7.01</ph><ec>512</ec><t>21.4</t>",
            {"ph": 7.01, "conductivity": 512, "temperature": 21.4},
        ),
        (
            "pH: {ph}\r\nEC: {ec} uS/cm\r\n\r\nT: {temp} C\r\n",
            ".",
            "EC: 512 uS/cm",
            {"conductivity": 512},
        ),
        (
            "CH1 PH {ph} CH2 EC {ec}\r\n",
            ".",
            "CH1 PH 7.01 CH2 EC 512",
            {"ph": 7.01, "conductivity": 512},
        ),
        (
            "[{temp}] <{ph}> ({ec})\r\n",
            ",",
            "[21,4] <7,01> (512)",
            {"temperature": 21.4, "ph": 7.01, "conductivity": 512},
        ),
        (
            "pH  {ph}   T  {temp}   EC  {ec}   \r\n",
            ".",
            "pH  7.01   T  21.4   EC  512",
            {"temperature": 21.4, "ph": 7.01, "conductivity": 512},
        ),
    ],
)
def test_other_forms_are_learned_too(form, mark, line, expected):
    check(shown(form, mark), line, expected)


@pytest.mark.parametrize(
    ("line", "ec"), [("[10:07:01] <7.01> (512uS)", 512), ("[10:07:02] <7.01> (1.41mS)", 1410)]
)
def test_a_unit_that_changes_with_the_range_is_read_off_each_line(line, ec):
    """A meter that goes from µS to mS by itself would be wrong by a thousand."""
    said = [
        f"[10:00:{n:02}] <{7.6 + n % 3 / 100:.2f}> ({489 + n % 5}uS)\r\n"
        if n % 4
        else f"[10:00:{n:02}] <{7.6 + n % 3 / 100:.2f}> ({1.4 + n / 100:.2f}mS)\r\n"
        for n in range(24)
    ]
    check("".join(said).encode(), line, {"ph": 7.01, "conductivity": ec})


LABELS = {
    "ph": ["pH", "PH", "ph", "pH-Wert"],
    "orp": ["ORP", "Redox", "mV", "Eh"],
    "ec": ["EC", "Cond", "LF", "Conductivity", "EC25"],
    "temp": ["T", "Temp", "Temperature", "TC", "t1", "Water temp"],
}
UNITS = {
    "ph": ["", "pH"],
    "orp": ["", "mV"],
    "ec": ["", "uS/cm", "µS/cm", "uS"],
    "temp": ["", "C", "°C"],
}
NAMES = {"ph": "ph", "orp": "orp", "ec": "conductivity", "temp": "temperature"}


@settings(max_examples=150)
@given(st.data())
def test_any_labelled_form_put_together_from_the_usual_parts_is_learned(data):
    order = data.draw(st.permutations(list(LABELS)))[: data.draw(st.integers(1, 4))]
    assign = data.draw(st.sampled_from([" ", ": ", ":", "=", " = "]))
    between = data.draw(st.sampled_from([", ", ";", "; ", " | ", "\t", "  "]))
    gap = data.draw(st.sampled_from(["", " "]))
    mark = data.draw(st.sampled_from([".", ","]))
    end = data.draw(st.sampled_from(["\r\n", "\n", "\r"]))
    parts = []
    for name in order:
        label = data.draw(st.sampled_from(LABELS[name]))
        unit = data.draw(st.sampled_from(UNITS[name]))
        parts.append(f"{label}{assign}{{{name}}}{gap if unit else ''}{unit}")
    form = between.join(parts) + end
    found = understand(shown(form, mark))
    assert [one.quantity for one in found.proposals] == [NAMES[name] for name in order]
    assert found.read == len(found.lines.texts)


@settings(max_examples=60)
@given(st.permutations(["ph", "ec", "tds", "temp"]), st.sampled_from(";\t|"), st.integers(0, 99))
def test_columns_without_a_word_are_told_by_size_fineness_and_what_belongs_together(
    order, separator, seed
):
    form = separator.join(f"{{{name}}}" for name in order) + "\n"
    found = understand(shown(form, seed=seed))
    expected = {**NAMES, "tds": "tds"}
    assert [one.quantity for one in found.proposals] == [expected[name] for name in order]
    assert not any(one.is_sure for one in found.proposals)


def test_a_dip_from_air_into_water_tells_what_conducts():
    """Two whole numbers that could each be the one or the other, until the probe is moved."""
    still = [b"300;300;21.4\n"] * 10
    moved = [b"301;0;21.4\n"] * 10 + [b"299;512;21.3\n"] * 10
    before = understand(b"".join(still))
    after = understand(b"".join(moved))
    assert not all(one.is_sure for one in before.proposals)
    assert [one.quantity for one in after.proposals] == ["orp", "conductivity", "temperature"]
    assert "rose from nothing" in after.proposals[1].why


def test_words_in_the_place_of_numbers_are_noted():
    data = shown("pH {ph}; EC {ec}; T {temp}\r\n")
    data += b"pH 7.01; EC OVR; T 21.4\r\n" * 2 + b"pH ****; EC 512; T 21.4\r\n"
    meter, found = learned(data)
    assert "OVR" in found.profile["words"]["over_range"]
    said = meter.reader.read("pH ****; EC OVR; T 21.4")
    assert said.values == {"temperature": 21.4}
    assert {str(flag) for flag in said.flags.values()} == {"over_range", "error"}


@pytest.mark.parametrize("kind", CHECKSUMS)
@pytest.mark.parametrize(("mark", "after"), [("*", ""), ("*", "$"), ("", ""), (",", "")])
def test_a_checksum_is_found_and_checked_from_then_on(kind, mark, after):
    texts = shown("PH={ph} EC={ec}\n").decode().splitlines()
    lines = [f"{after}{text}{mark}{CHECKSUMS[kind](text.encode())}\r\n" for text in texts]
    meter, found = learned("".join(lines).encode())
    assert found.profile["framing"]["checksum"]["kind"] == kind
    framer = meter.framer()
    good = lines[3].encode()
    _, frame = framer.decode(good)
    assert set(meter.reader.read(frame.text).values) == {"ph", "conductivity"}
    with pytest.raises(FrameError, match="checksum"):
        framer.decode(good.replace(b"PH=7", b"PH=6"))


def test_banners_half_lines_and_damaged_ones_do_not_stand_in_the_way():
    good = shown("pH {ph} EC {ec} uS/cm T {temp} C\r\n")
    data = b"6 C\r\nWELCOME v1.2\r\n(c) 2026 menu: 1 a 2 b\r\n" + good[:200] + b"\x00\xff#\r\n"
    found = check(
        data + good[200:] + b"pH 7.0", "pH 7.01 EC 512 uS/cm T 21.4 C",
        {"ph": 7.01, "conductivity": 512, "temperature": 21.4},
    )  # fmt: skip
    assert len(found.chosen) == 3


def test_a_person_may_say_otherwise():
    found = understand(shown("{ph};{orp};{temp}\n", orp=512.0))
    changed = found.with_changes({1: ("conductivity", "mS/cm"), 2: ("", "")})
    assert [one.quantity for one in changed.proposals] == ["ph", "conductivity", ""]
    meter = put_together(Profile.model_validate(changed.profile), __file__)
    assert meter.reader.read("7.01;5;21").values == {"ph": 7.01, "conductivity": 5000}
    for change, said in [
        ({0: ("taste", "")}, "unknown quantity"),
        ({0: ("ph", "furlong")}, "unknown unit"),
        ({0: ("", ""), 1: ("", ""), 2: ("", "")}, "none looks like"),
    ]:
        with pytest.raises((ConfigError, FrameError), match=said):
            found.with_changes(change)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "no line ever ends"),
        (b"7.01 " * 50, "no line ever ends"),
        (b"hello\r\nworld\r\n" * 5, "no number"),
        (b"BAT 85 %\r\nBAT 84 %\r\n" * 5, "none looks like a quantity"),
        (b"ID 4\r\n" * 5, "none looks like a quantity"),
    ],
)
def test_what_cannot_be_understood_says_what_was_seen(data, said):
    with pytest.raises(FrameError, match=said):
        understand(data)


@settings(max_examples=300)
@given(st.one_of(st.binary(max_size=400), st.text(max_size=300).map(str.encode)))
def test_any_bytes_are_understood_or_refused_and_nothing_else_happens(data):
    with contextlib.suppress(FrameError):
        learned(data)


@settings(max_examples=200)
@given(st.lists(st.text(alphabet="pHTEC0123456789.,;:=|-+ \t{}[]\"'#*µ°\\\x1b\u202e", max_size=40)))
def test_hostile_lines_give_a_file_that_can_be_read_again(lines):
    with contextlib.suppress(FrameError):
        found = understand("\n".join([*lines, *lines, ""]).encode())
        text = toml(found.profile, [found.lines.texts[-1]])
        assert tomllib.loads(text) == found.profile
        assert "\x1b" not in text
        assert "\u202e" not in text
