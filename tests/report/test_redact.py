"""What is shared says neither where nor whose; what is not asked for stays."""

from __future__ import annotations

from acquire.readings import Capture, CaptureState, Reading, SettledValue, Stamp
from acquire.report.redact import OPEN, Redaction, redaction_of

T0 = Stamp(1_790_000_000_000, 0)


def test_names_in_sentences_are_replaced_as_whole_words_the_longest_first():
    some = Redaction(
        False, {"kitchen": "meter 1"}, {"tap": "water 1", "kitchen tap": "water 2", "": "x"}
    )
    said = "Unlike kitchen tap: tape, TAP; Kitchen Tap. The kitchen said 'tap'."
    assert some.text(said) == (
        "Unlike water 2: tape, water 1; water 2. The meter 1 said 'water 1'."
    )
    assert some.water("") == "x"
    odd = Redaction(False, {}, {"a.*(": "water 1", "=1+1": "water 2", "water": "water 3"})
    assert odd.text("a.*( and =1+1 of water") == "water 1 and water 2 of water 3"


def test_nothing_changes_when_nothing_is_asked(records):
    same = redaction_of(records, hide_places=False, number_waters=False)
    assert same.is_open
    assert OPEN.text("kitchen") == "kitchen"
    reading = Reading("kitchen", T0, {"ph": 7.0}, raw="pH 7.00")
    assert same.reading(reading) is reading


def test_waters_are_numbered_by_their_first_capture_and_those_never_captured_come_after(records):
    hidden = redaction_of(
        records, hide_places=True, number_waters=True, more_waters=["rain", "rinse", ""]
    )
    assert hidden.waters == {
        "buffer 7": "water 1",
        "rinse": "water 2",
        "reverse osmosis": "water 3",
        "kitchen <tap> & jug": "water 4",
        "=carbon filter": "water 5",
        "rain": "water 6",
    }
    assert hidden.meters == {"kitchen": "meter 1"}


def test_the_note_and_the_file_of_an_imported_row_are_left_out():
    """The importer keeps both in the reason of a capture."""
    value = SettledValue("ph", 7.2, 0.01, "settled", 0.0, None, source="imported")
    why = "imported from grandmother.csv, line 3: in the cellar of number 9"
    one = Capture("c", "imported", CaptureState.FINAL, T0, T0, {"ph": value}, "well", None, why)
    assert Redaction(True).capture(one).reason == "imported"
    assert Redaction(False, {}, {"well": "water 1"}).capture(one).reason == why
    assert OPEN.capture(one).reason == why
