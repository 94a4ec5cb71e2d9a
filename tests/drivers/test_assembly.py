"""Every mistake in a profile is one line: file, key, found, allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Quantity, Tolerance
from drivers.assembly import assemble

GOOD = """
[fields]
style = "labels"

[quantities.ph]
label = "pH"
unit = "pH"
resolution = 0.01

[quantities.conductivity]
label = ["EC", "Cond"]
unit = "mS/cm"
resolution = 0.01
accuracy = 0.02
"""
COLUMNS = """
[fields]
style = "columns"
separator = ";"
columns = ["ph", ""]

[quantities.ph]
unit = "pH"
resolution = 0.01
"""
PATTERN = """
[fields]
style = "pattern"
pattern = 'P(?P<ph>[^ ]+)'

[quantities.ph]
unit = "pH"
resolution = 0.01
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("text", [GOOD, COLUMNS, PATTERN])
def test_a_short_profile_is_enough(tmp_path: Path, text: str) -> None:
    assert assemble(write(tmp_path, text)).channels[0].quantity == "ph"


def test_resolution_and_accuracy_are_turned_into_the_quantitys_unit(tmp_path: Path) -> None:
    _, conductivity = assemble(write(tmp_path, GOOD)).channels
    assert conductivity.resolution == pytest.approx(10.0)
    assert conductivity.accuracy == pytest.approx(20.0)


def test_escapes_mean_the_same_in_both_kinds_of_toml_text(tmp_path: Path) -> None:
    tail = "\n[poll]\ncommand = {}\n"
    literal = assemble(write(tmp_path, GOOD + tail.format(r"'R\x02\\D\r\n'")))
    basic = assemble(write(tmp_path, GOOD + tail.format(r'"R\u0002\\\\D\r\n"')))
    for meter in (literal, basic):
        assert meter.profile.poll is not None
        assert meter.profile.poll.command == b"R\x02\\D\r\n"


def test_a_configured_quantity_may_be_read(tmp_path: Path) -> None:
    oxygen = Quantity(
        "dissolved_oxygen", "DO", "mg/L", "mg/L", 2, 0.0, 30.0, Tolerance(0.1), "mg/L"
    )
    text = GOOD + '[quantities.dissolved_oxygen]\nlabel = "DO"\nunit = "mg/L"\nresolution = 0.1\n'
    meter = assemble(write(tmp_path, text), {**BUILT_IN, "dissolved_oxygen": oxygen})
    assert meter.reader.read("DO 8.1 mg/L, pH 7.0").values == {"dissolved_oxygen": 8.1, "ph": 7.0}


MISTAKES = [
    (GOOD, 'unit = "pH"', 'unit = "furlong"', "quantities.ph.unit", "(none)"),
    (GOOD, "quantities.ph", "quantities.hp", "quantities.hp", "temperature"),
    (GOOD, 'style = "labels"', 'style = "words"', "fields", "'labels', 'columns', 'pattern'"),
    (GOOD, 'style = "labels"', "", "fields", ""),
    (GOOD, 'label = "pH"', "", "quantities.ph.label", "the label"),
    (GOOD, 'label = "pH"', 'label = "ec"', "quantities.conductivity.label", "quantities.ph.label"),
    (GOOD, 'label = "pH"', 'label = "7pH"', "quantities.ph.label", "starts with no"),
    (GOOD, 'label = "pH"', "label = 7", "quantities.ph.label", "a list"),
    (GOOD, 'label = "pH"', 'lable = "pH"', "quantities.ph.lable", "label, group"),
    (GOOD, 'label = "pH"', 'label = "pH"\ngroup = "p"', "quantities.ph.group", "style pattern"),
    (GOOD, 'label = "pH"', 'label = "pH"\nfactor = 0.0', "quantities.ph.factor", "not 0"),
    (GOOD, "resolution = 0.01", "resolution = 0", "quantities.ph.resolution", "> 0"),
    (GOOD, "resolution = 0.01", "resolution = nan", "quantities.ph.resolution", "finite"),
    (GOOD, "resolution = 0.01", 'resolution = "fine"', "quantities.ph.resolution", "a number"),
    (GOOD, "resolution = 0.01", "", "quantities.ph.resolution", ""),
    (GOOD, "accuracy = 0.02", 'follows = "tds"', "quantities.conductivity.follows", "ph"),
    (GOOD, "accuracy = 0.02", "coefficient_per_c = 0.02", "coefficient_per_c", "compensated_to_c"),
    (GOOD, "accuracy = 0.02", "compensated_to_c = 99", "compensated_to_c", "<= 50"),
    (GOOD, "[fields]", "[serial]\nbaudrate = 9\n[fields]", "serial.baudrate", ">= 50"),
    (GOOD, "[fields]", '[serial]\nparity = "N"\n[fields]', "serial.parity", "'none'"),
    (GOOD, "[fields]", "[serial]\nbaudrate = true\n[fields]", "serial.baudrate", "whole number"),
    (GOOD, "[fields]", "[poll]\ncommand = 'R\\q'\n[fields]", "poll.command", r"\xNN"),
    (GOOD, "[fields]", '[poll]\ncommand = "µ"\n[fields]', "poll.command", "ASCII"),
    (GOOD, "[fields]", "[poll]\ncommand = ''\n[fields]", "poll.command", ""),
    (GOOD, "[fields]", '[framing]\nterminator = ""\n[fields]', "framing.terminator", ""),
    (GOOD, "[fields]", '[framing]\nchecksum = { kind = "md5" }\n[fields]', "framing.checksum.kind", "xor"),
    (GOOD, "[fields]", '[words]\nerror = ["OR"]\n[fields]', "words", "once"),
    (COLUMNS, '["ph", ""]', '["ph", "ec"]', "fields.columns", "ph"),
    (COLUMNS, '["ph", ""]', '["ph", "ph"]', "fields.columns", ""),
    (COLUMNS, '["ph", ""]', '["", ""]', "fields.columns", ""),
    (COLUMNS, 'separator = ";"', 'separator = "."', "fields.separator", "tab"),
    (COLUMNS, 'separator = ";"', 'separator = ",,"', "fields.separator", ""),
    (COLUMNS, 'separator = ";"', 'separator = ","\ndecimal = ","', "fields.separator", "tab"),
    (PATTERN, "[^ ]+)", "[^ ]+", "fields.pattern", ""),
    (PATTERN, "[^ ]+)", "([^ ]+)+)", "fields.pattern", "class"),
    (PATTERN, "P<ph>", "P<p>", "quantities.ph.group", "p"),
    (PATTERN, "[^ ]+)", "[^ ]+)(?P<x>b)", "fields.pattern", "(?:...)"),
    (PATTERN, "resolution", 'unit_from = "u"\nresolution', "quantities.ph.unit_from", "ph"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "old", "new", "key", "allowed"), MISTAKES)
def test_a_mistake_names_file_key_and_what_is_allowed(
    tmp_path: Path, text: str, old: str, new: str, key: str, allowed: str
) -> None:
    assert old in text
    path = write(tmp_path, text.replace(old, new, 1))
    with pytest.raises(ConfigError) as caught:
        assemble(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert key in caught.value.key
    assert allowed in caught.value.allowed
    assert "\n" not in message
    assert len(message) < 500


def test_text_that_is_not_toml_or_not_text_says_so(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"not TOML: .*line 2"):
        assemble(write(tmp_path, "\n[fields\n"))
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="not UTF-8"):
        assemble(path)
    with pytest.raises(ConfigError, match=r"cannot be read: Is a directory"):
        assemble(tmp_path)
