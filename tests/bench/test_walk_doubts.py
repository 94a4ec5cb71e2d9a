"""What one capture says of others, and when it says nothing."""

from __future__ import annotations

from dataclasses import replace

from acquire.bench.walk_glimpse import Seen
from acquire.readings import CaptureState, Role
from tests.bench.test_walk import QUANTITIES, RINSE, RO, RO_READS, TAP, TAP_READS, Story

LIKE_IT = "tap reads like it"


def test_two_immersions_that_agree_are_not_doubted_for_a_third_that_reads_like_them():
    twice = Story(replace(RO, repeats=2), TAP).take(RO_READS).air().take(RO_READS).air()
    once = Story(RO, TAP).take(RO_READS).air()
    for story in (twice, once):
        story.take(RO_READS)
        assert "perhaps another water" in story.flags(1)
    assert twice.flags(0) == ""
    assert LIKE_IT in once.flags(0)


def test_what_is_said_of_a_visit_is_said_once_however_often_it_is_found():
    story = Story(RO, replace(TAP, repeats=2)).take(RO_READS).air()
    for number in range(2):
        reads = (6.2, 14.0 + number, 21.0)
        story.take(reads).air()
    assert story.flags(0).count(LIKE_IT) == 1


def test_a_flag_that_is_gone_already_is_not_missed_when_its_reason_goes():
    story = Story(RO, TAP, replace(RO, water="well")).take(RO_READS).air().take(RO_READS).air()
    (flagged,) = [v for v in story.course.visits if v.position == 0]
    assert LIKE_IT in story.flags(0)
    story.course.keep(replace(flagged, flags=()))
    said, news = story.walk.redo()
    assert said.startswith("again: ")
    assert [v.position for v in news] == [1]
    assert story.flags(0) == ""


def test_a_poorer_look_at_a_rinse_takes_the_place_of_no_better_one():
    story = Story(RINSE, RO, TAP).dip(30.0, (6.3, 3.0, 21.0)).air()
    which = story.walk._which
    which.learn_rinse("distilled", Seen(3.0, 3.0, 21.0))
    which.learn_rinse("distilled", Seen(3.0, 60.0, 21.0))  # with the film of what was before it
    story.take((6.3, 3.1, 21.0))
    assert "reads like distilled" in story.flags(1)


def test_a_water_said_to_read_like_the_rinse_is_not_doubted_for_it():
    shown = dict(zip(QUANTITIES, (6.3, 3.1, 21.0), strict=True))
    story = Story(RINSE, RO, TAP)
    which = story.walk._which
    which.learn_rinse("distilled", Seen(3.0, 3.0, 21.0))
    assert which.like_rinse(RO, shown).like == "distilled"
    which.learn_alike("ro", "distilled")
    assert which.like_rinse(RO, shown) is None
    assert which.like_rinse(TAP, shown).like == "distilled"  # only that pair


def test_a_probe_moved_from_the_last_water_into_another_ends_the_round_without_air():
    story = Story(RO).take(RO_READS, lift=False, state=CaptureState.UNSETTLED)
    story.dip(5.0, TAP_READS)
    assert story.walk.is_over
    assert story.states() == [(0, 1, "taken")]
    assert "did not come to rest" in story.flags(0)


def test_a_capture_set_aside_before_it_was_final_says_that_it_is_done_again():
    story = Story(RO, TAP).take(RO_READS, lift=False)
    said, _ = story.walk.redo()
    assert "set aside" in said
    gone = replace(story.capture, state=CaptureState.WITHDRAWN, reason="moved on")
    story.news += story.walk.hear(story.walk.named(gone))
    story.air()
    assert story.states() == []
    assert "ro: done again" in story.walk.guidance().warnings[0]
    story.take(RO_READS)
    assert story.states() == [(0, 1, "taken")]
    assert "done again" in story.flags(0)


def test_captures_of_other_waters_are_not_taken_in_after_an_interruption():
    first = Story(RO, TAP).take(RO_READS)
    (kept,) = first.course.captures.values()
    again = Story(RO, TAP)
    again.walk.adopt([replace(kept, id="x", water="elsewhere"), kept])
    assert again.states() == [(0, 1, "taken")]
    assert again.walk.role_of("tap") is Role.SUBJECT
    assert again.walk.role_of("elsewhere") is None
