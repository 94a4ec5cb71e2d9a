"""What one capture says of others, and when it says nothing."""

from __future__ import annotations

from dataclasses import replace

from acquire.bench.flagged import is_grave
from acquire.bench.walk_glimpse import Seen
from acquire.readings import CaptureState, Event, Role
from acquire.rounds import Visit
from tests.bench.test_walk import (
    CHECK,
    QUANTITIES,
    RINSE,
    RO,
    RO_READS,
    TAP,
    TAP_READS,
    Story,
    pass_through,
    reading_of,
)

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


MORE_LIKE = "reads more like it than its other repeats do"


def test_a_repeat_a_little_off_its_own_and_nearer_to_another_water_is_doubted_when_that_is_known():
    """Two thin waters of one conductivity, 0.14 in pH apart: nothing else tells them."""
    story = Story(replace(RO, repeats=3), replace(RO, water="well", repeats=2))
    for ph in (6.40, 6.26, 6.41):
        story.take((ph, 13.0, 21.0)).air()
    assert story.flags(0) == ""
    told = len(story.news)
    story.take((6.25, 13.0, 21.0)).air()
    odd = [v for v in story.course.visits if any(MORE_LIKE in f for f in v.flags)]
    assert [(v.position, v.repeat) for v in odd] == [(0, 2)]
    assert f"well {MORE_LIKE}" in story.flags(0)
    assert is_grave(odd[0].flags)
    story.take((6.27, 13.0, 21.0))
    events = [n for n in story.news[told:] if isinstance(n, Event) and MORE_LIKE in n.text]
    assert len(events) == 1
    others = story.walk._visits.others
    assert [*others.doubt_repeats(0), *others.doubt_nearer()] == []  # nothing new, nothing told
    assert MORE_LIKE not in story.flags(1)


def test_one_that_is_as_near_to_its_own_as_to_another_water_is_not_doubted():
    nearly_half, little_off = (6.50, 6.33, 6.24), (6.40, 6.29, 6.29)
    for own, odd, other in (nearly_half, little_off):
        story = Story(replace(RO, repeats=2), replace(RO, water="well"))
        for ph in (own, odd, other):
            story.take((ph, 13.0, 21.0)).air()
        assert MORE_LIKE not in story.flags(0)
    drops = Story(replace(RO, repeats=2), replace(RO, water="well"))
    drops.take((6.40, 13.0, 21.0)).air().take((6.41, 14.0, 21.0)).air().take((6.42, 14.0, 21.0))
    assert MORE_LIKE not in drops.flags(0)


def test_it_is_doubted_no_longer_once_a_repeat_bears_it_out_or_the_other_capture_goes():
    stories = [
        Story(replace(RO, repeats=2), replace(RO, water="well"), TAP),
        Story(replace(RO, repeats=2), replace(RO, water="well"), TAP),
    ]
    for story in stories:
        story.take((6.40, 13.0, 21.0)).air().take((6.26, 13.0, 21.0)).air()
        story.take((6.25, 13.0, 21.0)).air()
        assert MORE_LIKE in story.flags(0)
    gone, borne_out = stories
    said, news = gone.walk.redo()
    assert said.startswith("again: ")
    assert [v.position for v in news] == [1, 0]
    assert MORE_LIKE not in gone.flags(0)
    course = borne_out.course
    course.captures["more"] = replace(course.captures["c2"], id="more")
    course.keep(Visit("r1", 0, 3, "taken", course.captures["more"].taken.at_ms + 1, "more"))
    borne_out.walk._visits.others.doubt_nearer()
    assert MORE_LIKE not in borne_out.flags(0)


def test_of_whom_somebody_said_which_water_it_is_nothing_is_held_against_it():
    story = Story(replace(RO, repeats=2), replace(RO, water="well"))
    story.take((6.40, 13.0, 21.0)).air().take((6.26, 13.0, 21.0)).air()
    visit = story.course.visits[1]
    story.course.keep(replace(visit, flags=("somebody said that it is ro",)))
    story.take((6.25, 13.0, 21.0))
    assert MORE_LIKE not in story.flags(0)


def test_a_rinse_made_in_a_glass_that_holds_none_tells_that_an_unknown_water_was_taken_in_its():
    """The film of a standard hid what the rinse held; then the two glasses changed places."""
    still, going_on = [474.0] * 24, [600.0 + 6.0 * second for second in range(24)]
    flag = "distilled reads like it: was it in the right glass, both times?"
    past = {"ro": [reading_of((6.3, 14.0, 21.0))]}
    for shown in (still, going_on):
        story = Story(RO, RINSE, TAP).take((6.3, 4.6, 21.0)).air()
        assert story.flags(0) == ""
        assert pass_through(story, shown).flags(0) == flag
        known = Story(RO, RINSE, TAP, history=past).take((6.3, 14.6, 21.0)).air()
        assert pass_through(known, shown).flags(0) == ""
    after = Story(RINSE, RO, TAP)
    assert pass_through(after, still).take((6.3, 4.6, 21.0)).flags(1) == flag
    strong = Story(RO, RINSE, TAP).take((7.6, 300.0, 21.0)).air()
    pass_through(strong, [474.0] * 24)
    assert strong.flags(0) == ""


def test_a_rinse_that_was_seen_well_says_itself_what_was_taken_in_its_glass():
    story = Story(RINSE, RO, RINSE, TAP)
    pass_through(story, [20.0] * 24).take((6.3, 4.6, 21.0)).air()
    pass_through(story, [474.0] * 24)
    assert story.flags(1) == ""


def test_a_rinse_in_the_film_of_something_strong_was_in_no_other_glass_for_it():
    story = (
        Story(RO, CHECK, RINSE, TAP).take((6.3, 4.6, 21.0)).air().take((7.0, 6100.0, 21.0)).air()
    )
    pass_through(story, [round(2.5 + 900.0 * 0.95**second) for second in range(24)])
    assert story.flags(0) == ""
